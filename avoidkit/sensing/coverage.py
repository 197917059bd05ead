"""Where the radars would see somebody who stands there: detection probability on a lattice."""

import math

import numpy as np

from avoidkit.checks import InputError, require_positive
from avoidkit.frames import Pose, to_scene
from avoidkit.sensing import radar as one
from avoidkit.sensing.corner import surroundings_of
from avoidkit.sensing.equation import budget, detection_probability, from_db
from avoidkit.sensing.faults import FaultBook
from avoidkit.sensing.kernels import transmission
from avoidkit.vehicle import Ego, outline


def lattice(half_m, spacing_m):
    """x and y, m, of a square lattice round the vehicle's origin: two (n,) arrays.

    Examples
    --------
    >>> lattice(1.0, 0.5)[0].tolist()
    [-1.0, -0.5, 0.0, 0.5, 1.0]
    """
    require_positive(half_m=half_m, spacing_m=spacing_m)
    n = int(half_m / spacing_m + 1e-9)
    axis = spacing_m * np.arange(-n, n + 1)
    return axis, axis.copy()


def coverage(scene, tuning, *, pose=None, time_s=0.0, half_m=20.0, spacing_m=0.5, level_dbsm=None):
    """Probability that one scan of each radar sees a standing adult, over a lattice in the vehicle's frame.

    The body counts as one point with its whole reflectivity, before the echo of the ground; walls and
    vehicles hide it as they do in a drive; faults of the scene at `time_s` (dead, blind, misaligned) act.

    Parameters
    ----------
    scene : Scene
    tuning : Tuning
    pose : Pose or None
        Of the vehicle; None: the scene's start.
    time_s : float
        At which faults are looked up.
    half_m, spacing_m : float
        Half the edge and the spacing of the lattice.
    level_dbsm : float or None
        Reflectivity; None: the middle of the adults' band.

    Returns
    -------
    x_m, y_m : (n,) arrays
        Lattice lines in the vehicle's frame.
    each : dict of (n, n) arrays
        Probability [row of y, column of x] by name of the radar; `together`: at least one of the four.
        NaN within the vehicle's outline.
    """
    pose = scene.start_pose if pose is None else pose
    radar, book = tuning.radar, FaultBook(scene.faults, 0)
    around = surroundings_of(scene.edges, radar)
    x, y = lattice(half_m, spacing_m)
    local = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    level = 0.5 * (radar.adult_low_dbsm + radar.adult_high_dbsm) if level_dbsm is None else float(level_dbsm)
    if not math.isfinite(level):
        raise InputError(f"level_dbsm must be finite, got {level_dbsm}")
    each = {}
    for name in one.RADARS:
        seen = _seen(name, local, pose, around, tuning, book, time_s, from_db(level))
        each[name] = seen.reshape(len(y), len(x))
    each["together"] = 1.0 - np.prod([1.0 - p for p in each.values()], axis=0)
    inside = _inside(local, tuning.vehicle).reshape(len(y), len(x))
    return x, y, {name: np.where(inside, np.nan, p) for name, p in each.items()}


def _seen(name, local, pose, around, tuning, book, time_s, reflectivity_m2):
    """Probability, (n,), that one radar sees a body at places in the vehicle's frame."""
    radar = tuning.radar
    if "dead" in book.active(name, time_s):
        return np.zeros(len(local))
    mount = getattr(radar.mounts, name)
    mount = mount.model_copy(update={"yaw_deg": mount.yaw_deg + book.turned_deg(name, time_s)})
    eye, _ = one.sensor_motion(Ego(time_s, pose, 0.0, 0.0, 0.0), mount)
    places = to_scene(local, pose)
    range_m, azimuth, _ = one.polar_from(eye, np.zeros(2), places, np.zeros_like(places))
    range_m = np.maximum(range_m - radar.front_of_body_m, 1e-3)
    seen = (range_m >= radar.range_min_m) & (range_m <= radar.range_max_m)
    seen &= np.abs(azimuth) <= math.radians(radar.field_of_view_deg) / 2
    seen &= ~one.behind_own_body(mount, tuning.vehicle, azimuth)
    share = np.zeros(len(local))
    share[seen] = _passed(eye, places[seen], around, radar)
    snr = budget(azimuth, radar) * reflectivity_m2 * book.range_share(name, time_s) ** 4 * share / range_m**4
    still = np.zeros(len(local))
    snr = snr / one.ground_level(range_m, azimuth, still, still, radar)
    return np.where(share > 0, detection_probability(snr, radar.false_alarm_probability), 0.0)


def _passed(eye, places, around, radar):
    """Share of power that gets to standing bodies: the body above the height of an open vehicle's floor."""
    n = len(places)
    if not radar.occlusion:
        return np.ones(n)
    none = np.full(n, -1)
    eyes = np.tile([eye.x_m, eye.y_m], (n, 1))
    return transmission(
        eyes, places, none, none, around.edges, around.passes[0], np.zeros((0, 2)), radar.occluding_radius_m
    )


def _inside(local, vehicle):
    corners = outline(vehicle)
    low, high = corners.min(axis=0), corners.max(axis=0)
    return ((local >= low) & (local <= high)).all(axis=1)


def blind_wedge_m(tuning, side="left"):
    """How far to one side of the flank's middle no radar looks, m, along a line at right angles to the flank.

    Examples
    --------
    >>> from avoidkit.tuning import Tuning
    >>> blind_wedge_m(Tuning())
    2.67
    """
    sign = {"left": 1.0, "right": -1.0}.get(side)
    if sign is None:
        raise InputError(f"side must be left or right, got {side!r}")
    front, rear = outline(tuning.vehicle)[:, 0].max(), outline(tuning.vehicle)[:, 0].min()
    half = tuning.vehicle.width_m / 2
    distance = np.arange(0.0, 12.0, 0.01)
    points = np.stack([np.full(len(distance), (front + rear) / 2), sign * (half + distance)], axis=1)
    watched = np.zeros(len(distance), dtype=bool)
    for name in one.RADARS:
        mount = getattr(tuning.radar.mounts, name)
        place = Pose(mount.x_m, mount.y_m, math.radians(mount.yaw_deg))
        _, azimuth, _ = one.polar_from(place, np.zeros(2), points, np.zeros_like(points))
        in_field = np.abs(azimuth) <= math.radians(tuning.radar.field_of_view_deg) / 2
        watched |= in_field & ~one.behind_own_body(mount, tuning.vehicle, azimuth)
    return round(float(distance[np.argmax(watched)]), 2) if watched.any() else math.inf
