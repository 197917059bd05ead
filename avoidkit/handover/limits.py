"""Situations just below and just above the numbers at which an answer changes: 1 % wrong in one of them shows."""

import math
from dataclasses import replace

import numpy as np

from avoidkit.caps import foreseen, way_ahead
from avoidkit.clearway import cells_of
from avoidkit.detour import MORE
from avoidkit.handover import situations as plainly
from avoidkit.handover.situations import CELL_M, NOW_S
from avoidkit.sensing.records import Echoes
from avoidkit.tracking.records import Stage
from avoidkit.vehicle import box, stop_distance
from avoidkit.verdict import Action, Memory

SIDES = {"just below": 0.995, "just above": 1.005}
OCCUPIED = np.float32(4.0)


def limits(tuning):
    """All of them, as {name: Situation}."""
    out = {}
    for side, factor in SIDES.items():
        for group in (_of_people, _of_things, _of_guard, _of_detours):
            out |= {f"{side} {name}": one for name, one in group(tuning, factor).items()}
    return out | _seen_long_ago(tuning) | _released(tuning) | _foreseen(tuning)


def told_apart(people, factor):
    """What tells people apart, a little off each limit: {limit: arrays of one track}, without their place."""
    surely = {"standing": [0.99], "standing_for_s": [people.standing_for_s + 2.0], "last_seen_s": [NOW_S - 0.5]}
    walks = {"standing": [0.05], "standing_for_s": [0.0], "last_seen_s": [NOW_S - 0.05]}
    long_ago, brisk = [people.after_standing_s + 3.0], people.walking_from_mps + 0.4
    sure = min(people.standing_probability * (1 + 0.8 * (factor - 1)), 1.0)
    return {
        "the time of standing": ((0.2, 0.1), surely | {"standing_for_s": [factor * people.standing_for_s]}),
        "the probability of standing": ((0.2, 0.1), surely | {"standing": [sure]}),
        "the speed of walking": (
            (0.0, factor * people.walking_from_mps), walks | {"stood_ago_s": long_ago}
        ),
        "the time after standing": (
            (0.0, brisk), walks | {"stood_ago_s": [factor * people.after_standing_s]}
        ),
        "the speed of walking, but stands": (
            (factor * people.walking_from_mps, 0.0), surely | {"stood_ago_s": long_ago}
        ),
        "the time after standing, but stands": (
            (brisk, 0.0), surely | {"stood_ago_s": [factor * people.after_standing_s]}
        ),
    }  # fmt: skip


def _one(tuning, x_m, y_m, velocity=(0.0, 0.0), **arrays):
    situation = plainly.made(tuning, [(x_m, y_m, *velocity)])
    arrays = {name: np.array(value, getattr(situation.tracks, name).dtype) for name, value in arrays.items()}
    return replace(situation, tracks=replace(situation.tracks, **arrays))


def _of_people(tuning, factor):
    front, people = box(tuning.vehicle)[0] + 3.0, tuning.people
    beside = tuning.vehicle.width_m / 2 + people.body_radius_m
    out = {}
    for name, (velocity, arrays) in told_apart(people, factor).items():
        y_m = 0.3 if ("stand" in name and "after standing" not in name) or "but" in name else -2.2
        out[name] = _one(tuning, front + (4.0 if y_m > 0 else 1.2), y_m, velocity, **arrays)
        out[f"{name}, near"] = _one(tuning, front + 1.1, y_m, velocity, **arrays)
    gap_m = factor * people.possible_person_gap_m
    out["the gap to what may be a person"] = _one(
        tuning, front - 1.0, beside + gap_m, stage=[Stage.POSSIBLE], extent_m=[people.body_radius_m]
    )
    return out


def _seen_long_ago(tuning):
    front, small_m = box(tuning.vehicle)[0] + 3.0, 0.5 * tuning.people.body_radius_m
    arrays = {"stage": [Stage.POSSIBLE], "last_seen_s": [NOW_S - 0.8]}
    beside_m = tuning.vehicle.width_m / 2 + 0.75
    return {
        "may be a person, in the way, not seen for a while": _one(tuning, front + 4.0, 0.3, **arrays),
        "somebody who looks smaller than a body": _one(tuning, front + 0.4, beside_m, extent_m=[small_m]),
    }


def _spots(situation, rows, cols, corner_xy=None, cell_m=None):
    """The situation with these cells occupied, on a grid that may lie elsewhere or have other cells."""
    grid = situation.grid
    odds = grid.log_odds.copy()
    odds[rows, cols] = OCCUPIED
    corner = grid.corner_xy if corner_xy is None else np.asarray(corner_xy, float)
    return replace(situation, grid=replace(grid, log_odds=odds, corner_xy=corner, cell_m=cell_m or grid.cell_m))


def _of_things(tuning, factor):
    plain, half = plainly.made(tuning), tuning.vehicle.width_m / 2
    corner = plain.grid.corner_xy
    row = int((half - corner[1]) / CELL_M)
    edge_m = half + factor * tuning.decision.static_clearance_m
    wall = _spots(plain, row, slice(None), (corner[0], edge_m - row * CELL_M))
    small_m = factor * tuning.tracking.edge_m / 3
    far_m = box(tuning.vehicle)[0] + 3.0 + 4.0
    there = (far_m - 12 * small_m, -20.5 * small_m)
    small = _spots(plain, slice(19, 22), 20, (there[0] - 8 * small_m, there[1]), small_m)
    wide = replace(plain, grid=replace(plain.grid, cell_m=1.0, corner_xy=np.array([-10.0, -20.0])))
    return {"the clearance beside a wall": wall, "the size of a small thing": small, "the end of a wide view": wide}


def _of_guard(tuning, factor):
    """An echo that an occupied cell explains, or hardly does not, by its direction."""
    from avoidkit.sensing import ultrasonic_mounts

    plain, echo_m = plainly.made(tuning, speed_mps=0.2), 0.4
    x, y, yaw = ultrasonic_mounts(tuning)[2]
    pose, off = plain.ego.pose, math.radians(factor * tuning.ultrasonic.beam_deg) / 2 + 0.15
    at = pose.x_m + x + echo_m * math.cos(yaw + off), pose.y_m + y + echo_m * math.sin(yaw + off)
    col, row = (int((a - c) / CELL_M) for a, c in zip(at, plain.grid.corner_xy, strict=True))
    corner = at[0] - (col + 0.5) * CELL_M, at[1] - (row + 0.5) * CELL_M
    first = np.full(12, np.inf)
    first[2] = echo_m
    heard = replace(plain, echoes=Echoes(NOW_S - 0.1, NOW_S - 0.05, first))
    return {"the beam of what explains an echo": _spots(heard, row, col, corner)}


def _of_detours(tuning, factor):
    """Somebody stands so that the widest way round lies just inside, or just outside, the greatest offset."""
    front, settled_s = box(tuning.vehicle)[0] + 3.0, NOW_S - tuning.decision.settle_s - 0.01
    memory = Memory(Action.CONTINUE, NOW_S - 2.0, "detour", settled_s)
    probe = plainly.made(tuning, [(front + 6.0, 0.3, 0.0, 0.0)], memory=memory)
    blocked = way_ahead(probe, probe.path, probe.along_m, cells_of(probe.grid), tuning)
    if blocked is None:  # this tuning sees no need to go round
        return {}
    needed_m = blocked.things[0][2] + box(tuning.vehicle)[2]  # of its middle line
    y_m = factor * tuning.detour.greatest_offset_m - needed_m - MORE[-1]
    return {"the farthest beside its path": plainly.made(tuning, [(front + 6.0, y_m, 0.0, 0.0)], memory=memory)}


def _foreseen(tuning):
    """Somebody walks at a vehicle at rest, and within `foresee_s` will just halt it, or just not."""
    rests = Memory(Action.WAIT, NOW_S - 1.0)

    def at(x_m):
        situation = plainly.made(tuning, [(x_m, 0.0, -1.4, 0.0)], speed_mps=0.0, memory=rests)
        check = foreseen(situation, situation.path, situation.along_m, tuning.vehicle.top_mps, tuning)
        return situation, check is not None and not check.holds

    near, far = box(tuning.vehicle)[0] + 0.5, box(tuning.vehicle)[0] + 12.0
    if at(far)[1] or not at(near)[1]:
        return {}  # this tuning does not look ahead
    for _ in range(24):
        middle = (near + far) / 2
        near, far = (middle, far) if at(middle)[1] else (near, middle)
    return {
        "somebody is foreseen to halt it": at(near - 0.002)[0],
        "somebody is foreseen not to halt it": at(far + 0.002)[0],
    }


def _released(tuning):
    """A brake that is released at just this cap, or at the next lower one not yet; or has just lasted long enough."""
    v, out = tuning.vehicle, {}
    least_s = tuning.decision.least_brake_s
    for name, more_s in (("a brake has lasted long enough", 0.005), ("a brake has not lasted long enough", -0.005)):
        brief = Memory(Action.HALT, NOW_S - least_s - more_s, capped_since_s=NOW_S - 0.1)
        out[name] = plainly.made(tuning, memory=brief)
    memory = Memory(Action.HALT, NOW_S - least_s - 0.2, capped_since_s=NOW_S - 0.2)
    for name, less_mps in (("a brake is released at this cap", 0.0), ("a brake is not released yet", 0.01)):
        speed = v.creep_mps + tuning.decision.resume_margin_mps - less_mps
        waits_s = 0.1 + tuning.cycle_s
        stop_m = speed * waits_s + float(stop_distance(speed, v.latency_s, v.brake_build_up_s, v.brake_mps2))
        first = np.full(12, np.inf)
        first[2] = tuning.decision.guard_m + stop_m + 1e-4
        out[name] = plainly.made(tuning, speed_mps=0.1, memory=memory, echoes=Echoes(NOW_S - 0.1, NOW_S - 0.05, first))
    return out
