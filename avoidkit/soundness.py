"""Whether what a decision rests on is there, made of numbers, and fresh: whatever fails here means halt."""

import math
from numbers import Real

import numpy as np

from avoidkit.frames import Pose
from avoidkit.grid import Grid
from avoidkit.paths import Path
from avoidkit.sensing.records import CLOCK_S, Echoes, Health, age
from avoidkit.tracking.records import Tracks
from avoidkit.vehicle import Ego
from avoidkit.verdict import Action, Check, Hold, Memory, at_most

KINDS = {
    "ego": Ego, "path": Path, "reference": Path, "tracks": Tracks, "grid": Grid, "hold": Hold, "sensors": dict,
    "memory": Memory,
}  # fmt: skip
OWN_MOTION = ("time_s", "speed_mps", "steering_rad", "yaw_rate_radps")
SEES = (Health.OK, Health.DEGRADED)
BEYOND_M = 0.3  # ours: beyond the end of a path by more is at no place of it
ASKEW_DEG = 30.0  # ours: who follows a path points its way to a few degrees
ROLLS_MPS = 0.05  # slower is at rest, or the noise of odometry


def fault_in(situation):
    """What a situation lacks or holds that is none of its kind or no finite number, in words; "" where it is whole.

    The numbers inside tracks, grid and echoes are looked at by `freshness` and where they are used.
    """
    for name, kind in KINDS.items():
        value = getattr(situation, name)
        if not isinstance(value, kind):
            return f"{name} must be of {kind.__name__}, got {type(value).__name__}"
    for name, said in situation.sensors.items():
        if not isinstance(said, tuple | list) or len(said) != 2:
            return f"sensors: {name} must be its health and the time of its last scan, got {said}"
    if situation.echoes is not None and not isinstance(situation.echoes, Echoes):
        return f"echoes must be of Echoes or None, got {type(situation.echoes).__name__}"
    if not is_whole(situation.memory):
        return f"memory must hold an action, times and yes or no, got {situation.memory}"
    ego, hold = situation.ego, situation.hold
    if not isinstance(ego.pose, Pose):
        return f"ego.pose must be of Pose, got {type(ego.pose).__name__}"
    if not isinstance(hold.pressed, bool | np.bool_):
        return f"hold.pressed must be true or false, got {hold.pressed}"
    numbers = {f"ego.{name}": getattr(ego, name) for name in OWN_MOTION}
    numbers |= {name: getattr(situation, name) for name in ("time_s", "along_m", "reference_along_m")}
    for name, number in numbers.items():
        if not is_number(number):
            return f"{name} must be finite, got {number}"
    return _off_the_way(situation)


def _off_the_way(situation):
    """Where the vehicle says that it is at no place of its paths, or points away from its own, in words; else ""."""
    for name, path in (("along_m", situation.path), ("reference_along_m", situation.reference)):
        along = getattr(situation, name)
        if not -BEYOND_M <= along <= path.length_m + BEYOND_M:
            return f"{name} must be from 0 to {path.length_m:.2f} m, the length of its path, got {along:.2f}"
    on_path, here = situation.path.pose_at(situation.along_m), situation.ego.pose
    askew_deg = abs(math.degrees(math.remainder(here.yaw_rad - on_path.yaw_rad, 2.0 * math.pi)))
    if askew_deg > ASKEW_DEG:
        return f"ego.pose.yaw_rad must be within {ASKEW_DEG:.0f} deg of the path's, got {askew_deg:.0f} deg"
    return ""


def is_number(value):
    """Whether something is a finite number."""
    return isinstance(value, Real) and math.isfinite(value)


def is_whole(memory):
    """Whether a memory is one whose fields are of their kinds and whose times are such."""
    if not isinstance(memory, Memory) or not isinstance(memory.action, Action) or not isinstance(memory.pending, str):
        return False
    marks = (memory.halted, memory.released, memory.ready)
    times = (memory.since_s, memory.pending_since_s, memory.capped_since_s, memory.search_after_s)
    return (
        all(isinstance(m, bool | np.bool_) for m in marks)
        and all(isinstance(t, Real) for t in times)
        and is_number(times[0])
    )


def freshness(situation, direction, tuning):
    """Checks that what the decision rests on is there and fresh; the first that fails means halt."""
    decision, now = tuning.decision, situation.time_s
    hold, tracks, echoes = situation.hold, situation.tracks, situation.echoes
    on_path, here = situation.path.pose_at(situation.along_m), situation.ego.pose
    off_m = math.hypot(here.x_m - on_path.x_m, here.y_m - on_path.y_m)
    yield at_most("offset from path", off_m, decision.off_path_m, "m")
    lately_s = 2.0 * tuning.cycle_s  # a stage may work in every second cycle
    yield at_most("age of own motion", age(now, situation.ego.time_s), lately_s, "s")
    yield at_most("age of hold-to-run", age(now, hold.sent_s), decision.link_timeout_s, "s")
    yield at_most("distance of operator", _distance(hold), decision.remote_range_m, "m")
    yield numbers_only(tracks)
    yield at_most("age of tracks", abs(now - tracks.time_s), tuning.cycle_s, "s")
    yield at_most("age of grid", age(now, situation.grid.time_s), lately_s, "s")
    rolls = situation.ego.speed_mps if abs(situation.ego.speed_mps) > ROLLS_MPS else 0.0
    for end, looks_there in (("front", direction > 0 or rolls > 0), ("rear", direction < 0 or rolls < 0)):
        if looks_there:
            yield radar_age(situation, f"{end}_left", tuning)
            yield radar_age(situation, f"{end}_right", tuning)
    heard = echoes is not None and echoes.health in SEES
    echo_age_s = age(now, echoes.taken_s) if heard else math.inf
    yield at_most("age of echoes", echo_age_s, decision.data_timeout_s + tuning.ultrasonic.cycle_s, "s")


def _distance(hold):
    """Distance of the operator, m; infinite where it is no number or below 0."""
    return hold.distance_m if isinstance(hold.distance_m, Real) and hold.distance_m >= 0.0 else math.inf


def numbers_only(tracks):
    """Check that nothing in the tracks is NaN or impossible, and nothing but the time since somebody stood infinite.

    Impossible are a body below nothing, a variance below 0, a chance to stand or to exist beyond 0 to 1, and a sight
    of a time to come.
    """
    finite = (tracks.state, tracks.covariance, tracks.extent_m, tracks.existence, tracks.standing, tracks.last_seen_s)
    good = all(bool(np.isfinite(a).all()) for a in (*finite, tracks.age_s, tracks.standing_for_s))
    good = good and bool((tracks.stood_ago_s > -math.inf).all())
    good = good and bool((tracks.extent_m >= 0.0).all() and (np.abs(tracks.standing - 0.5) <= 0.5 + 1e-9).all())
    good = good and bool((np.abs(tracks.existence - 0.5) <= 0.5 + 1e-9).all())
    variances = np.diagonal(tracks.covariance, axis1=1, axis2=2)
    good = good and bool((variances >= 0.0).all() and (tracks.last_seen_s <= tracks.time_s + CLOCK_S).all())
    return Check("tracks are numbers", 1.0, float(good), "1", good)


def radar_age(situation, name, tuning):
    """Check of one radar: seeing for all that it says of itself, and fresh."""
    health, taken_s = situation.sensors.get(name, (Health.BLIND, -math.inf))
    age_s = age(situation.time_s, taken_s) if health in SEES else math.inf
    return at_most("age of scan", age_s, tuning.decision.data_timeout_s, "s", name)
