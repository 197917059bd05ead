"""Looks for the walk, inside the envelope, that comes nearest to a contact while the vehicle moves.

What is made small is the gap less what the vehicle covers in 0.3 s, over all cycles in which it moves; with a contact
while it moves, -1 less its speed then. Smooth in the gap, so that a search can follow it down.
"""

import math
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar

import numpy as np

from avoidkit.checks import InputError
from avoidkit.drive import Loop, drive
from avoidkit.freespace import free_grid
from avoidkit.grid import Grid, empty_grid
from avoidkit.interrupts import hearing
from avoidkit.people import CONTACT_RADIUS_M, signed_distance
from avoidkit.recording.summary import MOVING_MPS
from avoidkit.studies import progress as showing
from avoidkit.studies.drives import LOOPS, checked_functions, stages_of
from avoidkit.studies.exact import ExactLoop
from avoidkit.studies.pools import lasting
from avoidkit.studies.run import Interrupted, Plan, execute
from avoidkit.studies.statistics import rate_words
from avoidkit.studies.walker import checked_also, course_bounds, course_from, scene_of
from avoidkit.vehicle import outline_in_scene

LEAD_S = 0.3
NOTHING_M = 9.0  # value of a walk that nobody can walk, or of a drive without motion
AFTER_S = 4.0  # a trial ends so long after the walker should have met the path, unless they are still near
LONGEST_S = 40.0
WORST = 3  # walks kept with their drive
CROWD = 20  # walks of one generation
MOST_DRAWS = 500  # generations, and batches drawn until enough walks can be walked


@dataclass(frozen=True, eq=False)
class Stress:
    """What a stress search came to.

    Attributes
    ----------
    trials : DataFrame
        A line an evaluation, in order: `search` (`search` or `random`), `value`; `gap_m`, `vehicle_mps`, `time_s` of
        the worst instant; `contact_moving`, and the numbers of the walk.
    scenes : list of Scene
        The worst walks, worst first; each can be saved and driven again.
    recordings : list of Recording
        Their drives.
    budget : int
    """

    trials: object
    scenes: list
    recordings: list
    budget: int

    def first_contact(self, search="search"):
        """After how many evaluations a contact while moving was first found; None: never."""
        mine = self.trials[self.trials["search"] == search]["contact_moving"].to_numpy(bool)
        return int(np.argmax(mine)) + 1 if mine.any() else None

    def lines(self):
        """The result in a few words."""
        said = []
        for search in self.trials["search"].unique():
            mine = self.trials[self.trials["search"] == search]
            best = mine.loc[mine["value"].idxmin()]
            found = self.first_contact(search)
            hits = rate_words(int(mine["contact_moving"].sum()), len(mine))
            first = f"first after {found} evaluations" if found else "none found"
            worst = f"worst: gap {best['gap_m']:.2f} m at {best['vehicle_mps']:.2f} m/s"
            said.append(f"{search}: walks with a contact while moving: {hits}, {first}; {worst}")
        return said

    def save(self, folder):
        """Write the worst walks as `worst-1.toml` and so on, each with its drive as Parquet; the files written."""
        from avoidkit.scene import save_scene

        folder, files = Path(folder), []
        folder.mkdir(parents=True, exist_ok=True)
        for k, (scene, recording) in enumerate(zip(self.scenes, self.recordings, strict=True), 1):
            save_scene(scene, folder / f"worst-{k}.toml")
            recording.save(folder / f"worst-{k}.parquet")
            files += [folder / f"worst-{k}.toml", folder / f"worst-{k}.parquet"]
        return files


def stress(
    scene, tuning, *, budget=200, seed=0, also=None, ahead_m=10.0, loop="exact", decide=None, track=None,
    map_space=None, beside_random=True, stop_at_contact=False, executor=None, folder=None, max_errors=5, progress=True,
):  # fmt: skip
    """Search for the worst walk of one person.

    Parameters
    ----------
    scene : Scene
        Its guests are left out; the operator stays.
    tuning : Tuning
        What the vehicle believes; `scene.true_vehicle` says what is true instead.
    budget : int
        Drives that the search may make, at least 40; as many again at random.
    seed : int
        Of search and sensors.
    also : dict, optional
        What is varied as well, with its range: a field of the true vehicle (`latency_s`) or a fault
        (`front_left late`).
    ahead_m : float
        The walk meets the path up to so far before the bumper.
    loop : str
        `exact` judges the decision by perfect knowledge; `sensed` goes through sensors, tracker and grid, slower.
    beside_random : bool
        Try as many walks at random, for comparison.
    stop_at_contact : bool
        End each search with its first contact while moving.
    executor, folder, max_errors, progress
        As in `avoidkit.studies.run.execute`; each generation of walks is kept in a folder of its own.

    Returns
    -------
    Stress

    Notes
    -----
    Search: differential evolution (Storn and Price 1997, in scipy) from a Latin hypercube, 20 walks a generation. That
    it finds nothing proves nothing. Walks that nobody can walk there (through a wall, say) cost no drive and do not
    count, for the search and at random alike.
    """
    if isinstance(budget, bool) or int(budget) != budget or budget < 2 * CROWD:
        raise InputError(f"budget must be an integer of at least {2 * CROWD}, got {budget!r}")
    if loop not in LOOPS:
        raise InputError(f"loop must be one of {', '.join(LOOPS)}, got {loop!r}")
    checked_also(also or {}, loop)
    functions = checked_functions(decide=decide, track=track, map_space=map_space)
    bounds = course_bounds(scene, tuning, ahead_m) | dict(also or {})
    settings = {"loop": loop, "bounds": {name: list(pair) for name, pair in bounds.items()}}
    budget = int(budget)
    shown = showing.bar(budget * (1 + bool(beside_random)), "stress", progress)
    trial = _Trials(scene, tuning, functions, settings, seed, folder, max_errors, shown, stop_at_contact)
    with hearing() as heard:
        try:
            with lasting(executor) as pool:
                trial.search(budget, pool)
                if beside_random:
                    trial.at_random(budget, pool)
            worst = _driven_again(trial, loop, heard)
        except KeyboardInterrupt as stop:
            heard.closing = True
            raise Interrupted(*trial.kept_in_words(getattr(stop, "kept", 0))) from None
        finally:
            shown.end()
    return Stress(trial.table().drop(columns=["scene", "tuning"]), *worst, budget)


class _Done(Exception):
    """The budget is spent, or a contact was found and no more is wanted."""


class _Refused(Exception):
    """Carries an `InputError`, which is a `ValueError`, through an optimiser that takes those for its own."""


@contextmanager
def _refusals():
    try:
        yield
    except _Refused as carrier:
        raise carrier.args[0] from None


class _Trials:
    """Carries out generations of walks and remembers them in order."""

    def __init__(self, scene, tuning, functions, settings, seed, folder, max_errors, shown, stops):
        self.plan, self.seed = (scene, tuning, functions, settings), seed
        self._shown, self._max_errors = shown, max_errors
        self._folder, self._stops = folder, stops
        self.frames, self._generation, self._left, self._pool = [], 0, 0, None

    def table(self):
        """A line a walk, in order."""
        import pandas as pd

        return pd.concat(self.frames, ignore_index=True)

    def kept_in_words(self, under_way):
        """(what an interrupted search says, walks that were driven)."""
        kept = sum(len(rows) for rows in self.frames) + under_way
        where = f"kept in {self._folder}: the same call goes on from there" if self._folder else "lost: give a folder"
        return f"stress: {kept} walks are {where}", kept

    def search(self, budget, pool):
        """Differential evolution over the unit cube, from walks that can be walked."""
        from scipy.optimize import differential_evolution

        self._left, self._pool = budget, pool
        first = self._walkable(CROWD, np.random.default_rng(self.seed))
        with _refusals(), suppress(_Done):
            differential_evolution(
                lambda x: self._asked(np.atleast_2d(x.T)), [(0.0, 1.0)] * first.shape[1], init=first,
                vectorized=True, updating="deferred", maxiter=MOST_DRAWS, tol=0.0, atol=0.0, polish=False,
                mutation=(0.4, 0.9), recombination=0.8, seed=np.random.default_rng(self.seed + 1),
            )  # fmt: skip

    def at_random(self, budget, pool):
        """As many walks drawn evenly from those that can be walked."""
        self._left, self._pool = budget, pool
        draws = np.random.default_rng(self.seed + 2)
        with suppress(_Done):
            while self._left:
                self._generate(self._walkable(min(CROWD, self._left), draws), "random")

    def _asked(self, shares):
        try:
            return self._generate(shares, "search")
        except InputError as refusal:
            raise _Refused(refusal) from refusal

    def _walkable(self, wanted, draws):
        """So many walks that can be walked, each batch a Latin hypercube, as shares (wanted, numbers of a walk)."""
        from scipy.stats import qmc

        d, found = len(self.plan[3]["bounds"]), []
        sampler = qmc.LatinHypercube(d, seed=draws)
        for _ in range(MOST_DRAWS):
            found += [one for one in sampler.random(wanted) if self._scene_of(one) is not None]
            if len(found) >= wanted:
                return np.array(found[:wanted])
        raise InputError(f"{self.plan[0].name}: hardly a walk can be walked here: nobody has room to come to the path")

    def _scene_of(self, shares):
        scene, tuning, _, settings = self.plan
        course, also = course_from(shares, {name: tuple(pair) for name, pair in settings["bounds"].items()})
        return scene_of(course, scene, tuning, also)

    def _generate(self, shares, search):
        """Values of walks: those that can be walked are driven, as long as the budget lasts."""
        scene, tuning, functions, settings = self.plan
        driven = [k for k, one in enumerate(shares) if self._scene_of(one) is not None][: self._left]
        tasks = tuple(
            {"search": search, "scene": "yard", "tuning": "t", "seed": self.seed, "shares": shares[k].tolist()}
            for k in driven
        )
        plan = Plan(f"stress, {search}", _trial, tasks, {"yard": scene}, {"t": tuning}, functions, settings)
        folder = None if self._folder is None else Path(self._folder) / f"generation-{self._generation:03}"
        self._generation += 1
        values = np.full(len(shares), NOTHING_M)
        if driven:
            before = sum(len(rows) for rows in self.frames)
            rows = execute(
                plan, folder=folder, executor=self._pool, max_errors=self._max_errors,
                progress=lambda done, _: self._shown.step(before + done),
            ).rows  # fmt: skip
            self.frames.append(rows)
            self._left -= len(driven)
            values[driven] = rows["value"].to_numpy(float)
        if not self._left or (self._stops and driven and rows["contact_moving"].any()):
            raise _Done
        return values


def _trial(task, context):
    """Drive one walk as long as it matters, and say how near it came."""
    bounds = {name: tuple(pair) for name, pair in context.settings["bounds"].items()}
    course, also = course_from(task["shares"], bounds)
    numbers = {name: getattr(course, name) for name in course.__slots__} | dict(also)
    scene = scene_of(course, context.scene, context.tuning, also)
    if scene is None:
        return _said(NOTHING_M) | numbers
    stages = stages_of(context.functions)
    loop = _loop_of(context.settings["loop"])(scene, context.tuning, task["seed"], *stages.values())
    walked = scene.people[-1].walk
    return nearest_of(loop, walked[-1].t_s + AFTER_S) | numbers


def nearest_of(loop, ends_s):
    """The worst instant of a drive, cycle by cycle, until `ends_s` or the first contact while moving."""
    worst, cycle_s = _said(NOTHING_M), loop.tuning.cycle_s
    for cycle in range(int(min(ends_s, LONGEST_S) / cycle_s) + 1):
        row = loop.step(cycle * cycle_s)
        speed = abs(row.ego.speed_mps)
        if speed <= MOVING_MPS:
            continue
        guests = ~row.people.is_operator
        if row.people.contact[guests].any():
            return _said(-1.0 - speed, 0.0, speed, row.time_s, True)
        gap_m = _gap(row.people.xy[guests], loop.tuning.vehicle, row.ego.pose)
        if gap_m - LEAD_S * speed < worst["value"]:
            worst = _said(gap_m - LEAD_S * speed, gap_m, speed, row.time_s)
    return worst


def _gap(xy, vehicle, pose):
    """Least true gap between outline and the bodies of people, m."""
    corners = outline_in_scene(vehicle, pose)
    return max(float(signed_distance(xy, corners).min()) - CONTACT_RADIUS_M, 0.0) if len(xy) else math.inf


def _said(value, gap_m=math.inf, speed_mps=0.0, time_s=math.nan, contact=False):
    return {
        "value": float(value), "gap_m": float(gap_m), "vehicle_mps": float(speed_mps), "time_s": float(time_s),
        "contact_moving": bool(contact),
    }  # fmt: skip


class YardLoop(ExactLoop):
    """`ExactLoop` whose grids are cut out of one of the whole yard, which is made once."""

    _yards: ClassVar[dict] = {}

    def _grid_about(self, middle, now):
        wanted = empty_grid(middle, self.tuning, time_s=now)
        whole = self._whole()
        first = np.rint((wanted.corner_xy - whole.corner_xy) / whole.cell_m).astype(int)
        rows, cols = wanted.shape
        if (first < 0).any() or (first + np.array([cols, rows]) > whole.shape[::-1]).any():
            return free_grid(middle, self.tuning, blocked=self.scene.polygons, time_s=now)
        cut = np.s_[first[1] : first[1] + rows, first[0] : first[0] + cols]
        seen = np.full(wanted.shape, now, np.float32)
        return Grid(
            wanted.corner_xy, wanted.cell_m, whole.log_odds[cut].copy(), seen, wanted.free_below,
            wanted.occupied_above, wanted.vehicle_xy, time_s=now,
        )  # fmt: skip

    def _whole(self):
        path, space = self.scene.reference, self.tuning.freespace
        key = (self.scene.things, self.scene.start, self.scene.path, space)
        key = hash(tuple(part.model_dump_json() if hasattr(part, "model_dump_json") else str(part) for part in key))
        if key not in self._yards:
            self._yards.clear()
            middle = 0.5 * np.array([path.x_m.min() + path.x_m.max(), path.y_m.min() + path.y_m.max()])
            across = max(np.ptp(path.x_m), np.ptp(path.y_m)) + 2 * (space.ahead_m + self.tuning.vehicle.length_m)
            wide = self.tuning.replace({"freespace.size_m": min(float(np.ceil(space.size_m + across)), 80.0)})
            self._yards[key] = free_grid(middle, wide, blocked=self.scene.polygons)
        return self._yards[key]


def _loop_of(name):
    return YardLoop if name == "exact" else Loop


def _driven_again(trials, loop, heard):
    """(scenes, recordings) of the worst walks, worst first."""
    scene, tuning, functions, settings = trials.plan
    table, bounds = trials.table(), {name: tuple(pair) for name, pair in settings["bounds"].items()}
    scenes, recordings = [], []
    for k in table["value"].nsmallest(WORST).index:
        course, also = course_from(table["shares"][k], bounds)
        worst = scene_of(course, scene, tuning, also)
        if worst is None:
            continue
        worst = worst.replace({"name": f"{scene.name}_stress_{len(scenes) + 1}"[-80:]})
        duration_s = min(worst.people[-1].walk[-1].t_s + AFTER_S, LONGEST_S)
        worst = worst.replace({"duration_s": round(duration_s, 1)})
        scenes.append(worst)
        recordings.append(drive(worst, tuning, seed=trials.seed, loop=_loop_of(loop), **stages_of(functions)))
        heard.check()  # `drive` ends early at Ctrl-C and does not raise
    return scenes, recordings
