"""Somebody stands in a 6 m lane: for each place, does the vehicle go on, go round, or halt?

The decision alone, with perfect tracks, a perfect grid and every sensor fresh, in a closed loop from standstill.
The lane lies along x between walls at y = -3 and y = 3 m; the vehicle's rear axle starts at (0, 0), its way is
the middle line and 22 m long. Places: every 1 m from 5 to 15 m ahead, every 0.5 m across the lane as far as a
body's radius from the walls. `first` is the answer that has settled while the vehicle still stands, `final` what
the drive comes to: the end reached without a detour (continue), by one (detour), or a halt. Asked with baseline
brakes, with slow ones, and with other clearances (`decision.clearance_m`; 0.20 m is the baseline's).
"""

from functools import cache

import numpy as np

from avoidkit import Action, Memory, Pose, Situation, decide
from avoidkit.grid import free_grid
from avoidkit.motion import Motion, advance, ego_of
from avoidkit.paths import path_from_legs
from avoidkit.sensing.records import Echoes, Health
from avoidkit.tracking.records import exact_tracks
from avoidkit.verdict import Hold
from tests.evidence.studies._drives import tuning_named

ABOUT = "somebody stands in a 6 m lane: places with continue, detour, halt; baseline, slow brakes, three clearances"
SPEAKS_OF = (
    "backing",
    "caps",
    "centring",
    "clearway",
    "decision",
    "detour",
    "frames",
    "grid",
    "motion",
    "parameters",
    "paths",
    "separation",
    "tuning",
    "vehicle",
    "verdict",
)
HALF_LANE_M, WALL_M, WAY_M = 3.0, 0.2, 22.0
LONGEST_S = 90.0
SETTLED_S = 0.8
CLEARANCES = {f"clearance {clearance_m:.2f} m": clearance_m for clearance_m in (0.10, 0.30, 0.40)}
TUNINGS = ("baseline", "slow_brakes", *CLEARANCES)


def tasks():
    across = np.arange(-2.75, 2.751, 0.5)
    ahead = np.arange(5.0, 15.01, 1.0)
    return [
        {"tuning": tuning, "x_m": float(x), "y_m": [round(float(y), 2) for y in across]}
        for tuning in TUNINGS
        for x in ahead
    ]


@cache
def lane(name):
    """Tuning, path and perfect grid of the lane, once per process."""
    import shapely

    tuning = tuning_named("baseline" if name in CLEARANCES else name).replace({"freespace.size_m": 48.0})
    if name in CLEARANCES:
        tuning = tuning.replace({"decision.clearance_m": CLEARANCES[name]})
    walls = [
        shapely.box(-12.0, HALF_LANE_M, 34.0, HALF_LANE_M + WALL_M),
        shapely.box(-12.0, -HALF_LANE_M - WALL_M, 34.0, -HALF_LANE_M),
    ]
    path = path_from_legs(Pose(0.0, 0.0, 0.0), [(1, [(WAY_M, 0.0)])])
    return tuning, path, free_grid((11.0, 0.0), tuning, walls)


def answers(name, x_m, y_m):
    """The settled first answer and the final one for somebody at (x_m, y_m)."""
    tuning, reference, grid = lane(name)
    motion = Motion(Pose(0.0, 0.0, 0.0), path_name=reference.name)
    paths, memory, first, reference_along = {reference.name: reference}, Memory(), None, 0.0
    for cycle in range(round(LONGEST_S / tuning.cycle_s)):
        now = cycle * tuning.cycle_s
        situation = _situation(now, motion, paths, reference_along, (x_m, y_m), grid, memory, tuning)
        verdict = decide(situation, tuning)
        memory, paths[verdict.path.name] = verdict.memory, verdict.path
        if first is None and now >= SETTLED_S:
            first = verdict.action
        if verdict.settled_by == "way left":
            return first, Action.DETOUR if len(paths) > 1 else Action.CONTINUE
        if memory.halted:
            return first or Action.HALT, Action.HALT
        motion = advance(motion, verdict, tuning.vehicle, tuning.cycle_s, along_m=reference_along)
        reference_along = reference.nearest(motion.pose.x_m, motion.pose.y_m, from_m=reference_along)
    return first, Action.HALT


def _situation(now, motion, paths, reference_along, person, grid, memory, tuning):
    reference = paths["reference"]
    radars = type(tuning.radar.mounts).model_fields
    return Situation(
        time_s=now,
        ego=ego_of(motion, now, tuning.vehicle.wheelbase_m),
        path=paths[motion.path_name],
        along_m=motion.along_m,
        reference=reference,
        reference_along_m=reference_along,
        tracks=exact_tracks(now, [person], [(0.0, 0.0)]),
        grid=grid.at(now),
        echoes=Echoes(now, now, np.full(12, np.inf)),
        hold=Hold(True, now, 2.0),
        sensors=dict.fromkeys(radars, (Health.OK, now)),
        memory=memory,
    )


def run(task):
    pairs = [answers(task["tuning"], task["x_m"], y) for y in task["y_m"]]
    return {"first": " ".join(map(str, (a for a, _ in pairs))), "final": " ".join(map(str, (b for _, b in pairs)))}


def conclude(frame):
    shares = {}
    for name, rows in frame.groupby("tuning"):
        for which in ("first", "final"):
            all_places = np.array([action for line in rows[which] for action in line.split()])
            shares[f"{name}, {which}"] = {str(a): _share(all_places == a) for a in Action}
    return shares


def _share(mask):
    """A share of places: a lattice, not a sample, so that there is no interval."""
    return f"{int(mask.sum())} of {len(mask)} ({mask.mean():.1%})"
