"""Old and new verdicts on one recording over time: two ribbons of actions, what changed, speed caps, and why."""

import math
import textwrap

import numpy as np
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from avoidkit.verdict import Action
from avoidkit.views import style
from avoidkit.views.figures import draw_ribbon
from avoidkit.views.style import BLUE, INK, PAPER, SIGNS, SOFT, VERMILLION

KIND_COLORS = {"action": VERMILLION, "path": style.GREEN, "speed": style.SKY}
KIND_WORDS = {"action": "another action", "path": "another path", "speed": "another speed"}
MARK_SIGNS = {"halt needed": "v", "not needed": "^", "contact near": "*"}
LINE_IN = 0.27  # height of a line of words
REASONS = 5  # stretches explained below the picture
WRAP = 125  # letters in a line of them


def draw_redecided(figure, result):
    """Five strips with one clock: actions before and now, changed cycles, speed caps, and the reasons in words.

    Parameters
    ----------
    figure : matplotlib Figure
        With constrained layout, 13 in wide and as high as `redecided_png` makes it.
    result : Redecided

    Returns
    -------
    list of axes
    """
    frame = result.frame
    times = frame["time_s"].to_numpy()
    with style.look():
        axes = list(figure.subplots(5, 1, height_ratios=[0.6, 0.6, 0.3, 2.6, LINE_IN * len(_lines(result))]))
        for ax, side, words in zip(axes, ("before", "after"), _row_words(result), strict=False):
            draw_ribbon(ax, times, [Action(a) for a in frame[f"action_{side}"]])
            ax.set_ylabel(words, rotation=0, ha="right", va="center", labelpad=10)
        _changes(axes[2], times, frame)
        _caps(axes[3], times, frame)
        _marks(axes[3], result)
        for ax in axes[:4]:
            ax.set_xlim(axes[0].get_xlim())
            _elsewhere(ax, result.elsewhere_s, shaded=ax in axes[2:])
        for ax in axes[:3]:
            ax.tick_params(labelbottom=False)
        _words(axes[4], result)
        axes[0].set_title(_literal(f"{result.name}: decided again from {result.start}"))
        _key(figure, result)
    return axes


def redecided_png(result, *, width_in=13.0, dpi=100):
    """The picture as PNG bytes, as high as its words need."""
    figure = style.new_figure(width_in, 6.4 + LINE_IN * len(_lines(result)))
    draw_redecided(figure, result)
    return style.png(figure, dpi)


def _row_words(result):
    return _literal(f"recorded\n{result.was[0][:18]}"), _literal(f"now\n{result.now[0][:18]}")


def _literal(text):
    """Text in which a dollar sign is a dollar sign."""
    return text.replace("$", r"\$")


def _changes(ax, times, frame):
    """A bar for each changed cycle, in the colour of what changed."""
    step_s = float(np.median(np.diff(times))) if len(times) > 1 else 0.05
    for level, (kind, color) in enumerate(KIND_COLORS.items()):
        at = times[(frame["changed"] == kind).to_numpy()]
        ax.bar(at, 1.0, width=step_s, align="edge", color=color, linewidth=0, label=KIND_WORDS[kind], zorder=3 - level)
    ax.set(ylim=(0, 1), yticks=[])
    ax.set_ylabel("changed", rotation=0, ha="right", va="center", labelpad=10)
    ax.grid(visible=False)


def _caps(ax, times, frame):
    ax.step(times, frame["cap_before_mps"], where="post", color=SOFT, linestyle=(0, (4, 1.5)), label="recorded")
    ax.step(times, frame["cap_after_mps"], where="post", color=BLUE, label="now")
    top = max(float(frame["cap_before_mps"].max()), float(frame["cap_after_mps"].max()), 0.3)
    ax.set(ylim=(0, 1.22 * top), xlabel="time (s)")
    ax.set_ylabel("speed cap\n(m/s)", rotation=0, ha="right", va="center", labelpad=10)


def _marks(ax, result):
    """What a person noted, above the speed caps: filled where the new verdicts meet it, hollow where not."""
    height = ax.get_ylim()[1]
    for _, after in result.marked:
        at, color = 0.93 * height, INK if after["met"] else VERMILLION
        ax.plot([after["from_s"], after["to_s"]], [at, at], color=color, linewidth=4, solid_capstyle="butt")
        ax.plot(
            (after["from_s"] + after["to_s"]) / 2, at, MARK_SIGNS[after["kind"]], color=color, markersize=13,
            markerfacecolor=color if after["met"] else PAPER, markeredgewidth=2,
        )  # fmt: skip


def _elsewhere(ax, from_s, shaded):
    if not math.isfinite(from_s):
        return
    ax.axvline(from_s, color=INK, linewidth=1.6, linestyle=(0, (2, 2)), zorder=5)
    if shaded:
        ax.axvspan(from_s, ax.get_xlim()[1], facecolor="#8b949b", alpha=0.20, linewidth=0, zorder=4)


def _words(ax, result):
    ax.set_axis_off()
    words = "\n".join(_lines(result))
    ax.text(0.0, 1.0, words, transform=ax.transAxes, va="top", ha="left", fontsize=12, linespacing=1.5)


def _lines(result):
    """Lines below the picture: notes, then the reasons of the longest stretches.

    First of those that answer what truly was, then of others.
    """
    stretches = result.stretches.sort_values(["as_driven", "cycles"], ascending=False).head(REASONS)
    stretches = stretches.sort_values("from_s")
    lines = [_wrapped(note) for note in result.notes[:2]]
    lines += [_wrapped(result.note if len(result.stretches) else "Nothing changed.")]
    lines += [_wrapped(_reason(row)) for row in stretches.to_dict("records")]
    more = len(result.stretches) - len(stretches)
    lines += [f"... and {more} shorter stretches"] if more > 0 else []
    return "\n".join(lines).split("\n")


def _reason(row):
    before, after = (SIGNS[Action(row[f"action_{side}"])].word for side in ("before", "after"))
    head = f"{row['from_s']:.2f}" + (f" to {row['to_s']:.2f} s" if row["cycles"] > 1 else " s")
    caps = f"{row['cap_before_mps']:.2f} → {row['cap_after_mps']:.2f} m/s"
    what = f"{before} → {after}" if before != after else f"{after} {caps}"
    why = row["why_after"].partition(": ")[2] or row["why_after"]  # without the words that say the action again
    return f"{head}, {what}: {why}"


def _wrapped(text):
    return textwrap.fill(_literal(text), WRAP, max_lines=2, placeholder=" ...", subsequent_indent="      ")


def _key(figure, result):
    kinds = [kind for kind in KIND_COLORS if (result.frame["changed"] == kind).any()]
    handles = [Patch(color=KIND_COLORS[kind], label=KIND_WORDS[kind]) for kind in kinds]
    handles += [
        Line2D([], [], color=SOFT, linestyle=(0, (4, 1.5)), label="cap, recorded"),
        Line2D([], [], color=BLUE, label="cap, now"),
    ]
    if math.isfinite(result.elsewhere_s):
        handles.append(Patch(facecolor="#8b949b", alpha=0.3, label="would be elsewhere by then"))
    met = {(a["kind"], a["met"]) for _, a in result.marked}
    for kind, good in sorted(met):
        color = INK if good else VERMILLION
        handles.append(
            Line2D([], [], marker=MARK_SIGNS[kind], color=color, markerfacecolor=color if good else PAPER, linestyle="",
                   markersize=11, label=f"{kind}: {'met' if good else 'not met'}")
        )  # fmt: skip
    figure.legend(handles=handles, loc="outside lower left", ncols=4, handlelength=1.8)
