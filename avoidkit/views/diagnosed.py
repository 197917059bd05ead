"""How good tracks are, as panels: a `Diagnosis` over time, with the bands in which an honest filter would lie.

The `draw_` functions take axes and return the artists they added; `show_diagnosis` fills a whole figure.
"""

import numpy as np
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from avoidkit.studies.diagnosed import CUTOFF_M, diagnosis_of
from avoidkit.studies.innovations import PARTS
from avoidkit.tracking.diagnostics import chi_square_band
from avoidkit.tracking.records import Stage
from avoidkit.views import style
from avoidkit.views.plots import HALO
from avoidkit.views.style import BLUE, GREEN, INK, ORANGE, PURPLE, SKY, SOFT, VERMILLION

PERSON_LOOKS = ((BLUE, "-"), (VERMILLION, "--"), (GREEN, "-."), (PURPLE, ":"), (ORANGE, (0, (5, 1, 1, 1))))
TRACK_LOOKS = ((SKY, ""), (ORANGE, "//"), (GREEN, ".."), (PURPLE, "\\\\"))
WINDOW_S = 1.0  # over which NIS and NEES are averaged
AIM_S = 0.3  # time to confirm that the tracker is to keep in the median


def draw_errors(ax, errors, vectors):
    """Length of the (n, 2) error of each person over time, beside `errors.time_s`; a gap where nobody counts."""
    artists = []
    for n, name in enumerate(dict.fromkeys(errors.name)):
        mine = np.array([other == name for other in errors.name])
        time_s, size = _with_gaps(errors.time_s[mine], np.hypot(*vectors[mine].T))
        color, line = PERSON_LOOKS[n % len(PERSON_LOOKS)]
        artists += ax.plot(time_s, size, color=color, linestyle=line, label=name)
    return artists


def draw_expected(ax, errors, covariance):
    """The error that an honest filter expects of itself, root mean square over people, from (n, 2, 2) covariances."""
    time_s, size = _averaged(errors.time_s, np.trace(covariance, axis1=1, axis2=2), 0.5)[:2]
    return ax.plot(time_s, np.sqrt(size), color=INK, linewidth=1.6, linestyle=(0, (1, 1)), label="expected")


def draw_consistency(ax, times_s, values, dof):
    """NEES or NIS: single values as dots, their mean over a second, and its 95 % band for independent values."""
    dots = ax.plot(
        times_s, np.maximum(values, 1e-2), "o", color=SOFT, markersize=4, markeredgewidth=0, alpha=0.6, label="single"
    )
    middle, mean, count = _averaged(times_s, values, WINDOW_S)
    low, high = np.array([chi_square_band(n, dof) if n else (np.nan, np.nan) for n in count]).reshape(-1, 2).T
    band = ax.fill_between(middle, low, high, step="mid", color=SKY, alpha=0.45, linewidth=0, label="95 % band")
    line = ax.plot(middle, mean, color=BLUE, marker="o", markersize=7, label=f"mean of {WINDOW_S:g} s")
    return [*dots, band, *line, ax.axhline(dof, color=INK, linewidth=1.2, linestyle="--")]


def draw_whiteness(ax, whiteness, bound):
    """Autocorrelation of range, azimuth and range rate at each lag, beside the bound of white noise."""
    lags, artists = np.arange(1, whiteness.shape[1] + 1), []
    looks = ((BLUE, ""), (ORANGE, "//"), (GREEN, ".."))
    for part, (name, (color, hatch)) in enumerate(zip(PARTS, looks, strict=True)):
        artists += ax.bar(
            lags + 0.27 * (part - 1), whiteness[part], 0.25, color=color, hatch=hatch, edgecolor=INK, linewidth=0.6,
            label=name,
        )  # fmt: skip
    artists.append(ax.axhspan(-bound, bound, color=SOFT, alpha=0.3, linewidth=0, label="95 % if white"))
    return artists


def draw_gospa(ax, times_s, parts):
    """GOSPA squared over time, stacked from its parts, (n, 3): localisation, missed, false."""
    near, missed, false = np.asarray(parts).T
    drawn = ax.stackplot(
        times_s, near, missed, false, labels=("localisation", "missed", "false"),
        colors=(SKY, VERMILLION, ORANGE), edgecolor=INK, linewidth=0.4,
    )  # fmt: skip
    for layer, hatch in zip(drawn, ("", "xx", "//"), strict=True):
        layer.set_hatch(hatch)
    return drawn


def draw_identities(ax, found):
    """A row per person: which track stands for them, its number on the bar; pale where only a possible person is held.

    A thin line shows when the person counts; a bold tick each change of number.
    """
    artists = []
    for row, name in enumerate(found.truths[0].names):
        artists += _counting(ax, found, row, name)
        for k, (start, end, number, stage) in enumerate(_stretches(found, name)):
            color, hatch = TRACK_LOOKS[number % len(TRACK_LOOKS)]
            pale = stage == Stage.POSSIBLE
            artists += ax.barh(
                row, end - start, left=start, height=0.5, facecolor=color, hatch=hatch, edgecolor=INK, linewidth=0.8,
                alpha=0.4 if pale else 1.0,
            )  # fmt: skip
            if end - start > 0.04 * (found.times_s[-1] - found.times_s[0]) or k == 0:
                place = ((start + end) / 2, row)
                box = {"boxstyle": "round,pad=0.15", "facecolor": "white", "edgecolor": "none"}
                artists.append(ax.text(*place, f"{number}", ha="center", va="center", fontsize=12, bbox=box))
        for time_s in found.switches.get(name, ()):
            artists += ax.plot([time_s] * 2, [row - 0.42, row + 0.42], color=VERMILLION, linewidth=3.5, zorder=5)
    ax.set_yticks(range(len(found.truths[0].names)), found.truths[0].names)
    ax.set_ylim(max(len(found.truths[0].names), 1) - 0.5, -0.5)
    return artists


def _counting(ax, found, row, name):
    due = np.array([truth.counts[truth.names.index(name)] for truth in found.truths])
    return ax.plot(found.times_s, np.where(due, row + 0.36, np.nan), color=INK, linewidth=3.0, solid_capstyle="butt")


def _stretches(found, name):
    """(from_s, to_s, number, stage) of each unbroken stretch of one track for somebody."""
    step_s = float(np.median(np.diff(found.times_s))) if len(found.times_s) > 1 else 0.05
    out = []
    for k, time_s in enumerate(found.times_s):
        row = found.possible[k].get(name)
        if row is None:
            continue
        now = int(found.tracks[k].ids[row]), found.tracks[k].stage[row] == Stage.POSSIBLE
        if out and out[-1][2:] == now and time_s - out[-1][1] < 0.5 * step_s:
            out[-1] = (out[-1][0], time_s + step_s, *now)
        else:
            out.append((time_s, time_s + step_s, *now))
    return [(a, b, number, Stage.POSSIBLE if possible else Stage.CONFIRMED) for a, b, number, possible in out]


def draw_confirmations(ax, confirm_s):
    """A bar per track from its second measurement to its confirmation, and the time that the median is to keep."""
    names, times = [f"{number}" for number in confirm_s], list(confirm_s.values())
    bars = list(ax.bar(names, np.maximum(times, 0.004), color=BLUE, width=0.6)) if times else []
    look = {"ha": "center", "va": "bottom", "path_effects": HALO, "zorder": 5}
    for bar, time_s in zip(tuple(bars), times, strict=True):
        above_s = max(time_s, AIM_S + 0.02)  # not across the dashed line
        bars.append(ax.text(bar.get_x() + 0.3, above_s, f"{time_s:.2f}", **look))
    aim = ax.axhline(AIM_S, color=VERMILLION, linestyle="--", linewidth=1.6, label=f"aim: median {AIM_S:g} s")
    return [*bars, aim]


def show_diagnosis(figure, recording):
    """Draw every figure of the tracks of a recorded drive on a figure, at best 14 x 18 inches; returns its axes.

    Parameters
    ----------
    figure : matplotlib figure
    recording : Recording or Diagnosis
    """
    found = recording if hasattr(recording, "innovations") else diagnosis_of(recording)
    with style.look():
        grid = figure.add_gridspec(4, 4)
        halves = [[figure.add_subplot(grid[row, k : k + 2]) for k in (0, 2)] for row in range(3)]
        last = [figure.add_subplot(grid[3, :2]), figure.add_subplot(grid[3, 2]), figure.add_subplot(grid[3, 3])]
        figure.suptitle(f"How good are the tracks?  {found.title}", fontsize=18, x=0.01, ha="left", fontweight="bold")
        _dress_errors(halves[0], found)
        _dress_consistency(halves[1], found)
        _dress_sets(halves[2], found)
        _dress_identities(last[0], found)
        _dress_confirmations(last[1], found)
        _dress_whiteness(last[2], found)
        span = (float(found.times_s[0]), float(max(found.times_s[-1], found.times_s[0] + 0.1)))
        for ax in (*halves[0], *halves[1], *halves[2], last[0]):
            ax.set(xlim=span, xlabel="time (s)")
    return [*halves[0], *halves[1], *halves[2], *last]


def diagnosis_png(recording, dpi=100):
    """The picture of `show_diagnosis` as PNG bytes."""
    figure = style.new_figure(14.0, 18.0)
    show_diagnosis(figure, recording)
    return style.png(figure, dpi)


def _dress_errors(axes, found):
    covariance = found.errors.covariance
    for ax, vectors, part, unit, name in (
        (axes[0], found.errors.position_m, covariance[:, :2, :2], "m", "position"),
        (axes[1], found.errors.velocity_mps, covariance[:, 2:, 2:], "m/s", "velocity"),
    ):
        if len(found.errors):
            draw_errors(ax, found.errors, vectors)
            draw_expected(ax, found.errors, part)
            top = float(np.percentile(np.hypot(*vectors.T), 99))
            ax.set_ylim(0, 1.3 * max(top, 0.05))
        ax.set(ylabel=f"error ({unit})")
        _titled(ax, f"Error of {name}")


def _dress_consistency(axes, found):
    told = found.innovations
    for ax, times_s, values, dof, name in (
        (axes[0], found.errors.time_s, found.nees, 2, "NEES of position"),
        (axes[1], told.taken_s, told.nis, 3, "NIS"),
    ):
        if len(values):
            draw_consistency(ax, times_s, values, dof)
        ax.set(ylabel=f"{name.split()[0]} (no unit)", yscale="log", ylim=(0.05, 200))
        _titled(ax, f"{name}: {dof} expected")


def _dress_sets(axes, found):
    draw_gospa(axes[0], found.times_s, found.gospa_parts)
    axes[0].set(ylabel="GOSPA squared (m²)", ylim=(0, max(1.05 * found.gospa_parts.sum(axis=1).max(), 0.1)))
    _titled(axes[0], f"GOSPA squared by its parts, cut off at {CUTOFF_M:g} m")
    axes[1].plot(found.times_s, found.gospa_m, color=BLUE, label="GOSPA")
    axes[1].plot(found.times_s, found.ospa_m, color=VERMILLION, linestyle="--", label="OSPA")
    axes[1].set(ylabel="distance (m)", ylim=(0, max(1.05 * found.gospa_m.max(), 1.05 * found.ospa_m.max(), 0.1)))
    _titled(axes[1], "GOSPA and OSPA")


def _dress_identities(ax, found):
    draw_identities(ax, found)
    ax.grid(visible=False, axis="y")
    handles = [
        Patch(facecolor=SKY, edgecolor=INK, label="track, with its number"),
        Patch(facecolor=SKY, edgecolor=INK, alpha=0.4, label="possible person"),
        Line2D([], [], color=VERMILLION, linewidth=3.5, label="another number"),
        Line2D([], [], color=INK, linewidth=3, label="counts"),
    ]
    _titled(ax, "Which track stands for whom?", handles, ncol=2, pad=54)


def _dress_confirmations(ax, found):
    draw_confirmations(ax, found.confirm_s)
    ax.set(ylabel="after 2nd measurement (s)", xlabel="number of the track")
    ax.set_ylim(0, max([1.25 * AIM_S, *(1.2 * s for s in found.confirm_s.values())]))
    _titled(ax, "Time to confirm", pad=54)


def _dress_whiteness(ax, found):
    if np.isfinite(found.whiteness).any():
        draw_whiteness(ax, found.whiteness, found.whiteness_bound)
        ax.set_xticks(range(1, found.whiteness.shape[1] + 1))
    ax.set(ylabel="autocorrelation (no unit)", xlabel="lag (measurements)", ylim=(-0.6, 0.8))
    _titled(ax, "Are innovations white?", ncol=2, pad=54)


def _titled(ax, title, handles=None, *, ncol=4, pad=32):
    """A title with the legend between it and the axes, where it hides nothing."""
    ax.set_title(title, pad=pad)
    handles = ax.get_legend_handles_labels()[0] if handles is None else handles
    if handles:
        ax.legend(
            handles=handles, loc="lower left", bbox_to_anchor=(0.0, 1.0), ncol=ncol, borderaxespad=0.2,
            borderpad=0.1, columnspacing=1.2, handlelength=1.8,
        )  # fmt: skip


def _averaged(times_s, values, window_s):
    """Middles, means and counts of (n,) values over windows of time; windows without any are NaN."""
    times_s, values = np.asarray(times_s, float), np.asarray(values, float)
    if not len(times_s):
        return np.zeros(0), np.zeros(0), np.zeros(0, int)
    start = np.floor(times_s.min() / window_s)
    index = np.floor(times_s / window_s).astype(int) - int(start)
    count, total = np.bincount(index), np.bincount(index, values)
    with np.errstate(invalid="ignore"):
        mean = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    return (start + np.arange(len(count)) + 0.5) * window_s, mean, count


def _with_gaps(times_s, values):
    """The same series with NaN wherever time jumps by more than three steps, so that no line is drawn across."""
    steps = np.diff(times_s)
    jumps = np.flatnonzero(steps > 3 * np.median(steps)) + 1 if len(steps) else []
    return np.insert(times_s, jumps, np.nan), np.insert(values, jumps, np.nan)
