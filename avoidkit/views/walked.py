"""Where people walked and where their tracks were, from above: a stretch of a drive in one plan view."""

import numpy as np
from matplotlib.collections import EllipseCollection

from avoidkit.tracking.records import Stage
from avoidkit.views import plots, style
from avoidkit.views.figures import near_window
from avoidkit.views.style import BLUE, GREEN, INK, ORANGE, PURPLE, SKY, SOFT, VERMILLION

TRACK_COLORS = (VERMILLION, BLUE, GREEN, PURPLE, ORANGE, SKY)
LABELLED_FROM = 20  # cycles that a track has to be seen for its number to be written
LABELLED_AT_MOST = 8  # numbers, of the longest tracks: more would hide the yard
K_95 = 2.4477  # radius of the ellipse that holds 95 % of two normal errors, in standard deviations: sqrt(5.991)


def draw_walks(ax, rows, *, dot_every_s=1.0):
    """The true ways of people, a ring each second, their names where they end."""
    artists = []
    for k, name in enumerate(rows[0].people.names):
        way = np.array([row.people.xy[k] for row in rows])
        artists += ax.plot(*way.T, color=SOFT, linewidth=6, alpha=0.35, solid_capstyle="round", zorder=4.8)
        at = way[_every(rows, dot_every_s)]
        artists += ax.plot(*at.T, "o", color=SOFT, markerfacecolor="white", markersize=9, zorder=4.9)
        artists.append(plots._tag(ax, way[-1], name, dy=-18))
    return artists


def draw_track_ways(ax, tracks_over_time, *, dot_every=20):
    """The way of each track of a row of `Tracks`; now and then its 95 % ellipse; its number where it was last.

    Solid where it was confirmed, dotted where it was only a possible person or coasting; tentative ones are left out.
    """
    artists, steps = [], [now.where(now.stage != Stage.TENTATIVE) for now in tracks_over_time]
    for k, number in enumerate(dict.fromkeys(int(i) for now in steps for i in now.ids)):
        color = TRACK_COLORS[k % len(TRACK_COLORS)]
        mine = [(n, now, np.flatnonzero(now.ids == number)[0]) for n, now in enumerate(steps) if number in now.ids]
        way = np.array([now.state[row, :2] for _, now, row in mine])
        sure = np.array([now.stage[row] == Stage.CONFIRMED for _, now, row in mine])
        line = ax.plot(*np.where(sure[:, None], way, np.nan).T, color=color, linewidth=2.6, zorder=6.2)
        line += ax.plot(*np.where(sure[:, None], np.nan, way).T, ":", color=color, linewidth=2.6, zorder=6.2)
        shown = [(now, row) for n, now, row in mine if n % dot_every == 0 or len(mine) == 1]
        artists += line + _ellipses(ax, shown, color)
        if len(mine) >= max(LABELLED_FROM, _long_enough(steps)):
            left = way[-1, 0] > np.dot(ax.get_xlim(), (0.1, 0.9))  # near the right edge it would be cut off
            artists.append(plots._tag(ax, way[-1], f"track {number}", dx=-30 if left else 30, dy=16, color=color))
    return artists


def _long_enough(steps):
    """How many cycles a track has to be seen to be among the longest `LABELLED_AT_MOST`."""
    _, seen = np.unique(np.concatenate([now.ids for now in steps]), return_counts=True)
    return int(np.sort(seen)[-LABELLED_AT_MOST]) if len(seen) >= LABELLED_AT_MOST else 0


def _ellipses(ax, shown, color):
    if not shown:
        return []
    axes, angles = plots.ellipse_axes(np.array([now.covariance[row, :2, :2] for now, row in shown]), K_95)
    places = [now.state[row, :2] for now, row in shown]
    rings = EllipseCollection(
        axes[:, 0], axes[:, 1], angles, units="xy", offsets=places, offset_transform=ax.transData, facecolor="none",
        edgecolor=color, linewidths=1.8, zorder=6.3,
    )  # fmt: skip
    return [ax.add_collection(rings, autolim=False)]


def _every(rows, step_s):
    times = np.array([row.time_s for row in rows])
    return np.flatnonzero(np.diff(np.floor(times / step_s + 1e-6), prepend=-1) > 0)


def show_walks(figure, recording, from_s=0.0, to_s=None, *, tracks=None, window=None):
    """Draw true ways and ways of tracks over a stretch of a drive; at best 13 x 8 inches; returns the axes.

    Parameters
    ----------
    recording : Recording
    from_s, to_s : float, float or None
        The stretch, s; None: to the last row.
    tracks : list of Tracks or None
        Of each row, by another tracker (`studies.retracked`); None: the recorded ones.
    window : (x0, x1, y0, y1) or None
        m; None: the yard about the vehicle.
    """
    first = recording.index_at(from_s)
    last = len(recording) if to_s is None else recording.index_at(to_s) + 1
    rows = [recording.rows[k] for k in range(first, last)]
    seen = [row.tracks for row in rows] if tracks is None else tracks[first:last]
    with style.look():
        ax = figure.add_subplot()
        plots.draw_yard(ax, recording.scene)
        plots.draw_path(ax, recording.scene.reference)
        plots.draw_vehicle(ax, rows[0].ego.pose, recording.tuning.vehicle, ghost=True)
        plots.draw_vehicle(ax, rows[-1].ego.pose, recording.tuning.vehicle, steering_rad=rows[-1].ego.steering_rad)
        plots.dress_axes(ax, window=window or _window(recording.scene, rows[0].ego.pose, rows[-1].ego.pose))
        draw_walks(ax, rows)
        draw_track_ways(ax, seen)
        stretch = f"{rows[0].time_s:.1f} to {rows[-1].time_s:.1f} s"
        figure.suptitle(f"Who walked where, and where tracks were, {stretch}", x=0.01, ha="left", fontweight="bold")
        _key(figure)
    return ax


def _window(scene, first, last):
    """The yard about the vehicle where a stretch begins and where it ends."""
    a, b = near_window(scene, first, ahead_m=10.0), near_window(scene, last, ahead_m=10.0)
    return min(a[0], b[0]), max(a[1], b[1]), min(a[2], b[2]), max(a[3], b[3])


def _key(figure):
    from matplotlib.lines import Line2D

    hollow = {"marker": "o", "markerfacecolor": "white"}
    handles = [
        Line2D([], [], color=SOFT, linewidth=6, alpha=0.5, label="true way, each s", **hollow),
        Line2D([], [], color=BLUE, linewidth=2.6, label="confirmed track"),
        Line2D([], [], color=BLUE, linewidth=2.6, linestyle=":", label="possible person, or coasting"),
        Line2D([], [], color=INK, linestyle="", markersize=11, label="95 % ellipse", **hollow),
    ]
    figure.legend(handles=handles, loc="outside lower left", ncols=4, handlelength=2.2, columnspacing=1.3)
