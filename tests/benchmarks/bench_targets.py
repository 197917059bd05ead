"""What is reached, in one table: `python -m tests.benchmarks.bench_targets --json FILE` (quiet machine, ten minutes).

Peers are timed in the same run: a loop of a filter library's objects with scipy's assignment, a general tracking
library, a polar-to-grid update in plain numpy, a bare loop that touches the same cells, and shapely for paths. Growth
is fitted as time = c * n^k by least squares on logarithms. `--quick` takes a tenth of the samples.
"""

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from avoidkit import Tuning
from avoidkit.drive import drive
from tests.benchmarks import growth
from tests.benchmarks.__main__ import court, crowded, time_cycles
from tests.benchmarks.bench_studies import scene_named
from tests.evidence.runner import commit, machine


def measure_of(name, samples, unit="ms", **more):
    """One line of the table: median, p99, n and spread of samples."""
    samples = np.asarray(samples, dtype=float)
    p5, p50, p95, p99 = np.percentile(samples, [5, 50, 95, 99])
    return {"what": name, "median": p50, "p99": p99, "p5": p5, "p95": p95, "n": len(samples), "unit": unit, **more}


def cycle_lines(seconds):
    """The parts of a cycle of the crowded court."""
    times, tracks = time_cycles(seconds)
    own = times["tracking"] + times["free space"] + times["decision"]
    note = f"{np.median(tracks):.0f} tracks"
    return [
        measure_of("full cycle: tracking, free space, decision", own, target="2.0, p99 5", note=note),
        measure_of("  tracking", times["tracking"]),
        measure_of("  free space", times["free space"]),
        measure_of("  decision", times["decision"]),
        measure_of("  sensors, simulated", times["sensing"]),
    ]


def drive_line(repeat):
    """How many times faster than real time a drive of 20 s is computed."""
    rates = {}
    for name, scene in (("nobody", court()), ("ten people", crowded())):
        rates[name] = []
        for seed in range(repeat):
            started = time.perf_counter()
            drive(scene, Tuning(), seed=seed, duration_s=20.0, stop_at_end=False)
            rates[name].append(20.0 / (time.perf_counter() - started))
    return [
        measure_of(f"closed-loop drive, {name}", found, "times real time", target="20") for name, found in rates.items()
    ]


def tracking_lines(seconds):
    """The kit's tracker and its two peers on the same scans."""
    from tests.benchmarks.bench_tracking import GeneralLibrary, KitTracker, PlainLoop, timed

    timed(KitTracker, 20, 0.5)
    lines, kit = [], None
    for name, maker in (
        ("tracking, 20 tracks, 4 scans x 40 returns", KitTracker), ("  peer (a): loop of filter objects", PlainLoop),
        ("  peer (b): general tracking library", GeneralLibrary),
    ):  # fmt: skip
        times_ms, gospa_m = timed(maker, 20, seconds if maker is KitTracker else min(seconds, 4.0))
        kit = np.median(times_ms) if kit is None else kit
        note = f"GOSPA {gospa_m.mean():.3f} m, {np.median(times_ms) / kit:.1f} times the kit's time"
        lines.append(measure_of(name, times_ms, target="1.0" if maker is KitTracker else "", note=note))
    return lines


def grid_lines(repeat):
    """One scan into the grid, beside plain numpy and beside a bare loop over the same cells."""
    kit, plain, bare, cells = growth.grid_times(240, repeat)
    ratio = f"{np.median(kit) / np.median(bare):.1f} times the bare loop, {cells} cells written"
    return [
        measure_of("grid update by one scan, 240 x 240 cells", kit, target="0.5", note=ratio),
        measure_of("  peer (a): plain numpy, polar to grid", plain),
        measure_of("  peer (c): bare loop over the same cells", bare),
    ]


def path_lines(repeat):
    """The search for a detour beside shapely checking the same number of candidates."""
    kit, peer, candidates = growth.path_times(repeat)
    note = f"{candidates} candidates; shapely takes {np.median(peer) / np.median(kit):.0f} times as long"
    return [
        measure_of("search for a detour", kit, note=note),
        measure_of("  peer (a): shapely, same candidates, polygon after polygon", peer),
    ]


def study_lines(drives):
    """Many drives on two processes, and a verdict map."""
    from avoidkit.studies.sweep import sweep
    from avoidkit.studies.verdict_map import verdict_map
    from avoidkit.studies.workers import processes

    scene, over = scene_named("guest_crosses"), {"decision.clearance_m": [0.2, 0.3]}
    given = {"seeds": drives // 2, "duration_s": 20.0, "progress": False, "executor": processes(2, method="fork")}
    started = time.perf_counter()
    sweep(scene, Tuning(), over, **given)
    took_s = time.perf_counter() - started
    thousand = measure_of(
        "1 000 drives of 20 s, two processes", [took_s * 1000 / drives / 60], "min", target="9",
        note=f"from {drives} drives in {took_s:.0f} s",
    )  # fmt: skip
    maps = []
    for _ in range(3):
        started = time.perf_counter()
        verdict_map(scene_named("guest_stands_room"), Tuning(), executor=processes(2, method="fork"), progress=False)
        maps.append(time.perf_counter() - started)
    return [thousand, measure_of("verdict map 61 x 41, exact, two processes", maps, "s", target="3")]


def import_lines(repeat):
    """A new process that imports the package, less one that imports nothing."""
    spent = {}
    for code in ("pass", "import avoidkit", "from avoidkit.drive import drive"):
        spent[code] = []
        for _ in range(repeat):
            started = time.perf_counter()
            subprocess.run([sys.executable, "-c", code], check=True)
            spent[code].append(time.perf_counter() - started)
    nothing = np.median(spent.pop("pass"))
    return [
        measure_of(f"`{code}`", np.array(found) - nothing, "s", target="0.8" if code == "import avoidkit" else "")
        for code, found in spent.items()
    ]


def first_use_lines():
    """What a first drive takes longer than the same again, with an empty cache and after `avoidkit compile`."""
    code = (
        "from time import perf_counter as now\nfrom avoidkit import Tuning, load_scene, shipped\n"
        "from avoidkit.drive import drive\n"
        "scene, took = load_scene(shipped('scenes') / 'guest_crosses.toml'), [now()]\n"
        "for _ in range(2):\n    drive(scene, Tuning(), seed=1, duration_s=8.0)\n    took.append(now())\n"
        "print(2 * took[1] - took[0] - took[2])"
    )
    lines = []
    with tempfile.TemporaryDirectory() as folder:
        for name, before in (("first drive, nothing compiled: its stall", False), ("after `avoidkit compile`", True)):
            here = {**os.environ, "NUMBA_CACHE_DIR": str(Path(folder) / str(before))}
            if before:
                started = time.perf_counter()
                subprocess.run(
                    [sys.executable, "-m", "avoidkit.cli", "compile"], check=True, env=here, stdout=subprocess.DEVNULL
                )
                lines.append(measure_of("`avoidkit compile`, all processors", [time.perf_counter() - started], "s"))
            done = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True, env=here)
            lines.append(measure_of(name, [float(done.stdout)], "s", target="10"))
    return lines


def memory_line():
    """Greatest resident memory of a process that drives once for 20 s."""
    code = (
        "from avoidkit import Tuning\nfrom avoidkit.drive import drive\nfrom tests.benchmarks.__main__ import crowded\n"
        "import resource\ndrive(crowded(), Tuning(), seed=0, duration_s=20.0)\n"
        "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)"
    )
    root = Path(__file__).resolve().parents[2]
    done = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True, cwd=root)
    return measure_of("memory of a drive", [float(done.stdout)], "MiB", target="400")


def printed(line):
    spread = f"p99 {line['p99']:8.2f}   5 to 95 % {line['p5']:.2f} to {line['p95']:.2f}   n {line['n']}"
    goal = f"   target {line['target']}" if line.get("target") else ""
    return (
        f"{line['what']:58} {line['median']:8.2f} {line['unit']:15} {spread}{goal}"
        f"{'   ' + line['note'] if line.get('note') else ''}"
    )


def main():
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.bench_targets", description=__doc__)
    parser.add_argument("--json", type=Path, help="write the table and the growth curves into this file as well")
    parser.add_argument("--quick", action="store_true", help="a tenth of the samples")
    arguments = parser.parse_args()
    share = 10 if arguments.quick else 1
    about = machine()
    print(f"{about['processor']}, {about['cores']} cores, Python {about['python']}, commit {commit()}")
    drive(court(), Tuning(), seed=0, duration_s=3.0)  # compiled loops are loaded, not counted
    lines = []
    for make in (
        lambda: cycle_lines(20.0 / share), lambda: drive_line(max(5 // share, 1)),
        lambda: tracking_lines(8.0 / share + 2),
        lambda: grid_lines(500 // share), lambda: path_lines(max(50 // share, 3)),
        lambda: study_lines(24 // share or 2),
        lambda: import_lines(max(10 // share, 2)), lambda: [memory_line()], first_use_lines,
    ):  # fmt: skip
        found = make()
        lines += found
        for line in found:
            print(printed(line), flush=True)
    own = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"greatest memory of this process, with all studies in it: {own:.0f} MiB")
    curves = growth.curves(quick=arguments.quick)
    for curve in curves:
        print(growth.printed(curve), flush=True)
    if arguments.json:
        text = json.dumps({"machine": about, "commit": commit(), "table": lines, "growth": curves}, indent=1)
        arguments.json.write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
