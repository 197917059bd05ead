"""Free space: time of one scan, of a whole step, and of its parts. Run: python -m tests.benchmarks.bench_freespace"""

import argparse
import math
import time

import numpy as np

from avoidkit import Tuning, load_scene, shipped
from avoidkit.freespace import FreeSpace
from avoidkit.scene import Crowd
from avoidkit.sensing import Sensors
from avoidkit.tracking.records import no_tracks
from avoidkit.vehicle import Ego, EgoHistory, outline_in_scene
from tests.evidence.runner import machine


def recorded_inputs(scene, tuning, seconds):
    """What the sensors of an undisturbed drive at 0.8 m/s give, as (scans, echoes, ego) a cycle."""
    path, sensors, crowd, history = scene.reference, Sensors(scene, tuning, 0), Crowd(scene), EgoHistory()
    out, s_m, dt_s = [], 0.0, tuning.cycle_s
    for k in range(round(seconds / dt_s)):
        pose, curvature = path.pose_at(s_m), float(path.curvature_at(s_m))
        ego = Ego(k * dt_s, pose, 0.8, math.atan(curvature * tuning.vehicle.wheelbase_m), 0.8 * curvature)
        history.add(ego)
        people = crowd.step(ego.time_s, dt_s, outline_in_scene(tuning.vehicle, pose))
        out.append((*sensors.step(ego.time_s, people, history), ego))
        s_m = min(s_m + 0.8 * dt_s, path.length_m)
    return out


def timed(call, *args):
    """(result, processor time of this thread in ms)."""
    start = time.thread_time()
    result = call(*args)
    return result, (time.thread_time() - start) * 1e3


def line(name, times_ms):
    p50, p99 = np.percentile(times_ms, [50, 99])
    print(f"{name:38} median {p50:6.3f} ms   p99 {p99:6.3f} ms   n = {len(times_ms)}")


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=20.0)
    seconds, tuning = parser.parse_args().seconds, Tuning()
    inputs = recorded_inputs(load_scene(shipped("scenes") / "nobody_there.toml"), tuning, seconds)
    print(machine())
    returns = np.mean([len(scan) for scans, _, _ in inputs for scan in scans])
    cells = round(tuning.freespace.size_m / tuning.freespace.cell_m)
    print(
        f"nobody_there at 0.8 m/s, {returns:.1f} returns a scan, {cells} x {cells} cells, processor time of one thread"
    )
    space, whole, one = FreeSpace(tuning), [], []
    for k, (scans, echoes, ego) in enumerate(inputs):
        _, ms = timed(space.step, scans, echoes, no_tracks(ego.time_s), ego)
        if k >= 20:
            whole.append(ms)
    for radar in space._radars.values():
        add = radar.add
        radar.add = lambda *args, add=add: one.append(timed(add, *args)[1])
    scans, _, ego = inputs[-1]
    for k in range(200):
        later = Ego(ego.time_s + (k + 1) * tuning.cycle_s, ego.pose, 0.0, 0.0, 0.0)
        grid = space.step([_at(s, later.time_s - 0.03) for s in scans], None, no_tracks(later.time_s), later)
    line("step: scans, echoes, end of cycle", whole)
    line("one scan", one)
    line("record: boundary polygon", [timed(grid.boundary)[1] for _ in range(10)])


def _at(scan, taken_s):
    """The same returns with a little noise, taken at another time."""
    from avoidkit.sensing.records import Scan

    jitter = np.random.default_rng(round(taken_s * 1000)).normal(0.0, 0.01, len(scan))
    return Scan(
        scan.sensor, taken_s, taken_s + 0.03, np.maximum(scan.range_m + jitter, 0.2), scan.azimuth_rad,
        scan.range_rate_mps, scan.snr_db,
    )  # fmt: skip


if __name__ == "__main__":
    main()
