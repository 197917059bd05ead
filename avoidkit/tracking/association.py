"""Which measurement belongs to which track: all tracks of a scan at once.

Both ways have the same signature, `(log_ratio) -> (n, m) weights`: `nearest` gives each measurement to at most
one track (global nearest neighbour), `soft` gives the probability of each pairing.
"""

import math

import numpy as np

from avoidkit.jit import compiled
from avoidkit.tracking.filters import innovation, torso_or_limb

REACH_M = 4.0  # no measurement farther off in range is looked at
NEVER = -1e9  # log ratio of a pairing outside the gate


def gate(probability, dof):
    """Squared Mahalanobis distance that holds `probability` of true measurements with `dof` components.

    Examples
    --------
    >>> round(gate(0.99, 3), 3)  # NIST/SEMATECH e-Handbook, section 1.3.6.7.4: 11.345
    11.345
    """
    from scipy.special import chdtri

    return float(chdtri(dof, 1.0 - probability))


@compiled
def log_likelihoods(states, covariances, modes, z, R, sensor, limb_var, limb_shares, gate_d2):
    """Log likelihood of each measurement under each track, (n, m); `NEVER` outside the gate of both models.

    The likelihood of a track is that of its two models, weighed by `modes`. Arguments as in `filters.update`;
    `gate_d2` from `gate`.
    """
    n, m = len(states), len(z)
    out = np.full((n, m), NEVER)
    for i in range(n):
        for j in range(m):
            dx, dy = states[i, 1, 0] - sensor[0], states[i, 1, 1] - sensor[1]
            if abs(math.sqrt(dx * dx + dy * dy) - z[j, 0]) > REACH_M:
                continue
            best_d2, logs = 1e18, np.empty(2)
            for k in range(2):
                y, _, _, HPH = innovation(states[i, k], covariances[i, k], z[j], sensor)
                log_density, d2, _ = torso_or_limb(y, HPH, R[j, k], limb_var[j], limb_shares[k])
                logs[k] = math.log(modes[i, k]) + log_density
                best_d2 = min(best_d2, d2)
            if best_d2 <= gate_d2:
                top = max(logs[0], logs[1])
                out[i, j] = top + math.log(math.exp(logs[0] - top) + math.exp(logs[1] - top))
    return out


def nearest(log_ratio):
    """Global nearest neighbour: the pairing whose summed log ratio is greatest, a pair only where it is above 0.

    Parameters
    ----------
    log_ratio : (n, m)
        Logarithm of how much likelier "measurement j is of track i" is than "i was missed and j is something else".

    Returns
    -------
    (n, m) float
        1 for each chosen pair, else 0.

    Examples
    --------
    >>> nearest(np.array([[3.0, 2.5], [2.9, -1.0]])).tolist()
    [[0.0, 1.0], [1.0, 0.0]]
    """
    from scipy.optimize import linear_sum_assignment

    weights = np.zeros(log_ratio.shape)
    if weights.size:
        gain = np.maximum(log_ratio, 0.0)
        rows, cols = linear_sum_assignment(gain, maximize=True)
        chosen = gain[rows, cols] > 0.0
        weights[rows[chosen], cols[chosen]] = 1.0
    return weights


@compiled
def soft(log_ratio, sweeps=60):
    """Probability of each pairing by belief propagation (Williams and Lau 2014, from memory), (n, m).

    Same input as `nearest`. Exact where the graph of possible pairs has no loop; else a close
    approximation of joint probabilistic data association.
    """
    n, m = log_ratio.shape
    psi = np.exp(np.minimum(log_ratio, 50.0))
    to_track = np.ones((n, m))
    to_measurement = np.zeros((n, m))
    for _ in range(sweeps):
        for i in range(n):
            total = 1.0
            for j in range(m):
                total += psi[i, j] * to_track[i, j]
            for j in range(m):
                to_measurement[i, j] = psi[i, j] / max(total - psi[i, j] * to_track[i, j], 1e-300)
        for j in range(m):
            total = 1.0
            for i in range(n):
                total += to_measurement[i, j]
            for i in range(n):
                to_track[i, j] = 1.0 / max(total - to_measurement[i, j], 1e-300)
    weights = np.zeros((n, m))
    for i in range(n):
        total = 1.0
        for j in range(m):
            total += psi[i, j] * to_track[i, j]
        for j in range(m):
            weights[i, j] = psi[i, j] * to_track[i, j] / total
    return weights


PAIRINGS = {"nearest": nearest}
