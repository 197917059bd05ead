"""What is known to be free, how sure that is, where it ends and why: grids from above, and free area over time.

The `draw_` functions take axes and return the artists they added; the `show_` functions take a whole figure.
"""

import numpy as np
from matplotlib.collections import LineCollection
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from avoidkit.grid import probability_of
from avoidkit.views import plots, style
from avoidkit.views.figures import near_window
from avoidkit.views.style import BLUE, INK, ORANGE, PURPLE, SOFT, VERMILLION

END_LOOKS = {  # what ends the free ground: colour, line
    "seen obstacle": (INK, "-"),
    "shadow": (VERMILLION, (0, (4, 1.5))),
    "end of view": (BLUE, (0, (1.2, 1.4))),
}
WORD_LOOKS = {  # cells that are free in their own way: colour, hatch, what it means
    "declared": (ORANGE, "..", "declared free"),
    "exposed": (PURPLE, "\\\\", "free, but doubted"),
}


def draw_boundary(ax, grid, sight_m):
    """The rim of the known free ground, each stretch in the look of what ends it."""
    from shapely import get_coordinates, get_parts

    artists = []
    for kind, lines in grid.boundary_edges(sight_m).items():
        color, line = END_LOOKS[kind]
        segments = [get_coordinates(part) for part in get_parts(lines)]
        drawn = LineCollection(segments, colors=[color], linestyles=[line], linewidths=2.6, zorder=2.4)
        artists.append(ax.add_collection(drawn, autolim=False))
    return artists


def draw_words(ax, grid):
    """Hatched: cells that the operator declared free, and doubted ones, where somebody unseen may have come since."""
    artists, (rows, cols) = [], grid.shape
    x = grid.corner_xy[0] + (np.arange(cols) + 0.5) * grid.cell_m
    y = grid.corner_xy[1] + (np.arange(rows) + 0.5) * grid.cell_m
    for name, (color, hatch, _) in WORD_LOOKS.items():
        mask = getattr(grid, name).astype(float)
        if mask.any():
            look = {"colors": [color], "alpha": 0.3, "hatches": [hatch], "zorder": 1.4}
            artists.append(ax.contourf(x, y, mask, levels=[0.5, 1.5], **look))
    return artists


def draw_probability(ax, grid):
    """Probability of each cell to be occupied: dark is free, bright is taken, the middle tone says nothing."""
    extent = _extent(grid)
    p = np.where(np.isfinite(grid.log_odds), probability_of(np.nan_to_num(grid.log_odds)), 0.5)
    image = ax.imshow(
        p, extent=extent, origin="lower", interpolation="nearest", cmap="cividis", vmin=0, vmax=1, zorder=0.5
    )
    return [image]


def draw_age(ax, grid, longest_s=5.0):
    """How long ago a sensor last looked at each cell, s; beyond `longest_s` and never look alike."""
    age = np.clip(grid.time_s - grid.last_seen_s, 0.0, longest_s)
    image = ax.imshow(
        age, extent=_extent(grid), origin="lower", interpolation="nearest", cmap="viridis_r", vmin=0, vmax=longest_s,
        zorder=0.5,
    )  # fmt: skip
    return [image]


def _extent(grid):
    (x, y), (rows, cols) = grid.corner_xy, grid.shape
    return x, x + cols * grid.cell_m, y, y + rows * grid.cell_m


def show_known_free(figure, scene, tuning, situation, *, people=None, window=None):
    """Draw a situation's grid three times: known free with the reasons why it ends, how sure, how long unseen.

    Parameters
    ----------
    figure : matplotlib figure
        At best 15 x 5.8 inches.
    scene : Scene
    tuning : Tuning
    situation : Situation
    people : People or None
        Who truly stands where.
    window : (x0, x1, y0, y1) or None
        m; None: the yard about the vehicle.

    Returns
    -------
    list of axes
    """
    grid = situation.grid
    window = window or near_window(scene, situation.ego.pose, ahead_m=13.0, side_m=6.0)
    with style.look():
        axes = figure.subplots(1, 3)
        plots.draw_grid(axes[0], grid)
        draw_words(axes[0], grid)
        draw_boundary(axes[0], grid, tuning.freespace.evidence_range_m)
        (sure,) = draw_probability(axes[1], grid)
        (age,) = draw_age(axes[2], grid)
        for ax, title in zip(axes, ("Known free, and why it ends", "How sure", "How long unseen"), strict=True):
            _dress(ax, scene, tuning, situation, people, window, title)
        for ax, image, label in (
            (axes[1], sure, "probability of being occupied (1)"),
            (axes[2], age, "unseen for (s)"),
        ):
            figure.colorbar(image, cax=ax.inset_axes([0.05, -0.22, 0.9, 0.05]), orientation="horizontal", label=label)
        axes[0].legend(
            handles=_key(),
            loc="upper left",
            bbox_to_anchor=(-0.12, -0.17),
            ncols=2,
            columnspacing=0.8,
            handlelength=1.6,
        )
    return list(axes)


def _dress(ax, scene, tuning, situation, people, window, title):
    plots.draw_yard(ax, scene)
    plots.draw_vehicle(ax, situation.ego.pose, tuning.vehicle, steering_rad=situation.ego.steering_rad)
    if people is not None:
        plots.draw_people(ax, people)
    plots.dress_axes(ax, window=window)
    ax.set_title(title)
    ax.grid(visible=False)


def _key():
    ends = [
        Line2D([], [], color=c, linestyle=line, linewidth=2.6, label=f"ends: {k}") for k, (c, line) in END_LOOKS.items()
    ]
    words = [Patch(facecolor=c, alpha=0.4, hatch=h, label=text) for c, h, text in WORD_LOOKS.values()]
    unknown = Patch(facecolor=style.UNSEEN_STRIPE, edgecolor=SOFT, label="unknown")
    return [*ends, *words, unknown]


def free_over_time(recording, every=5):
    """How much is known free over a drive: (times_s, free_m2, entropy_bit), by rebuilding every so many situations.

    Examples
    --------
    >>> from avoidkit import Tuning, drive, load_scene, shipped
    >>> scene = load_scene(shipped("scenes") / "open_yard.toml")
    >>> times_s, free_m2, entropy = free_over_time(drive(scene, Tuning(), seed=0, duration_s=0.5))
    >>> len(times_s), bool(free_m2[-1] > free_m2[0]), bool(entropy[-1] < entropy[0])
    (3, True, True)
    """
    rows = []
    for k, situation in enumerate(recording.situations()):
        if k % every == 0:
            rows.append((situation.time_s, situation.grid.free_area_m2(), situation.grid.entropy()))
    return tuple(np.array(rows, dtype=float).reshape(-1, 3).T)


def show_free_over_time(figure, recordings, every=5):
    """Draw free area and entropy over time of several drives, by name; at best 13 x 6 inches; returns the axes."""
    looks = ((BLUE, "-"), (VERMILLION, "--"), (PURPLE, "-."), (INK, ":"))
    with style.look():
        top, bottom = figure.subplots(2, 1, sharex=True)
        for (name, recording), (color, line) in zip(recordings.items(), looks, strict=False):
            times_s, free_m2, entropy = free_over_time(recording, every)
            top.plot(times_s, free_m2, color=color, linestyle=line, label=name)
            bottom.plot(times_s, entropy, color=color, linestyle=line, label=name)
        top.set(ylabel="known free (m²)", ylim=(0, None), title="How much is known to be free")
        bottom.set(ylabel="entropy (bit a cell)", xlabel="time (s)", ylim=(0, 1.02))
        _fault_lines(top, bottom, recordings.values())
        top.legend(loc="lower right", ncol=2)
    return [top, bottom]


def _fault_lines(top, bottom, recordings):
    """A thin line where a fault of one of the drives begins, with its sensor and kind."""
    faults = [(fault, drive.duration_s) for drive in recordings for fault in drive.scene.faults]
    for fault, until_s in faults:
        if 0.0 < fault.from_s < until_s:
            for ax in (top, bottom):
                ax.axvline(fault.from_s, color=INK, linewidth=1.2, linestyle=":")
            words = f" {fault.sensor.replace('_', ' ')}: {fault.kind}"
            top.text(fault.from_s, 0.04, words, transform=top.get_xaxis_transform(), ha="left", va="bottom")
