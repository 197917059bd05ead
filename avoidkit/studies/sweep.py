"""Many drives over a range of tunings: what each costs in time, what it keeps in distance, which parameter matters."""

import math
from dataclasses import dataclass
from itertools import product

import numpy as np

from avoidkit.checks import InputError
from avoidkit.studies.designs import checked_over, points_of
from avoidkit.studies.drives import (
    LOOPS,
    checked_duration,
    checked_functions,
    checked_names,
    checked_scenes,
    checked_seeds,
    count,
    drive_task,
    in_words,
)
from avoidkit.studies.run import Plan, execute
from avoidkit.studies.statistics import (
    median_interval,
    pareto_front,
    rank_correlations,
    rate_words,
    sobol_indices,
)

OUTPUTS = ("nearest_gap_m", "lost_s", "halts_not_needed", "contacts_moving")


@dataclass(frozen=True, eq=False)
class Sweep:
    """What a sweep came to.

    Attributes
    ----------
    rows : DataFrame
        A line a drive: `point` (number of the setting), the setting by dotted names, `scene`, `seed`, and the metrics
        of `avoidkit.studies.metrics.drive_row`.
    times : DataFrame
        `run_s`, `cpu_s`, `worker`, `tries` of each drive.
    over : tuple of str
        The dotted names.
    design : str
    """

    rows: object
    times: object
    over: tuple
    design: str

    def settings(self):
        """A line a setting, for the trade-off.

        Returns
        -------
        DataFrame
            `point`, the setting, `n` drives, `margin_m` (least true gap while moving; 0 where somebody was touched
            while moving), `lost_s` (median) with its bootstrap interval `lost_low_s`, `lost_high_s`, `touched` (drives
            with a contact while moving), `reached` (drives that reached the end), `front` (nothing else is better
            in both margin and time).
        """
        import pandas as pd

        lines = [self._setting(point, rows) for point, rows in self.rows.groupby("point", sort=True)]
        table = pd.DataFrame(lines)
        table["front"] = pareto_front(-table["margin_m"].to_numpy(float), table["lost_s"].to_numpy(float))
        return table

    def _setting(self, point, rows):
        touched = rows["contacts_moving"] > 0
        gaps = np.where(touched, 0.0, rows["nearest_gap_m"].to_numpy(float))
        lost = median_interval(rows["lost_s"])
        return {
            "point": int(point),
            **{name: rows[name].iloc[0] for name in self.over},
            "n": len(rows),
            "margin_m": float(np.nanmin(gaps)) if np.isfinite(gaps).any() or np.isinf(gaps).any() else math.nan,
            "lost_s": lost["median"],
            "lost_low_s": lost["low"],
            "lost_high_s": lost["high"],
            "touched": int(touched.sum()),
            "reached": int(rows["reached_end"].fillna(False).astype(bool).sum()),
        }

    def matters(self, outputs=OUTPUTS):
        """Which parameters matter: Sobol indices of the mean over scenes and seeds for design `indices`, else rank
        correlations of the single drives, as a table."""
        import pandas as pd

        numeric = [name for name in self.over if pd.api.types.is_numeric_dtype(self.rows[name])]
        if self.design != "indices":
            return rank_correlations(self.rows, numeric, outputs)
        means = self.rows.groupby("point", sort=True)[list(outputs)].mean()
        parts = [sobol_indices(means[name], self.over).assign(output=name) for name in outputs if _finite(means[name])]
        return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=["input", "first", "total", "n"])

    def lines(self):
        """The study in a few sentences, each rate with its n and bound."""
        rows = self.rows
        table = self.settings()
        said = [
            f"{count(len(rows), 'drive')}: {count(len(table), 'setting')}, {in_words(rows)}",
            f"touched somebody while moving: {rate_words(int((rows['contacts_moving'] > 0).sum()), len(rows))}",
            f"reached the end: {rate_words(int(table['reached'].sum()), len(rows))}",
        ]
        for _, best in table[table["front"]].sort_values("lost_s").iterrows():
            setting = ", ".join(f"{name} {_said(best[name])}" for name in self.over)
            lost = f"{best['lost_s']:.1f} s lost ({best['lost_low_s']:.1f} to {best['lost_high_s']:.1f}, n {best['n']})"
            said.append(f"on the front: {setting}: {lost}, nearest {best['margin_m']:.2f} m")
        return said

    def _repr_html_(self):
        return "<p>" + "<br>".join(self.lines()) + "</p>" + self.settings()._repr_html_()


def sweep(
    scenes, tuning, over, *, seeds, design="grid", n=None, design_seed=0, duration_s=None, loop="sensed", decide=None,
    track=None, map_space=None, recordings=None, executor=None, folder=None, max_errors=5, progress=True,
):  # fmt: skip
    """Drive every scene with every seed at every setting of a design.

    Parameters
    ----------
    scenes : Scene, name, or sequence of them
    tuning : Tuning
    over : dict
        By dotted name of a tuning field: a list of values, or (low, high). A field of `vehicle` changes what is
        believed and what is true alike; what `scene.true_vehicle` names stays as it is there.
    seeds : int or sequence of int
        How many (0, 1, ...), or which. All settings see the same seeds: common random numbers.
    design : str
        `grid`: every combination, ranges at `n` levels (5); `latin`: a Latin hypercube of `n` settings; `sobol`: a
        scrambled Sobol sequence of `n`, a power of 2; `indices`: n (d + 2) settings from which `matters()` gives
        Sobol indices.
    loop : str
        `sensed`, or `exact` for perfect knowledge in place of sensors, tracker and grid.
    decide, track, map_space : callable, optional
        As in `drive`.
    recordings : path, optional
        A folder that takes the recording of every drive; none are kept otherwise.
    executor, folder, max_errors, progress
        As in `avoidkit.studies.run.execute`.

    Returns
    -------
    Sweep

    Raises
    ------
    InputError
        Before anything runs: an unknown field (with the nearest known name), an empty range, a value out of its
        bounds, a seed twice, a scene that is missing.
    """
    scenes, seeds = checked_scenes(scenes), checked_seeds(seeds)
    if loop not in LOOPS:
        raise InputError(f"loop must be one of {', '.join(LOOPS)}, got {loop!r}")
    checked_duration(duration_s)
    checked_names(over, tuning)
    checked_over(over)
    points = points_of(over, design, n, design_seed)
    for point in points:
        tuning.replace(point)
    tasks = [
        {"point": k, "changes": points[k], "scene": name, "tuning": tuning.name, "seed": seed}
        for k, name, seed in product(range(len(points)), scenes, seeds)
    ]
    if recordings is not None:
        for k, task in enumerate(tasks):
            task["recording"] = f"{recordings}/{k:05}-{task['scene']}-{task['seed']}.parquet"
    functions = checked_functions(decide=decide, track=track, map_space=map_space)
    settings = {"duration_s": duration_s, "loop": loop, "design": design}
    plan = Plan("sweep", drive_task, tuple(tasks), scenes, {tuning.name: tuning}, functions, settings)
    done = execute(plan, executor=executor, folder=folder, max_errors=max_errors, progress=progress)
    return Sweep(done.rows, done.times, tuple(over), design)


def _finite(column):
    return bool(np.isfinite(column.to_numpy(float)).all())


def _said(value):
    number = isinstance(value, int | float | np.number) and not isinstance(value, bool | np.bool_)
    return f"{value:g}" if number else str(value)
