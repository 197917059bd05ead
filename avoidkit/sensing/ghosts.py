"""Mirror ghosts: people seen again in smooth walls and vehicles' sides, once and twice reflected."""

from dataclasses import dataclass

import numpy as np

from avoidkit.frames import to_local
from avoidkit.sensing.equation import budget, from_db
from avoidkit.sensing.kernels import transmission
from avoidkit.sensing.scatter import PARKED, WALL

SMOOTH_M = 1.0  # only edges at least so long mirror; our placeholder
ORDERS = 3  # twice reflected; once, arriving from the wall; once, arriving from the person


@dataclass(frozen=True, eq=False, slots=True)
class Mirrored:
    """Ghosts before detection, (n,) arrays: where, mean signal to noise (a ratio), and which draw is theirs."""

    range_m: np.ndarray
    azimuth_rad: np.ndarray
    rate_mps: np.ndarray
    snr: np.ndarray
    draw: np.ndarray


def smooth_edges(edges):
    """Indices of the edges that mirror: long ones of walls and parked vehicles."""
    kind = np.asarray(edges.kind)
    length = np.hypot(edges.xy[:, 2] - edges.xy[:, 0], edges.xy[:, 3] - edges.xy[:, 1])
    return np.flatnonzero(((kind == WALL) | (kind == PARKED)) & (length >= SMOOTH_M))


def mirror(points, walls):
    """Points mirrored in the lines of walls.

    Parameters
    ----------
    points : (n, 2) array
    walls : (w, 4) array
        x0, y0, x1, y1 of each.

    Returns
    -------
    (n, w, 2) array

    Examples
    --------
    >>> mirror(np.array([[4.0, 0.0]]), np.array([[0.0, 2.0, 9.0, 2.0]])).ravel().tolist()
    [4.0, 4.0]
    """
    normal, foot = _normals(walls), walls[:, :2]
    height = ((points[:, None, :] - foot) * normal).sum(axis=2)
    return points[:, None, :] - 2 * height[..., None] * normal


def _normals(walls):
    along = walls[:, 2:] - walls[:, :2]
    along = along / np.maximum(np.hypot(along[:, 0], along[:, 1]), 1e-12)[:, None]
    return np.stack([-along[:, 1], along[:, 0]], axis=1)


def bounces(eye_xy, points, walls):
    """Where the way from an eye to mirrored points meets the walls.

    Returns
    -------
    place : (n, w, 2) array
        NaN where there is none: eye and point on different sides, or beyond the ends of the wall.
    image : (n, w, 2) array
        The mirrored points.
    """
    normal, image = _normals(walls), mirror(points, walls)
    eye_height = ((eye_xy - walls[:, :2]) * normal).sum(axis=1)
    height = ((points[:, None, :] - walls[:, :2]) * normal).sum(axis=2)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = eye_height / (eye_height + height)
        place = eye_xy + share[..., None] * (image - eye_xy)
        along = walls[:, 2:] - walls[:, :2]
        position = ((place - walls[:, :2]) * along).sum(axis=2) / (along**2).sum(axis=1)
    good = (eye_height * height > 1e-6) & (position >= 0) & (position <= 1)
    return np.where(good[..., None], place, np.nan), image


def ghosts(pose, velocity, people, reflectivity_m2, edges_xy, smooth, passes, in_view, radar):
    """The ghosts of all people in all smooth edges, as one radar would see them.

    Twice reflected, a ghost is seen at the mirror image. Once reflected, the wave goes one way direct and
    one way by the wall: the range is the mean of both, the bearing that of the way by which it arrives.
    Each reflection takes `bounce_loss_db`.

    Parameters
    ----------
    pose, velocity : Pose, (2,) array
        Of the radar, in the scene.
    in_view : function
        From ranges and azimuths to a boolean array: what the antenna sees.
    passes : (m,) array
        Share of power that passes each edge.
    """
    walls, eye = edges_xy[smooth], np.array([pose.x_m, pose.y_m])
    place, image = bounces(eye, people.xy, walls)
    who, which = np.nonzero(np.isfinite(place[..., 0]))
    shifted = image[who, which]
    far = np.hypot(*(shifted - eye).T)
    near = far < 2 * radar.range_max_m
    who, which, shifted, far = who[near], which[near], shifted[near], far[near]
    by_wall = _way_share(eye, place[who, which], people.xy, who, smooth[which], edges_xy, passes, radar)
    direct = _direct_share(eye, people.xy, edges_xy, passes, radar)[who]
    normal = _normals(walls)[which]
    moved = people.velocity[who]
    mirrored = moved - 2 * (moved * normal).sum(axis=1)[:, None] * normal
    straight = people.xy[who] - eye
    close = np.maximum(np.hypot(straight[:, 0], straight[:, 1]), 0.05)
    far_rate = ((mirrored - velocity) * (shifted - eye)).sum(axis=1) / np.maximum(far, 1e-9)
    close_rate = ((moved - velocity) * straight).sum(axis=1) / close
    far_azimuth, close_azimuth = _azimuth(shifted, pose), _azimuth(people.xy[who], pose)
    loss = float(from_db(-radar.bounce_loss_db))
    seen_far, seen_close = in_view(far, far_azimuth) * by_wall, in_view(close, close_azimuth) * direct
    both_ways = np.sqrt(budget(far_azimuth, radar) * budget(close_azimuth, radar)) * np.sqrt(seen_far * seen_close)
    target = reflectivity_m2[who]
    twice = budget(far_azimuth, radar) * seen_far * target * loss**2 / far**4
    once = both_ways * target * loss / (far**2 * close**2)
    middle, middle_rate = 0.5 * (far + close), 0.5 * (far_rate + close_rate)
    draw = ORDERS * (who * len(walls) + which)
    found = Mirrored(
        np.concatenate([far, middle, middle]),
        np.concatenate([far_azimuth, far_azimuth, close_azimuth]),
        np.concatenate([far_rate, middle_rate, middle_rate]),
        np.concatenate([twice, once, once]),
        np.concatenate([draw, draw + 1, draw + 2]),
    )
    kept = (found.snr > 0.01) & (found.range_m < radar.range_max_m + 1.0)
    return Mirrored(*(getattr(found, name)[kept] for name in Mirrored.__slots__))


def _azimuth(xy, pose):
    local = to_local(xy, pose)
    return np.arctan2(local[:, 1], local[:, 0])


def _direct_share(eye, xy, edges_xy, passes, radar):
    n = len(xy)
    if not radar.occlusion:
        return np.ones(n)
    eyes, none = np.tile(eye, (n, 1)), np.full(n, -1)
    return transmission(eyes, xy, none, np.arange(n), edges_xy, passes, xy, radar.occluding_radius_m)


def _way_share(eye, place, xy, who, wall, edges_xy, passes, radar):
    """Share of power on the way from the eye to the wall and on to the person."""
    n = len(place)
    if not radar.occlusion or n == 0:
        return np.ones(n)
    eyes, none = np.tile(eye, (n, 1)), np.full(n, -1)
    radius = radar.occluding_radius_m
    place, target = np.ascontiguousarray(place), np.ascontiguousarray(xy[who])
    there = transmission(eyes, place, wall, none, edges_xy, passes, xy, radius)
    return there * transmission(place, target, wall, who, edges_xy, passes, xy, radius)
