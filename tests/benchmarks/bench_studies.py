"""How fast studies are: a verdict map, a sweep on one and two processes, the study's own overhead, growth with drives.

`python -m tests.benchmarks studies` prints all; `python -m tests.benchmarks.bench_studies` with `map`, `sweep`,
`overhead` or `growth` that one. Overhead and growth are in processor time, which other work on the machine disturbs
little; maps and sweeps are in wall clock as well, so run those on a quiet machine.
No test asserts a time.
"""

import os
import resource
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from avoidkit import Tuning, load_scene, shipped
from avoidkit.studies.drives import drive_task
from avoidkit.studies.run import Plan, execute
from avoidkit.studies.sweep import sweep
from avoidkit.studies.verdict_map import SHAPE, verdict_map
from avoidkit.studies.workers import processes, warm

SHORT = (0.2, "exact", Tuning().replace({"freespace.size_m": 12.0}))  # a drive that costs little


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
    """What the study adds to the drives and their metrics: its own processor time over theirs."""
    before = _used_s()[1]
    done = execute(_plan(drives, duration_s), progress=False)
    busy = _used_s()[1] - before
    own = busy - done.times["cpu_s"].sum()  # after imports; drives and their metrics are `cpu_s`
    print(f"study's own processor time: {own:.2f} s of {busy:.1f} s, {100 * own / busy:.1f} % (wanted: below 3 %)")


def bench_growth(steps=(100, 300, 1000, 3000)):
    """Processor time, the study's own share of it, and the parent's memory, from 100 to 3 000 drives.

    Drives of 0.2 s by exact knowledge on a grid of 12 m, on two forked processes, rows kept in a folder. Processor
    seconds are those of parent and workers together, so that other work on the machine does not count; wall clock
    stands beside them.
    """
    execute(_plan(8, *SHORT), executor=processes(2, method="fork"), progress=False)
    found = [_grown(drives) for drives in steps]
    n, busy = np.array(steps, float), np.array(found)
    print(f"processor time grows as n^{np.polyfit(np.log(n), np.log(busy), 1)[0]:.3f} (1: linear)", flush=True)


def _grown(drives):
    """Print one line about so many drives; their processor time with the study's own, s."""
    with tempfile.TemporaryDirectory() as folder:
        before, started, load = _used_s(), time.perf_counter(), os.getloadavg()[0]
        done = execute(
            _plan(drives, *SHORT), executor=processes(2, method="fork"), folder=Path(folder) / "study",
            progress=False,
        )  # fmt: skip
        wall = time.perf_counter() - started
        busy, parent = (after - was for after, was in zip(_used_s(), before, strict=True))
    of_drives = done.times["cpu_s"].sum()
    assert len(done.rows) == drives
    own = busy - of_drives
    print(
        f"{drives:5d} drives: processor {busy:6.1f} s, {1000 * busy / drives:5.1f} ms a drive; the study's own "
        f"{own:5.2f} s, {1000 * own / drives:4.1f} ms a drive, {100 * own / busy:4.1f} % (parent {parent:5.2f} s); "
        f"wall {wall:6.1f} s at load {load:.0f}; parent's memory {_memory_mb():.0f} MB",
        flush=True,
    )
    return busy


def _used_s():
    """(processor time of this process and its ended children, of this process alone), s."""
    mine, children = resource.getrusage(resource.RUSAGE_SELF), resource.getrusage(resource.RUSAGE_CHILDREN)
    parent = mine.ru_utime + mine.ru_stime
    return parent + children.ru_utime + children.ru_stime, parent


def _memory_mb():
    """Memory that this process holds now."""
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * resource.getpagesize() / 2**20


def _plan(drives, duration_s, loop="sensed", tuning=None):
    tasks = tuple({"scene": "s", "tuning": "t", "seed": seed} for seed in range(drives))
    settings = {"duration_s": duration_s, "loop": loop}
    return Plan(
        "drives", drive_task, tasks, {"s": scene_named("guest_crosses")}, {"t": tuning or Tuning()}, {}, settings
    )


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
