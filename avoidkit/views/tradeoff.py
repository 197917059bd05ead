"""Pictures of sweeps and comparisons: safety margin against time lost, what matters, and paired differences."""

import numpy as np

from avoidkit.views import style
from avoidkit.views.plots import HALO
from avoidkit.views.style import BLUE, GREEN, INK, ORANGE, PURPLE, SKY, SOFT, VERMILLION

MARKS = ("o", "s", "D", "^", "v", "P", "X", "*")
SHOWN_GAP_M = 3.0  # farther gaps do not matter at parking speed
FRONT = "front: nothing is better in both"
WORDS = {"nearest_gap_m": "nearest gap", "lost_s": "time lost", "contacts_moving": "contacts while moving"}
CAUTION = "A desk prototype, not evidence of safety."


def tradeoff_figure(sweep, *, title="What a wider margin costs"):
    """The trade-off of a sweep beside what its parameters matter; a matplotlib figure."""
    figure = style.new_figure(14.0, 6.6)
    with style.look():
        left, right = figure.subplots(1, 2, width_ratios=[1.7, 1])
        draw_tradeoff(left, sweep.settings(), sweep.over)
        left.set_title(title)
        draw_matters(right, sweep.matters())
        footnote(figure, f"{len(sweep.rows)} drives; margin: the least of all drives of a setting. {CAUTION}")
    return figure


def draw_tradeoff(ax, settings, over):
    """Least gap against median time lost, a mark a setting; the front as a line; a cross where somebody was touched.

    Parameters
    ----------
    settings : DataFrame
        Of `Sweep.settings`.
    over : sequence of str
        Names to label the settings of the front with.

    Returns
    -------
    list of artists
    """
    margin = np.minimum(settings["margin_m"].to_numpy(float), SHOWN_GAP_M)
    lost, front = settings["lost_s"].to_numpy(float), settings["front"].to_numpy(bool)
    touched = settings["touched"].to_numpy(int) > 0
    spread = [lost - settings["lost_low_s"].to_numpy(float), settings["lost_high_s"].to_numpy(float) - lost]
    artists = [ax.errorbar(lost, margin, xerr=np.maximum(spread, 0.0), fmt="none", ecolor=SOFT, alpha=0.5, lw=1.4)]
    order = np.flatnonzero(front)[np.argsort(lost[front])]
    artists += ax.plot(lost[order], margin[order], color=INK, lw=2.0, zorder=2, label=FRONT)
    groups = (
        (~front & ~touched, "o", SKY, "other settings"),
        (front & ~touched, "D", BLUE, "on the front"),
        (touched, "X", VERMILLION, "touched somebody while moving"),
    )
    for mask, mark, color, label in groups:
        if mask.any():
            artists.append(
                ax.scatter(lost[mask], margin[mask], s=110, marker=mark, c=color, edgecolors=INK, label=label, zorder=3)
            )
    artists += [_label(ax, settings.iloc[k], over, lost[k], margin[k]) for k in order[:6]]
    ax.set(xlabel="time lost (s, median and its 95 % interval)", ylabel="nearest gap while moving (m, least)")
    ax.margins(x=0.26, y=0.16)
    ax.set_ylim(bottom=min(0.0, ax.get_ylim()[0]))
    ax.legend(loc="lower right")
    return artists


def _label(ax, setting, over, x, y):
    text = "\n".join(f"{name.rpartition('.')[2]} {_short(setting[name])}" for name in over)
    return ax.annotate(
        text, (x, y), xytext=(13, 0), textcoords="offset points", fontsize=12, color=INK, ha="left", va="center",
        path_effects=HALO, zorder=4,
    )  # fmt: skip


def draw_matters(ax, table):
    """Bars of how much each parameter matters: Sobol indices (first and total) or rank correlations by output."""
    if "total" in table:
        table = table[table["output"] == table["output"].iloc[0]] if len(table) else table
        names = list(table["input"]) if len(table) else []
        series = [("alone", table.get("first"), GREEN, ""), ("with interactions", table.get("total"), ORANGE, "//")]
        title, label = "What matters", "Sobol index of the nearest gap"
    else:
        names = list(dict.fromkeys(table["input"]))
        looks = ((BLUE, ""), (ORANGE, "//"), (GREEN, "xx"), (PURPLE, ".."))
        series = [
            (WORDS.get(output, output.replace("_", " ")), table[table["output"] == output]["rho"], *look)
            for output, look in zip(dict.fromkeys(table["output"]), looks, strict=False)
        ]
        title, label = "What matters", "rank correlation (Spearman)"
    high = 0.8 / max(len(series), 1)
    places = np.arange(len(names))
    artists = []
    for k, (word, values, color, hatch) in enumerate(series):
        values = np.nan_to_num(np.asarray(values, dtype=float))
        artists += ax.barh(
            places + (k - (len(series) - 1) / 2) * high, values, high * 0.9, color=color, hatch=hatch, edgecolor=INK,
            label=word,
        )  # fmt: skip
    ax.axvline(0.0, color=INK, lw=1.2)
    ax.set_yticks(places, [name.replace(".", ".\n") for name in names])
    ax.invert_yaxis()
    ax.set(title=title, xlabel=label, xlim=(-1.05, 1.05) if "total" not in table else (-0.1, 1.1))
    ax.legend(loc="upper center", bbox_to_anchor=(0.5, -0.16), ncols=2)
    return artists


def footnote(figure, text):
    """One line below everything."""
    return figure.supxlabel(text, fontsize=11, color=SOFT, x=0.01, ha="left")


def _short(value):
    return f"{value:.3g}" if isinstance(value, int | float | np.number) and not isinstance(value, bool) else str(value)
