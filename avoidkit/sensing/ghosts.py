"""Mirror ghosts: people seen again in smooth walls and vehicles' sides, once and twice reflected.

Twice reflected, a ghost is seen at the mirror image. Once reflected, the wave goes one way direct and one way
by the wall: the range is the mean of both, the bearing that of the way by which it arrives. Mirror points:
Remote Sensing 2024, 16(4), 621 (principle).
"""

import numpy as np

from avoidkit.sensing.equation import from_db
from avoidkit.sensing.look import see_ghosts
from avoidkit.sensing.scatter import PARKED, WALL

SMOOTH_M = 1.0  # only edges at least so long mirror; our placeholder
FAINT = 0.3  # ghosts below this mean signal to noise are left out: with Pfa 1e-6 one in 40,000 would be seen
ORDERS = 3  # twice reflected; once, arriving from the wall; once, arriving from the person


def smooth_edges(edges):
    """Indices of the edges that mirror: long ones of walls and parked vehicles."""
    kind = np.asarray(edges.kind)
    length = np.hypot(edges.xy[:, 2] - edges.xy[:, 0], edges.xy[:, 3] - edges.xy[:, 1])
    return np.flatnonzero(((kind == WALL) | (kind == PARKED)) & (length >= SMOOTH_M))


def ghosts(sight, people, reflectivity_m2, edges_xy, smooth, passes, radar):
    """The ghosts of all people in all smooth edges, as one radar would see them.

    Parameters
    ----------
    sight : Sight
    people : People
    reflectivity_m2 : (n,) array
    edges_xy : (m, 4) array
    smooth : (w,) int array
        Of `smooth_edges`.
    passes : (m,) array
        Share of power that passes each edge.
    radar : RadarTuning

    Returns
    -------
    places : (k, 4) array
        Range, azimuth, range rate, mean signal to noise as a ratio.
    draw : (k,) int array
        Number among the draws: `ORDERS` (person w + wall) + kind.
    """
    points = np.column_stack([people.xy, people.velocity, reflectivity_m2])
    if not radar.occlusion:
        passes, radius_m = np.ones(len(edges_xy)), -1.0
    else:
        radius_m = radar.occluding_radius_m
    walls, loss = np.ascontiguousarray(edges_xy[smooth]), float(from_db(-radar.bounce_loss_db))
    return see_ghosts(sight, points, walls, smooth, edges_xy, passes, radius_m, loss, FAINT)
