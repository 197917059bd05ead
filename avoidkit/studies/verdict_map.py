"""The answer for every place of a person: a map, its boundary to 2 cm, and where two tunings disagree."""

import math
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from avoidkit.checks import InputError, require_finite
from avoidkit.decision import decide as kit_decide
from avoidkit.studies.drives import checked_functions
from avoidkit.studies.places import Places
from avoidkit.studies.run import Plan, execute
from avoidkit.verdict import Action

KNOWLEDGE = ("exact", "sensed")
MOST_PLACES = 1_000_000
LONGEST_WATCH_S = 60.0
SHAPE = (61, 41)  # places along x and y where no lattice is given
AHEAD_M, BEHIND_M, BESIDE_M = 15.0, 3.0, 5.0  # of the middle of the rear axle


@dataclass(frozen=True, eq=False)
class VerdictMap:
    """The answers on a lattice of places.

    Attributes
    ----------
    x_m, y_m : (n,), (m,) arrays
        Scene frame.
    action : (m, n) array of str
        `continue`, `detour` or `halt`; empty where nobody can be (in a thing, in the vehicle).
    settled_by : (m, n) array of str
        Name of the check that settled it.
    slack : (m, n) array
        Of that check, in its `unit`; negative where it does not hold.
    unit : (m, n) array of str
    cap_mps : (m, n) array
    boundary : DataFrame
        Refined places between two answers: `x_m`, `y_m`, `one`, `other`, `within_m`. Empty where not asked for.
    scene, tuning : Scene, Tuning
    about : dict
        Heading, speed, knowledge and what else the map was asked with.
    """

    x_m: np.ndarray
    y_m: np.ndarray
    action: np.ndarray
    settled_by: np.ndarray
    slack: np.ndarray
    unit: np.ndarray
    cap_mps: np.ndarray
    boundary: object
    scene: object
    tuning: object
    about: dict = field(default_factory=dict)

    def frame(self):
        """A line a place: `x_m`, `y_m`, `action`, `settled_by`, `slack`, `unit`, `cap_mps`."""
        import pandas as pd

        x, y = np.meshgrid(self.x_m, self.y_m)
        columns = {"x_m": x, "y_m": y}
        columns |= {name: getattr(self, name) for name in ("action", "settled_by", "slack", "unit", "cap_mps")}
        return pd.DataFrame({name: values.ravel() for name, values in columns.items()})

    def counts(self):
        """{action: places}, of those where somebody can be; a lattice, not a sample: there is no interval."""
        return {str(a): int((self.action == str(a)).sum()) for a in Action if (self.action == str(a)).any()}

    def lines(self):
        """The map in a few words."""
        counts, n = self.counts(), int((self.action != "").sum())
        said = ", ".join(f"{action} in {k} ({k / n:.0%})" for action, k in counts.items())
        return [f"{n} places where somebody can be, {self.about.get('knowledge', 'exact')} knowledge: {said}"]


@dataclass(frozen=True, eq=False)
class Difference:
    """Two maps of one lattice: what each answers, and where they disagree.

    Attributes
    ----------
    first, second : VerdictMap
    disagree : (m, n) bool array
    """

    first: VerdictMap
    second: VerdictMap
    disagree: np.ndarray

    def table(self):
        """How many places go from which answer to which: `first`, `second`, `places`."""
        import pandas as pd

        pairs = pd.DataFrame({"first": self.first.action.ravel(), "second": self.second.action.ravel()})
        pairs = pairs[(pairs["first"] != "") & (pairs["second"] != "")]
        return pairs.value_counts(sort=True).rename("places").reset_index()

    def lines(self):
        """The difference in a few words."""
        table = self.table()
        changed = table[table["first"] != table["second"]]
        n = int(table["places"].sum())
        head = f"{int(changed['places'].sum())} of {n} places have another answer"
        return [head, *(f"{row['places']:5d}  {row['first']} becomes {row['second']}" for _, row in changed.iterrows())]


def verdict_map(
    scene, tuning, *, x_m=None, y_m=None, heading_deg=0.0, speed_mps=0.0, along_m=0.0, vehicle_mps=0.0,
    knowledge="exact", watch_s=3.0, seed=0, decide=None, refine_m=None, executor=None, folder=None, max_errors=5,
    progress=True,
):  # fmt: skip
    """The settled answer for somebody at every place of a lattice.

    Parameters
    ----------
    scene : Scene
        Its things stand; its own people are left out.
    tuning : Tuning
    x_m, y_m : arrays, optional
        The lattice, scene frame, growing. Without them 61 x 41 places about the vehicle.
    heading_deg, speed_mps : float
        Where the person goes and how fast; 0 m/s: stands.
    along_m, vehicle_mps : float
        Where on its path the vehicle is, and how fast.
    knowledge : str
        `exact`, or `sensed`: simulated sensors, tracker and grid after `watch_s` seconds of a standing vehicle.
    seed : int
        Of the sensors.
    decide : callable, optional
    refine_m : float, optional
        Also bisect between neighbours that differ, until the place where the answer turns is known to this, m.
    executor, folder, max_errors, progress
        As in `avoidkit.studies.run.execute`.

    Returns
    -------
    VerdictMap
    """
    _checked(scene, tuning, along_m, heading_deg, speed_mps, vehicle_mps, knowledge, watch_s, refine_m)
    x_m, y_m = _lattice(scene, tuning, along_m, x_m, y_m)
    settings = {
        "heading_deg": float(heading_deg), "speed_mps": float(speed_mps), "along_m": float(along_m),
        "vehicle_mps": float(vehicle_mps), "watch_s": float(watch_s) if knowledge == "sensed" else None,
        "seed": int(seed), "knowledge": knowledge, "refine_m": refine_m,
    }  # fmt: skip
    functions = checked_functions(decide=decide)
    tasks = tuple(
        {"scene": scene.name, "tuning": tuning.name, "x_m": x_m.tolist(), "y_m": y_m[k : k + 2].tolist()}
        for k in range(len(y_m))
    )
    plan = Plan("map", _row_of_places, tasks, {scene.name: scene}, {tuning.name: tuning}, functions, settings)
    done = execute(plan, executor=executor, folder=folder, max_errors=max_errors, progress=progress)
    if (done.rows.get("errors", np.zeros(1)) > 0).any():
        raise InputError(f"map: a decision failed: {done.rows['error'].dropna().iloc[0]}")
    return _map_of(done.rows, x_m, y_m, scene, tuning, settings)


def difference(first, second):
    """Where two maps of one lattice disagree; `InputError` where the lattices differ."""
    for name in ("x_m", "y_m"):
        a, b = getattr(first, name), getattr(second, name)
        if a.shape != b.shape or not np.allclose(a, b):
            raise InputError(f"both maps must have the same lattice, {name} differs")
    both = (first.action != "") & (second.action != "")
    return Difference(first, second, both & (first.action != second.action))


def _checked(scene, tuning, along_m, heading_deg, speed_mps, vehicle_mps, knowledge, watch_s, refine_m):
    """Raise `InputError` where somebody, the vehicle or the watching is not as it can be."""
    require_finite(along_m=along_m, heading_deg=heading_deg)
    if knowledge not in KNOWLEDGE:
        raise InputError(f"knowledge must be one of {', '.join(KNOWLEDGE)}, got {knowledge!r}")
    length_m, walking_mps, driving_mps = scene.reference.length_m, tuning.people.top_speed_mps, tuning.vehicle.top_mps
    for name, value, most, what in (
        ("along_m", along_m, length_m, f"must lie on the path, 0 to {length_m:.2f} m"),
        ("speed_mps", speed_mps, walking_mps, f"must be that of a person, 0 to {walking_mps:g} m/s by this tuning"),
        ("vehicle_mps", vehicle_mps, driving_mps, f"must be that of the vehicle, 0 to {driving_mps:g} m/s"),
    ):
        if not 0.0 <= value <= most:
            raise InputError(f"{name} {what}, got {value:g}")
    if knowledge == "sensed" and vehicle_mps != 0:
        raise InputError(f"vehicle_mps must be 0 with sensed knowledge, got {vehicle_mps}")
    if knowledge == "sensed" and not 0.0 < watch_s <= LONGEST_WATCH_S:
        raise InputError(f"watch_s must be above 0 and at most {LONGEST_WATCH_S:g} s, got {watch_s:g}")
    if refine_m is not None and not refine_m > 0:
        raise InputError(f"refine_m must be above 0, got {refine_m}")


def _lattice(scene, tuning, along_m, x_m, y_m):
    pose = scene.reference.pose_at(along_m)
    cos, sin = math.cos(pose.yaw_rad), math.sin(pose.yaw_rad)
    way = scene.reference.direction_at(along_m)
    ends = np.array([[way * AHEAD_M, BESIDE_M], [way * AHEAD_M, -BESIDE_M], [-way * BEHIND_M, BESIDE_M],
                     [-way * BEHIND_M, -BESIDE_M]])  # fmt: skip
    corners = ends @ np.array([[cos, sin], [-sin, cos]]) + [pose.x_m, pose.y_m]
    (low_x, low_y), (high_x, high_y) = corners.min(axis=0), corners.max(axis=0)
    x_m = np.linspace(low_x, high_x, SHAPE[0]) if x_m is None else np.asarray(x_m, dtype=float)
    y_m = np.linspace(low_y, high_y, SHAPE[1]) if y_m is None else np.asarray(y_m, dtype=float)
    for name, axis in (("x_m", x_m), ("y_m", y_m)):
        if axis.ndim != 1 or len(axis) < 2 or not np.isfinite(axis).all() or (np.diff(axis) <= 0).any():
            raise InputError(f"{name} must hold at least 2 finite, growing numbers, got {axis}")
    if len(x_m) * len(y_m) > MOST_PLACES:
        raise InputError(f"at most {MOST_PLACES} places were wanted, got {len(x_m)} times {len(y_m)}")
    return x_m, y_m


def _row_of_places(task, context):
    """One line of the lattice, and the boundary between it and the next."""
    ask = _asker(context)
    xs, y = task["x_m"], task["y_m"][0]
    answers = [ask(x, y) for x in xs]
    row = {
        "action": [a.action for a in answers],
        "settled_by": [a.settled_by for a in answers],
        "slack": [a.slack for a in answers],
        "unit": [a.unit for a in answers],
        "cap_mps": [a.cap_mps for a in answers],
    }
    within_m = context.settings["refine_m"]
    if within_m is None:
        return row
    edges = [((x0, y), (x1, y)) for x0, x1 in pairwise(xs)]
    edges += [((x, y), (x, task["y_m"][1])) for x in xs] if len(task["y_m"]) > 1 else []
    found = [turn for a, b in edges if (turn := between(ask, a, b, within_m)) is not None]
    return row | {"boundary": found}


def _asker(context):
    settings = context.settings
    heading = math.radians(settings["heading_deg"])
    velocity = (settings["speed_mps"] * math.cos(heading), settings["speed_mps"] * math.sin(heading))
    places = Places(
        context.scene, context.tuning, velocity, along_m=settings["along_m"], speed_mps=settings["vehicle_mps"],
        watch_s=settings["watch_s"], seed=settings["seed"], decide=context.functions.get("decide", kit_decide),
    )  # fmt: skip
    known = {}

    def ask(x, y):
        if (x, y) not in known:
            known[x, y] = places.answer(x, y)
        return known[x, y]

    return ask


def between(ask, a, b, within_m):
    """Where the answer turns between two places, by bisection, or None where both answer the same.

    Parameters
    ----------
    ask : function (x, y) -> Answer
    a, b : (x, y), m
    within_m : float

    Returns
    -------
    dict or None
        `x_m`, `y_m`, `one` (the answer on a's side), `other`, `within_m`: the turn is no farther than this from there.
    """
    one, other = ask(*a).action, ask(*b).action
    if one == other or "" in (one, other):
        return None
    low, high = np.array(a, dtype=float), np.array(b, dtype=float)
    while np.hypot(*(high - low)) > within_m:
        middle = 0.5 * (low + high)
        found = ask(float(middle[0]), float(middle[1])).action
        if found == one:
            low = middle
        else:
            high, other = middle, found
    (x, y), half = 0.5 * (low + high), 0.5 * np.hypot(*(high - low))
    return {"x_m": float(x), "y_m": float(y), "one": one, "other": other, "within_m": float(half)}


def _map_of(rows, x_m, y_m, scene, tuning, settings):
    import pandas as pd

    grids = {name: np.array(rows[name].tolist()) for name in ("action", "settled_by", "unit")}
    grids |= {name: np.array(rows[name].tolist(), dtype=float) for name in ("slack", "cap_mps")}
    points = [point for line in rows.get("boundary", ()) for point in line]
    boundary = pd.DataFrame(points, columns=["x_m", "y_m", "one", "other", "within_m"])
    return VerdictMap(
        x_m, y_m, grids["action"], grids["settled_by"], grids["slack"], grids["unit"], grids["cap_mps"], boundary,
        scene, tuning, dict(settings),
    )  # fmt: skip
