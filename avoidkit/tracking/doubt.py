"""How sure a track that is handed out may be of place and velocity: the filter's covariance, set right by the truth.

The filter takes the errors of scans as independent. Those of somebody who stands, or goes slowly, are not: one of
their glints stays the strongest for long, so that something is added; more at a wall, whose returns are theirs as
well, and before a bumper, where each radar sees one side of a body alone. Of somebody who surely walks they nearly
are, and what the filter allows for arms, legs and turns is too much: a share of it is left.
"""

import math

import numpy as np

from avoidkit.jit import compiled
from avoidkit.tracking.records import Stage

# Ours, as the fields of the tuning used here: 104 drives of the study `radar_drives`, 2,176 instants of who walks.
SURELY_BELOW = 0.2  # standing probability below which somebody surely walks, the more surely the less it is
SLOW_MPS = (0.4, 0.9)  # up to the first wholly slow, from the second on not at all


def reported(covariance, state, standing, stage, at_edge, before_bumper, tuning):
    """Covariances as they are handed out, (n, 4, 4).

    Parameters
    ----------
    covariance (n, 4, 4), state (n, 4), standing (n,)
        The filter's.
    stage : (n,)
        Of `Stage`; only somebody confirmed can surely walk.
    at_edge : (n,)
        Share of believed people's measurements that were part of an edge.
    before_bumper : (n,) bool
        Who is between the fields of view at a bumper.
    tuning : TrackingTuning
    """
    shares = (tuning.place_share, tuning.velocity_share)
    walks_m = (tuning.bias_walking_m, tuning.bias_slow_m)
    walks_mps = (tuning.bias_walking_mps, tuning.bias_slow_mps)
    return set_right(
        covariance, state, standing, stage == Stage.CONFIRMED, at_edge, before_bumper, shares, tuning.bias_m**2,
        tuning.bias_edge_m, tuning.bias_bumper_m**2, walks_m, tuning.bias_mps**2, walks_mps,
    )  # fmt: skip


@compiled
def set_right(
    covariance, state, standing, confirmed, at_edge, before_bumper, shares, stands_m2, edge_m, bumper_m2, walks_m,
    stands_m2ps2, walks_mps,
):  # fmt: skip
    """The covariances of `reported`; pairs `walks_m`, `walks_mps` are of who walks and of who goes slowly."""
    out, kept = np.empty(covariance.shape), np.empty(4)
    for i in range(len(state)):
        walking = 1.0 - standing[i]
        slow = (SLOW_MPS[1] - math.hypot(state[i, 2], state[i, 3])) / (SLOW_MPS[1] - SLOW_MPS[0])
        slow = min(max(slow, 0.0), 1.0)
        surely = min(max(1.0 - standing[i] / SURELY_BELOW, 0.0), 1.0) if confirmed[i] else 0.0
        for a in range(4):
            kept[a] = math.sqrt(1.0 - surely * (1.0 - shares[a // 2]))
        for a in range(4):
            for b in range(4):
                out[i, a, b] = covariance[i, a, b] * kept[a] * kept[b]
        edge = at_edge[i] * edge_m
        place = walks_m[0] + slow * (walks_m[1] - walks_m[0])
        speed = walks_mps[0] + slow * (walks_mps[1] - walks_mps[0])
        more_m2 = standing[i] * (stands_m2 + edge * edge + before_bumper[i] * bumper_m2) + walking * (place * place)
        more_m2ps2 = standing[i] * stands_m2ps2 + walking * (speed * speed)
        for a in range(2):
            out[i, a, a] += more_m2
            out[i, 2 + a, 2 + a] += more_m2ps2
    return out
