"""How far a person can get while the vehicle stops, and the greatest speed that is still safe.

The promise rests on sets that only grow: while the vehicle brakes from speed v it sweeps a region that
grows with time, and each person's reach, accumulated over the same time, grows as well. A faster speed
means a longer stop, hence larger sets on both sides. So the test "the two sets stay apart" can only turn
from true to false as the speed rises, and the cap is where it turns.
"""

import math
from dataclasses import dataclass

import numpy as np

from avoidkit.checks import InputError, require_not_negative
from avoidkit.jit import compiled
from avoidkit.tracking.records import Stage
from avoidkit.vehicle import box, stop_distance, stop_time

SPEED_STEP_MPS = 0.025


@dataclass(frozen=True, eq=False, slots=True)
class StopTable:
    """What a stop takes from each of a row of speeds, with one cycle before the order to brake.

    `speed_mps`, `distance_m` and `time_s` are (k,) arrays that grow; `times_s` (t,) are the instants at
    which reach is examined: a few from 0 on, then each of `time_s`, where `first` is the index of the first.
    """

    speed_mps: np.ndarray
    distance_m: np.ndarray
    time_s: np.ndarray
    times_s: np.ndarray
    first: int


def stop_table(vehicle, cycle_s):
    """Stops from speeds up to the vehicle's top, in steps of 0.025 m/s; the first is a standing vehicle."""
    steps = max(1, math.ceil(vehicle.top_mps / SPEED_STEP_MPS - 1e-9))
    speeds = np.minimum(SPEED_STEP_MPS * np.arange(steps + 1), vehicle.top_mps)
    limits = (vehicle.latency_s, vehicle.brake_build_up_s, vehicle.brake_mps2)
    distance = speeds * cycle_s + stop_distance(speeds, *limits)
    time = cycle_s + stop_time(speeds, *limits)
    time[0] = cycle_s
    before = np.arange(0.0, time[0], 0.05)
    times = np.concatenate([before, np.arange(cycle_s, time[1] - 1e-9, 0.05), time[1:]])
    return StopTable(speeds, distance, time, times, len(times) - len(speeds) + 1)


def added_reach(t_s, accel_mps2, speed_mps, top_mps):
    """How far from the constant-velocity place someone can be after `t_s`, m, by accelerating.

    Half a t squared until the change of velocity has reached what leads from the present speed to the
    top speed in the opposite direction; constant velocity from there.

    Parameters
    ----------
    t_s : float or array
        Time, s; negative times count as 0.
    accel_mps2, speed_mps, top_mps : float or array

    Examples
    --------
    >>> float(added_reach(1.0, 2.85, 0.0, 3.3))
    1.425
    >>> round(float(added_reach(2.0, 2.85, 0.0, 3.3)), 4)  # 3.3 m/s after 1.158 s
    4.6895
    """
    t = np.maximum(np.asarray(t_s, dtype=float), 0.0)
    most = np.maximum(top_mps, speed_mps) + speed_mps
    turn = most / accel_mps2
    return np.where(t <= turn, 0.5 * accel_mps2 * t**2, most * (t - 0.5 * turn))


@dataclass(frozen=True, eq=False, slots=True)
class Reach:
    """Where each person can be at instants from now: discs, (n, t, 2) middles and (n, t) radii, m."""

    centres: np.ndarray
    radii: np.ndarray


def reach(tracks, times_s, people):
    """Discs that hold every part of each tracked person's body at instants from `tracks.time_s` on.

    Radius: extent (at least the body) + k sigma extrapolated without process noise + what acceleration can
    add since the last measurement. Time therefore runs from that measurement, not from now, but back no
    farther than `unseen_s`: who left an unseen place would have come into view and be measured. Whoever stood
    with enough certainty for long enough counts as standing: velocity 0 with the standing model's sigma.

    Parameters
    ----------
    tracks : Tracks
    times_s : (t,) array, at least 0
    people : PeopleTuning

    Returns
    -------
    Reach

    Raises
    ------
    InputError
        If a state or covariance is not finite: an unknown place is never "far away".
    """
    state, covariance = tracks.state, tracks.covariance
    if not (np.isfinite(state).all() and np.isfinite(covariance).all() and np.isfinite(tracks.last_seen_s).all()):
        raise InputError("tracks must have finite states and covariances")
    centres, radii = discs_of(
        state, covariance, tracks.time_s - tracks.last_seen_s, stands_surely(tracks, people),
        acceleration_of(tracks, people), np.maximum(tracks.extent_m, people.body_radius_m),
        np.asarray(times_s, dtype=float), people.unseen_s, people.standing_sigma_mps**2, people.k_sigma,
        people.top_speed_mps,
    )  # fmt: skip
    return Reach(centres, radii)


@compiled
def discs_of(
    state, covariance, unseen_for_s, stands, accel_mps2, body_m, times_s, unseen_s, standing_variance, k_sigma, top_mps
):  # fmt: skip
    """Middles, (n, t, 2), and radii, (n, t), of `reach`: body, `k_sigma` of the place and what acceleration can add.

    The place's variance is the largest of its covariance, carried on by the velocity's own without process noise.
    """
    n, m = len(state), len(times_s)
    centres, radii = np.empty((n, m, 2)), np.empty((n, m))
    for i in range(n):
        P, vx, vy = covariance[i], state[i, 2], state[i, 3]
        cross_xx, cross_yy, cross_xy = P[0, 2] + P[0, 2], P[1, 3] + P[1, 3], P[0, 3] + P[1, 2]
        var_x, var_y, var_xy = P[2, 2], P[3, 3], P[2, 3]
        if stands[i]:
            vx, vy, cross_xx, cross_yy, cross_xy = 0.0, 0.0, 0.0, 0.0, 0.0
            var_x = min(standing_variance, 0.5 * (P[2, 2] + P[3, 3]))
            var_y, var_xy = var_x, 0.0
        speed = math.hypot(vx, vy)
        since_s = min(max(unseen_for_s[i], 0.0), unseen_s)
        most = max(top_mps, speed) + speed
        turn_s = most / accel_mps2[i]
        for k in range(m):
            t = times_s[k]
            xx = P[0, 0] + cross_xx * t + var_x * (t * t)
            yy = P[1, 1] + cross_yy * t + var_y * (t * t)
            xy = P[0, 1] + cross_xy * t + var_xy * (t * t)
            sigma = math.sqrt(max(0.5 * (xx + yy) + math.hypot(0.5 * (xx - yy), xy), 0.0))
            late = max(since_s + t, 0.0)
            added = 0.5 * accel_mps2[i] * (late * late) if late <= turn_s else most * (late - 0.5 * turn_s)
            centres[i, k, 0], centres[i, k, 1] = state[i, 0] + vx * t, state[i, 1] + vy * t
            radii[i, k] = body_m[i] + k_sigma * sigma + added
    return centres, radii


def stands_surely(tracks, people):
    """(n,) bool: whose standing is certain enough, and has been for long enough, for standing numbers."""
    sure = (tracks.standing >= people.standing_probability) & (tracks.standing_for_s >= people.standing_for_s)
    return sure | (tracks.stage == Stage.POSSIBLE)


def acceleration_of(tracks, people):
    """(n,) m/s^2: the larger acceleration unless someone surely walks, and has done so for a while."""
    speed = np.hypot(tracks.state[:, 2], tracks.state[:, 3])
    walks = (speed >= people.walking_from_mps) & (tracks.stood_ago_s >= people.after_standing_s)
    larger = max(people.standing_accel_mps2, people.walking_accel_mps2)
    return np.where(walks, people.walking_accel_mps2, larger)


@compiled
def distance_to_box(x, y, pose_x, pose_y, cos, sin, front, rear, half):
    """Distance of a point from a rectangle, m; 0 inside. The rectangle is given in its own frame."""
    dx, dy = x - pose_x, y - pose_y
    ahead, left = cos * dx + sin * dy, cos * dy - sin * dx
    out_x = max(ahead - front, rear - ahead, 0.0)
    out_y = max(abs(left) - half, 0.0)
    return math.sqrt(out_x * out_x + out_y * out_y)


@compiled
def distances_to_boxes(x, y, poses, front, rear, half):
    """(k,) distances, m, of one point from the rectangle at each of (k, 3) poses."""
    out = np.empty(poses.shape[0])
    for i in range(poses.shape[0]):
        cos, sin = math.cos(poses[i, 2]), math.sin(poses[i, 2])
        out[i] = distance_to_box(x, y, poses[i, 0], poses[i, 1], cos, sin, front, rear, half)
    return out


@compiled
def gap_table(poses, front, rear, half, centres, radii):
    """Least gap between outline and reach, accumulated: (n, poses, times), m; negative where they overlap.

    Entry [p, i, j] is the least gap of person p's discs 0..j to the outlines 0..i.
    """
    n, m, t = centres.shape[0], poses.shape[0], centres.shape[1]
    out = np.empty((n, m, t))
    for i in range(m):
        px, py = poses[i, 0], poses[i, 1]
        cos, sin = math.cos(poses[i, 2]), math.sin(poses[i, 2])
        for p in range(n):
            least = math.inf
            for j in range(t):
                gap = distance_to_box(centres[p, j, 0], centres[p, j, 1], px, py, cos, sin, front, rear, half)
                gap = gap - radii[p, j]
                least = min(least, gap) if gap == gap else -math.inf  # NaN is as near as can be
                out[p, i, j] = least if i == 0 else min(least, out[p, i - 1, j])
    return out


def sweep_poses(path, along_m, pose, distances_m):
    """(k, 3) poses of the rear axle after distances along a path, carried over to where the vehicle really is.

    The offset between the vehicle and its path (the follower's error) is kept along the way, so that the
    first pose is the vehicle's own.
    """
    poses = path.poses_at(np.minimum(along_m + np.asarray(distances_m), path.leg_end_after(along_m)))
    here = path.poses_at(along_m)
    error_yaw = math.remainder(pose.yaw_rad - here[2], 2 * math.pi)
    return poses + np.array([pose.x_m - here[0], pose.y_m - here[1], error_yaw])


@dataclass(frozen=True, slots=True)
class PersonCap:
    """The cap that one person sets: at `cap_mps` the gap is `gap_m`; `needed_m` had to be kept."""

    track: int
    cap_mps: float
    gap_m: float
    creep_gap_m: float
    stage: int


def person_caps(tracks, poses, table, tuning):
    """The greatest speed at which each person's reach stays clear of the stop, by rule 1.

    Parameters
    ----------
    tracks : Tracks
    poses : (k, 3) array
        Where the vehicle stands after stopping from each speed of `table`.
    table : StopTable
    tuning : Tuning

    Returns
    -------
    list of PersonCap
        One per track that could matter; those too far away for the longest stop are left out. A cap
        below creep speed is 0. A single unrepeated return lowers the cap to creep speed, no further; a
        thing that may be a person holds its own gap at creep speed instead of its full reach.
    """
    if len(tracks) == 0:
        return []
    front, rear, half = box(tuning.vehicle)
    discs = reach(tracks, table.times_s, tuning.people)
    gaps = gap_table(np.ascontiguousarray(poses), front, rear, half, discs.centres, discs.radii)
    level = np.arange(len(table.speed_mps))
    own = gaps[:, level, np.maximum(table.first - 1 + level, 0)]
    needed = tuning.decision.clearance_m
    creep = int(np.searchsorted(table.speed_mps, tuning.vehicle.creep_mps - 1e-9))
    return [_person_cap(tracks, k, own[k], table, creep, needed, tuning) for k in range(len(tracks))]


def _person_cap(tracks, k, gaps, table, creep, needed, tuning):
    safe = gaps[1:] >= needed  # of the speeds above 0
    count = int(np.argmin(safe)) if not safe.all() else len(safe)
    cap = float(table.speed_mps[count])
    stage, hits = int(tracks.stage[k]), int(tracks.hits[k])
    if cap < tuning.vehicle.creep_mps:
        lenient = stage == Stage.TENTATIVE and hits < 2
        if stage == Stage.POSSIBLE:
            people = tuning.people
            body_gap = gaps[creep] + _possible_reach(tracks, k, table, creep, people)
            lenient = body_gap >= people.possible_person_gap_m
        cap = tuning.vehicle.creep_mps if lenient else 0.0
    at = max(int(np.searchsorted(table.speed_mps, cap - 1e-9)), creep)
    return PersonCap(int(tracks.ids[k]), cap, float(gaps[at]), float(gaps[creep]), stage)


def _possible_reach(tracks, k, table, creep, people):
    """What reach adds beyond the body at creep speed, m, for a thing that may be a person."""
    one = tracks.where(np.array([k]))
    disc = reach(one, table.time_s[creep : creep + 1], people)
    return float(disc.radii[0, 0]) - max(float(tracks.extent_m[k]), people.body_radius_m)


def gap_needed(tracks, speed_mps, tuning):
    """(n,) distance, m, from the middle of each body to the outline that passing at `speed_mps` needs.

    For someone who keeps standing: radius of the reach at the end of the stop, plus `clearance_m`; for
    things that may be people their own smaller gap. This is the number by which a detour is planned.
    """
    vehicle, people = tuning.vehicle, tuning.people
    limits = (vehicle.latency_s, vehicle.brake_build_up_s, vehicle.brake_mps2)
    end_s = tuning.cycle_s + float(stop_time(speed_mps, *limits))
    discs = reach(tracks, np.array([end_s]), people)
    full = discs.radii[:, 0] + tuning.decision.clearance_m
    possible = np.maximum(tracks.extent_m, people.body_radius_m) + people.possible_person_gap_m
    return np.where(tracks.stage == Stage.POSSIBLE, np.minimum(full, possible), full)


def speed_within(distance_m, table):
    """The greatest speed of the table whose stop, one cycle later, ends within `distance_m`.

    Examples
    --------
    >>> from avoidkit.tuning import VehicleTuning
    >>> float(speed_within(0.0, stop_table(VehicleTuning(), 0.05)))
    0.0
    """
    if not distance_m >= 0:  # NaN as well
        return 0.0
    k = int(np.searchsorted(table.distance_m, distance_m + 1e-9, side="right")) - 1
    return float(table.speed_mps[max(k, 0)])


def speed_that_stops_in(distance_m, latency_s, brake_mps2):
    """Greatest speed, m/s, that still stops in a distance at constant deceleration: -a t + sqrt(a^2 t^2 + 2 a d).

    Examples
    --------
    >>> round(speed_that_stops_in(1.5, 0.3, 3.0), 4)  # derived
    2.2321
    """
    require_not_negative(distance_m=distance_m, latency_s=latency_s, brake_mps2=brake_mps2)
    return -brake_mps2 * latency_s + math.sqrt((brake_mps2 * latency_s) ** 2 + 2 * brake_mps2 * distance_m)


def separation_distance(person_mps, machine_mps, reaction_s, stop_s, intrusion_m, sensing_m, position_m):
    """Protective distance by speed and separation, m: vh (Tr + Ts) + vr Tr + vr Ts / 2 + C + Zd + Zr.

    The form of ISO/TS 15066 for constant deceleration; kept beside the kit's own reach for comparison.

    Examples
    --------
    >>> round(separation_distance(1.6, 1.0, 0.10, 0.30, 0.20, 0.10, 0.05), 3)
    1.24
    """
    machine = machine_mps * reaction_s + 0.5 * machine_mps * stop_s
    return person_mps * (reaction_s + stop_s) + machine + intrusion_m + sensing_m + position_m
