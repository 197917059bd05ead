"""How sure a track that is handed out may be of place and velocity: the filter's covariance, set right by the truth.

The filter takes the errors of scans as independent. Those of somebody who stands, or goes slowly, are not: one of
their glints stays the strongest for long, so that something is added; more at a wall, whose returns are theirs as
well, and before a bumper, where each radar sees one side of a body alone. Of somebody who surely walks they nearly
are, and what the filter allows for arms, legs and turns is too much: a share of it is left.
"""

import numpy as np

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
    walking, speed = 1.0 - standing, np.hypot(state[:, 2], state[:, 3])
    slow = np.clip((SLOW_MPS[1] - speed) / (SLOW_MPS[1] - SLOW_MPS[0]), 0.0, 1.0)
    surely = np.where(stage == Stage.CONFIRMED, np.clip(1.0 - standing / SURELY_BELOW, 0.0, 1.0), 0.0)
    shares = np.array([tuning.place_share] * 2 + [tuning.velocity_share] * 2)
    kept = np.sqrt(1.0 - surely[:, None] * (1.0 - shares))
    out = covariance * kept[:, :, None] * kept[:, None, :]
    place = tuning.bias_m**2 + (at_edge * tuning.bias_edge_m) ** 2 + before_bumper * tuning.bias_bumper_m**2
    place = standing * place + walking * _between(tuning.bias_walking_m, tuning.bias_slow_m, slow) ** 2
    velocity = standing * tuning.bias_mps**2
    velocity += walking * _between(tuning.bias_walking_mps, tuning.bias_slow_mps, slow) ** 2
    out[:, [0, 1], [0, 1]] += place[:, None]
    out[:, [2, 3], [2, 3]] += velocity[:, None]
    return out


def _between(first, last, share):
    return first + share * (last - first)
