"""`python -m tests.benchmarks.bench_drag` drags a person on the bench in a real JupyterLab and prints how it keeps up.

Moves come 50 times a second, by real mouse events, in mode *exact* and in *live*. Beside it stands the plain bench,
whose picture matplotlib draws in the kernel: one move of its slider after the other. What is printed goes with the
machine that is printed above it, and its load.
"""

import argparse
import os
import tempfile
import time
from pathlib import Path

import numpy as np

from tests.browser import labs
from tests.evidence.runner import commit, machine

CELLS = (
    "from avoidkit import load_scene, load_tuning, shipped\nfrom avoidkit.views import bench",
    "scene = load_scene(shipped('scenes') / 'guest_stands_room.toml')\n"
    "tuning = load_tuning(shipped('tunings') / 'baseline.toml')\nbench(scene, tuning, person_xy=(9.0, 1.2))",
    "bench(scene, tuning, plain=True, person_xy=(9.0, 1.2))",
)

PLAN = ".ak-bench canvas.ak-plan"

WATCH = """(plan) => {
  const canvas = document.querySelector(plan), now = () => performance.now();
  const seen = window.seen = {at: new Map(), answers: [], local: [], drawn: 0, moved: 0, cycles: 0, waiting: null};
  canvas.addEventListener('ak-moved', () => { seen.moved += 1; seen.waiting ??= now(); });
  canvas.addEventListener('ak-drawn', () => {
    seen.drawn += 1;
    if (seen.waiting !== null) seen.local.push(now() - seen.waiting);
    seen.waiting = null;
  });
  canvas.addEventListener('ak-sent', ({detail}) => seen.at.set(detail.number, detail.at));
  canvas.addEventListener('ak-answered', ({detail}) => {
    if (seen.at.has(detail.number)) seen.answers.push(now() - seen.at.get(detail.number));
  });
  canvas.addEventListener('ak-cycle', ({detail}) => {
    seen.cycles += 1;
    if (!seen.at.has(detail.number)) return;
    seen.answers.push(now() - seen.at.get(detail.number));
    seen.at.delete(detail.number);
  });
}"""

WAIT_FOR_PICTURE = """() => new Promise((resolve) => {
  const image = document.querySelector('.avoidkit-plan');
  const picture = image.tagName === 'IMG' ? image : image.querySelector('img');
  const begun = performance.now();
  new MutationObserver((_, watcher) => { watcher.disconnect(); resolve(performance.now() - begun); })
    .observe(picture, {attributes: true, attributeFilter: ['src']});
  setTimeout(() => resolve(null), 10000);
})"""


# Moves by the page's own clock: the driver's share of the machine is not in the way of what is measured.
MOVE_IN_PAGE = """([plan, x, y, seconds, hz]) => new Promise((resolve) => {
  const canvas = document.querySelector(plan), begun = performance.now();
  let k = 0;
  const move = () => {
    const now = performance.now();
    if (now - begun > 1000 * seconds) { resolve(k); return; }
    const angle = (2 * Math.PI * k) / (4 * hz), how = {bubbles: true, pointerId: 1, pointerType: 'mouse', buttons: 1};
    const place = {clientX: x + 90 * Math.cos(angle), clientY: y + 60 * Math.sin(angle)};
    canvas.dispatchEvent(new PointerEvent('pointermove', {...how, ...place}));
    k += 1;
    setTimeout(move, Math.max(0, begun + (1000 * (k + 1)) / hz - performance.now()));
  };
  move();
})"""


def drag(page, seconds, rate_hz=50.0, *, real=False):
    """Drag the person along an ellipse; returns what the page saw, and how long it took in s.

    With `real` by mouse events through the driver, which on a loaded machine come less often; else the press is real
    and the moves are pointer events that the page's own clock gives.
    """
    box = page.locator(PLAN).first.bounding_box()
    middle = box["x"] + 0.65 * box["width"], box["y"] + 0.5 * box["height"]
    grip = person_px(page)
    page.mouse.move(*grip)
    page.mouse.down()
    begun = time.monotonic()
    if not real:
        page.evaluate(MOVE_IN_PAGE, [PLAN, *middle, seconds, rate_hz])
    for k in range(round(seconds * rate_hz) if real else 0):
        angle = 2 * np.pi * k / (4 * rate_hz)
        page.mouse.move(middle[0] + 90 * np.cos(angle), middle[1] + 60 * np.sin(angle))
        time.sleep(max(0.0, begun + (k + 1) / rate_hz - time.monotonic()))
    spent = time.monotonic() - begun
    page.mouse.up()
    page.wait_for_timeout(500)
    seen = page.evaluate("() => ({...window.seen, at: null})")
    return seen, spent


def person_px(page):
    """Where the person of the first bench stands, px: the window is the one that the bench begins with."""
    box = page.locator(PLAN).first.bounding_box()
    x0, x1, y0, y1 = -4.0, 16.0, -6.0, 6.0
    scale = min((box["width"] - 26) / (x1 - x0), (box["height"] - 26) / (y1 - y0))
    words = page.locator(".ak-chosen").first.inner_text()  # guest 1: x 9.00 m, y 1.20 m, stands
    x, y = (float(part.split()[1]) for part in words.partition(": ")[2].split(", ")[:2])
    across, up = x - (x0 + x1) / 2, y - (y0 + y1) / 2
    return box["x"] + box["width"] / 2 + across * scale, box["y"] + box["height"] / 2 - up * scale


def line(name, times_ms):
    p50, p95 = np.percentile(times_ms, [50, 95])
    return f"  {name:44} p50 {p50:6.1f} ms   p95 {p95:6.1f} ms   n {len(times_ms)}"


def report(page, seconds, mode):
    page.locator(PLAN).first.scroll_into_view_if_needed()
    page.evaluate(WATCH, PLAN)
    before = memory_mb(page)
    seen, spent = drag(page, seconds)
    print(f"canvas bench, {mode}, {seen['moved'] / spent:.0f} moves a second for {spent:.0f} s")
    print(line("moved until drawn on the page", seen["local"]))
    print(line("moved until its answer is painted", seen["answers"]))
    print(f"  repaints a second {seen['drawn'] / spent:.0f}, answers a second {len(seen['answers']) / spent:.0f}")
    half = len(seen["answers"]) // 2
    early, late = (np.median(part) for part in (seen["answers"][:half], seen["answers"][half:]))
    print(f"  answers, median of the first half {early:.1f} ms, of the second half {late:.1f} ms")
    if seen["cycles"]:
        print(f"  cycles of the loop painted a second {seen['cycles'] / spent:.1f}")
    after = memory_mb(page)
    for name, was, now in zip(("page", "kernel"), before, after, strict=True):
        print(f"  memory of the {name}, MB: {was:.0f} before, {now:.0f} after")


def memory_mb(page):
    """Memory of the page's scripts, garbage collected, and of the kernel, MB."""
    session = page.context.new_cdp_session(page)
    session.send("HeapProfiler.collectGarbage")
    session.detach()
    kernel = page.evaluate(_ASK_KERNEL, "print(int(open('/proc/self/statm').read().split()[1]) * 4096)")
    return page.evaluate("() => performance.memory.usedJSHeapSize") / 1e6, int(kernel) / 1e6


_ASK_KERNEL = """async (code) => {
  const asked = window.jupyterapp.shell.currentWidget.sessionContext.session.kernel.requestExecute({code});
  let said = '';
  asked.onIOPub = ({content}) => { said += content.text ?? ''; };
  await asked.done;
  return said;
}"""


def go_live(page):
    """Into live mode, the clock running, nobody holding; back when the loop steps and answers.

    On a machine that never ran it the loops of sensing and tracking compile first, for a minute or so.
    """
    page.locator(".ak-modes input[value='live']").first.check()
    page.wait_for_selector(f"{PLAN}[data-cycle]", timeout=180_000)
    page.locator(".ak-clock button", has_text="play").first.click()
    page.wait_for_function(f"() => Number(document.querySelector('{PLAN}').dataset.cycle) >= 40", timeout=180_000)


def report_plain(page, moves=15):
    plain = page.locator(".avoidkit-bench", has=page.locator(".avoidkit-plan")).first
    handle = plain.locator(".widget-slider .noUi-handle").first
    handle.focus()
    times = []
    for _ in range(moves):
        waiting = page.evaluate_handle(f"() => ({{done: ({WAIT_FOR_PICTURE})()}})")
        handle.press("ArrowRight")
        times.append(page.evaluate("(waiting) => waiting.done", waiting))
    print("plain bench, one key on its slider after the other")
    print(line("pressed until the new picture is there", [t for t in times if t is not None]))


def main():
    from playwright.sync_api import sync_playwright

    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.bench_drag")
    parser.add_argument("--seconds", type=float, default=15.0)
    parser.add_argument("--only-exact", action="store_true", help="one long drag by exact knowledge, for memory")
    options = parser.parse_args()
    print(machine(), commit(), f"load of the last minute before the run: {os.getloadavg()[0]:.1f}", sep="\n")
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as driver:
        home = Path(folder)
        with labs.running_lab(home) as (address, work):
            labs.write_notebook(work / "drag.ipynb", *CELLS)
            page = labs.open_chromium(driver, home / "profile", 1280, 1000)
            labs.open_in_lab(page, address, "drag.ipynb")
            labs.run_all_cells(page)
            page.wait_for_selector(".ak-bench .ak-answer[data-action]", timeout=120_000)
            page.wait_for_timeout(5000)  # what would turn it has been found
            report(page, options.seconds, "exact")
            if not options.only_exact:
                go_live(page)
                report(page, options.seconds, "live")
                page.locator(".ak-modes input[value='exact']").first.check()
                page.wait_for_timeout(4000)
                report_plain(page)
            labs.shut_down(page)
            page.context.close()


if __name__ == "__main__":
    main()
