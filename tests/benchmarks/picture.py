"""Draws what `bench_targets --json FILE` found into data/pictures/cycle.png: `python -m tests.benchmarks.picture FILE`.

On the left, where the time of one cycle goes; on the right, how time grows with the size of what is looked at.
"""

import json
import sys
from pathlib import Path

import numpy as np

from avoidkit.parameters import write_text
from avoidkit.places import home
from avoidkit.views.style import BLUE, GREEN, INK, ORANGE, PAPER, PURPLE, SKY, VERMILLION, look, new_figure, png

FILE = home() / "data" / "pictures" / "cycle.png"
PARTS = ("sensors, simulated", "tracking", "free space", "decision")
COLOURS, INKS = (SKY, BLUE, GREEN, ORANGE), (INK, PAPER, PAPER, INK)
CURVES = (
    ("grid: returns of a scan", "grid, returns of a scan", BLUE, "o"),
    ("tracking: people in view", "tracking, people in view", VERMILLION, "s"),
    ("free space, whole step: cells along an edge", "free space, cells along an edge", GREEN, "^"),
    ("detours: candidates examined", "detours, candidates", ORANGE, "D"),
    ("decision: people within reach", "decision, people in reach", PURPLE, "v"),
)


def drawn(found):
    """The figure of one run of the benchmark."""
    with look():
        figure = new_figure(15.0, 6.2)
        left, right = figure.subplots(1, 2, width_ratios=(1.0, 1.15))
        _parts(left, {line["what"].strip(): line for line in found["table"]})
        _growth(right, {curve["name"]: curve for curve in found["growth"]})
        about = found["machine"]
        figure.suptitle(
            f"One run, {about['processor']}, one core of {about['cores']}, Python {about['python']}, "
            f"numba {about['numba']}", x=0.01, ha="left", fontsize=13, color=INK,
        )  # fmt: skip
    return figure


def _parts(axes, lines):
    """A bar for each stage: median, a thin line from 5 to 95 %, and a tick at p99."""
    axes.set_title("Where a cycle goes")
    for k, (name, colour, ink) in enumerate(zip(PARTS, COLOURS, INKS, strict=True)):
        line = lines[name]
        axes.barh(k, line["median"], 0.7, color=colour, edgecolor=INK)
        axes.plot([line["p5"], line["p95"]], [k + 0.2, k + 0.2], color=INK, lw=1.6)
        axes.plot([line["p99"]] * 2, [k, k + 0.35], color=INK, lw=2.4)
        axes.text(0.15, k, f"{line['median']:.1f} ms", va="center", fontsize=15, weight="bold", color=ink)
    axes.set_yticks(range(len(PARTS)), PARTS)
    axes.invert_yaxis()
    axes.grid(axis="y", visible=False)
    axes.set_xlim(0.0, max(lines[name]["p99"] for name in PARTS) + 0.5)
    axes.set_xlabel("time (ms): bar median, line 5 to 95 %, tick 99 %")


def _growth(axes, curves):
    axes.set_title("How time grows")
    for name, label, colour, marker in CURVES:
        curve = curves[name]
        axes.loglog(curve["n"], curve["median_ms"], color=colour, marker=marker, ms=8,
                    label=f"{label}: n^{curve['exponent']:.1f}")  # fmt: skip
    ends = np.array([10.0, 1e4])
    axes.loglog(ends, 3e-4 * ends, color=INK, lw=1.0, ls=":", label="proportional to n")
    axes.set_xlabel("n, how many")
    axes.set_ylabel("median time (ms)")
    axes.legend(loc="upper left", fontsize=12)
    axes.set_ylim(top=3e5)


def main():
    found = json.loads(Path(sys.argv[1]).read_text(encoding="utf-8"))
    FILE.write_bytes(png(drawn(found)))
    write_text(FILE.with_suffix(".json"), json.dumps(found, indent=1) + "\n")
    print(f"drawn into {FILE}")


if __name__ == "__main__":
    main()
