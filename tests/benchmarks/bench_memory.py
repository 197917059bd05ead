"""`python -m tests.benchmarks.bench_memory --minutes 10` drags on, and prints memory and lag of each minute.

Somebody is dragged on the bench in a real JupyterLab in Chromium, 50 moves a second by the page's own clock.
"""

import argparse
import os
import tempfile
from pathlib import Path

import numpy as np

from tests.benchmarks.bench_drag import CELLS, PLAN, WATCH, drag, memory_mb
from tests.browser import labs
from tests.evidence.runner import commit, machine


def one_minute(page, seconds):
    """(page MB, kernel MB, answers' p50 and p95 in ms, how many) of one stretch of dragging."""
    page.evaluate(WATCH, PLAN)
    seen, _ = drag(page, seconds)
    page.evaluate("() => window.gc && window.gc()")
    return (*memory_mb(page), *np.percentile(seen["answers"], [50, 95]), len(seen["answers"]))


def main():
    from playwright.sync_api import sync_playwright

    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.bench_memory")
    parser.add_argument("--minutes", type=int, default=10)
    parser.add_argument("--seconds", type=float, default=60.0, help="of each stretch that is called a minute")
    options = parser.parse_args()
    labs.FLAGS.append("--js-flags=--expose-gc")
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as driver:
        home = Path(folder)
        with labs.running_lab(home) as (address, work):
            labs.write_notebook(work / "drag.ipynb", *CELLS[:2])
            page = labs.open_chromium(driver, home / "profile", 1280, 1000)
            labs.open_in_lab(page, address, "drag.ipynb")
            labs.run_all_cells(page)
            page.wait_for_selector(".ak-bench .ak-answer[data-action]", timeout=120_000)
            page.locator(PLAN).first.scroll_into_view_if_needed()
            print(machine(), commit(), f"load {os.getloadavg()[0]:.1f}", sep="\n")
            print("minute   page MB   kernel MB   p50 ms   p95 ms   answers   load")
            for minute in range(1, options.minutes + 1):
                mb, kernel, p50, p95, count = one_minute(page, options.seconds)
                load = os.getloadavg()[0]
                print(f"{minute:6} {mb:9.1f} {kernel:11.1f} {p50:8.1f} {p95:8.1f} {count:9} {load:6.1f}", flush=True)
            labs.shut_down(page)
            page.context.close()


if __name__ == "__main__":
    main()
