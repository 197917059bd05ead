"""How fast studies are: a verdict map, a sweep on one and two processes, the study's own overhead, growth with drives.

`python -m tests.benchmarks studies` prints all; `python -m tests.benchmarks.bench_studies` with `map`, `sweep`,
`overhead` or `growth` that one. Times are wall clock, so run it on a quiet machine; where one process works alone,
its processor time is printed as well.
No test asserts a time.
"""

import os
import sys
import time

from avoidkit import Tuning, load_scene, shipped
from avoidkit.studies.drives import drive_task
from avoidkit.studies.run import Plan, execute
from avoidkit.studies.sweep import sweep
from avoidkit.studies.verdict_map import SHAPE, verdict_map
from avoidkit.studies.workers import processes, warm


def scene_named(name):
    return load_scene(shipped("scenes") / f"{name}.toml")


def timed(call):
    """(result, wall clock s)."""
    started = time.perf_counter()
    result = call()
    return result, time.perf_counter() - started


def processor_s(call):
    """Processor time of a call that works in this process, s."""
    started = time.process_time()
    call()
    return time.process_time() - started


def bench_map():
    """61 x 41 places by exact knowledge, on one and on two processes."""
    scene, tuning = scene_named("guest_stands_room"), Tuning()
    busy = processor_s(lambda: verdict_map(scene, tuning, progress=False))
    print(f"verdict map {SHAPE[0]} x {SHAPE[1]}, exact: {busy:.2f} s of processor time")
    for word, executor in (
        ("one process", None), ("two, forked", processes(2, method="fork")), ("two, spawned", processes(2)),
    ):  # fmt: skip
        took = min(
            timed(lambda e=executor: verdict_map(scene, tuning, executor=e, progress=False))[1] for _ in range(3)
        )
        print(f"verdict map {SHAPE[0]} x {SHAPE[1]}, exact, {word}: {took:.2f} s (best of 3; wanted: below 6)")


def bench_sweep(drives=24, duration_s=6.0):
    """The same sweep on one and two processes."""
    scene, over = scene_named("guest_crosses"), {"decision.clearance_m": [0.2, 0.3]}
    given = {"seeds": drives // 2, "duration_s": duration_s, "progress": False}
    one, one_s = timed(lambda: sweep(scene, Tuning(), over, **given))
    two, two_s = timed(lambda: sweep(scene, Tuning(), over, executor=processes(2, method="fork"), **given))
    print(f"sweep of {drives} drives of {duration_s:g} s: {one_s:.1f} s on one process, {two_s:.1f} s on two")
    print(f"  faster by {one_s / two_s:.2f} (wanted: 1.85); tables equal: {one.rows.equals(two.rows)}")


def bench_overhead(drives=12, duration_s=6.0):
    """What the study adds to the drives and their metrics: its own time over theirs."""
    done, took = timed(lambda: execute(_plan(drives, duration_s), progress=False))
    own = took - done.times["run_s"].sum()  # after imports; drives and their metrics are `run_s`
    print(f"study's own time: {own:.2f} s of {took:.1f} s, {100 * own / took:.1f} % (wanted: below 3 %)")


def bench_growth(steps=(100, 300, 1000, 3000)):
    """Time and memory from 100 to 3 000 drives of 0.2 s by exact knowledge."""
    import resource

    for drives in steps:
        _, took = timed(lambda n=drives: execute(_plan(n, 0.2, "exact"), progress=False))
        peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(f"{drives:5d} drives: {took:7.1f} s, {1000 * took / drives:.1f} ms a drive, peak {peak_mb:.0f} MB")


def _plan(drives, duration_s, loop="sensed"):
    tasks = tuple({"scene": "s", "tuning": "t", "seed": seed} for seed in range(drives))
    settings = {"duration_s": duration_s, "loop": loop}
    return Plan("drives", drive_task, tasks, {"s": scene_named("guest_crosses")}, {"t": Tuning()}, {}, settings)


BENCHES = {"map": bench_map, "sweep": bench_sweep, "overhead": bench_overhead, "growth": bench_growth}


def report(names=()):
    """Print the benchmarks of these names, or all."""
    print(f"{os.cpu_count()} processors, load {os.getloadavg()[0]:.1f} at the start")
    import pandas  # noqa: F401  (once a process, whatever is studied)

    warm()
    execute(_plan(1, 0.2), progress=False)
    for name in names or BENCHES:
        BENCHES[name]()


if __name__ == "__main__":
    report(sys.argv[1:])
