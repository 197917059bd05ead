"""Paths round something: inside free space and the steering limits, clear of where people are likely to be.

A candidate runs beside the reference path: the lateral offset grows to a plateau and goes back to 0, each by
a shift whose second derivative is a trapezoid (steer, hold, counter-steer), starting from the present offset,
direction and curvature. Offsets are taken in the frame of travel, so that reverse legs need nothing of their own.
"""

import functools
import math
from dataclasses import dataclass

import numpy as np

from avoidkit.clearway import FREE, first_blocked, perimeter
from avoidkit.detourmath import (
    GRID,
    LOOK_FIRST,
    OK,
    PEAK,
    PEOPLE,
    RAMP,
    RETURN,
    STEERING,
    any_blocked,
    candidate_poses,
    examine,
    turns_of,
)
from avoidkit.paths import SPACING_M, Path
from avoidkit.separation import gap_needed, stands_surely
from avoidkit.vehicle import box, greatest_curvature, stop_distance

REASONS = ("fits", "steering limits", "people too near", "not known to be free", "no room to return before the end")


@dataclass(frozen=True, eq=False, slots=True)
class Search:
    """What a search found: the best path or None, how many were examined, and how many failed by what.

    `slack_m` is the least distance kept beside people beyond what is needed; `extra_s` the time it costs;
    `side` +1 left, -1 right of the reference in the direction of travel; `others` a few more that fit.
    """

    path: Path | None
    counts: dict[str, int]
    slack_m: float = math.nan
    extra_s: float = math.nan
    side: int = 0
    others: tuple[Path, ...] = ()


def likely_bodies(tracks, tuning, speed_mps):
    """(p, 7) rows for `examine`: where people are likely to be, and the distance that passing them needs.

    Standing people need the larger of their reach at `speed_mps` and the measured 95 % radius; walkers the
    radius that holds 95 % of straight-line predictions, which grows up to 2 s; they are followed for
    `predict_s` and then taken to stay within that last radius.
    """
    people = tuning.people
    stands = stands_surely(tracks, people)
    body = np.maximum(tracks.extent_m, people.body_radius_m) + tuning.decision.clearance_m
    near = np.maximum(gap_needed(tracks, speed_mps, tuning), body + np.where(stands, people.likely_standing_m, 0.0))
    velocity = np.where(stands[:, None], 0.0, tracks.state[:, 2:])
    growth = np.where(stands, 0.0, people.likely_walking_mps)
    still = np.where(stands, math.inf, people.predict_s)
    return np.column_stack([tracks.state[:, :2], velocity, near, growth, still])


def frenet_start(pose, curvature_1pm, reference, along_m, direction):
    """Present offset, slope and second derivative of the offset from the reference, in the frame of travel."""
    x, y, yaw = reference.poses_at(along_m)
    heading = yaw + (0.0 if direction > 0 else math.pi)
    k = float(reference.curvature_at(along_m)) * direction
    offset = -(pose.x_m - x) * math.sin(heading) + (pose.y_m - y) * math.cos(heading)
    angle = math.remainder(pose.yaw_rad - yaw, 2 * math.pi)
    angle = min(max(angle, -1.2), 1.2)
    scale = max(1.0 - k * offset, 0.2)
    slope = scale * math.tan(angle)
    bend = (curvature_1pm * direction * scale / math.cos(angle) - k) * scale / math.cos(angle) ** 2
    return offset, slope, bend + k * slope * math.tan(angle)


def reference_ahead(reference, along_m, spacing_m, length_m):
    """(m, 6) table of the reference from `along_m` on, for `candidate_poses`, up to the end of the leg."""
    end = min(reference.leg_end_after(along_m), along_m + length_m)
    m = max(int((end - along_m) / spacing_m) + 1, 4)
    s = along_m + np.arange(m) * (end - along_m) / (m - 1)
    direction = reference.direction_at(along_m)
    poses = reference.poses_at(s)
    k = reference.curvature_at(s) * direction
    heading = poses[:, 2] + (0.0 if direction > 0 else math.pi)
    return np.column_stack([s, poses[:, 0], poses[:, 1], heading, k, np.gradient(k, s)])


@functools.lru_cache(maxsize=4)
def _looked_ahead(reference, along_m, spacing_m, length_m):
    """`reference_ahead`, kept: while the vehicle stands, each search asks for the same table. Not to be written to."""
    return reference_ahead(reference, along_m, spacing_m, length_m)


def plans_for(places, start, vehicle, limits, leave_m):
    """(n, 5) plans for `lateral`: every side, plateau, run-up and length worth examining.

    places : list of (distance ahead, offset, distance needed from the middle line) of what is in the way
    leave_m : so far behind the last of them, seen from the rear, the way back begins; `LEAVE_M` or `SOONER_M`
    """
    plateaus = sorted(
        {round(d + side * (needed + more), 3) for _, d, needed in places for side in (1, -1) for more in MORE}
    )
    shifts = [shortest_shift(max(abs(plateau - start[4]), 0.2), limits) for plateau in plateaus]
    backs = [shortest_shift(max(abs(plateau), 0.2), limits) for plateau in plateaus]
    front, rear, _ = box(vehicle)
    first, last = min(s for s, _, _ in places), max(s for s, _, _ in places)
    # axes of all that follows: plateau, stretch of the way out, its begin, where it leaves, width of the way back
    plateau, shortest, back = (np.array(column).reshape(-1, 1, 1, 1, 1) for column in (plateaus, shifts, backs))
    length = np.maximum(shortest * np.array(STRETCHES).reshape(1, -1, 1, 1, 1), 1.5)
    begin = np.maximum(first - front + 1.2 - length - np.array(EARLIER_M).reshape(1, 1, -1, 1, 1), 0.0)
    leave = np.maximum(last - rear + np.array(leave_m).reshape(1, 1, 1, -1, 1), begin + length)
    wide = np.maximum(back * np.array(WIDER), 1.5)
    plans = np.stack(np.broadcast_arrays(begin, length, plateau, leave, wide), axis=-1)
    once = np.ones(begin.shape, bool)
    once[:, :, 1:] = begin[:, :, 1:] != begin[:, :, :-1]  # a way out that cannot begin earlier is examined once
    once = np.broadcast_to(once, plans.shape[:-1])
    return np.concatenate([np.array(_straight_back(start, limits)).reshape(-1, 5), plans[once]])


def _straight_back(start, limits):
    """Plans that lead from beside the reference straight back to it, for a detour that is no longer the way."""
    if abs(start[4]) < 0.2:
        return []
    length = shortest_shift(abs(start[4]), limits)
    return [
        (begin, length * wide, 0.0, begin + length * wide, 1.5) for begin in (0.0, 1.5, 3.0) for wide in (1.0, 1.4, 2.0)
    ]


def shortest_shift(offset_m, limits):
    """Length, m, that a shift needs by the greatest curvature and by its greatest change per metre."""
    return max(math.sqrt(PEAK * offset_m / limits[0]), (PEAK * offset_m / (RAMP * limits[1])) ** (1 / 3))


STRETCHES = (0.95, 1.15, 1.5, 1.9)  # of the shortest way out
EARLIER_M, WIDER = (4.0, 1.5, 0.0), (1.0, 1.4)  # begins of the way out, the earliest first; widths of the way back
MORE = (0.03, 0.12, 0.25, 0.5, 0.8)  # beyond what is needed, m
LEAVE_M = (-0.6, 1.0)  # the way back begins so far behind what is passed, seen from the rear
SOONER_M = (-1.4, -2.2)  # where that is too late before the end of the way: with the rear still beside it; ours
NO_LIMITS = np.array([math.inf, math.inf])  # of curvature and its change: steering has been examined


def find_detour(situation, cells, blockers, tuning, *, name, sides=(1, -1)):
    """Search a detour past what is in the way, by rule 2: only one that can be finished.

    Where none fits and some would return behind the end of the way, those that return sooner are examined, too.

    Parameters
    ----------
    situation : Situation
    cells : Cells
    blockers : list of (x_m, y_m, needed_m)
        What is in the way: middle, and distance needed between it and the outline.
    tuning : Tuning
    name : str
        Name of the path to make.
    sides : tuple of +1, -1
        Sides that may be used (a side whose radar is blind may not).

    Returns
    -------
    Search
        Its counts are of those examined first unless one that returns sooner fits.
    """
    given = (situation, cells, blockers, tuning, name, sides)
    search = _search(LEAVE_M, *given)
    if search.path is None and search.counts[REASONS[RETURN]]:
        sooner = _search(SOONER_M, *given)
        return search if sooner.path is None else sooner
    return search


def _search(leave_m, situation, cells, blockers, tuning, name, sides):
    """The best detour among the plans of `plans_for`; the other arguments are those of `find_detour`."""
    vehicle, detour = tuning.vehicle, tuning.detour
    ego, reference, along = situation.ego, situation.reference, situation.reference_along_m
    direction = reference.direction_at(along)
    ref = _looked_ahead(reference, along, detour.spacing_m, detour.lookahead_m + 14.0)
    limits = _limits(vehicle, detour)
    start = _start(ego, reference, along, direction, vehicle)
    places = [_place(x, y, needed, ref, vehicle) for x, y, needed in blockers]
    plans = plans_for(places, start, vehicle, limits, leave_m)
    counts = dict.fromkeys(REASONS, 0)
    towards = np.sign(plans[:, 2] - places[0][1])
    plans = plans[(np.abs(plans[:, 2]) <= detour.greatest_offset_m) & np.isin(towards, sides)]
    room = ref[-1, 0] - ref[0, 0]
    returns = plans[:, 3] + plans[:, 4] <= room
    counts[REASONS[RETURN]] = int(np.count_nonzero(~returns))
    plans = plans[returns]
    if len(plans) == 0:
        return Search(None, counts)
    step = ref[1, 0] - ref[0, 0]
    ends = np.minimum(np.ceil((plans[:, 3] + plans[:, 4]) / step).astype(np.int64) + 1, len(ref))
    bodies = likely_bodies(situation.tracks, tuning, vehicle.creep_mps)
    maybe = [
        (x, y, 0.0, 0.0, needed, 0.0, math.inf) for x, y, needed in blockers if needed >= tuning.people.body_radius_m
    ]
    bodies = np.concatenate([bodies, np.array(maybe).reshape(-1, 7)])
    shape = np.array(box(vehicle))
    code, slack, extra = examine(plans, start, ref, ends, limits, shape, detour.speed_mps, bodies, float(direction))
    extra_s = extra / detour.speed_mps
    code[(code == OK) & (extra_s > detour.extra_time_s)] = RETURN
    cost = extra_s + 0.8 * np.abs(plans[:, 2]) - 3.0 * np.minimum(slack, 0.4) + 0.05 * (plans[:, 3] + plans[:, 4])
    order = np.flatnonzero(code == OK)
    order = order[np.argsort(cost[order], kind="stable")]
    best, others = None, []
    checker = _GridCheck(situation, cells, blockers, places, ref, start, direction, tuning)
    blocked = checker.blocked_coarsely(plans[order], ends[order])
    code[order[blocked]] = GRID
    for k in order[~blocked]:
        if not checker.fits(plans[k], ends[k]):
            code[k] = GRID
            continue
        if best is None:
            best = k
        others.append(k)
        if len(others) >= 3:
            break
    for reason in (STEERING, PEOPLE, GRID):
        counts[REASONS[reason]] = int(np.count_nonzero(code == reason))
    counts[REASONS[OK]] = len(others)
    if best is None:
        return Search(None, counts)
    paths = [_as_path(name if k == best else f"{name}?", plans[k], start, reference, along, direction) for k in others]
    side = int(np.sign(plans[best, 2] - places[0][1]))
    return Search(paths[0], counts, float(slack[best]), float(extra_s[best]), side, tuple(paths[1:]))


def _limits(vehicle, detour):
    """Greatest curvature and its greatest change per metre at the planning speed, from the steering limits."""
    rate = math.radians(vehicle.steering_rate_max_deg_per_s) / (vehicle.wheelbase_m * detour.speed_mps)
    return np.array([detour.steering_share * greatest_curvature(vehicle), rate])


def _start(ego, reference, along, direction, vehicle):
    curvature = math.tan(ego.steering_rad) / vehicle.wheelbase_m
    offset, slope, bend = frenet_start(ego.pose, curvature, reference, along, direction)
    fade = 3.0 + 2.0 * abs(offset)
    return np.array([offset, slope, bend, fade, offset + 0.4 * slope * fade])


def _place(x, y, needed, ref, vehicle):
    """Distance ahead and offset of a point from the reference, and what the middle line has to keep from it."""
    k = int(np.argmin((ref[:, 1] - x) ** 2 + (ref[:, 2] - y) ** 2))
    offset = -(x - ref[k, 1]) * math.sin(ref[k, 3]) + (y - ref[k, 2]) * math.cos(ref[k, 3])
    return float(ref[k, 0] - ref[0, 0]), float(offset), needed + vehicle.width_m / 2


class _GridCheck:
    """Whether a plan's outline stays on known free cells until its rear has passed what is in the way."""

    def __init__(self, situation, cells, blockers, places, ref, start, direction, tuning):
        vehicle = tuning.vehicle
        self._ref, self._start, self._flip = ref, start, 0.0 if direction > 0 else math.pi
        self._turns = turns_of(ref)
        grown = tuning.decision.static_clearance_m
        front, rear, half = box(vehicle)
        sides = (front + grown, rear - grown, half + grown)
        self._map = (perimeter(vehicle, grown), cells.state, cells.x_m, cells.y_m, cells.cell_m, *sides)
        stop = float(
            stop_distance(tuning.detour.speed_mps, vehicle.latency_s, vehicle.brake_build_up_s, vehicle.brake_mps2)
        )
        passed = max(s for s, _, _ in places) + (-rear if direction > 0 else front) + stop
        self._lenient = math.ceil(passed / (ref[1, 0] - ref[0, 0]))
        pose = situation.ego.pose
        lead = front if direction > 0 else rear
        self._eyes = np.array([pose.x_m + lead * math.cos(pose.yaw_rad), pose.y_m + lead * math.sin(pose.yaw_rad)])
        self._sight = tuning.freespace.evidence_range_m - 1.0
        body = np.maximum(situation.tracks.extent_m, tuning.people.body_radius_m) + 0.3
        people = np.column_stack([situation.tracks.state[:, :2], body])
        things = np.array([(x, y, 0.6) for x, y, _ in blockers]).reshape(-1, 3)
        self._shading = np.ascontiguousarray(np.concatenate([people, things]))
        self._out = np.empty((len(ref), 5))

    def blocked_coarsely(self, plans, ends):
        """Which plans are blocked at one of every so many poses: what blocks one pose blocks its neighbours."""
        ref = np.ascontiguousarray(self._ref[::LOOK_FIRST])
        return any_blocked(
            plans, -(-ends // LOOK_FIRST), self._start, ref, self._flip, *self._map, -(-self._lenient // LOOK_FIRST),
            self._eyes, self._sight, self._shading,
        )  # fmt: skip

    def fits(self, plan, count):
        """Whether nothing blocks the plan at any pose."""
        candidate_poses(plan, self._start, self._ref, self._turns, NO_LIMITS, count, self._out)
        poses = self._out[:count, :3].copy()
        poses[:, 2] += self._flip
        _, _, _, state = first_blocked(poses, *self._map, self._lenient, self._eyes, self._sight, self._shading)
        return state == FREE


def _as_path(name, plan, start, reference, along_m, direction):
    """The candidate as a `Path` with the kit's own spacing; it ends where it is back on the reference."""
    ref = reference_ahead(reference, along_m, SPACING_M, float(plan[3] + plan[4]))
    out = np.empty((len(ref), 5))
    candidate_poses(plan, start, ref, turns_of(ref), NO_LIMITS, len(ref), out)
    flip = 0.0 if direction > 0 else math.pi
    way = np.full(len(ref), direction, np.int8)
    return Path(
        name,
        out[:, 4].copy(),
        out[:, 0].copy(),
        out[:, 1].copy(),
        np.unwrap(out[:, 2]) - flip,
        out[:, 3] * direction,
        way,
    )
