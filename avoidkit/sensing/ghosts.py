"""Mirror ghosts: people seen again in smooth walls and vehicles' sides, once and twice reflected."""

from dataclasses import dataclass

import numpy as np

from avoidkit.sensing.equation import beam, boresight_budget, from_db
from avoidkit.sensing.kernels import bounce_pairs, transmission
from avoidkit.sensing.radar import polar_from
from avoidkit.sensing.scatter import PARKED, WALL

SMOOTH_M = 1.0  # only edges at least so long mirror; our placeholder
FAINT = 0.3  # ghosts below this mean signal to noise are left out: with Pfa 1e-6 one in 40,000 would be seen
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

    Returns
    -------
    Mirrored

    Notes
    -----
    Mirror points: Remote Sensing 2024, 16(4), 621 (principle).
    """
    eye = np.array([pose.x_m, pose.y_m])
    pairs = bounce_pairs(pose.x_m, pose.y_m, people.xy, edges_xy[smooth], 2 * radar.range_max_m)
    who, which = pairs[:, 0].astype(np.int64), pairs[:, 1].astype(np.int64)
    image, normal, moved = pairs[:, 4:6], pairs[:, 6:8], people.velocity[who]
    mirrored = moved - 2 * (moved * normal).sum(axis=1)[:, None] * normal
    far, far_azimuth, far_rate = polar_from(pose, velocity, image, mirrored)
    near, near_azimuth, near_rate = polar_from(pose, velocity, people.xy[who], moved)
    near = np.maximum(near, 0.05)
    seen_far = in_view(far, far_azimuth) * _way_share(
        eye, pairs, who, smooth[which], people.xy, edges_xy, passes, radar
    )
    seen_near = in_view(near, near_azimuth) * _direct_share(eye, people.xy, edges_xy, passes, radar)[who]
    loss = float(from_db(-radar.bounce_loss_db))
    strength, beams = (
        boresight_budget(radar) * reflectivity_m2[who],
        (beam(far_azimuth, radar), beam(near_azimuth, radar)),
    )
    twice = strength * beams[0] ** 2 * seen_far * loss**2 / far**4
    once = strength * beams[0] * beams[1] * np.sqrt(seen_far * seen_near) * loss / (far * near) ** 2
    middle, middle_rate = 0.5 * (far + near), 0.5 * (far_rate + near_rate)
    draw = ORDERS * (who * len(smooth) + which)
    found = Mirrored(
        np.concatenate([far, middle, middle]),
        np.concatenate([far_azimuth, far_azimuth, near_azimuth]),
        np.concatenate([far_rate, middle_rate, middle_rate]),
        np.concatenate([twice, once, once]),
        np.concatenate([draw, draw + 1, draw + 2]),
    )
    kept = np.flatnonzero((found.snr > FAINT) & (found.range_m < radar.range_max_m + 1.0))
    return Mirrored(*(getattr(found, name)[kept] for name in Mirrored.__slots__))


def _direct_share(eye, xy, edges_xy, passes, radar):
    n = len(xy)
    if not radar.occlusion:
        return np.ones(n)
    eyes, none = np.tile(eye, (n, 1)), np.full(n, -1)
    return transmission(eyes, xy, none, np.arange(n), edges_xy, passes, xy, radar.occluding_radius_m)


def _way_share(eye, pairs, who, wall, xy, edges_xy, passes, radar):
    """Share of power on the way from the eye to the wall and on to the person."""
    n = len(pairs)
    if not radar.occlusion or n == 0:
        return np.ones(n)
    eyes, none, radius = np.tile(eye, (n, 1)), np.full(n, -1), radar.occluding_radius_m
    place, target = np.ascontiguousarray(pairs[:, 2:4]), xy[who]
    there = transmission(eyes, place, wall, none, edges_xy, passes, xy, radius)
    return there * transmission(place, target, wall, who, edges_xy, passes, xy, radius)
