"""Drawing on axes: the yard, the vehicle, paths, the grid, tracks, people, returns and the verdict.

Every function takes axes and returns the list of artists it added. It computes nothing, makes no figure
and sets no global style. Plan views are maps of the scene frame: x to the right, y up, metres.
"""

import itertools
import math

import numpy as np
from matplotlib.collections import EllipseCollection, LineCollection, PatchCollection, PolyCollection
from matplotlib.image import AxesImage
from matplotlib.patches import Circle, Ellipse, PathPatch, Polygon, Wedge
from matplotlib.path import Path
from matplotlib.patheffects import withStroke
from matplotlib.ticker import MultipleLocator
from matplotlib.transforms import offset_copy

from avoidkit.frames import to_scene
from avoidkit.recording.rows import UNKNOWN, GridPicture, picture_of
from avoidkit.tracking.records import Stage
from avoidkit.vehicle import box, outline_in_scene
from avoidkit.views import style
from avoidkit.views.style import BLUE, GREEN, INK, PAPER, PURPLE, SIGNS, SOFT, VERMILLION, YELLOW
from avoidkit.yard import KINDS

GHOST = 0.35  # opacity of what is only a possibility
HALO = [withStroke(linewidth=3, foreground=PAPER)]  # keeps letters legible on any ground
EDGE_LOOKS = {  # kind of a thing: colour, line style, width
    "wall": (INK, "-", 3.6),
    "parked": (INK, "-", 1.8),
    "trolley": (INK, "-", 1.8),
    "pillar": (INK, "-", 2.6),
    "kerb": (SOFT, (0, (6, 2)), 1.6),
    "fence": (SOFT, (0, (3, 1.5, 1, 1.5)), 2.0),
}
STAGE_LINES = {Stage.TENTATIVE: ":", Stage.CONFIRMED: "-", Stage.COASTING: "--", Stage.POSSIBLE: "-."}


def draw_yard(ax, scene):
    """Walls, parked vehicles, trolleys and kerbs, each kind with its own line; filled where they have an inside."""
    fills = [PathPatch(outline_of(shape)) for shape in scene.polygons]
    body = PatchCollection(fills, facecolor="#b4bbc1", edgecolor="none", zorder=2.0)
    artists = [ax.add_collection(body, autolim=False)]
    kinds = np.asarray(scene.edges.kind)
    for code, kind in enumerate(KINDS):
        color, line, width = EDGE_LOOKS[kind]
        segments = np.asarray(scene.edges.xy)[kinds == code].reshape(-1, 2, 2)
        lines = LineCollection(
            segments, colors=color, linestyles=[line], linewidths=width, zorder=2.2, capstyle="round"
        )
        artists.append(ax.add_collection(lines, autolim=False))
    return artists


def outline_of(shape):
    """A shapely polygon as a path whose holes stay empty."""
    rings = [shape.exterior, *shape.interiors]
    return Path.make_compound_path(*(Path(np.asarray(ring.coords)[:, :2], closed=True) for ring in rings))


def draw_grid(ax, grid):
    """Known free (paper white), occupied (dark), unknown (grey with stripes): three tones that print in grey."""
    picture = grid if isinstance(grid, GridPicture) else picture_of(grid)
    rows, cols = picture.cells.shape
    stripe = (np.add.outer(np.arange(rows), np.arange(cols)) // 3) % 2
    index = np.where(picture.cells == UNKNOWN, stripe, picture.cells + 1)
    tones = [style.UNSEEN, style.UNSEEN_STRIPE, PAPER, style.TAKEN]
    rgb = np.array([[int(tone[k : k + 2], 16) for k in (1, 3, 5)] for tone in tones], np.uint8)
    x, y = picture.corner_xy
    extent = (x, x + cols * picture.cell_m, y, y + rows * picture.cell_m)
    image = AxesImage(ax, extent=extent, origin="lower", interpolation="nearest", zorder=0.5)
    image.set_data(rgb[index])
    image.set_clip_path(ax.patch)
    ax.add_image(image)
    ax.set_facecolor(style.UNSEEN_STRIPE)  # beyond the grid nothing is known
    return [image]


def draw_path(ax, path, *, from_m=0.0, color=SOFT, line=(0, (7, 3)), width=2.0, label=None, zorder=3.0):
    """The way of the rear axle from one distance on, with a bar across where it ends."""
    keep = path.s_m >= from_m
    x, y = path.x_m[keep], path.y_m[keep]
    artists = ax.plot(x, y, linestyle=line, color=color, linewidth=width, zorder=zorder, label=label)
    end = path.end
    bar = to_scene([[0.0, -0.45], [0.0, 0.45]], end)
    return artists + ax.plot(*bar.T, color=color, linewidth=width + 1, zorder=zorder)


def draw_active_path(ax, path, verdict, *, from_m=0.0):
    """The path of the verdict in the colour and line style of its action, on a pale lane."""
    sign = SIGNS[verdict.action]
    lane = ax.plot(path.x_m, path.y_m, color=PAPER, linewidth=7, alpha=0.8, zorder=3.1, solid_capstyle="butt")
    return lane + draw_path(
        ax, path, from_m=from_m, color=sign.color, line=sign.line, width=4.0, label="path", zorder=3.2
    )


def draw_swept(ax, path, vehicle, from_m, to_m, *, color=BLUE):
    """The ground that the outline covers between two distances along a path, as one pale band with a thin rim."""
    from shapely import MultiPoint, unary_union

    steps = np.linspace(from_m, to_m, max(2, math.ceil((to_m - from_m) / 0.15)))
    corners = [outline_in_scene(vehicle, path.pose_at(s)) for s in steps]
    hulls = [MultiPoint(np.vstack(pair)).convex_hull for pair in itertools.pairwise(corners)]
    union = unary_union(hulls)
    rings = [np.asarray(part.exterior.coords) for part in getattr(union, "geoms", [union])]
    band = PolyCollection(rings, facecolor=color, edgecolor="none", alpha=0.16, zorder=1.2)
    rim = PolyCollection(rings, facecolor="none", edgecolor=color, linewidth=1.0, zorder=1.25)
    return [ax.add_collection(band, autolim=False), ax.add_collection(rim, autolim=False)]


def draw_candidates(ax, paths):
    """A few of the detours that were examined, thin."""
    lines = [np.column_stack([path.x_m, path.y_m]) for path in paths]
    return [ax.add_collection(LineCollection(lines, colors=SOFT, linewidths=0.9, alpha=0.6, zorder=2.9), autolim=False)]


def draw_vehicle(ax, pose, vehicle, *, steering_rad=0.0, color=INK, fill="#eef1f3", ghost=False):
    """Outline, wheels, windscreen and an arrow from the rear axle the way it heads."""
    front, _, half = box(vehicle)
    alpha = GHOST if ghost else 1.0
    body = Polygon(
        outline_in_scene(vehicle, pose), facecolor=fill, edgecolor=color, linewidth=2.6, alpha=alpha, zorder=4.0
    )
    artists = [ax.add_patch(body)]
    if ghost:
        return artists
    screen = [
        [front - 0.95, -half + 0.12],
        [front - 0.70, -half + 0.3],
        [front - 0.70, half - 0.3],
        [front - 0.95, half - 0.12],
    ]
    artists.append(ax.add_patch(Polygon(to_scene(screen, pose), facecolor="#9aa5ae", edgecolor="none", zorder=4.05)))
    artists.append(ax.add_collection(_wheels(pose, vehicle, steering_rad), autolim=False))
    tail, tip = to_scene([[0.0, 0.0], [vehicle.wheelbase_m * 0.72, 0.0]], pose)
    arrow = {
        "arrowstyle": "-|>,head_width=0.35,head_length=0.7",
        "color": color,
        "linewidth": 2.2,
        "shrinkA": 0,
        "shrinkB": 0,
    }
    artists.append(ax.annotate("", xy=tip, xytext=tail, arrowprops=arrow, zorder=4.2, annotation_clip=True))
    return artists + ax.plot(*tail, "o", color=color, markersize=5, zorder=4.2)


def _wheels(pose, vehicle, steering_rad):
    half = vehicle.width_m / 2 - 0.16
    wheel = np.array([[-0.32, -0.1], [0.32, -0.1], [0.32, 0.1], [-0.32, 0.1]])
    cos, sin = math.cos(steering_rad), math.sin(steering_rad)
    turned = wheel @ np.array([[cos, sin], [-sin, cos]])
    places = [
        (wheel, 0.0, half),
        (wheel, 0.0, -half),
        (turned, vehicle.wheelbase_m, half),
        (turned, vehicle.wheelbase_m, -half),
    ]
    return PolyCollection(
        [to_scene(w + np.array([x, y]), pose) for w, x, y in places], facecolor=INK, edgecolor="none", zorder=4.1
    )


def draw_fields(ax, pose, mounts, field_of_view_deg, radius_m, *, color=SOFT):
    """The field of view of each mount, (n, 3) of x, y, yaw in the vehicle's frame, as thin sectors."""
    artists = []
    for x, y, yaw in mounts:
        centre = to_scene([x, y], pose)
        middle = math.degrees(yaw + pose.yaw_rad)
        sector = Wedge(centre, radius_m, middle - field_of_view_deg / 2, middle + field_of_view_deg / 2, zorder=1.0)
        sector.set(facecolor=color, alpha=0.08, edgecolor=color, linewidth=0.8)
        artists.append(ax.add_patch(sector))
    return artists


def draw_people(ax, people):
    """The people of the scene as they truly stand: body ellipse 0.50 x 0.60 m with a nose; the operator ringed."""
    artists = []
    for k in range(len(people.names)):
        x, y, heading = *people.xy[k], people.heading_rad[k]
        scale = 0.75 if people.kind[k] == "child" else 1.0
        body = Ellipse((x, y), 0.40 * scale, 0.58 * scale, angle=math.degrees(heading), zorder=5.0)
        body.set(facecolor=YELLOW, edgecolor=INK, linewidth=1.8)
        artists.append(ax.add_patch(body))
        nose = (x + 0.26 * scale * math.cos(heading), y + 0.26 * scale * math.sin(heading))
        artists += ax.plot([x, nose[0]], [y, nose[1]], color=INK, linewidth=2.2, zorder=5.1)
        if people.is_operator[k]:
            artists.append(
                ax.add_patch(Circle((x, y), 0.5, fill=False, edgecolor=INK, linewidth=1.4, linestyle=":", zorder=5.0))
            )
            artists.append(_tag(ax, (x, y), "operator", dy=-20))
        if people.contact[k]:
            artists.append(_tag(ax, (x, y), "contact", dy=-34, color=VERMILLION))
    return artists


def _tag(ax, xy, text, *, dx=0, dy=0, color=INK, size=12):
    place = offset_copy(ax.transData, ax.figure, dx, dy, units="points")
    return ax.text(
        *xy,
        text,
        transform=place,
        ha="center",
        va="center",
        fontsize=size,
        color=color,
        path_effects=HALO,
        zorder=8,
        clip_on=True,
    )


def draw_tracks(ax, tracks, *, k_sigma=2.5, arrow_s=1.0, numbers=True):
    """Each track: its extent in the line of its stage (`STAGE_LINES`), k-sigma ellipse, velocity arrow."""
    if not len(tracks):
        return []
    artists = []
    axes, angles = ellipse_axes(tracks.covariance[:, :2, :2], k_sigma)
    common = {
        "units": "xy",
        "offsets": tracks.state[:, :2],
        "offset_transform": ax.transData,
        "facecolor": "none",
        "edgecolor": PURPLE,
    }
    artists.append(
        ax.add_collection(
            EllipseCollection(axes[:, 0], axes[:, 1], angles, linewidths=1.4, zorder=6.0, **common), autolim=False
        )
    )
    wide = 2 * tracks.extent_m
    lines = [STAGE_LINES[Stage(int(stage))] for stage in tracks.stage]
    common["edgecolor"] = INK
    artists.append(
        ax.add_collection(
            EllipseCollection(wide, wide, 0 * wide, linewidths=1.8, linestyles=lines, zorder=6.1, **common),
            autolim=False,
        )
    )
    artists += _velocity_arrows(ax, tracks.state, arrow_s)
    if numbers:
        artists += [_tag(ax, tracks.state[k, :2], f"{tracks.ids[k]}", dx=17, dy=13) for k in range(len(tracks))]
    return artists


def ellipse_axes(covariance, k_sigma):
    """Whole axes (n, 2), m, and angle of the first one (n,), deg, of the k-sigma ellipses of (n, 2, 2) covariances."""
    values, vectors = np.linalg.eigh(covariance)
    full = 2 * k_sigma * np.sqrt(np.clip(values, 0, None))
    return full, np.degrees(np.arctan2(vectors[:, 1, 0], vectors[:, 0, 0]))


def _velocity_arrows(ax, state, arrow_s):
    arrow = {
        "arrowstyle": "-|>,head_width=0.3,head_length=0.6",
        "color": PURPLE,
        "linewidth": 2.4,
        "shrinkA": 0,
        "shrinkB": 0,
    }
    moving = state[np.hypot(state[:, 2], state[:, 3]) * arrow_s > 0.1]
    return [
        ax.annotate(
            "",
            xy=(x + vx * arrow_s, y + vy * arrow_s),
            xytext=(x, y),
            arrowprops=arrow,
            zorder=6.3,
            annotation_clip=True,
        )
        for x, y, vx, vy in moving
    ]


def draw_reach(ax, centres, radii_m, *, color=PURPLE, filled_to_m=3.0):
    """Discs, (n, 2) centres and (n,) radii in m: how far each person can get while the vehicle stops.

    Discs wider than `filled_to_m`, of tracks that are hardly known, have a rim only, lest they hide the rest.
    """
    discs = [Circle(centre, radius) for centre, radius in zip(centres, radii_m, strict=True)]
    small = [disc for disc in discs if disc.radius <= filled_to_m]
    rim = PatchCollection(discs, facecolor="none", edgecolor=color, linewidth=1.2, zorder=2.65)
    fill = PatchCollection(small, facecolor=color, edgecolor="none", alpha=0.22, zorder=2.6)
    return [ax.add_collection(fill, autolim=False), ax.add_collection(rim, autolim=False)]


def draw_returns(ax, points_scene, *, color=GREEN, label="returns"):
    """Radar returns, (n, 2) m in the scene frame, as small crosses."""
    x, y = np.asarray(points_scene, float).reshape(-1, 2).T
    return ax.plot(x, y, "x", color=color, markersize=5, markeredgewidth=1.3, zorder=5.6, label=label)


def draw_map(ax, x_m, y_m, actions):
    """The answer for a person at each place, coloured and hatched: x_m (cols,), y_m (rows,), actions (rows, cols)."""
    artists = []
    actions = np.asarray(actions)
    for action, sign in SIGNS.items():
        share = (actions == action).astype(float)
        if share.any():
            drawn = ax.contourf(
                x_m, y_m, share, levels=[0.5, 1.5], colors=[sign.color], alpha=0.55, hatches=[sign.hatch], zorder=1.5
            )
            artists.append(drawn)
    return artists


def draw_badge(ax, action, *, at=(0.0, 1.0), dx=24, dy=-24, size=36, words=""):
    """The sign of an action, its letter in its shape, at a place in axes coordinates, with words beside it."""
    sign = SIGNS[action]
    place = offset_copy(ax.transAxes, ax.figure, dx, dy, units="points")
    shape = ax.plot(
        *at,
        sign.marker,
        transform=place,
        color=sign.color,
        markeredgecolor=INK,
        markeredgewidth=1.8,
        markersize=size,
        zorder=9,
    )
    inside = {
        "ha": "center",
        "va": "center",
        "fontsize": size * 0.58,
        "fontweight": "bold",
        "color": sign.ink,
        "zorder": 9.1,
    }
    letter = ax.text(*at, sign.letter, transform=place, **inside)
    beside = offset_copy(ax.transAxes, ax.figure, dx + size * 0.85, dy, units="points")
    text = ax.text(
        *at,
        words,
        transform=beside,
        ha="left",
        va="center",
        fontsize=20,
        fontweight="bold",
        color=INK,
        path_effects=HALO,
        zorder=9,
    )
    for artist in (shape[0], letter, text):
        artist.set_clip_on(False)
    return [*shape, letter, text]


def draw_verdict(ax, verdict):
    """The verdict above the axes: sign, word and speed cap; use it where the title would be."""
    room = ax.set_title(" ", fontsize=20, pad=46)  # the layout leaves room for a title, not for a marker
    return [room, *draw_badge(ax, verdict.action, words=headline(verdict), dy=30)]


def headline(verdict):
    """Word of the action and speed cap, such as `go round, up to 0.60 m/s`."""
    word = SIGNS[verdict.action].word
    cap = verdict.speed_cap_mps
    return f"{word}, up to {cap:.2f} m/s" if cap > 0 else word


def dress_axes(ax, *, window=None, bar_m=2.0, corner="lower right"):
    """Equal aspect, units on both axes, a scale bar in a corner; `window` is (x0, x1, y0, y1) in m."""
    ax.set_aspect("equal", adjustable="box" if window else "datalim")
    if window:
        ax.set(xlim=window[:2], ylim=window[2:])
    ax.set(xlabel="x (m)", ylabel="y (m)")
    wide_m = abs(np.diff(ax.get_xlim()).item())
    for axis in (ax.xaxis, ax.yaxis):
        axis.set_major_locator(MultipleLocator(2.0 if wide_m <= 26 else 5.0))
    return [ax, *_scale_bar(ax, bar_m, corner)]


def _scale_bar(ax, bar_m, corner):
    from mpl_toolkits.axes_grid1.anchored_artists import AnchoredSizeBar

    bar = AnchoredSizeBar(
        ax.transData, bar_m, f"{bar_m:g} m", corner, pad=0.4, borderpad=0.5, sep=4, size_vertical=0.06
    )
    bar.patch.set(facecolor=PAPER, alpha=0.85, edgecolor="none")
    bar.set_zorder(8)
    return [ax.add_artist(bar)]
