"""Whole pictures put together from `plots`: the plan view of one instant, and the ribbon of a drive."""

import math
import textwrap

import numpy as np
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from avoidkit.frames import Pose, compose, to_scene
from avoidkit.recording.extras import ASSUMED
from avoidkit.views import plots, style
from avoidkit.views.style import INK, PAPER, PURPLE, SIGNS, SOFT

LAYERS = ("grid", "yard", "reference", "candidates", "swept", "path", "vehicle", "reach", "returns", "people", "tracks")
ROOM_M = 6.0  # shown beside the path where nothing is known to stand
GAP_SHOWN_M = 4.0  # farther gaps do not matter at parking speed


def plan_view(
    ax,
    scene,
    tuning,
    moment,
    verdict=None,
    *,
    people=None,
    grid=None,
    reach=None,
    layers=LAYERS,
    window=None,
    key=True,
):
    """The yard from above at one instant, with what was sensed and what was decided.

    Parameters
    ----------
    ax : matplotlib axes
    scene : Scene
    tuning : Tuning
    moment : Row or Situation
        One recorded cycle, or what a decision looks at.
    verdict : Verdict or None
        None: the row's own.
    people : People or None
        Who truly stands where; None: the row's own, if it has any.
    grid : Grid, GridPicture or None
        None: the moment's own; a recorded row has one only every now and then.
    reach : pair of arrays or None
        (n, 2) centres and (n,) radii, m, of where each person can be when the vehicle stands; None: as the verdict
        has it, see `answers.reach_discs`.
    layers : collection of str
        Which of `LAYERS` to draw.
    window : (x0, x1, y0, y1) or None
        m; None: the whole yard.
    key : bool
        Explain below the axes the signs that are there.

    Returns
    -------
    list of artists
    """
    verdict = verdict or moment.verdict
    people = people if people is not None else getattr(moment, "people", None)
    drawn = _ground(ax, scene, grid if grid is not None else moment.grid, layers) + _ways(
        ax, tuning, moment, verdict, layers
    )
    if "vehicle" in layers:
        drawn += plots.draw_vehicle(ax, moment.ego.pose, tuning.vehicle, steering_rad=moment.ego.steering_rad)
    if "reach" in layers:
        reach = _reach_of(moment, verdict, tuning) if reach is None else reach
        drawn += plots.draw_reach(ax, *reach)
    if "returns" in layers and getattr(moment, "scans", ()):
        drawn += plots.draw_returns(ax, returns_in_scene(moment.scans, tuning, moment.ego.pose))
    if "people" in layers and people is not None:
        drawn += plots.draw_people(ax, people)
    if "tracks" in layers:
        drawn += plots.draw_tracks(ax, moment.tracks)
    drawn += plots.draw_verdict(ax, verdict) + plots.dress_axes(ax, window=window or yard_window(scene))
    drawn += draw_assumed(ax, scene.title)
    gridded = grid is not None or moment.grid is not None
    return drawn + (draw_key(ax, verdict.action, without=_missing(moment, reach, layers, gridded)) if key else [])


def _reach_of(moment, verdict, tuning):
    from avoidkit.views.answers import reach_discs

    return reach_discs(moment.tracks, verdict, tuning)


def _missing(moment, reach, layers, gridded):
    """What the key would explain but a plan view does not show."""
    there = {
        "grid": gridded and "grid" in layers,
        "reach": reach is not None and len(reach[1]) > 0,
        "swept": "swept" in layers,
        "track": "tracks" in layers and len(moment.tracks) > 0,
        "velocity": "tracks" in layers and bool((np.hypot(*moment.tracks.state[:, 2:4].T) > 0.1).any()),
        "returns": "returns" in layers and any(len(scan.range_m) for scan in getattr(moment, "scans", ())),
        "reference": "reference" in layers,
        "path": "path" in layers,
    }
    return {name for name, shown in there.items() if not shown}


def plan_png(scene, tuning, moment, verdict=None, *, width_in=10.0, dpi=80, **more):
    """The plan view as PNG bytes, as high as its yard needs; `more` goes to `plan_view`."""
    x0, x1, y0, y1 = more.get("window") or yard_window(scene)
    height_in = min(max((width_in - 0.9) * (y1 - y0) / (x1 - x0), 2.0), 12.0) + 2.4
    figure = style.new_figure(width_in, height_in)
    with style.look():
        plan_view(figure.add_subplot(), scene, tuning, moment, verdict, **more)
    return style.png(figure, dpi)


def draw_assumed(ax, text):
    """Across the top of the axes what was assumed, where a text (a scene's title) says so; else nothing."""
    if ASSUMED not in text:
        return []
    words = textwrap.fill(text[text.index(ASSUMED) :].rstrip(")"), 78)
    box = {"facecolor": PAPER, "edgecolor": style.VERMILLION, "linewidth": 1.6, "boxstyle": "square,pad=0.35"}
    at = {"xy": (0.0, 1.0), "xycoords": "axes fraction", "xytext": (5, -5), "textcoords": "offset points"}
    return [ax.annotate(words, **at, ha="left", va="top", fontsize=11, weight="bold", color=INK, bbox=box, zorder=12)]


def _ground(ax, scene, grid, layers):
    drawn = []
    if "grid" in layers and grid is not None:
        drawn += plots.draw_grid(ax, grid)
    if "yard" in layers:
        drawn += plots.draw_yard(ax, scene)
    if "reference" in layers:
        drawn += plots.draw_path(ax, scene.reference)
    return drawn


def _ways(ax, tuning, moment, verdict, layers):
    drawn, sign = [], SIGNS[verdict.action]
    active = moment.path if isinstance(moment.path, str) else moment.path.name
    from_m = moment.along_m if active == verdict.path.name else 0.0
    if "candidates" in layers:
        drawn += plots.draw_candidates(ax, verdict.candidates)
    if "swept" in layers:
        to_m = min(from_m + tuning.detour.lookahead_m, verdict.path.length_m)
        drawn += plots.draw_swept(ax, verdict.path, tuning.vehicle, min(from_m, to_m), to_m, color=sign.color)
    if "path" in layers:
        drawn += plots.draw_active_path(ax, verdict.path, verdict, from_m=from_m)
    return drawn


def returns_in_scene(scans, tuning, pose):
    """All returns of some scans as (n, 2) points, m, taking the vehicle to stand at `pose`."""
    clouds = [np.zeros((0, 2))]
    for scan in scans:
        mount = getattr(tuning.radar.mounts, scan.sensor)
        eye = compose(pose, Pose(mount.x_m, mount.y_m, math.radians(mount.yaw_deg)))
        local = np.column_stack([scan.range_m * np.cos(scan.azimuth_rad), scan.range_m * np.sin(scan.azimuth_rad)])
        clouds.append(to_scene(local, eye))
    return np.vstack(clouds)


def yard_window(scene, margin_m=0.6):
    """(x0, x1, y0, y1), m, that holds the yard's things and the reference path; room beside it where nothing stands."""
    edges, way = np.asarray(scene.edges.xy, float).reshape(-1, 2), scene.reference
    points = np.vstack([edges, np.column_stack([way.x_m, way.y_m])])
    margin_m = margin_m if len(edges) else ROOM_M
    (x0, y0), (x1, y1) = points.min(axis=0) - margin_m, points.max(axis=0) + margin_m
    return float(x0), float(x1), float(y0), float(y1)


def near_window(scene, pose, *, ahead_m=15.0, behind_m=3.0, side_m=5.0, snap_m=2.0):
    """(x0, x1, y0, y1), m: the yard about a vehicle; its middle moves in steps, so that a drive can be followed."""
    corners = to_scene([[-behind_m, -side_m], [ahead_m, -side_m], [ahead_m, side_m], [-behind_m, side_m]], pose)
    low, high = corners.min(axis=0), corners.max(axis=0)
    middle, half = np.round((low + high) / 2 / snap_m) * snap_m, (high - low + snap_m) / 2
    x0, x1, y0, y1 = yard_window(scene)
    (left, bottom), (right, top) = np.maximum(middle - half, [x0, y0]), np.minimum(middle + half, [x1, y1])
    return float(left), float(right), float(bottom), float(top)


def draw_key(ax, action, columns=5, *, without=()):
    """What the signs of a plan view mean, in rows below the axes, but for parts that it does not show."""
    sign, hollow = SIGNS[action], {"marker": "o", "markerfacecolor": "none", "linestyle": "", "markersize": 11}
    handles = [
        ("grid", Patch(facecolor=PAPER, edgecolor=SOFT, label="known free")),
        ("grid", Patch(facecolor=style.UNSEEN_STRIPE, edgecolor=style.UNSEEN, hatch="//", label="unknown")),
        ("grid", Patch(facecolor=style.TAKEN, edgecolor=style.TAKEN, label="occupied")),
        ("reach", Patch(facecolor=PURPLE, alpha=0.4, edgecolor=PURPLE, label="reach at the stop")),
        ("swept", Patch(facecolor=sign.color, alpha=0.3, edgecolor=sign.color, label="ground to be covered")),
        ("track", Line2D([], [], color=INK, label="track", **hollow)),
        ("velocity", Line2D([], [], color=PURPLE, linewidth=2.4, label="velocity, 1 s")),
        ("returns", Line2D([], [], marker="x", color=style.GREEN, linestyle="", markersize=7, label="radar returns")),
        ("reference", Line2D([], [], color=SOFT, linestyle=(0, (7, 3)), linewidth=2, label="reference path")),
        ("path", Line2D([], [], color=sign.color, linestyle=sign.line, linewidth=4, label=f"path: {sign.word}")),
    ]
    handles = [handle for part, handle in handles if part not in without]
    with style.look():
        key = ax.figure.legend(
            handles=handles, loc="outside lower left", ncols=columns, handlelength=2.2, columnspacing=1.3
        )
    return [key]


def draw_ribbon(ax, times_s, actions):
    """One strip over time: each stretch of one action in its colour and hatch, with its letter where there is room."""
    times_s = np.asarray(times_s, float)
    starts = [k for k in range(len(actions)) if k == 0 or actions[k] != actions[k - 1]]
    step_s = float(np.median(np.diff(times_s))) if len(times_s) > 1 else 0.05
    whole_s, artists = max(len(times_s) * step_s, step_s), []
    for start, end in zip(starts, [*starts[1:], len(actions)], strict=True):
        sign, wide_s = SIGNS[actions[start]], (end - start) * step_s
        left = times_s[start]
        artists += ax.barh(
            0, wide_s, left=left, height=1, facecolor=sign.color, hatch=sign.hatch, edgecolor=INK, linewidth=0.8
        )
        if wide_s > 0.03 * whole_s:
            box = {"boxstyle": "circle,pad=0.15", "facecolor": sign.color, "edgecolor": "none"}
            artists.append(
                ax.text(
                    left + wide_s / 2,
                    0,
                    sign.letter,
                    ha="center",
                    va="center",
                    color=sign.ink,
                    fontweight="bold",
                    bbox=box,
                )
            )
    ax.set(ylim=(-0.5, 0.5), yticks=[], xlim=(times_s[0], times_s[-1] + step_s) if len(times_s) else (0, 1))
    ax.grid(visible=False)
    return artists


def draw_drive(figure, recording, *, mark_s=None):
    """A whole drive over time in three strips with one clock: actions, speed under its cap, nearest gap.

    Returns the three axes, top to bottom; `mark_s` puts a thin line through all of them.
    """
    rows = recording.rows
    times = np.array([row.time_s for row in rows])
    with style.look():
        axes = figure.subplots(3, 1, sharex=True, height_ratios=[0.5, 2, 2])
        draw_ribbon(axes[0], times, [row.verdict.action for row in rows])
        _speed_strip(axes[1], times, rows)
        if getattr(recording, "log", None):
            _no_truth(axes[2])
            draw_assumed(axes[1], recording.mark)
        else:
            _gap_strip(axes[2], times, rows)
        for ax in axes if mark_s is not None else ():
            ax.axvline(mark_s, color=INK, linewidth=1.4)
    return axes


def _speed_strip(ax, times, rows):
    cap = np.array([row.verdict.speed_cap_mps for row in rows])
    ax.fill_between(times, cap, step="post", color=style.SKY, alpha=0.35, linewidth=0, label="cap")
    ax.plot(times, [abs(row.ego.speed_mps) for row in rows], color=INK, label="speed")
    ax.set(ylabel="speed (m/s)", ylim=(0, None))
    _legend_above(ax)


def _gap_strip(ax, times, rows):
    gap = np.array([row.gap_m for row in rows])
    ax.plot(
        times,
        np.where(gap <= GAP_SHOWN_M, gap, np.nan),
        color=style.VERMILLION,
        linestyle="-",
        label="nearest person, true gap",
    )
    ax.set(ylabel="gap (m)", xlabel="time (s)", ylim=(0, GAP_SHOWN_M))
    _legend_above(ax)


def _no_truth(ax):
    words = "where people truly were is not known: a log holds what was sensed"
    ax.text(0.5, 0.5, words, transform=ax.transAxes, ha="center", va="center", color=SOFT)
    ax.set(xlabel="time (s)", yticks=[])


def _legend_above(ax):
    ax.legend(loc="lower right", bbox_to_anchor=(1.0, 0.97), ncol=3, borderaxespad=0.0)
