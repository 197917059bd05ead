"""Pictures of verdict maps: colour, hatch and letter per action, slack as shade, the settling check as lines."""

from textwrap import wrap

import numpy as np
from matplotlib.colors import to_rgb
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import MultipleLocator

from avoidkit.checks import InputError
from avoidkit.vehicle import outline_in_scene
from avoidkit.verdict import Action
from avoidkit.views import plots, style
from avoidkit.views.style import INK, PAPER, SIGNS, SOFT
from avoidkit.views.tradeoff import CAUTION

SLACK_SHOWN_M = 1.0  # from this slack on the shade is as pale as it gets
PALEST = 0.62  # share of white then
SMALLEST = 12  # places; smaller regions get no letter and no name
LETTER_PT, NAME_PT = 24.0, 12.0  # a letter in its ring; letters of the names of checks


def map_figure(verdicts, *, title=None):
    """A verdict map with its key; a matplotlib figure."""
    figure, ax = _sheet(verdicts)
    with style.look():
        draw_map(ax, verdicts)
        ax.set_title(title or f"Somebody {_who(verdicts)}: what does the vehicle do?")
        _dress(ax, verdicts)
        _key(figure, verdicts, np.unique(verdicts.action), f"{verdicts.lines()[0]}. {CAUTION}")
    return figure


def difference_figure(both, *, names=("first", "second"), title=None):
    """Where two maps disagree: the second's answer where it is another one, the rest pale; a matplotlib figure."""
    figure, ax = _sheet(both.second)
    with style.look():
        draw_difference(ax, both)
        ax.set_title(title or f"Where {names[1]} answers otherwise than {names[0]}")
        _dress(ax, both.second)
        shown = np.unique(both.second.action[both.disagree]) if both.disagree.any() else []
        same = [Patch(facecolor="#eceff1", edgecolor=SOFT, label="both the same")]
        told, shown_lines = [" ".join(line.split()) for line in both.lines()], 4
        more = [f"and {len(told) - shown_lines} more in the table"] if len(told) > shown_lines else []
        said = "; ".join(told[:shown_lines] + more)
        _key(figure, both.second, shown, f"{said}. {CAUTION}", more=same, word=f"{names[1]}: ")
    return figure


def draw_map(ax, verdicts):
    """The answers of a map on axes; returns the artists."""
    image = ax.imshow(_tones(verdicts), origin="lower", extent=_extent(verdicts), aspect="equal", zorder=0.6)
    artists, page = [image], _Page(ax, verdicts)
    for action in np.unique(verdicts.action):
        if action:
            artists += _hatched(page, verdicts.action == action, SIGNS[Action(action)])
    artists += _settling(page)
    artists += _turns(ax, verdicts.boundary)
    return artists


def draw_difference(ax, both):
    """The second map's answers where it disagrees, pale grey where both agree; returns the artists."""
    second = both.second
    rgb = np.full((*second.action.shape, 3), to_rgb("#eceff1"))
    rgb[second.action == ""] = to_rgb(PAPER)
    for action in np.unique(second.action[both.disagree]):
        rgb[both.disagree & (second.action == action)] = to_rgb(SIGNS[Action(action)].color)
    artists = [ax.imshow(rgb, origin="lower", extent=_extent(second), aspect="equal", zorder=0.6)]
    page = _Page(ax, second)
    for action in np.unique(second.action[both.disagree]):
        mask = both.disagree & (second.action == action)
        artists += _hatched(page, mask, SIGNS[Action(action)])
    return artists


class _Page:
    """The axes of a map, its lattice, and where something is written already: nothing is written over it."""

    def __init__(self, ax, verdicts):
        self.ax, self.verdicts = ax, verdicts
        x0, x1, *_ = _extent(verdicts)
        self._pt_per_m = ax.bbox.width * 72 / ax.figure.dpi / (x1 - x0)
        pose = verdicts.scene.reference.pose_at(verdicts.about.get("along_m", 0.0))
        corners = outline_in_scene(verdicts.tuning.vehicle, pose) * self._pt_per_m
        self._taken = [(*corners.min(axis=0), *corners.max(axis=0))]

    def room_for(self, places, wide_pt, high_pt):
        """(x, y) of the first of some (row, col) at which a box of that size hides nothing; None where none is."""
        for row, col in places:
            x, y = self.verdicts.x_m[col], self.verdicts.y_m[row]
            middle, half = np.array([x, y]) * self._pt_per_m, np.array([wide_pt, high_pt]) / 2
            box = (*(middle - half), *(middle + half))
            if self._inside(box) and not any(_overlap(box, other) for other in self._taken):
                self._taken.append(box)
                return x, y
        return None

    def _inside(self, box):
        x0, x1, y0, y1 = (edge * self._pt_per_m for edge in _extent(self.verdicts))
        return box[0] >= x0 and box[1] >= y0 and box[2] <= x1 and box[3] <= y1


def _overlap(one, other):
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


def _tones(verdicts):
    """(m, n, 3): the action's colour, paler the more slack there is; white where nobody can be."""
    rgb = np.ones((*verdicts.action.shape, 3))
    slack = np.abs(np.nan_to_num(verdicts.slack, nan=0.0, posinf=SLACK_SHOWN_M, neginf=SLACK_SHOWN_M))
    white = PALEST * np.minimum(slack / SLACK_SHOWN_M, 1.0)
    for action in Action:
        mask = verdicts.action == str(action)
        color = np.array(to_rgb(SIGNS[action].color))
        rgb[mask] = color + (1 - color) * white[mask][:, None]
    return rgb


def _hatched(page, mask, sign):
    """Hatch and letters of the places of a mask."""
    artists, ax, verdicts = [], page.ax, page.verdicts
    if sign.hatch and mask.any():
        given = {"levels": [0.5, 1.5], "colors": "none", "hatches": [sign.hatch], "zorder": 0.8}
        artists.append(ax.contourf(*_blocks(verdicts, mask), **given))
    spots = [page.room_for(places, LETTER_PT, LETTER_PT) for places in _regions(mask)]
    for spot in (spot for spot in spots if spot):
        box = {"boxstyle": "circle,pad=0.25", "facecolor": sign.color, "edgecolor": INK, "linewidth": 1.2}
        artists.append(
            ax.text(
                *spot, sign.letter, ha="center", va="center", color=sign.ink,
                fontweight="bold", fontsize=13, bbox=box, zorder=4.5,
            )
        )  # fmt: skip
    return artists


def _settling(page):
    """Thin lines between places that were settled by different checks, and the name of each."""
    artists, ax, verdicts = [], page.ax, page.verdicts
    for name in (name for name in np.unique(verdicts.settled_by) if name):
        mask = verdicts.settled_by == name
        if mask.sum() < SMALLEST:
            continue
        given = {"levels": [0.5], "colors": [INK], "linewidths": 1.0, "linestyles": ":", "zorder": 1.0}
        lines = ax.contour(*_blocks(verdicts, mask), **given)
        artists.append(lines)
        wide_pt = NAME_PT * (0.58 * len(name) + 1.0)
        for places in _regions(mask, most=1):
            spot = page.room_for(places, wide_pt, 1.5 * NAME_PT)
            if spot:
                look = {"fontsize": NAME_PT, "color": INK, "path_effects": plots.HALO, "zorder": 4.4}
                artists.append(ax.text(*spot, name, ha="center", va="center", **look))
    return artists


def _turns(ax, boundary):
    return ax.plot(boundary["x_m"], boundary["y_m"], ".", color=INK, markersize=4, zorder=3.9) if len(boundary) else []


def _regions(mask, most=2):
    """The largest connected regions of a mask, each as (row, col) places, the innermost first."""
    from scipy import ndimage

    labels, n = ndimage.label(mask)
    sizes = ndimage.sum_labels(mask, labels, range(1, n + 1)) if n else []
    found = []
    for k in np.argsort(sizes)[::-1][:most]:
        if sizes[k] < SMALLEST:
            break
        inside = ndimage.distance_transform_edt(np.pad(labels == k + 1, 1))[1:-1, 1:-1]
        order = np.argsort(-inside, axis=None, kind="stable")[: int(sizes[k])]
        found.append(list(zip(*np.unravel_index(order, mask.shape), strict=True)))
    return found


def _sheet(verdicts):
    x0, x1, y0, y1 = _extent(verdicts)
    height_in = min(max(11.0 * (y1 - y0) / (x1 - x0), 3.0), 11.0) + 2.3
    figure = style.new_figure(12.0, height_in)
    with style.look():
        return figure, figure.add_subplot()


def _dress(ax, verdicts):
    pose = verdicts.scene.reference.pose_at(verdicts.about.get("along_m", 0.0))
    plots.draw_yard(ax, verdicts.scene)
    plots.draw_path(ax, verdicts.scene.reference, color=INK)
    plots.draw_vehicle(ax, pose, verdicts.tuning.vehicle)
    x0, x1, y0, y1 = _extent(verdicts)
    ax.set(xlim=(x0, x1), ylim=(y0, y1), xlabel="x of the person (m)", ylabel="y of the person (m)")
    ax.xaxis.set_major_locator(MultipleLocator(2.0 if x1 - x0 <= 26 else 5.0))
    ax.grid(visible=False)


def _key(figure, verdicts, actions, said, more=(), word=""):
    signs = [SIGNS[Action(action)] for action in actions if action]
    handles = [
        Patch(facecolor=sign.color, edgecolor=INK, hatch=sign.hatch, label=f"{sign.letter}  {word}{sign.word}")
        for sign in signs
    ] + list(more)
    if not more:
        handles += [
            Patch(facecolor=SOFT, edgecolor=SOFT, label="strong: the answer turns nearby"),
            Patch(facecolor="#ced3d6", edgecolor=SOFT, label=f"pale: {SLACK_SHOWN_M:g} m of slack or more"),
            Line2D([], [], color=INK, linestyle=":", linewidth=1.4, label="another check settles it"),
        ]
    if len(verdicts.boundary) and not more:
        handles.append(Line2D([], [], color=INK, marker=".", linestyle="", label="turn, refined"))
    figure.legend(
        handles=handles, loc="outside lower left", ncols=3, handlelength=2.4, columnspacing=1.6, alignment="left",
        title="\n".join(wrap(said, 105)), title_fontsize=12,
    )  # fmt: skip


def _who(verdicts):
    speed = verdicts.about.get("speed_mps", 0.0)
    return f"walks at {speed:g} m/s towards {verdicts.about['heading_deg']:g}°" if speed else "stands"


def _extent(verdicts):
    for name, axis in (("x_m", verdicts.x_m), ("y_m", verdicts.y_m)):
        if not np.allclose(np.diff(axis), np.diff(axis).mean(), rtol=1e-3):
            raise InputError(f"a picture needs places at equal distances, those of {name} are not")
    half_x, half_y = np.diff(verdicts.x_m).mean() / 2, np.diff(verdicts.y_m).mean() / 2
    return verdicts.x_m[0] - half_x, verdicts.x_m[-1] + half_x, verdicts.y_m[0] - half_y, verdicts.y_m[-1] + half_y


def _blocks(verdicts, mask):
    """(x, y, level) whose contour at 0.5 goes along the borders of the places of a mask, not across their corners."""
    return _sides(verdicts.x_m), _sides(verdicts.y_m), np.pad(mask.astype(float).repeat(2, 0).repeat(2, 1), 1)


def _sides(axis):
    """Both sides of each place along an axis, just within it, and one more just beyond either end."""
    half = np.diff(axis).mean() / 2
    within = np.column_stack([axis - 0.99 * half, axis + 0.99 * half]).ravel()
    return np.concatenate([[axis[0] - 1.01 * half], within, [axis[-1] + 1.01 * half]])
