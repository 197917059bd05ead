"""Situations for the vectors, edge cases above all: small, made by hand, with grids of at most 40 x 40 cells."""

import math
from dataclasses import replace

import numpy as np

from avoidkit.decision import decide
from avoidkit.frames import Pose
from avoidkit.freespace import free_grid
from avoidkit.grid import middle_of
from avoidkit.paths import Path, path_from_legs
from avoidkit.sensing.records import Echoes, Health
from avoidkit.tracking.records import Stage, exact_tracks
from avoidkit.vehicle import Ego, box
from avoidkit.verdict import Action, Hold, Memory, Situation

NOW_S = 10.0
CELL_M, CELLS = 0.5, 40
SPACING_M = 0.25  # of the points of a path: enough for a vector
RADARS = ("front_left", "front_right", "rear_left", "rear_right")
STRAIGHT = ((1, ((34.0, 0.0),)),)
CURVED = ((1, ((4.0, 0.0), (6.0, 1.2), (6.0, 0.0))),)
BACKING = ((1, ((4.0, 0.0),)), (-1, ((2.0, 0.0), (6.0, 0.7))))


def situations(tuning):
    """The situations of the vectors but for those just beside a limit, as {name: Situation}."""
    out = {}
    for group in (_ways, _people, _odd_people, _grids, _operator, _sensors, _memories, _detours):
        out.update(group(tuning))
    return out


def made(tuning, people=(), *, legs=STRAIGHT, along_m=3.0, speed_mps=0.6, walls=(), **changes):
    """A situation by exact knowledge: `people` as (x, y, vx, vy), `walls` as (x0, y0, x1, y1), the rest as named."""
    import shapely

    path = thinned(path_from_legs(Pose(0.0, 0.0, 0.0), legs), SPACING_M)
    pose, way = path.pose_at(along_m), path.direction_at(along_m)
    bend = float(path.curvature_at(along_m))
    steering = math.atan(bend * tuning.vehicle.wheelbase_m)
    ego = Ego(NOW_S, pose, speed_mps * way, steering, speed_mps * way * bend)
    coarse = tuning.replace({"freespace.cell_m": CELL_M, "freespace.size_m": CELLS * CELL_M})
    middle = middle_of(tuning.vehicle, pose, ahead_m=5.0 * way)
    grid = free_grid(middle, coarse, blocked=[shapely.box(*wall) for wall in walls], time_s=NOW_S)
    rows = np.asarray(people, dtype=float).reshape(-1, 4)
    tracks = exact_tracks(NOW_S, rows[:, :2], rows[:, 2:], seen_ago_s=tuning.radar.latency_s)
    quiet = Echoes(NOW_S, NOW_S, np.full(12, np.inf))
    fresh = dict.fromkeys(RADARS, (Health.OK, NOW_S - 0.03))
    memory = Memory(action=Action.CONTINUE, since_s=NOW_S - 2.0)
    plain = Situation(
        NOW_S, ego, path, along_m, path, along_m, tracks, grid, quiet, Hold(True, NOW_S - 0.05, 2.0), fresh, memory
    )
    return replace(plain, **changes)


def thinned(path, spacing_m):
    """A path with its points farther apart; ends and changes of gear stay."""
    keep = np.zeros(len(path), bool)
    keep[np.searchsorted(path.s_m, np.arange(0.0, path.length_m, spacing_m))] = True
    turns = np.flatnonzero(np.diff(path.direction) != 0)
    keep[[0, -1, *turns, *(turns + 1)]] = True
    names = ("s_m", "x_m", "y_m", "yaw_rad", "curvature_1pm", "direction")
    return Path(path.name, **{name: getattr(path, name)[keep] for name in names})


def _front_m(tuning, along_m=3.0):
    return along_m + box(tuning.vehicle)[0]


def _ways(tuning):
    length_m = 34.0
    return {
        "nobody about": made(tuning),
        "nobody about, standing": made(tuning, speed_mps=0.0),
        "nobody about, at top speed": made(tuning, speed_mps=tuning.vehicle.top_mps),
        "in a curve": made(tuning, legs=CURVED, along_m=6.0, speed_mps=0.4),
        "beside its path and askew": _askew(made(tuning)),
        "at a change of gear": made(tuning, legs=BACKING, along_m=4.0, speed_mps=0.0),
        "in reverse": made(tuning, legs=BACKING, along_m=6.0, speed_mps=0.3),
        "in reverse, somebody behind": made(tuning, [(-2.4, 0.2, 0.0, 0.0)], legs=BACKING, along_m=6.0, speed_mps=0.3),
        "shortly before the end": made(tuning, along_m=length_m - 0.5, speed_mps=0.3),
        "at the end": made(tuning, along_m=length_m - 0.02, speed_mps=0.0),
        "exactly at the end, rolling": made(tuning, along_m=length_m, speed_mps=0.1),
    }


def _askew(situation):
    pose = situation.ego.pose
    pose = Pose(pose.x_m + 0.01, pose.y_m + 0.12, pose.yaw_rad + 0.03)
    return replace(situation, ego=replace(situation.ego, pose=pose))


def _people(tuning):
    front = _front_m(tuning)
    flank = tuning.vehicle.width_m / 2
    return {
        "somebody stands far ahead": made(tuning, [(front + 6.0, 0.0, 0.0, 0.0)]),
        "somebody stands at the standoff": made(tuning, [(front + 1.2, 0.0, 0.0, 0.0)], speed_mps=0.3),
        "somebody stands before the bumper": made(tuning, [(front + 0.4, 0.1, 0.0, 0.0)], speed_mps=0.0),
        "somebody stands inside the outline": made(tuning, [(front - 1.0, 0.0, 0.0, 0.0)], speed_mps=0.0),
        "somebody stands 1.0 m beside": made(tuning, [(front - 1.0, flank + 1.0, 0.0, 0.0)]),
        "somebody stands 0.8 m beside, ahead": made(tuning, [(front + 1.0, flank + 0.8, 0.0, 0.0)]),
        "somebody stands 2 m beside": made(tuning, [(front, flank + 2.0, 0.0, 0.0)]),
        "somebody crosses ahead": made(tuning, [(front + 3.0, -2.0, 0.0, 1.4)]),
        "somebody crosses close ahead": made(tuning, [(front + 1.2, -1.5, 0.0, 1.4)]),
        "somebody comes on from the side": made(tuning, [(front - 1.5, -4.0, 0.0, 1.7)]),
        "somebody walks away ahead": made(tuning, [(front + 1.5, 0.0, 1.3, 0.0)]),
        "somebody comes towards it": made(tuning, [(front + 5.0, 0.0, -1.3, 0.0)]),
        "somebody walks behind": made(tuning, [(-1.5, 0.0, 1.2, 0.0)]),
        "somebody runs": made(tuning, [(front + 4.0, 3.0, 0.0, -3.0)]),
        "two stand, one either side": made(tuning, [(front + 4, 1.6, 0, 0), (front + 4.5, -1.7, 0, 0)]),
        "a crowd": made(
            tuning, [(front + 1.5 + 0.7 * k, 2.4 * math.sin(k), 0.3 * math.cos(k), 0.2) for k in range(12)]
        ),
        "somebody far away": made(tuning, [(90.0, 40.0, 0.0, 0.0)]),
    }


def _odd_people(tuning):
    front, flank = _front_m(tuning), tuning.vehicle.width_m / 2
    stands = made(tuning, [(front + 2.0, flank + 0.7, 0.0, 0.0)])

    def with_tracks(**arrays):
        arrays = {name: np.array(value, getattr(stands.tracks, name).dtype) for name, value in arrays.items()}
        return replace(stands, tracks=replace(stands.tracks, **arrays))

    slanted = np.array([[[0.09, 0.04, 0.03, 0.0], [0.04, 0.05, 0.0, 0.02], [0.03, 0, 0.2, 0.05], [0, 0.02, 0.05, 0.1]]])
    return {
        "standing for too short a time": with_tracks(standing_for_s=[0.4]),
        "standing exactly long enough": with_tracks(standing_for_s=[tuning.people.standing_for_s]),
        "standing is not sure": with_tracks(standing=[tuning.people.standing_probability - 1e-3]),
        "walks slowly": with_tracks(state=[[front + 3.0, -1.0, 0.3, 0.6]], standing=[0.1], standing_for_s=[0.0]),
        "walks, stood a moment ago": with_tracks(
            state=[[front + 4.0, -2.0, 0.0, 1.4]], standing=[0.01], standing_for_s=[0.0], stood_ago_s=[0.5]
        ),
        "one return": with_tracks(stage=[Stage.TENTATIVE], hits=[1], state=[[front + 0.8, 0.0, 0.0, 0.0]]),
        "two returns": with_tracks(stage=[Stage.TENTATIVE], hits=[2], state=[[front + 0.8, 0.0, 0.0, 0.0]]),
        "may be a person": with_tracks(stage=[Stage.POSSIBLE]),
        "may be a person, in the way": with_tracks(stage=[Stage.POSSIBLE], state=[[front + 4.0, 0.3, 0.0, 0.0]]),
        "not seen for half a second": with_tracks(stage=[Stage.COASTING], last_seen_s=[NOW_S - 0.5]),
        "not seen for three seconds": with_tracks(stage=[Stage.COASTING], last_seen_s=[NOW_S - 3.0]),
        "where it is is unsure": with_tracks(covariance=slanted),
        "a group": with_tracks(extent_m=[0.75]),
        "the state is not a number": with_tracks(state=[[math.nan, 0.0, 0.0, 0.0]]),
        "the covariance is infinite": with_tracks(covariance=np.full((1, 4, 4), math.inf)),
        "last seen at no time": with_tracks(last_seen_s=[math.nan]),
        "tracks are a second old": replace(stands, tracks=replace(stands.tracks, time_s=NOW_S - 1.0)),
    }


def _grids(tuning):
    front, plain = _front_m(tuning), made(tuning)
    beside = tuning.vehicle.width_m / 2 + 1.2

    def odds(value, x0, y0, x1, y1, **masks):
        grid = plain.grid
        xy = grid.centres()
        inside = (xy[..., 0] > x0) & (xy[..., 0] < x1) & (xy[..., 1] > y0) & (xy[..., 1] < y1)
        marked = {name: inside & bool(flag) for name, flag in masks.items()}
        return replace(plain, grid=replace(grid, log_odds=np.where(inside, np.float32(value), grid.log_odds), **marked))

    wide = 40.0
    return {
        "nothing is known": odds(0.0, -wide, -wide, wide, wide),
        "log-odds that are not numbers": odds(math.nan, -wide, -wide, wide, wide),
        "unknown from 3 m ahead": odds(0.0, front + 3.0, -wide, wide, wide),
        "unknown right before the bumper": odds(0.0, front, -1.0, front + 1.0, 1.0),
        "one unknown cell ahead": odds(0.0, front + 1.6, 0.05, front + 2.1, 0.45),
        "unknown beside": odds(0.0, 0.0, beside, wide, wide),
        "unknown beside, vouched for": odds(0.0, 0.0, beside, wide, wide, vouched=True),
        "free beside, but exposed": odds(-4.0, 0.0, beside, wide, wide, exposed=True),
        "a wall right across": made(tuning, walls=[(front + 4.0, -12.0, front + 4.4, 12.0)]),
        "a wall close ahead": made(tuning, walls=[(front + 0.7, -3.0, front + 1.1, 3.0)], speed_mps=0.3),
        "a narrow lane": made(tuning, walls=[(0.0, 1.6, 20.0, 2.0), (0.0, -2.0, 20.0, -1.6)]),
        "the grid ends ahead": _cut(plain, 22),
    }


def _cut(situation, columns):
    grid = situation.grid
    arrays = ("log_odds", "last_seen_s", "declared", "exposed", "vouched")
    return replace(situation, grid=replace(grid, **{name: getattr(grid, name)[:, :columns] for name in arrays}))


def _operator(tuning):
    decision = tuning.decision
    return {
        "hold-to-run released": made(tuning, hold=Hold(False, NOW_S - 0.05, 2.0)),
        "hold-to-run released, standing": made(tuning, speed_mps=0.0, hold=Hold(False, NOW_S - 0.05, 2.0)),
        "last word just fresh": made(tuning, hold=Hold(True, NOW_S - decision.link_timeout_s + 1e-3, 2.0)),
        "last word of a time to come": made(tuning, hold=Hold(True, NOW_S + 0.1, 2.0)),
        "last word stale": made(tuning, hold=Hold(True, NOW_S - decision.link_timeout_s - 1e-3, 2.0)),
        "operator just near enough": made(tuning, hold=Hold(True, NOW_S, decision.remote_range_m)),
        "operator too far": made(tuning, hold=Hold(True, NOW_S, decision.remote_range_m + 1e-3)),
        "operator's distance unknown": made(tuning, hold=Hold(True, NOW_S, math.nan)),
    }


def _sensors(tuning):
    def radars(**states):
        fresh = dict.fromkeys(RADARS, (Health.OK, NOW_S - 0.03))
        return made(tuning, sensors=fresh | states)

    def first(metres, k=2, **more):
        echoes = np.full(12, np.inf)
        echoes[k] = metres
        return made(tuning, echoes=Echoes(NOW_S - 0.1, NOW_S - 0.05, echoes), **more)

    front, timeout_s = _front_m(tuning), tuning.decision.data_timeout_s
    wall = [(front + 0.1, -2.0, front + 0.6, 2.0)]
    return {
        "a front radar is blind": radars(front_left=(Health.BLIND, NOW_S - 0.03)),
        "a front radar is degraded": radars(front_left=(Health.DEGRADED, NOW_S - 0.03)),
        "a front radar is stale": radars(front_right=(Health.OK, NOW_S - timeout_s - 1e-3)),
        "a front radar's clock is wrong": radars(front_left=(Health.OK, NOW_S + 0.05)),
        "a rear radar is stale": radars(rear_right=(Health.OK, NOW_S - timeout_s - 1e-3)),
        "no radar is known": made(tuning, sensors={}),
        "an echo close ahead": first(0.2),
        "an echo at the limit": first(float(np.float32(tuning.decision.guard_m))),
        "an echo behind": first(0.2, k=8),
        "an echo of a known wall": first(0.25, walls=wall, speed_mps=0.0),
        "no echoes yet": made(tuning, echoes=None),
        "echoes of a time to come": made(tuning, echoes=Echoes(NOW_S + 0.1, NOW_S, np.full(12, np.inf))),
        "echoes are old": made(tuning, echoes=Echoes(NOW_S - 2.0, NOW_S - 1.9, np.full(12, np.inf))),
    }


def _memories(tuning):
    front, decision = _front_m(tuning), tuning.decision
    halted = Memory(Action.HALT, NOW_S - 3.0, capped_since_s=NOW_S - 3.0, halted=True)
    braked = Memory(Action.HALT, NOW_S - 0.2, capped_since_s=NOW_S - 0.2)
    close = [(front + 0.5, 0.0, 0.0, 0.0)]
    long_ago, hardly = (NOW_S - decision.halt_after_s - more_s for more_s in (1e-3, -1e-3))
    slow = made(tuning, [(front + 1.0, tuning.vehicle.width_m / 2 + 0.8, 0.0, 0.0)])
    return {
        "a halt waits for the operator": made(tuning, speed_mps=0.0, memory=halted),
        "a halt, renewed": made(tuning, speed_mps=0.0, memory=replace(halted, released=True)),
        "a halt, released": made(tuning, speed_mps=0.0, memory=halted, hold=Hold(False, NOW_S, 2.0)),
        "a brake is released": made(tuning, memory=braked),
        "a brake, hardly more than creep again": replace(slow, memory=braked),
        "a brake goes on": made(tuning, close, memory=braked, speed_mps=0.1),
        "a brake becomes a halt": made(
            tuning, close, speed_mps=0.0, memory=Memory(Action.HALT, long_ago, capped_since_s=long_ago)
        ),
        "a brake is almost a halt": made(
            tuning, close, speed_mps=0.0, memory=Memory(Action.HALT, hardly, capped_since_s=hardly)
        ),
    }


def _detours(tuning):
    front = _front_m(tuning)
    stands = made(tuning, [(front + 6.0, 0.0, 0.0, 0.0)])
    settled = Memory(Action.CONTINUE, NOW_S - 2.0, "detour", NOW_S - tuning.decision.settle_s - 0.01)
    taken = replace(stands, memory=settled)
    out = {
        "a detour is the answer for long enough": taken,
        "a detour with somebody walking beside": made(
            tuning, [(front + 5.0, 0.3, 0.0, 0.0), (front + 3.0, 4.5, 1.1, 0.0)], memory=settled
        ),
        "a detour with somebody walking across": made(
            tuning, [(front + 6.0, 0.3, 0.0, 0.0), (front + 2.0, -6.0, 0.2, 1.2)], memory=settled
        ),
        "a parked thing is gone round": made(tuning, walls=[(front + 5.0, -2.6, front + 7.0, 0.2)], memory=settled),
        "a search is not due yet": made(
            tuning, [(front + 3.0, 0.0, 0.0, 0.0)], speed_mps=0.0,
            memory=Memory(Action.HALT, NOW_S - 1.0, capped_since_s=NOW_S - 1.0, search_after_s=NOW_S + 0.1),
        ),
        "a side is not seen": replace(
            taken, sensors={name: (Health.BLIND if name == "rear_left" else Health.OK, NOW_S) for name in RADARS}
        ),
    }  # fmt: skip
    path = decide(taken, tuning).path
    if path.name == taken.reference.name:  # this tuning goes round nobody here
        return out
    path = replace(thinned(path, SPACING_M), name="detour 9.00")
    under_way = Memory(Action.DETOUR, NOW_S - 1.0)
    for name, along_m in (("a detour under way", 2.0), ("a detour at its end", path.length_m - 0.03)):
        pose = path.pose_at(along_m)
        nearest = taken.reference.nearest(pose.x_m, pose.y_m)
        ego = replace(taken.ego, pose=pose, steering_rad=0.0, yaw_rate_radps=0.0)
        out[name] = replace(
            taken, ego=ego, path=path, along_m=along_m, reference_along_m=nearest, memory=under_way
        )  # fmt: skip
    return out
