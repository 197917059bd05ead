"""Rows of recordings made up for tests: every field filled, drawn from a seed."""

import dataclasses
import math

import numpy as np

from avoidkit.frames import Pose
from avoidkit.paths import path_from_legs
from avoidkit.people import People
from avoidkit.recording import GridPicture, Recorder, Row
from avoidkit.scene import Scene, standing
from avoidkit.sensing.records import Echoes, Health, Scan
from avoidkit.tracking.records import Tracks
from avoidkit.tuning import Tuning
from avoidkit.vehicle import Ego
from avoidkit.verdict import Action, Check, Hold, Memory, Turn, Verdict

RADARS = ("front_left", "front_right", "rear_left", "rear_right")
DETOUR = path_from_legs(Pose(0, 0, 0), [(1, [(4.0, 0.5), (4.0, -0.5)])], name="detour 1")


def made_scene(*people):
    """A yard with a straight path and somebody beside it."""
    legs = [{"direction": "forward", "segments": [{"length_m": 9.0}]}]
    yard = Scene(name="yard", duration_s=20.0, path={"legs": legs})
    return yard.replace_people(*(people or (standing("Ada", 12.0, 3.0),)))


def made_row(time_s, rng, *, reference, **fields):
    """One row at `time_s`; whatever is named in `fields` replaces what was made up."""
    n = int(rng.integers(0, 6))
    action = list(Action)[int(rng.integers(4))]
    made = {
        "time_s": time_s,
        "ego": Ego(time_s, Pose(*rng.normal(size=2), rng.uniform(-3, 3)), rng.normal(), rng.normal(), rng.normal()),
        "hold": Hold(bool(rng.integers(2)), time_s - rng.random(), rng.random() * 6),
        "people": made_people(time_s, rng, int(rng.integers(0, 4))),
        "scans": tuple(made_scan(name, time_s, rng) for name in RADARS[: int(rng.integers(0, 5))]),
        "echoes": None if rng.random() < 0.2 else Echoes(time_s - 0.1, time_s, rng.choice([1.0, math.inf], 12)),
        "tracks": made_tracks(time_s, rng, n),
        "verdict": made_verdict(time_s, rng, action, DETOUR if action == Action.DETOUR else reference),
        "along_m": rng.random() * 9,
        "path": "reference",
        "reference_along_m": rng.random() * 9,
        "sensors": {name: (list(Health)[int(rng.integers(3))], time_s - rng.random()) for name in RADARS},
        "contacts": ("Ada",) if rng.random() < 0.1 else (),
        "gap_m": math.inf if rng.random() < 0.2 else rng.random() * 8,
        "error": "ValueError: no" if rng.random() < 0.1 else "",
        "stage_ms": {"track": rng.random(), "decide": rng.random()},
        "grid": None if rng.random() < 0.8 else GridPicture(rng.normal(size=2), 0.1, rng.integers(0, 3, (30, 20))),
    }
    return Row(**made | fields)


def made_people(time_s, rng, n):
    return People(
        time_s=time_s,
        names=tuple(f"guest {i}" for i in range(n)),
        xy=rng.normal(size=(n, 2)),
        velocity=rng.normal(size=(n, 2)),
        heading_rad=rng.normal(size=n),
        kind=tuple(rng.choice(["adult", "child"], n).tolist()),
        walked_m=rng.random(n),
        height_m=1 + rng.random(n),
        contact=rng.random(n) < 0.2,
        is_operator=np.arange(n) == 0,
    )


def made_scan(name, time_s, rng, n=None):
    n = int(rng.integers(0, 40)) if n is None else n
    numbers = [rng.random(n) * 25, rng.normal(size=n), rng.normal(size=n), rng.normal(size=n) * 30]
    return Scan(name, time_s - 0.03, time_s, *numbers, health=list(Health)[int(rng.integers(3))])


def made_tracks(time_s, rng, n):
    half = rng.normal(size=(n, 4, 4))
    numbers = {key: rng.random(n) for key in ("existence", "standing", "extent_m", "age_s", "standing_for_s")}
    return Tracks(
        time_s=time_s,
        ids=np.arange(n) + 7,
        stage=rng.integers(0, 4, n).astype(np.int8),
        state=rng.normal(size=(n, 4)),
        covariance=half + np.swapaxes(half, 1, 2),
        last_seen_s=time_s - rng.random(n),
        stood_ago_s=rng.choice([0.5, math.inf], n),
        hits=rng.integers(0, 99, n),
        **numbers,
    )


def made_verdict(time_s, rng, action, path):
    memory = Memory(action, time_s, "detour" if rng.random() < 0.5 else "", math.nan, time_s, True, False, True)
    checks = (
        Check("gap", 2.26, rng.normal(), "m", False, about="track 7"),
        Check("link", 0.2, math.nan, "s", False, at_most=True),
        Check("room", 1.0, math.inf, "m", True),
    )
    turn = Turn("gap", "m", 2.2, 2.26, Action.DETOUR) if rng.random() < 0.5 else None
    return Verdict(action, path, rng.random(), memory, checks, "gap", "no room: 2.20 m of 2.26 m", turn)


def made_rows(n, *, seed=0, scene=None, cycle_s=0.05):
    """`n` rows, a cycle apart, from a seed."""
    rng = np.random.default_rng(seed)
    reference = (scene or made_scene()).reference
    return [made_row(i * cycle_s, rng, reference=reference) for i in range(n)]


def made_checkpoint(i):
    """Something like the memory of both stages, with plain values and nested tables in it."""
    space = {"log_odds": np.full((8, 8), i, np.float32), "corner": np.array([0.0, i])}
    return {
        "tracker": {"next_id": i, "name": "x", "never_s": math.inf, "history": {"t": np.arange(3.0)}},
        "space": space,
    }


def differences(a, b, place=""):
    """Where two values differ, looked at field by field without the code under test; NaN equals NaN."""
    if isinstance(a, np.ndarray) or isinstance(b, np.ndarray):
        a, b = np.asarray(a), np.asarray(b)
        return [] if a.shape == b.shape and np.array_equal(a, b, equal_nan=a.dtype.kind == "f") else [place]
    if isinstance(a, float) and isinstance(b, float):
        return [] if a == b or (math.isnan(a) and math.isnan(b)) else [place]
    if type(a) is not type(b):
        return [f"{place}: {type(a).__name__} and {type(b).__name__}"]
    if dataclasses.is_dataclass(a):
        names = [field.name for field in dataclasses.fields(a) if field.compare]
        return [d for name in names for d in differences(getattr(a, name), getattr(b, name), f"{place}.{name}")]
    if isinstance(a, dict):
        keys = [] if list(a) == list(b) else [f"{place} keys"]
        return keys + [d for key in a if key in b for d in differences(a[key], b[key], f"{place}[{key}]")]
    if isinstance(a, tuple | list):
        length = [] if len(a) == len(b) else [f"{place} length"]
        pairs = zip(a, b, strict=False)
        return length + [d for i, (x, y) in enumerate(pairs) for d in differences(x, y, f"{place}[{i}]")]
    return [] if a == b else [place]


def record(path, rows, scene, *, seed=3, checkpoints=True, ended="duration", tuning=None):
    """What a drive would leave of these rows."""
    recorder = Recorder(path, scene, tuning or Tuning(), seed)
    for i, row in enumerate(rows):
        wanted = checkpoints and recorder.wants_checkpoint(row.time_s)
        recorder.add(row, [scene.reference] if i == 0 else (), made_checkpoint(i) if wanted else None)
    return recorder.close(ended)
