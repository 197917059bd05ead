"""Two or more drives of one yard side by side: where they drove and halted, and what it cost."""

import math

import numpy as np
from matplotlib.collections import LineCollection
from matplotlib.lines import Line2D

from avoidkit.views import figures, plots, style
from avoidkit.views.style import INK, SIGNS

ONE_PLACE_M = 1.5  # stops of one action nearer than this share a sign


def compared(recordings):
    """What several drives came to, by name: halts, standing and lost time, gaps, contacts, the path's end.

    Parameters
    ----------
    recordings : dict of Recording

    Returns
    -------
    pandas.DataFrame
        A row a drive; `end_s` is NaN where the path's end was not reached, `gap_m` the least true gap while moving.
    """
    import pandas as pd

    rows = {}
    for name, recording in recordings.items():
        s = recording.summary()
        halts = [stop for stop in s["stops"] if stop["kind"] == "halt"]
        rows[name] = {
            "halts": len(halts),
            "brakes": len(s["stops"]) - len(halts),
            "stood_s": sum(stop["lasts_s"] for stop in s["stops"]),
            "lost_s": s["lost_s"],
            "end_s": s["reached_end_s"],
            "gap_m": s["nearest_gap_moving_m"],
            "contacts_moving": len(s["contacts_moving"]),
            "detour_s": s["seconds"].get("detour", 0.0),
        }
    return pd.DataFrame.from_dict(rows, orient="index")


def draw_trail(ax, recording):
    """The way of the rear axle in the colour and line of each action; the action's letter where the vehicle stood."""
    rows = recording.rows
    xy = np.array([[row.ego.pose.x_m, row.ego.pose.y_m] for row in rows])
    actions, artists = [row.verdict.action for row in rows], []
    for action, sign in SIGNS.items():
        lines = [xy[a : b + 1] for a, b in _runs(actions, action) if np.ptp(xy[a : b + 1], axis=0).max() > 0.05]
        drawn = LineCollection(lines, colors=[sign.color], linestyles=[sign.line], linewidths=4.5, zorder=3.4)
        artists.append(ax.add_collection(drawn, autolim=False))
    marked = []
    for stop in recording.summary()["stops"]:
        sign = SIGNS[rows[recording.index_at(stop["from_s"])].verdict.action]
        at = xy[recording.index_at(stop["from_s"])]
        if any(other is sign and math.dist(at, place) < ONE_PLACE_M for other, place in marked):
            continue
        marked.append((sign, at))
        artists += ax.plot(*at, sign.marker, color=sign.color, markeredgecolor=INK, markersize=21, zorder=6.5)
        artists.append(
            ax.text(*at, sign.letter, ha="center", va="center", color=sign.ink, fontweight="bold", zorder=6.6)
        )
    return artists


def _runs(values, wanted):
    """(first, last + 1) of each stretch of a value; the end is a row of the next stretch, so that lines join."""
    inside = np.array([value == wanted for value in values], dtype=int)
    edges = np.flatnonzero(np.diff(np.r_[0, inside, 0]))
    return [(a, min(b, len(values) - 1)) for a, b in edges.reshape(-1, 2)]


def show_beside(figure, recordings, *, window=None):
    """Draw several drives of one scene beside each other; at best 7.5 inches wide each and 9 high; returns the axes.

    Parameters
    ----------
    figure : matplotlib figure
    recordings : dict of Recording
        By the title to write above each.
    window : (x0, x1, y0, y1) or None
        m; None: the whole yard.
    """
    axes = []
    last_s = max(recording.times_s[-1] for recording in recordings.values())
    window = window or figures.yard_window(next(iter(recordings.values())).scene)
    with style.look():
        columns = np.atleast_1d(figure.subfigures(1, len(recordings)))
        for column, (title, recording) in zip(columns, recordings.items(), strict=True):
            top, bottom = column.subfigures(2, 1, height_ratios=_heights(figure, len(recordings), window))
            ax = top.add_subplot()
            _plan(ax, recording, window)
            ax.set_title(f"{title}: {_halts(recording)}")
            strips = figures.draw_drive(bottom, recording)
            strips[0].set_xlim(0, last_s)
            axes += [ax, *strips]
        _key(figure)
    return axes


def _heights(figure, columns, window):
    """Inches for the plans, as high as their yard is at that width, and for what is below them."""
    wide_in, high_in = figure.get_size_inches()
    x0, x1, y0, y1 = window
    plan_in = (wide_in / columns - 1.0) * (y1 - y0) / (x1 - x0) + 1.4
    plan_in = min(plan_in, 0.62 * high_in)
    return [plan_in, high_in - plan_in]


def _plan(ax, recording, window):
    scene, row = recording.scene, recording.rows[-1]
    plots.draw_yard(ax, scene)
    plots.draw_path(ax, scene.reference)
    plots.draw_vehicle(ax, recording.rows[0].ego.pose, recording.tuning.vehicle, ghost=True)
    plots.draw_vehicle(ax, row.ego.pose, recording.tuning.vehicle, steering_rad=row.ego.steering_rad)
    for k in range(len(row.people.names)):
        way = np.array([each.people.xy[k] for each in recording.rows])
        ax.plot(*way.T, color=style.SOFT, linewidth=2, linestyle=":", zorder=4.7)
    plots.draw_people(ax, row.people)
    draw_trail(ax, recording)
    plots.dress_axes(ax, window=window, bar_m=5.0 if window[1] - window[0] > 26 else 2.0, corner="lower left")


def _halts(recording):
    s = recording.summary()
    halts = sum(stop["kind"] == "halt" for stop in s["stops"])
    end = f"there after {s['reached_end_s']:.0f} s" if math.isfinite(s["reached_end_s"]) else "not there"
    return f"{halts} halt{'' if halts == 1 else 's'}, {end}"


def _key(figure):
    handles = [
        Line2D([], [], color=sign.color, linestyle=sign.line, linewidth=4.5, label=sign.word) for sign in SIGNS.values()
    ]
    handles.append(Line2D([], [], color=style.SOFT, linestyle=":", linewidth=2, label="ways of people"))
    figure.legend(handles=handles, loc="outside lower left", ncols=5, handlelength=2.6)
