"""What limits the speed on a path right now, each with the comparison behind it."""

import functools
import math
from dataclasses import dataclass, replace

import numpy as np

from avoidkit.clearway import OCCUPIED, free_along, shadow_cap
from avoidkit.frames import Pose
from avoidkit.latest import latest
from avoidkit.separation import (
    distances_to_boxes,
    gap_needed,
    person_caps,
    speed_within,
    stands_surely,
    stop_table,
    sweep_poses,
)
from avoidkit.tracking.blind import blind
from avoidkit.tracking.records import Stage
from avoidkit.tracking.wedge import SHORT_S, walked_spread
from avoidkit.vehicle import box, stop_distance
from avoidkit.verdict import Check, at_least

FORESEE_STEP_S = 0.25  # ours: a walker goes 0.4 m in it, less than a body is wide


@functools.lru_cache(maxsize=64)
def stops(vehicle, cycle_s):
    """The stop table of a vehicle, made once."""
    return stop_table(vehicle, cycle_s)


@dataclass(frozen=True, slots=True)
class Cap:
    """A speed cap, m/s, and the check that explains it."""

    cap_mps: float
    check: Check


def safety_caps(situation, path, along_m, cells, tuning):
    """Caps of rule 1 along a path: people, known free cells, shadows, the ultrasonic guard.

    Returns
    -------
    list of Cap
        In the order in which they are explained. The speed cap is the least; below creep it is 0.
    """
    table = stops(tuning.vehicle, tuning.cycle_s)
    poses, *of_space = _of_space(path, along_m, situation.ego.pose, cells, tuning)
    caps = [_person(cap, tuning) for cap in person_caps(_near(situation, tuning, table), poses, table, tuning)]
    caps += of_space
    caps.append(_guard(situation, path.direction_at(along_m), cells, tuning))
    return caps


def foreseen(situation, path, along_m, cap_mps, tuning):
    """The check that a vehicle at rest would not have to stop again at once for somebody; None where nobody walks near.

    Those who walk are taken on as they walk, and the vehicle as it sets off, up to `cap_mps`, for `decision.foresee_s`
    in steps of at most a quarter of a second; rule 1 asks about each of these instants. Who is where no radar looks by
    then is known as little as the tracker will know of them. This adds to rule 1 and never replaces it.
    """
    tracks, steps = situation.tracks, math.ceil(tuning.decision.foresee_s / FORESEE_STEP_S)
    walks = ~(tracks.standing >= 0.5)
    if steps < 1 or not walks.any():
        return None
    table, times = stops(tuning.vehicle, tuning.cycle_s), tuning.decision.foresee_s * np.arange(1, steps + 1) / steps
    driven_m = _driven(times, min(cap_mps, tuning.vehicle.top_mps), tuning.vehicle.accel_mps2)
    here = sweep_poses(path, along_m, situation.ego.pose, driven_m)
    ahead, worst = _led_on(tracks.where(walks), times, here, tuning), None
    for ahead_s, on_m, pose, then in zip(times, driven_m, here, ahead, strict=True):
        poses = sweep_poses(path, along_m, situation.ego.pose, on_m + table.distance_m)
        moved = replace(situation, tracks=then, ego=replace(situation.ego, pose=Pose(*pose)))
        for cap in person_caps(_near(moved, tuning, table), poses, table, tuning):
            if worst is None or (cap.cap_mps > 0, cap.creep_gap_m) < (worst[1].cap_mps > 0, worst[1].creep_gap_m):
                worst = (float(ahead_s), cap)
        if worst is not None and not worst[1].cap_mps > 0:
            break  # the first instant at which it would have to stand
    if worst is None:
        return None
    ahead_s, cap = worst
    about = f"in {ahead_s:.2f} s {_called(cap)}"
    return Check("gap foreseen", tuning.decision.clearance_m, cap.creep_gap_m, "m", cap.cap_mps > 0, False, about)


def _driven(times_s, top_mps, accel_mps2):
    """How far a vehicle at rest has come after each of some times, (t,) m."""
    up_s = np.minimum(times_s, top_mps / accel_mps2)
    return 0.5 * accel_mps2 * up_s**2 + top_mps * (times_s - up_s)


def _led_on(tracks, times_s, poses, tuning):
    """Those who walk, at each of some instants ahead, as they will be known then: a list of `Tracks`, times as now.

    `poses` (t, 3) are those of the vehicle at these instants.

    Who is by then where no radar looks was last seen on the way there, and after `SHORT_S` is held where they went in.
    """
    place, entered_s = tracks.state.copy(), np.full(len(tracks), math.inf)
    before_s, out = 0.0, []
    for ahead_s, pose in zip(times_s, poses, strict=True):
        state = np.column_stack([tracks.state[:, :2] + ahead_s * tracks.state[:, 2:], tracks.state[:, 2:]])
        unseen = blind(state[:, :2], Pose(*pose), tuning)
        first = unseen & np.isinf(entered_s)
        place[first], entered_s[first] = state[first], before_s
        entered_s[~unseen] = math.inf
        gone_s = np.where(unseen, ahead_s - entered_s, 0.0)
        out.append(_unseen_for(replace(tracks, state=state), gone_s, place))
        before_s = ahead_s
    return out


def _unseen_for(tracks, gone_s, place):
    """Tracks of which each has not been seen for `gone_s` (n,) more; long enough and they are where they went in."""
    held = gone_s > SHORT_S
    state, covariance = tracks.state.copy(), tracks.covariance.copy()
    state[held, :2], state[held, 2:] = place[held, :2], 0.0
    for k in np.flatnonzero(held):
        covariance[k] = walked_spread(gone_s[k])
    return replace(
        tracks,
        state=state,
        covariance=covariance,
        last_seen_s=tracks.last_seen_s - gone_s,
        stood_ago_s=np.where(held, 0.0, tracks.stood_ago_s),
    )


def _near(situation, tuning, table):
    """The tracks that could matter within the longest stop; NaN counts as near."""
    tracks = situation.tracks
    pose, vehicle = situation.ego.pose, tuning.vehicle
    far = np.hypot(tracks.state[:, 0] - pose.x_m, tracks.state[:, 1] - pose.y_m)
    sigma = tuning.people.k_sigma * np.sqrt(np.abs(np.trace(tracks.covariance[:, :2, :2], axis1=1, axis2=2)))
    age = np.clip(tracks.time_s - tracks.last_seen_s, 0.0, tuning.people.unseen_s) + table.time_s[-1]
    bound = (
        vehicle.length_m
        + table.distance_m[-1]
        + tracks.extent_m
        + sigma
        + 1.0
        + 2.0 * tuning.people.top_speed_mps * age
    )
    return tracks.where(~(far > bound))


def _person(cap, tuning):
    needed = tuning.decision.clearance_m
    gap = cap.gap_m if cap.cap_mps > 0 else cap.creep_gap_m
    return Cap(cap.cap_mps, Check("gap to reach", needed, gap, "m", cap.cap_mps > 0, False, _called(cap)))


def _called(cap):
    kind = {0: "unconfirmed track", 3: "possible person"}.get(cap.stage, "track")
    return f"{kind} {cap.track}"


@latest
def _of_space(path, along_m, pose, cells, tuning):
    """Where the vehicle stands after each stop of the table, and the caps that known free cells and shadows set."""
    table = stops(tuning.vehicle, tuning.cycle_s)
    poses = sweep_poses(path, along_m, pose, table.distance_m)
    return poses, _known_free(poses, table, cells, tuning), _shadow(poses, table, cells, tuning)


def _known_free(poses, table, cells, tuning):
    clear = free_along(poses, table.distance_m, cells, tuning.vehicle, tuning.decision.static_clearance_m)
    cap = speed_within(clear.free_m, table) if clear.blocked else float(table.speed_mps[-1])
    needed = float(np.interp(tuning.vehicle.creep_mps, table.speed_mps, table.distance_m))
    what = "" if not clear.blocked else "occupied cell" if clear.state == OCCUPIED else "unknown cell"
    return Cap(cap, at_least("known free ahead", clear.free_m, needed, "m", what))


def _shadow(poses, table, cells, tuning):
    cap, found, needed = shadow_cap(poses, table, cells, tuning)
    return Cap(cap, Check("distance to shadow", needed, found, "m", True, False, "somebody hidden"))


def _guard(situation, direction, cells, tuning):
    """The last guard: stand before an unexplained echo is nearer than `guard_m`, counted from when it was heard."""
    from avoidkit.sensing import ultrasonic_mounts

    vehicle, needed = tuning.vehicle, tuning.decision.guard_m
    echoes = situation.echoes
    mounts = ultrasonic_mounts(tuning)
    waits_s = max(situation.time_s - echoes.taken_s, 0.0) + tuning.cycle_s
    far_m = needed + _stop_m(vehicle.top_mps, waits_s, vehicle)
    nearest, which = math.inf, -1
    for k in range(6) if direction > 0 else range(6, 12):
        first = float(echoes.first_m[k])
        near = first < min(far_m, nearest)
        if near and not _explained(first, mounts[k], situation.ego.pose, cells, tuning):
            nearest, which = first, k
    about = "" if which < 0 else f"ultrasonic {which + 1}"
    cap = vehicle.top_mps if which < 0 else _guard_cap(nearest - needed, waits_s, vehicle)
    return Cap(cap, at_least("ultrasonic echo", nearest, needed, "m", about))


def _guard_cap(room_m, waits_s, vehicle):
    """The greatest speed from which the vehicle stands within `room_m`, m/s, on a grid of 0.01 m/s."""
    speeds = np.arange(0.0, vehicle.top_mps + 1e-9, 0.01)
    return float(speeds[_stop_m(speeds, waits_s, vehicle) <= max(room_m, 0.0) + 1e-12].max())


def _stop_m(speed_mps, waits_s, vehicle):
    stop = stop_distance(speed_mps, vehicle.latency_s, vehicle.brake_build_up_s, vehicle.brake_mps2)
    return speed_mps * waits_s + stop


def _explained(echo_m, mount, pose, cells, tuning, error_m=0.20):
    """Whether occupied cells of the grid lie in the cone about where the echo came from."""
    cos, sin = math.cos(pose.yaw_rad), math.sin(pose.yaw_rad)
    x, y = pose.x_m + cos * mount[0] - sin * mount[1], pose.y_m + sin * mount[0] + cos * mount[1]
    reach = math.ceil((echo_m + error_m) / cells.cell_m) + 1
    row, col = int((y - cells.y_m) / cells.cell_m), int((x - cells.x_m) / cells.cell_m)
    window = cells.state[max(row - reach, 0) : row + reach + 1, max(col - reach, 0) : col + reach + 1]
    rows, cols = np.nonzero(window == OCCUPIED)
    dx = (cols + max(col - reach, 0) + 0.5) * cells.cell_m + cells.x_m - x
    dy = (rows + max(row - reach, 0) + 0.5) * cells.cell_m + cells.y_m - y
    off = np.abs(np.remainder(np.arctan2(dy, dx) - pose.yaw_rad - mount[2] + np.pi, 2 * np.pi) - np.pi)
    near = np.abs(np.hypot(dx, dy) - echo_m) <= error_m
    return bool(np.any(near & (off <= math.radians(tuning.ultrasonic.beam_deg) / 2 + 0.15)))


@dataclass(frozen=True, slots=True)
class Blocked:
    """What stands in the way: distance along the path at which passing fails, and (x, y, needed) of each thing."""

    at_m: float
    things: tuple[tuple[float, float, float], ...]
    about: str


def way_ahead(situation, path, along_m, cells, tuning, *, margin_m=0.0):
    """What stands in the way on the path within the lookahead, or None: people who stand, occupied cells.

    Someone who walks does not count: rule 1 brakes for them and they may be gone. `margin_m` is added to
    what standing people need; on a path already taken it is negative, so that an answer does not flicker.
    """
    end = min(path.leg_end_after(along_m), along_m + tuning.detour.lookahead_m)
    distances = np.arange(0.0, max(end - along_m, 0.05), 0.1)
    poses = sweep_poses(path, along_m, situation.ego.pose, distances)
    person = _standing_in_way(situation.tracks, poses, distances, tuning, margin_m)
    static = _occupied_in_way(poses, distances, cells, tuning)
    found = [b for b in (person, static) if b is not None]
    if not found:
        return None
    first = min(found, key=lambda b: b.at_m)
    near = [b for b in found if b.at_m <= first.at_m + 8.0]
    return Blocked(first.at_m, tuple(thing for b in near for thing in b.things), first.about)


def _standing_in_way(tracks, poses, distances, tuning, margin_m):
    stands = tracks.where(stands_surely(tracks, tuning.people))
    if len(stands) == 0:
        return None
    front, rear, half = box(tuning.vehicle)
    body = np.maximum(stands.extent_m, tuning.people.body_radius_m)
    likely = body + tuning.people.likely_standing_m + tuning.decision.clearance_m
    needed = gap_needed(stands, tuning.vehicle.creep_mps, tuning)
    needed = np.where(stands.stage == Stage.POSSIBLE, needed, np.maximum(needed, likely))
    things, at, about = [], math.inf, ""
    for k in range(len(stands)):
        x, y = stands.state[k, :2]
        gaps = distances_to_boxes(x, y, poses, front, rear, half)
        short = np.flatnonzero((gaps < needed[k] + margin_m) & (gaps < gaps[0] + 1e-9))
        if len(short) == 0 or (short[0] == 0 and gaps.min() >= gaps[0]):
            continue  # nothing short, or the vehicle only gets farther away
        things.append((float(x), float(y), float(needed[k])))
        if distances[short[0]] < at:
            at, about = float(distances[short[0]]), f"track {int(stands.ids[k])} stands"
    return Blocked(at, tuple(things), about) if things else None


def _occupied_in_way(poses, distances, cells, tuning):
    grown = tuning.decision.static_clearance_m
    clear = free_along(poses, distances, cells, tuning.vehicle, grown, unknown_blocks=False)
    if not clear.blocked:
        return None
    person = _maybe_person(clear, cells, poses[0, :2], tuning)
    if person is not None:
        return Blocked(clear.free_m, (person,), "small thing")
    spots = _extremes(clear, cells, poses, distances)
    needed = tuning.decision.static_clearance_m + 0.05
    return Blocked(clear.free_m, tuple((x, y, needed) for x, y in spots), "occupied cells")


def _maybe_person(clear, cells, here_xy, tuning, around_m=1.6, deep_m=2.2):
    """(x, y, needed) of the occupied cells about the first one in the way if a person may be there, or None.

    Somebody who stands far off is occupied cells before he is a track, smeared along the line of sight; the way
    round is planned wide from the start.
    """
    if not tuning.people.treat_small_still_as_person:
        return None
    from scipy import ndimage

    reach = int(around_m / cells.cell_m)
    row, col = int((clear.y_m - cells.y_m) / cells.cell_m), int((clear.x_m - cells.x_m) / cells.cell_m)
    top, left = max(row - reach, 0), max(col - reach, 0)
    window = cells.state[top : row + reach + 1, left : col + reach + 1] == OCCUPIED
    labels, _ = ndimage.label(ndimage.maximum_filter(window, 3))
    rows, cols = np.nonzero(window & (labels == labels[row - top, col - left]))
    if not len(rows):
        return None
    x = cells.x_m + (left + cols + 0.5) * cells.cell_m - here_xy[0]
    y = cells.y_m + (top + rows + 0.5) * cells.cell_m - here_xy[1]
    sight = math.atan2(y.mean(), x.mean())
    deep = x * math.cos(sight) + y * math.sin(sight)
    across = y * math.cos(sight) - x * math.sin(sight)
    wide_m = float(np.ptp(across)) + cells.cell_m
    if wide_m > tuning.tracking.edge_m or np.ptp(deep) > deep_m:
        return None
    people, decision = tuning.people, tuning.decision
    gap = max(people.possible_person_gap_m, people.likely_standing_m + decision.clearance_m)
    d, a = float(deep.min()) + people.body_radius_m, 0.5 * float(across.min() + across.max())
    c, s = math.cos(sight), math.sin(sight)
    return here_xy[0] + c * d - s * a, here_xy[1] + s * d + c * a, people.body_radius_m + gap


def _extremes(clear, cells, poses, distances, around_m=1.6):
    """The left-most and right-most occupied cells about the first one in the way, as (x, y)."""
    k = int(np.searchsorted(distances, clear.free_m))
    heading = poses[min(k, len(poses) - 1), 2]
    reach = int(around_m / cells.cell_m)
    row, col = int((clear.y_m - cells.y_m) / cells.cell_m), int((clear.x_m - cells.x_m) / cells.cell_m)
    top, left = max(row - reach, 0), max(col - reach, 0)
    rows, cols = np.nonzero(cells.state[top : row + reach + 1, left : col + reach + 1] == OCCUPIED)
    x = (cols + left + 0.5) * cells.cell_m + cells.x_m
    y = (rows + top + 0.5) * cells.cell_m + cells.y_m
    across = -(x - clear.x_m) * math.sin(heading) + (y - clear.y_m) * math.cos(heading)
    picks = (int(np.argmin(across)), int(np.argmax(across)))
    return [(float(x[i]), float(y[i])) for i in picks]


def approach_cap(distance_m, tuning, standoff_m=None, slow_mps2=0.5):
    """Speed that comes to rest before what blocks the path, slowing gently; 0 once there.

    `standoff_m` None: that of the tuning.
    """
    left = distance_m - (tuning.decision.standoff_m if standoff_m is None else standoff_m)
    cap = math.sqrt(2 * slow_mps2 * max(left, 0.0))
    return max(cap, tuning.vehicle.creep_mps) if left > 0.02 else 0.0
