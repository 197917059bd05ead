"""Pictures of a comparison, and the way from one of its drives to the bench."""

import numpy as np
from matplotlib.ticker import MaxNLocator

from avoidkit.checks import InputError
from avoidkit.studies.statistics import interval_words
from avoidkit.views import style
from avoidkit.views.style import BLUE, INK, ORANGE, SOFT
from avoidkit.views.tradeoff import CAUTION, footnote

LOOKS = ((BLUE, "o", ""), (ORANGE, "D", "//"))


def comparison_figure(comparison, *, title=None):
    """Rates with their exact intervals beside the paired differences in time lost; a matplotlib figure."""
    figure = style.new_figure(14.0, 6.4)
    one, other = comparison.names
    with style.look():
        left, right = figure.subplots(1, 2, width_ratios=[1.15, 1])
        draw_rates(left, comparison.events())
        draw_pairs(right, comparison)
        left.set_title(title or f"{one} against {other}")
        footnote(figure, f"{len(comparison.rows)} pairs of drives with the same seeds. {CAUTION}")
    return figure


def draw_rates(ax, events):
    """Share of drives with each event and its exact 95 % interval, one mark a side; returns the artists."""
    names, sides = list(dict.fromkeys(events["event"])), list(dict.fromkeys(events["side"]))
    artists = []
    for k, side in enumerate(sides):
        mine = events[events["side"] == side]
        share = 100 * mine["k"].to_numpy(float) / mine["n"].to_numpy(float)
        spread = 100 * np.array([mine["low"], mine["high"]])
        color, mark, _ = LOOKS[k]
        places = np.arange(len(names)) + (k - 0.5) * 0.26
        artists.append(
            ax.errorbar(
                share, places, xerr=np.maximum([share - spread[0], spread[1] - share], 0.0), fmt=mark, color=color,
                markeredgecolor=INK, markersize=11, capsize=5, lw=2.4, label=side,
            )
        )  # fmt: skip
        artists += [
            ax.annotate(
                f"{hits} of {n}", (high, y), xytext=(12, 0), textcoords="offset points", va="center", fontsize=12
            )
            for hits, n, high, y in zip(mine["k"], mine["n"], spread[1], places, strict=True)
        ]
    ax.set_yticks(range(len(names)), [name.replace(" that ", "\nthat ") for name in names])
    ax.invert_yaxis()
    ax.set(xlabel="share of drives (%, exact 95 % interval)", xlim=(-2, 118))
    ax.set_xticks(range(0, 101, 20))
    ax.legend(loc="upper center", bbox_to_anchor=(0.4, -0.12), ncols=2)
    return artists


def draw_pairs(ax, comparison):
    """Difference in time lost of each pair, in order of size; the median and its interval as a band."""
    one, other = comparison.names
    difference = np.sort((comparison.rows["b_lost_s"] - comparison.rows["a_lost_s"]).to_numpy(float))
    places = np.arange(1, len(difference) + 1)
    colors = [LOOKS[1][0] if d > 0 else LOOKS[0][0] for d in difference]
    hatches = [LOOKS[1][2] if d > 0 else LOOKS[0][2] for d in difference]
    artists = list(ax.bar(places, difference, color=colors, edgecolor=INK, lw=0.8, hatch=hatches))
    line = comparison.paired().set_index("metric").loc["lost_s"]
    artists.append(
        ax.axhspan(line["low"], line["high"], color=SOFT, alpha=0.3, label=f"median's {interval_words(int(line['n']))}")
    )
    artists.append(ax.axhline(line["difference"], color=INK, lw=2.0, linestyle="--", label="median"))
    ax.axhline(0.0, color=INK, lw=1.0)
    ax.set(title="Time lost, pair by pair", xlabel="pair, in order of the difference", ylabel=f"{other} less {one} (s)")
    ax.xaxis.set_major_locator(MaxNLocator(nbins=8, integer=True))
    ax.legend(loc="upper center", bbox_to_anchor=(0.5, -0.12), ncols=2)  # on the bars it could not be read
    return artists


def bench_at(comparison, number, side="b"):
    """The bench at the cycle at which a pair of `comparison.changed()` begins to answer otherwise.

    Parameters
    ----------
    number : int
        Line of `changed()`.
    side : str
        `a` or `b`.
    """
    from avoidkit.recording import load_recording
    from avoidkit.views.bench import bench

    changed = comparison.changed()
    if f"{side}_recording" not in changed:
        raise InputError("no recordings were kept: compare(..., recordings=FOLDER) keeps them")
    if not 0 <= number < len(changed):
        raise InputError(f"number must be from 0 to {len(changed) - 1}, got {number}")
    line = changed.iloc[number]
    return bench(load_recording(line[f"{side}_recording"]), time_s=float(line["changed_at_s"]))


def changed_panel(comparison, most=20):
    """A list of the drives that answer otherwise; a click opens the bench at that cycle, below."""
    import ipywidgets as widgets

    out, rows = widgets.Output(), []
    for number, line in comparison.changed().head(most).iterrows():
        said = f"{line['scene']}, seed {line['seed']}, {line['changed_at_s']:.2f} s"
        button = widgets.Button(description=said, layout=widgets.Layout(width="26em"))
        button.on_click(lambda _, number=number: _open(comparison, number, out))
        rows.append(widgets.HBox([button, widgets.Label(f"{line['a_answers']}  |  {line['b_answers']}")]))
    return widgets.VBox([*rows, out])


def _open(comparison, number, out):
    from IPython.display import display

    out.clear_output()
    with out:
        display(bench_at(comparison, number))
