"""All compiled loops at once, on several processes: what the first drive would else wait for."""

import math
import os
import time
from concurrent.futures import as_completed
from dataclasses import dataclass

import numpy as np

from avoidkit.frames import Pose
from avoidkit.jit import on_compiling
from avoidkit.places import shipped
from avoidkit.sensing.radar import RADARS, polar_from, sensor_motion
from avoidkit.sensing.records import Echoes, Scan
from avoidkit.studies.pools import lasting
from avoidkit.studies.workers import processes
from avoidkit.vehicle import Ego

CYCLES = 60  # of the made scans: long enough for tracks to be born, to be lost and to be over


@dataclass(frozen=True, slots=True)
class Compiled:
    """What compiling took: wall clock in s and processes; `left`: how often a drive afterwards had to compile still."""

    took_s: float
    workers: int
    left: int


def compile_all(workers=None, tell=None):
    """Compile every loop that drives and maps use into the cache folder, unless it is there.

    Parameters
    ----------
    workers : int or None
        Processes; None: one a processor, at most one a part.
    tell : callable (name, s), optional
        Called with each part of the kit that is done, and the time since the start.

    Returns
    -------
    Compiled
    """
    started = time.perf_counter()
    workers = min(workers or os.cpu_count() or 1, len(PARTS))
    left = []
    for name in _in_parts(workers):
        if tell is not None:
            tell(name, time.perf_counter() - started)
    stop = on_compiling(lambda: left.append(1), after_s=0.0, every_s=0.0)
    try:
        _whole()
    finally:
        stop()
    return Compiled(time.perf_counter() - started, workers, len(left))


def _in_parts(workers):
    """Carry out all parts, and yield the name of each that is done; an interrupt ends the processes at once.

    In processes of their own even if it is one: this one then finds in the cache folder what was kept, no more.
    """
    with lasting(processes(workers, warmed=False)) as pool:
        jobs = {pool.submit(part): name for name, part in PARTS.items()}
        for job in as_completed(jobs):
            job.result()
            yield jobs[job]


def _tracking():
    from avoidkit.tracking import Tracker
    from avoidkit.tuning import Tuning

    tuning = Tuning()
    tracker = Tracker(tuning)
    for ego, scans, _ in _made(tuning):
        tracker.step(scans, ego)


def _free_space():
    from avoidkit.freespace import FreeSpace
    from avoidkit.tracking.records import no_tracks
    from avoidkit.tuning import Tuning

    tuning = Tuning()
    space = FreeSpace(tuning)
    for ego, scans, echoes in _made(tuning):
        space.step(scans, echoes, no_tracks(ego.time_s), ego)


def _sensing():
    from avoidkit.people import people_at
    from avoidkit.scene import load_scene
    from avoidkit.sensing import Sensors
    from avoidkit.tuning import Tuning
    from avoidkit.vehicle import EgoHistory

    scene, tuning, history = load_scene(shipped("scenes") / "guest_crosses.toml"), Tuning(), EgoHistory()
    sensors = Sensors(scene, tuning, 0)
    for k in range(8):
        now = k * tuning.cycle_s
        history.add(Ego(now, scene.start_pose, 0.0, 0.0, 0.0))
        sensors.step(now, people_at(scene, now), history)


def _decision():
    from avoidkit.drive import drive
    from avoidkit.scene import load_scene
    from avoidkit.studies.exact import ExactLoop
    from avoidkit.tuning import Tuning

    scene = load_scene(shipped("scenes") / "guest_stands_room.toml")
    drive(scene, Tuning(), seed=0, duration_s=6.0, loop=ExactLoop)


PARTS = {"tracking": _tracking, "free space": _free_space, "decision": _decision, "sensing": _sensing}  # longest first


def _whole():
    from avoidkit.drive import drive
    from avoidkit.scene import load_scene
    from avoidkit.tuning import Tuning

    drive(load_scene(shipped("scenes") / "guest_crosses.toml"), Tuning(), seed=0, duration_s=6.0)


def _made(tuning):
    """(Ego, scans, Echoes) of some cycles beside a wall: somebody walks; two more are gone half way."""
    wall = np.column_stack([np.linspace(2.0, 10.0, 33), np.full(33, 4.0)])
    for k in range(CYCLES):
        now = k * tuning.cycle_s
        ego = Ego(now, Pose(0.3 * now, 0.0, 0.0), 0.3, 0.0, 0.0)
        there = [(7.0, -3.0 + 1.3 * now, 0.0, 1.3), (6.0, -1.0, 0.0, 0.0), (8.0 - 1.1 * now, -4.0, -1.1, 0.0)]
        there = there if k < CYCLES // 2 else there[:1]
        points = np.concatenate([np.column_stack([wall, np.zeros((33, 2))]), np.array(there).reshape(-1, 4)])
        scans = [_scan(name, ego, points, tuning, k) for name in RADARS]
        yield ego, scans, Echoes(now, now, np.full(12, 1.0 if k % 2 else math.inf))


def _scan(name, ego, points, tuning, k):
    pose, velocity = sensor_motion(ego, getattr(tuning.radar.mounts, name))
    range_m, azimuth, rate = polar_from(pose, velocity, points[:, :2], points[:, 2:])
    seen = np.abs(azimuth) < math.radians(tuning.radar.field_of_view_deg) / 2
    noise = np.random.default_rng(k).normal(0.0, 0.02, (3, len(points)))
    columns = np.abs(range_m + noise[0]), azimuth + 0.3 * noise[1], rate + noise[2], np.full(len(points), 20.0)
    return Scan(name, ego.time_s, ego.time_s, *(column[seen] for column in columns))
