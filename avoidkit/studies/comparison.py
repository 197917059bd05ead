"""Two tunings or decisions on the same scenes and seeds: what happens more often, takes longer, is answered anew."""

from dataclasses import dataclass
from itertools import product

import numpy as np

from avoidkit.checks import InputError
from avoidkit.studies.drives import (
    LOOPS,
    checked_duration,
    checked_functions,
    checked_scenes,
    checked_seeds,
    count,
    driven,
    in_words,
    stages_of,
)
from avoidkit.studies.marked import NOT_MET, held_against, marked_in
from avoidkit.studies.metrics import actions_in_words, changed_answers, drive_row
from avoidkit.studies.run import Plan, execute
from avoidkit.studies.statistics import interval_words, median_interval, rate_words, sign_test

SIDES = ("a", "b")
EVENTS = {
    "contact while moving": ("contacts_moving", lambda v: v > 0),
    "contact at rest": ("contacts", lambda v: v > 0),
    "a halt that was not needed": ("halts_not_needed", lambda v: v > 0),
    "a halt that was needed": ("halts_needed", lambda v: v > 0),
    "end not reached": ("reached_end", lambda v: ~v.astype(bool)),
}
TIMES = {"lost_s": "s", "nearest_gap_m": "m", "least_ttc_s": "s"}


@dataclass(frozen=True, eq=False)
class Comparison:
    """Pairs of drives.

    Attributes
    ----------
    rows : DataFrame
        A line a pair: `scene`, `seed`; every metric of `drive_row` as `a_...` and `b_...`; `changed_at_s` (the first
        cycle with another action, NaN: none), `a_answers`, `b_answers` (the actions in order) and, where recordings
        were asked for, `a_recording`, `b_recording`.
    times : DataFrame
    names : (str, str)
        What the sides are called.
    marks : DataFrame or None
        A line a mark of a person on a recording that was decided again with both sides (open loop), see `marked.MARKS`.
    """

    rows: object
    times: object
    names: tuple
    marks: object = None

    def events(self):
        """How often each event happens: `event`, `side`, `k`, `n`, `low`, `high` (exact 95 % interval), `words`; and
        `only`, pairs in which it happens on this side alone. Where there are marks, a mark that is not met is an
        event, for each kind of mark."""
        import pandas as pd

        from avoidkit.studies.statistics import rate_interval

        lines = []
        for event, masks in self._masks():
            for k, name in enumerate(self.names):
                n, hits = len(masks[k]), int(masks[k].sum())
                low, high = rate_interval(hits, n)
                only = int((masks[k] & ~masks[1 - k]).sum())
                said = rate_words(hits, n)
                lines.append([event, name, hits, n, low, high, only, said])
        return pd.DataFrame(lines, columns=["event", "side", "k", "n", "low", "high", "only", "words"])

    def _masks(self):
        """Yield (event, where it happens on side a, and on side b)."""
        for event, (column, happens) in EVENTS.items():
            yield event, [np.asarray(happens(self.rows[f"{side}_{column}"]), dtype=bool) for side in SIDES]
        if self.marks is not None:
            for kind, marks in self.marks.groupby("kind", sort=False):
                yield NOT_MET.format(kind), [~marks[f"{side}_met"].to_numpy(bool) for side in SIDES]

    def paired(self):
        """Differences b - a within pairs: `metric`, `unit`, medians of both sides, median difference with its
        bootstrap 95 % interval (of fewer than 6 pairs: the range), how often b is above and below a, and the exact
        two-sided sign test's p."""
        import pandas as pd

        lines = []
        for metric, unit in TIMES.items():
            a, b = (self.rows[f"{side}_{metric}"].to_numpy(float) for side in SIDES)
            with np.errstate(invalid="ignore"):
                found = median_interval(b - a)
                above, below, p = sign_test(np.nan_to_num(b - a, nan=0.0))
            medians = [median_interval(side)["median"] for side in (a, b)]
            lines.append(
                [metric, unit, *medians, found["median"], found["low"], found["high"], found["n"], above, below, p]
            )
        names = ["metric", "unit", "a", "b", "difference", "low", "high", "n", "b_above", "b_below", "p"]
        return pd.DataFrame(lines, columns=names)

    def changed(self):
        """Pairs that answer otherwise, those with the greatest difference in time lost first, with the cycle."""
        columns = ["scene", "seed", "changed_at_s", "a_answers", "b_answers", "a_lost_s", "b_lost_s"]
        columns += [name for name in ("a_recording", "b_recording") if name in self.rows]
        found = self.rows[self.rows["changed_at_s"].notna()]
        order = (found["b_lost_s"] - found["a_lost_s"]).abs().sort_values(ascending=False, kind="stable").index
        return found.loc[order, columns].reset_index(drop=True)

    def lines(self):
        """The comparison in a few sentences, each rate with its n and bound."""
        one, other = self.names
        pairs = f"{count(len(self.rows), 'pair')} of drives with the same seeds"
        said = [f"{pairs}: {one} against {other}, {in_words(self.rows)}"]
        said += [f"{line['event']}: {line['side']} {line['words']}" for _, line in self.events().iterrows()]
        for _, line in self.paired().iterrows():
            said.append(f"{line['metric']}: {other} less {one}{_difference_words(line)}")
        said.append(f"another answer at some cycle: {rate_words(len(self.changed()), len(self.rows))}")
        return said

    def _repr_html_(self):
        return "<p>" + "<br>".join(self.lines()) + "</p>" + self.changed()._repr_html_()


def _difference_words(line):
    """A line of `paired` in words."""
    sides = f"above in {line['b_above']}, below in {line['b_below']}"
    if not line["n"]:
        return f": no pair with a finite difference; {sides}"
    spread = f"{interval_words(line['n'])} {line['low']:+.2f} to {line['high']:+.2f}, n {line['n']}"
    return f" {line['difference']:+.2f} {line['unit']} (median, {spread}; {sides}, sign test p {line['p']:.2g})"


def compare(
    scenes, tuning_a, tuning_b=None, *, decide_a=None, decide_b=None, track=None, map_space=None, seeds,
    names=None, duration_s=None, loop="sensed", recordings=None, marked=(), executor=None, folder=None,
    max_errors=5, progress=True,
):  # fmt: skip
    """Drive every scene with every seed on both sides: common random numbers, so that differences are the sides' own.

    Parameters
    ----------
    scenes : Scene, name, or sequence of them
    tuning_a, tuning_b : Tuning
        b is a's where it is left out.
    decide_a, decide_b : callable, optional
        The kit's own where left out.
    seeds : int or sequence of int
    names : (str, str), optional
        What the sides are called; else the names of the tunings or functions.
    recordings : path, optional
        A folder that takes the recordings of both sides; none are kept otherwise.
    marked : folder, or iterable of paths
        Recordings with a person's marks beside them: each is decided again with both sides, from its returns, and the
        marks are held against what comes out. Open loop, since marks speak of what was recorded.
    loop, executor, folder, max_errors, progress
        As in `sweep`.

    Returns
    -------
    Comparison

    Raises
    ------
    InputError
        Before anything runs: nothing differs, a seed twice, a scene that is missing, a recording without marks.
    """
    marked = marked_in(marked)
    scenes, seeds = checked_scenes(scenes), checked_seeds(seeds)
    checked_duration(duration_s)
    tuning_b = tuning_a if tuning_b is None else tuning_b
    if loop not in LOOPS:
        raise InputError(f"loop must be one of {', '.join(LOOPS)}, got {loop!r}")
    if not tuning_a.differ(tuning_b) and decide_a is decide_b:
        raise InputError("nothing differs: a second tuning, or decide_a or decide_b, was wanted")
    functions = checked_functions(decide_a=decide_a, decide_b=decide_b, track=track, map_space=map_space)
    tasks = [{"scene": name, "seed": seed, "tuning": "a"} for name, seed in product(scenes, seeds)]
    if recordings is not None:
        for task in tasks:
            task |= {f"{s}_recording": f"{recordings}/{task['scene']}-{task['seed']}-{s}.parquet" for s in SIDES}
    changes = {name: new for name, (_, new) in tuning_a.differ(tuning_b).items()}
    settings = {"duration_s": duration_s, "loop": loop, "changes": changes}
    plan = Plan("compare", _pair, tuple(tasks), scenes, {"a": tuning_a}, functions, settings)
    done = execute(plan, executor=executor, folder=folder, max_errors=max_errors, progress=progress)
    sides = {"a": (tuning_a, stages_of(functions, "_a")), "b": (tuning_b, stages_of(functions, "_b"))}
    marks = held_against(marked, sides, executor) if marked else None
    return Comparison(
        done.rows.drop(columns="tuning"), done.times, names or _names(tuning_a, tuning_b, decide_a, decide_b), marks
    )


def _pair(task, context):
    """Both drives of one pair."""
    changes = {"a": {}, "b": context.settings["changes"]}
    drives = {
        side: driven(
            task | {"changes": changes[side], "recording": task.get(f"{side}_recording")}, context, suffix=f"_{side}"
        )
        for side in SIDES
    }
    rows = {side: drive_row(recording) for side, recording in drives.items()}
    row = {f"{side}_{name}": value for side in SIDES for name, value in rows[side].items()}
    row["changed_at_s"] = changed_answers(drives["a"], drives["b"])
    row |= {f"{side}_answers": actions_in_words(drives[side].rows) for side in SIDES}
    errors = [rows[side]["error"] for side in SIDES if rows[side]["errors"]]
    return row | {"errors": sum(rows[side]["errors"] for side in SIDES), "error": errors[0] if errors else ""}


def _names(tuning_a, tuning_b, decide_a, decide_b):
    if tuning_a.differ(tuning_b):
        if tuning_a.name != tuning_b.name:
            return tuning_a.name, tuning_b.name
        return tuning_a.hash, tuning_b.hash
    called = [
        getattr(function, "__name__", "a function") if function else "the kit's own"
        for function in (decide_a, decide_b)
    ]
    return (called[0], called[1]) if called[0] != called[1] else (f"{called[0]} (a)", f"{called[1]} (b)")
