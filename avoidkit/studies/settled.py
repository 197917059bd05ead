"""The answer after watching for a while: a situation held still, and the verdict that it settles to."""

from dataclasses import replace

import numpy as np

from avoidkit.decision import FREE_AGAIN
from avoidkit.decision import decide as kit_decide
from avoidkit.freespace import free_grid
from avoidkit.grid import middle_of
from avoidkit.sensing.records import Echoes, Health
from avoidkit.tracking.records import exact_tracks
from avoidkit.vehicle import Ego
from avoidkit.verdict import Action, Hold, Memory, Situation

RADARS = ("front_left", "front_right", "rear_left", "rear_right")


def settled_situation(scene, tuning, people=(), *, along_m=0.0, speed_mps=0.0, time_s=10.0, grid=None):
    """A situation by exact knowledge: tracks and grid as perfect sensing would have them.

    Parameters
    ----------
    scene : Scene
        Its things are occupied, everything else is known free; its own people are left out.
    tuning : Tuning
    people : sequence of (x_m, y_m, vx_mps, vy_mps)
        Who is there instead, scene frame.
    along_m : float
        Where the vehicle is on the reference path.
    speed_mps : float
        How fast it goes.
    grid : Grid, optional
        Made once and handed in again where many situations share it.

    Returns
    -------
    Situation
    """
    reference = scene.reference
    pose = reference.pose_at(along_m)
    steering = float(np.arctan(reference.curvature_at(along_m) * tuning.vehicle.wheelbase_m))
    direction = reference.direction_at(along_m)
    signed = speed_mps * direction
    ego = Ego(time_s, pose, signed, steering, signed * float(reference.curvature_at(along_m)))
    rows = np.asarray(people, dtype=float).reshape(-1, 4)
    tracks = exact_tracks(time_s, rows[:, :2], rows[:, 2:], seen_ago_s=tuning.radar.latency_s)
    grid = exact_grid(scene, tuning, along_m=along_m, time_s=time_s) if grid is None else grid.at(time_s)
    quiet = Echoes(time_s, time_s, np.full(12, np.inf))
    sensors = dict.fromkeys(RADARS, (Health.OK, time_s))
    hold = Hold(True, time_s, 2.0)
    return Situation(
        time_s, ego, reference, along_m, reference, along_m, tracks, grid, quiet, hold, sensors, Memory(since_s=time_s)
    )  # fmt: skip


def exact_grid(scene, tuning, *, along_m=0.0, time_s=10.0):
    """The grid of perfect knowledge about a scene's things, round where the vehicle is on its path."""
    pose = scene.reference.pose_at(along_m)
    return free_grid(
        middle_of(tuning.vehicle, pose, ahead_m=tuning.freespace.ahead_m), tuning, blocked=scene.polygons, time_s=time_s
    )


def settle(situation, tuning, *, decide=kit_decide, longest_s=3.0, step_s=None):
    """The verdict that a situation held still settles to: the clock goes on, nothing else changes.

    A detour counts once it is taken, a halt once it has lasted; the result is the first verdict that has then been
    the same for `settle_s` and `halt_after_s` (a brake that is only held: for `least_brake_s`), or the last one within
    `longest_s` or twice `least_brake_s`. The clock goes on by `step_s`, without it by one cycle; a longer step asks
    less often and gives the same answer where only time passes.
    """
    step_s = tuning.cycle_s if step_s is None else step_s
    start_s, memory = situation.time_s, situation.memory
    steady_s = max(tuning.decision.settle_s, tuning.decision.halt_after_s) + tuning.cycle_s
    verdict, longest_s = None, max(longest_s, 2.0 * tuning.decision.least_brake_s)
    for step in range(int(longest_s / step_s) + 1):
        now = start_s + step * step_s
        verdict = decide(_at(situation, now, memory), tuning)
        memory = verdict.memory
        only_held = verdict.action == Action.HALT and not memory.halted  # by the least time of a brake, or not yet long
        wanted_s = max(steady_s, tuning.decision.least_brake_s) if only_held else steady_s
        steady = now - memory.since_s >= wanted_s - 1e-9 and memory.pending != FREE_AGAIN
        if verdict.action == Action.DETOUR or steady:
            break
    return verdict


def _at(situation, now, memory):
    """The same situation at a later time: everything in it is as fresh as it was."""
    by = now - situation.time_s
    tracks, echoes = situation.tracks, situation.echoes
    return replace(
        situation,
        time_s=now,
        ego=replace(situation.ego, time_s=now),
        tracks=replace(tracks, time_s=now, last_seen_s=tracks.last_seen_s + by),
        grid=situation.grid.at(situation.grid.time_s + by),
        echoes=replace(echoes, taken_s=echoes.taken_s + by, arrives_s=echoes.arrives_s + by),
        hold=replace(situation.hold, sent_s=situation.hold.sent_s + by),
        sensors={name: (health, taken + by) for name, (health, taken) in situation.sensors.items()},
        memory=memory,
    )
