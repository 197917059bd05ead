"""What the sensors see: coverage as contours, and one scan over azimuth and over range rate.

The `draw_` functions take axes and return the artists they added; the `show_` functions take a whole figure.
"""

import numpy as np
from matplotlib.collections import PatchCollection
from matplotlib.patches import PathPatch
from matplotlib.path import Path
from matplotlib.ticker import MultipleLocator

from avoidkit.frames import Pose, to_local
from avoidkit.scene import people_at
from avoidkit.sensing.coverage import coverage
from avoidkit.sensing.radar import RADARS, still_range_rate
from avoidkit.sensing.sensors import scan_at
from avoidkit.vehicle import Ego, outline
from avoidkit.views.plots import outline_of
from avoidkit.views.style import BLUE, GREEN, INK, ORANGE, SOFT, VERMILLION, look

LEVELS = (0.1, 0.5, 0.9)
LINES = {0.1: ":", 0.5: "--", 0.9: "-"}
WIDTHS = {0.1: 1.4, 0.5: 1.8, 0.9: 2.6}
ROOM_M = 1.5  # shown round the farthest place where somebody may be seen
LEAST_RATE_MPS = 2.0  # no axis of range rates ends sooner


def draw_coverage(ax, x_m, y_m, probability, *, color=BLUE, levels=LEVELS, numbers=True):
    """Contours of a probability over a lattice in the vehicle's frame; the line tells the level, ground above the
    highest is tinted."""
    styles, widths = [LINES.get(level, "-.") for level in levels], [WIDTHS.get(level, 1.8) for level in levels]
    known = np.nan_to_num(probability)
    sure = ax.contourf(x_m, y_m, known, levels=[max(levels), 1.1], colors=[color], alpha=0.13, zorder=0.8)
    drawn = ax.contour(x_m, y_m, probability, levels=levels, colors=[color], linestyles=styles, linewidths=widths)
    return [drawn, sure, *(ax.clabel(drawn, fmt="%g", fontsize=11) if numbers else [])]


def draw_body(ax, vehicle):
    """The vehicle's outline in its own frame, nose to the right."""
    corners = outline(vehicle)
    return ax.fill(corners[:, 0], corners[:, 1], facecolor="#eef1f3", edgecolor=INK, linewidth=1.6, zorder=3)


def draw_things(ax, scene, pose):
    """What stands in the yard, in the frame of a vehicle at a pose."""
    outlines = [outline_of(shape) for shape in scene.polygons]
    bodies = [PathPatch(Path(to_local(path.vertices, pose), path.codes)) for path in outlines]
    things = PatchCollection(bodies, facecolor="#b4bbc1", edgecolor=INK, linewidth=1.2, zorder=1.1)
    return [ax.add_collection(things, autolim=False)]


def draw_fields_together(ax, scene, tuning, pose, time_s, *, half_m=24.0, spacing_m=0.4):
    """Coverage of each radar (0.9 alone, thin) and of all four (blue) at one instant, with the faults of the scene.

    Of the lattice of `half_m` the axes show what is seen, and what stands there.
    """
    x, y, each = coverage(scene, tuning, pose=pose, time_s=time_s, half_m=half_m, spacing_m=spacing_m)
    artists = draw_things(ax, scene, pose)
    _look_at_what_is_seen(ax, x, y, each["together"])
    for name, color in zip(RADARS, (GREEN, ORANGE, VERMILLION, SOFT), strict=True):
        one = ax.contour(x, y, each[name], levels=(0.9,), colors=[color], linewidths=1.8)
        artists += [one, *ax.plot([], [], color=color, linewidth=1.8, label=name.replace("_", " "))]
    artists += draw_coverage(ax, x, y, each["together"], numbers=False)
    artists += [*draw_body(ax, tuning.vehicle)]
    return artists


def _look_at_what_is_seen(ax, x_m, y_m, probability):
    """Limits about the places that are seen at all; wider ones that are set already stay."""
    seen = np.nan_to_num(probability) >= LEVELS[0]
    for axis, set_lim, get_lim, old in ((0, ax.set_ylim, ax.get_ylim, y_m), (1, ax.set_xlim, ax.get_xlim, x_m)):
        at = old[seen.any(axis=1 - axis)] if seen.any() else old
        low, high = at.min() - ROOM_M, at.max() + ROOM_M
        before = get_lim() if ax.has_data() and not ax.get_autoscale_on() else (low, high)
        set_lim(min(low, before[0]), max(high, before[1]))


def draw_over_azimuth(ax, scan, *, color=BLUE):
    """The returns of a scan, range over azimuth from boresight in degrees; larger is stronger."""
    return [ax.scatter(np.degrees(scan.azimuth_rad), scan.range_m, **_rings(scan, color))]


def _rings(scan, color):
    size = 20 + 3.0 * np.clip(scan.snr_db, 0, 60)
    return {"s": size, "facecolors": "none", "edgecolors": color, "linewidths": 1.8, "label": "returns"}


def draw_over_range_rate(ax, scan, *, color=BLUE):
    """The returns of a scan, range rate over azimuth from boresight in degrees; larger is stronger."""
    return [ax.scatter(np.degrees(scan.azimuth_rad), scan.range_rate_mps, **_rings(scan, color))]


def draw_still(ax, ego, mount, half_deg):
    """The range rate of whatever stands, over azimuth: the curve of the vehicle's own motion."""
    azimuth = np.radians(np.linspace(-half_deg, half_deg, 121))
    rate = still_range_rate(ego.speed_mps, ego.yaw_rate_radps, mount, azimuth)
    return ax.plot(np.degrees(azimuth), rate, color=INK, linestyle="--", linewidth=1.6, label="whatever stands")


def draw_truth(ax_azimuth, ax_rate, people, ego, mount):
    """Where people truly are in both plots of a scan: crosses at range and at range rate, over azimuth."""
    eye = Pose(mount.x_m, mount.y_m, np.radians(mount.yaw_deg))
    local = to_local(to_local(people.xy, ego.pose), eye)
    range_m, azimuth = np.hypot(*local.T), np.arctan2(local[:, 1], local[:, 0])
    ahead = to_local(people.xy + people.velocity, ego.pose) - to_local(people.xy, ego.pose)
    angle = azimuth + eye.yaw_rad
    rate = ahead[:, 0] * np.cos(angle) + ahead[:, 1] * np.sin(angle)
    rate = rate + still_range_rate(ego.speed_mps, ego.yaw_rate_radps, mount, azimuth)
    looks = {"marker": "x", "linestyle": "none", "color": VERMILLION, "markersize": 13, "markeredgewidth": 3}
    return [
        *ax_azimuth.plot(np.degrees(azimuth), range_m, label="people", **looks),
        *ax_rate.plot(np.degrees(azimuth), rate, label="people", **looks),
    ]


def _symmetric(ax):
    """(-y, y) that holds what is drawn, and room above it for a key."""
    most = np.abs(ax.dataLim.intervaly).max()  # infinite where nothing is drawn
    top = max(LEAST_RATE_MPS, 1.5 * most) if np.isfinite(most) else LEAST_RATE_MPS
    return -top, top


def show_coverage(figure, scenes, tuning, *, time_s=0.0, pose=None):
    """Draw the coverage in several scenes side by side, such as one with a fault and one without; returns the axes.

    Parameters
    ----------
    scenes : dict of Scene
        By title.
    """
    with look():
        axes = np.atleast_1d(figure.subplots(1, len(scenes), sharey=True))
        for ax, (title, scene) in zip(axes, scenes.items(), strict=True):
            where = scene.start_pose if pose is None else pose
            draw_fields_together(ax, scene, tuning, where, time_s)
            _dress_coverage(ax, title)
        for ax in axes[1:]:
            ax.set_ylabel("")
        _key_below(figure, axes[0])
    return list(axes)


def _key_below(figure, ax):
    """One key below everything: on the plots it would hide contours."""
    figure.legend(*ax.get_legend_handles_labels(), loc="outside lower left", ncols=7, columnspacing=1.3)


def _dress_coverage(ax, title):
    for level, line in LINES.items():
        ax.plot([], [], color=BLUE, linestyle=line, linewidth=2.6, label=f"probability {level:g}")
    ax.set(title=title, xlabel="ahead (m)", ylabel="to the left (m)", aspect="equal")


def show_sensors(figure, scene, tuning, *, seed, sensor="front_left", time_s=0.0, speed_mps=0.0, pose=None):
    """Draw what the radars see at one instant of a scene: coverage, and one scan of one radar; returns the axes.

    Parameters
    ----------
    sensor : str
        Name of the radar whose scan is shown.
    time_s : float
        Instant at which people and faults are looked up.
    speed_mps : float
        Of the vehicle, straight ahead.
    pose : Pose or None
        Of the vehicle; None: the scene's start.
    """
    pose = scene.start_pose if pose is None else pose
    people, ego = people_at(scene, time_s), Ego(time_s, pose, speed_mps, 0.0, 0.0)
    scan = scan_at(scene, tuning, seed, sensor, time_s, people, ego)
    mount = getattr(tuning.radar.mounts, sensor)
    with look():
        left, middle, right = figure.subplots(1, 3, width_ratios=(1.5, 1, 1))
        draw_fields_together(left, scene, tuning, pose, time_s)
        if scan is not None:
            draw_over_azimuth(middle, scan)
            draw_over_range_rate(right, scan)
            draw_still(right, ego, mount, tuning.radar.field_of_view_deg / 2)
        draw_truth(middle, right, people, ego, mount)
        _dress_coverage(left, "Sees a standing adult")
        name = sensor.replace("_", " ")
        half = tuning.radar.field_of_view_deg / 2
        middle.set(title=f"One scan, {name}", xlabel="azimuth from boresight (deg)", ylabel="range (m)")
        middle.set(xlim=(half, -half), ylim=(0, tuning.radar.range_max_m))  # left is left
        right.set(title="Its range rates", xlabel="azimuth from boresight (deg)", ylabel="range rate (m/s)")
        right.set(xlim=(half, -half), ylim=_symmetric(right))
        for ax in (middle, right):
            ax.xaxis.set_major_locator(MultipleLocator(40))
            ax.legend(loc="upper right", labelspacing=0.3)
        _key_below(figure, left)
    return [left, middle, right]
