"""`python -m tests.benchmarks` prints how long a cycle and a drive take here, and how much memory they need.

With `studies`: how fast studies are, see `bench_studies`.

No test asserts a time: what is printed goes with the machine that is printed above it.
"""

import argparse
import resource
import subprocess
import sys
import time

import numpy as np

from avoidkit import Scene, Tuning
from avoidkit.drive import Loop, drive
from avoidkit.scene import standing, walking
from tests.evidence.runner import commit, machine

STAGES = ("sensing", "tracking", "free space", "decision", "motion")


def crowded():
    """A court with ten people about; one of them stands in the way, so that the search for a detour is at work."""
    stand = [(15.0, 0.3), (12.0, 4.5), (18.0, -4.5), (9.0, -5.0), (20.0, 5.0)]
    walk = [(8.0, 10.2, 0.9), (12.0, -7.0, -0.9), (16.0, 8.0, 0.7), (20.0, -8.0, -0.6), (4.0, 9.0, 1.1)]
    people = [standing(f"guest {k}", x, y) for k, (x, y) in enumerate(stand)]
    for k, (x, y, v) in enumerate(walk):
        end = 28.0 if v > 0 else -4.0  # inside the court's walls
        people.append(walking(f"walker {k}", [(0.0, x, y), ((end - x) / v, end, y)]))
    return court(people)


def court(people=()):
    """A court of 36 m by 24 m with two parked vehicles and a straight way of 24 m."""
    return Scene(
        name="court",
        duration_s=20.0,
        walls=[
            {"corners_m": [(-6.0, -12.0), (30.0, -12.0), (30.0, 12.0), (-6.0, 12.0), (-6.0, -12.0)]},
        ],
        parked=[{"x_m": 6.0, "y_m": 6.5, "yaw_deg": 0.0}, {"x_m": 22.0, "y_m": -7.0, "yaw_deg": 90.0}],
        path={"legs": [{"direction": "forward", "segments": [{"length_m": 24.0}]}]},
        people=people,
    )


def time_cycles(seconds):
    """Milliseconds per stage of each cycle, as {stage: array}, of the crowded court; the first 2 s are left out."""
    tuning = Tuning()
    loop = Loop(crowded(), tuning, 0)
    kept, tracks = {stage: [] for stage in STAGES}, []
    for cycle in range(round((seconds + 2.0) / tuning.cycle_s)):
        row = loop.step(cycle * tuning.cycle_s)
        if cycle * tuning.cycle_s >= 2.0:
            tracks.append(len(row.tracks))
            for stage in STAGES:
                kept[stage].append(row.stage_ms.get(stage, 0.0))
    return {stage: np.array(times) for stage, times in kept.items()}, np.array(tracks)


def line(name, times_ms):
    p50, p99 = np.percentile(times_ms, [50, 99])
    return f"  {name:34} median {p50:7.2f}   p99 {p99:7.2f}   greatest {times_ms.max():7.2f}   n {len(times_ms)}"


def report_cycles(seconds):
    times, tracks = time_cycles(seconds)
    print(
        f"one cycle, ms (court with ten people; tracks a cycle: median {np.median(tracks):.0f}, at most {tracks.max()})"
    )
    for stage in STAGES:
        print(line(stage, times[stage]))
    own = times["tracking"] + times["free space"] + times["decision"]
    print(line("tracking + free space + decision", own))
    print(line("the whole cycle, sensors simulated", sum(times.values())))


def report_drives(repeat):
    for name, scene in (("court, nobody", court()), ("court, ten people", crowded())):
        spent = []
        for seed in range(repeat):
            started = time.perf_counter()
            drive(scene, Tuning(), seed=seed, duration_s=20.0, stop_at_end=False)
            spent.append(time.perf_counter() - started)
        print(
            f"a drive of 20 s, {name}: {np.median(spent):.2f} s ({20.0 / np.median(spent):.1f} times real time), "
            f"{min(spent):.2f} to {max(spent):.2f} s, n {repeat}"
        )


def report_imports(repeat):
    for code in ("import avoidkit", "from avoidkit import Tuning", "from avoidkit.drive import drive"):
        spent = []
        for _ in range(repeat):
            started = time.perf_counter()
            subprocess.run([sys.executable, "-c", code], check=True)
            spent.append(time.perf_counter() - started)
        print(f"a new process with `{code}`: median {np.median(spent):.2f} s, n {repeat}")


def main():
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument("what", nargs="?", choices=("cycle", "studies"), default="cycle", help="default: cycle")
    parser.add_argument("--seconds", type=float, default=20.0, help="of the timed drive, cycle by cycle (default 20)")
    parser.add_argument("--repeat", type=int, default=3, help="drives and processes per number (default 3)")
    arguments = parser.parse_args()
    print(f"{machine()}, commit {commit()}")
    if arguments.what == "studies":
        from tests.benchmarks.bench_studies import report

        report()
        return
    drive(court(), Tuning(), seed=0, duration_s=3.0)  # compiled loops are loaded, not counted
    report_cycles(arguments.seconds)
    report_drives(arguments.repeat)
    report_imports(arguments.repeat)
    used = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss  # KiB, on macOS bytes
    print(f"greatest memory of this process: {used / 1024 ** (2 if sys.platform == 'darwin' else 1):.0f} MiB")


if __name__ == "__main__":
    main()
