"""`python -m tests.benchmarks.bench_demo` measures a recorded demo of 400 cycles: its size, how it opens, how it seeks.

Opened from disk in Chromium with the network off, each time in a page of its own. *Open* is from the navigation's
start until the first cycle is painted; *seek* is from the moved scrubber until the cycle is painted, all by the
page's own clock. Targets: under 3 MB, under 1.5 s, under 50 ms.
"""

import argparse
import os
import tempfile
import time
from pathlib import Path

import numpy as np

from avoidkit import drive, load_scene, load_tuning, shipped
from avoidkit.views.demo import export_demo
from tests.browser import labs
from tests.evidence.runner import commit, machine

CYCLES = 400

OPENED = """() => new Promise((resolve) => {
  const look = () => {
    if (!document.querySelector('.ak-answer[data-action]')) { requestAnimationFrame(look); return; }
    requestAnimationFrame(() => resolve(performance.now()));
  };
  look();
})"""

SEEK = """async ([count, times]) => {
  const scrub = document.querySelector('input[type=range]'), drawn = [], painted = [];
  const frame = () => new Promise(requestAnimationFrame);
  for (let k = 0; k < times; k += 1) {
    await frame();
    const begun = performance.now();
    scrub.value = (k * 137) % count;
    scrub.dispatchEvent(new Event('input'));
    drawn.push(performance.now() - begun);
    await frame();
    painted.push(performance.now() - begun);
  }
  return [drawn, painted];
}"""


def spread(times_ms):
    """Median, 95th percentile, the greatest and how many."""
    p50, p95 = np.percentile(times_ms, [50, 95])
    return f"p50 {p50:6.1f} ms   p95 {p95:6.1f} ms   most {max(times_ms):6.1f} ms   n {len(times_ms)}"


def measure(driver, home, file, pages, seeks):
    """(ms until open, of each page; ms drawn and ms painted of all seeks)"""
    opened, drawn, painted = [], [], []
    for k in range(pages):
        page = labs.open_chromium(driver, home / f"profile{k}", 1280, 900)
        page.goto(file.as_uri(), wait_until="commit")
        opened.append(page.evaluate(OPENED))
        one, other = page.evaluate(SEEK, [CYCLES, seeks])
        drawn, painted = drawn + one, painted + other
        if page.troubles:
            raise SystemExit(f"the page had troubles: {page.troubles}")
        page.context.close()
    return opened, drawn, painted


def main():
    from playwright.sync_api import sync_playwright

    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.bench_demo")
    parser.add_argument("--pages", type=int, default=12)
    parser.add_argument("--seeks", type=int, default=60)
    options = parser.parse_args()
    print(machine(), commit(), f"load of the last minute before the run: {os.getloadavg()[0]:.1f}", sep="\n")
    tuning = load_tuning(shipped("tunings") / "baseline.toml")
    scene = load_scene(shipped("scenes") / "guest_stands_room.toml")
    recording = drive(scene, tuning, seed=0, duration_s=CYCLES * tuning.cycle_s)
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as driver:
        file = Path(folder) / "demo.html"
        begun = time.process_time()
        export_demo(recording.between(0.0, (CYCLES - 1) * tuning.cycle_s), file)
        wrote_s = time.process_time() - begun
        opened, drawn, painted = measure(driver, Path(folder), file, options.pages, options.seeks)
        print(f"demo of {CYCLES} cycles: {file.stat().st_size / 1e6:.2f} MB, written in {wrote_s:.1f} s of computing")
    print(f"  open until painted    {spread(opened)}")
    print(f"  seek until drawn      {spread(drawn)}")
    print(f"  seek until painted    {spread(painted)}")


if __name__ == "__main__":
    main()
