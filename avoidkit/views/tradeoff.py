"""Pictures of sweeps and comparisons: safety margin against time lost, what matters, and paired differences."""

import numpy as np

from avoidkit.studies.statistics import interval_words
from avoidkit.views import style
from avoidkit.views.plots import HALO
from avoidkit.views.style import BLUE, GREEN, INK, ORANGE, PURPLE, SKY, SOFT, VERMILLION

MARKS = ("o", "s", "D", "^", "v", "P", "X", "*")
LEAST_SHOWN_S = 1.0  # no axis of time is narrower than this
MOST_LABELS, LABEL_PT, LINE_PT, LETTER_PT = 6, 12, 16.0, 6.8  # of a label's lines and letters, points
LEFT_PT, ROUNDS = 16.0, 8  # a label ends so far left of its mark
UNITS = {"m": "m", "s": "s", "mps": "m/s", "mps2": "m/s²", "deg": "°", "db": "dB"}
SHOWN_GAP_M = 3.0  # farther gaps do not matter at parking speed
FRONT = "front: nothing is better in both"
WORDS = {"nearest_gap_m": "nearest gap", "lost_s": "time lost", "contacts_moving": "contacts while moving"}
CAUTION = "A desk prototype, not evidence of safety."


def tradeoff_figure(sweep, *, title="What a wider margin costs"):
    """The trade-off of a sweep beside what its parameters matter; a matplotlib figure."""
    figure = style.new_figure(14.0, 6.6)
    with style.look():
        left, right = figure.subplots(1, 2, width_ratios=[1.7, 1])
        draw_matters(right, sweep.matters())
        footnote(figure, f"{sweep.lines()[0]}; margin: the least of all drives of a setting. {CAUTION}")
        left.set_title(title)
        draw_tradeoff(left, sweep.settings(), sweep.over)  # last: its labels need to know how large it is
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
                ax.scatter(
                    lost[mask],
                    margin[mask],
                    s=110,
                    marker=mark,
                    c=color,
                    edgecolors=INK,
                    label=label,
                    zorder=3,
                    clip_on=False,
                )
            )
    interval = interval_words(int(settings["n"].min())) if len(settings) else "range"
    ax.set(xlabel=f"time lost (s, median and its {interval})", ylabel="nearest gap while moving (m, least)")
    ax.margins(x=0.1, y=0.15)
    ax.set_ylim(bottom=min(0.0, np.min(margin, initial=0.0)))
    _at_least_wide(ax, LEAST_SHOWN_S)
    ax.legend(loc="upper center", bbox_to_anchor=(0.5, -0.16), ncols=2)
    artists += _labels(ax, settings, over, lost, margin, order)
    if np.min(lost - np.maximum(spread[0], 0.0), initial=0.0) > -1e-9:  # the room for labels is no time
        ax.set_xticks([tick for tick in ax.get_xticks() if 0 <= tick <= ax.get_xlim()[1]])
    return artists


def _at_least_wide(ax, width):
    """Keep a horizontal axis from showing rounding noise: at least so wide, round its middle."""
    low, high = ax.get_xlim()
    if high - low < width:
        middle = 0.5 * (low + high)
        ax.set_xlim(middle - 0.5 * width, middle + 0.5 * width)


def _labels(ax, settings, over, lost, margin, order):
    """Labels of the front, up and to the left of it, where nothing can lie; settings at one place share a label."""
    groups = _places(ax, lost, margin, order)
    if len(groups) > MOST_LABELS:
        groups = [groups[k] for k in np.linspace(0, len(groups) - 1, MOST_LABELS).round().astype(int)]
    texts = ["\n".join(_named(name, _from_to(settings[name].iloc[group])) for name in over) for group in groups]
    at = [(lost[group[0]], margin[group[0]]) for group in groups]
    up_pt = _make_room(ax, at, texts)
    look = {
        "fontsize": LABEL_PT, "color": INK, "ha": "right", "va": "bottom", "path_effects": HALO, "zorder": 4,
        "arrowprops": {"arrowstyle": "-", "color": SOFT, "lw": 1.0, "shrinkB": 5.0},
    }  # fmt: skip
    return [
        ax.annotate(text, xy, xytext=(-LEFT_PT, up), textcoords="offset points", **look)
        for text, xy, up in zip(texts, at, up_pt, strict=True)
    ]


def _make_room(ax, at, texts):
    """Widen both axes until every label lies within them; how far above its mark each goes, points."""
    up_pt = []
    for _ in range(ROUNDS):  # a wider axis moves the marks closer together, and their labels with them
        ax.figure.draw_without_rendering()  # puts the axes into their place
        pt = 72 / ax.figure.dpi
        left, bottom, wide, high = (value * pt for value in ax.bbox.bounds)
        marks = [ax.transData.transform(xy) * pt for xy in at]
        up_pt, highest = [], -np.inf
        for (_, y), text in zip(marks, texts, strict=True):
            low = max(y + 9.0, highest)
            highest = low + LINE_PT * (text.count("\n") + 1)
            up_pt.append(low - y)
        widths = [LETTER_PT * max(map(len, text.split("\n"))) for text in texts]
        beyond = [left - (x - LEFT_PT - w) for (x, _), w in zip(marks, widths, strict=True)]
        over_left, over_top = max([0.0, *beyond]), max(0.0, highest - bottom - high)
        (x0, x1), (y0, y1) = ax.get_xlim(), ax.get_ylim()
        ax.set(xlim=(x0 - 1.05 * over_left / wide * (x1 - x0), x1), ylim=(y0, y1 + 1.05 * over_top / high * (y1 - y0)))
    return up_pt


def _named(name, values):
    """A parameter and its value in words: its unit after the value where its name ends in one."""
    word, _, ending = name.rpartition(".")[2].rpartition("_")
    return f"{word.replace('_', ' ')} {values} {UNITS[ending]}" if word and ending in UNITS else f"{name} {values}"


def _places(ax, lost, margin, order):
    """The settings of the front, in groups that lie at one place, from the least margin to the greatest."""
    wide, high = np.ptp(ax.get_xlim()), np.ptp(ax.get_ylim())
    groups = []
    for k in order:
        near = groups and abs(lost[k] - lost[groups[-1][0]]) < 0.01 * wide
        if near and abs(margin[k] - margin[groups[-1][0]]) < 0.01 * high:
            groups[-1].append(k)
        else:
            groups.append([k])
    return groups


def _from_to(values):
    shown = list(dict.fromkeys(_short(value) for value in values))
    return shown[0] if len(shown) == 1 else f"{shown[0]} to {shown[-1]}" if len(shown) > 2 else " and ".join(shown)


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
        values = np.asarray(values, dtype=float)
        at = places + (k - (len(series) - 1) / 2) * high
        artists += [_no_difference(ax, y, word) for y in at[~np.isfinite(values)]]
        values = np.nan_to_num(values)
        artists += ax.barh(
            at, values, high * 0.9, color=color, hatch=hatch, edgecolor=INK,
            label=word,
        )  # fmt: skip
    ax.axvline(0.0, color=INK, lw=1.2)
    ax.set_yticks(places, [name.replace(".", ".\n") for name in names])
    ax.invert_yaxis()
    ax.set(title=title, xlabel=label, xlim=(-1.05, 1.05) if "total" not in table else (-0.1, 1.1))
    ax.legend(loc="upper center", bbox_to_anchor=(0.5, -0.16), ncols=2)
    return artists


def _no_difference(ax, y, word):
    return ax.annotate(
        f"{word}: the same in all drives", (0.0, y), ha="center", va="center", fontsize=11, path_effects=HALO, zorder=4
    )


def footnote(figure, text):
    """One line below everything."""
    return figure.supxlabel(text, fontsize=11, color=SOFT, x=0.01, ha="left")


def _short(value):
    return f"{value:.3g}" if isinstance(value, int | float | np.number) and not isinstance(value, bool) else str(value)
