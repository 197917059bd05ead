"""Which measurement belongs to which track: all tracks of a scan at once.

Both ways have the same signature, `(log_ratio) -> (n, m) weights`: `nearest` gives each measurement to at most
one track (global nearest neighbour), `soft` gives the probability of each pairing.
"""

import math

import numpy as np

from avoidkit.jit import compiled
from avoidkit.tracking.filters import innovation, torso_or_limb, wrapped

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
    out, logs = np.full((n, m), NEVER), np.empty(2)
    nothing, y = np.zeros(3), np.empty(3)
    for i in range(n):
        before, _, _, spread = innovation(states[i, 0], covariances[i, 0], nothing, sensor)
        before_w, _, _, spread_w = innovation(states[i, 1], covariances[i, 1], nothing, sensor)
        for j in range(m):
            if too_far(before, spread, z[j], R[j, 0], limb_var[j], gate_d2) and too_far(
                before_w, spread_w, z[j], R[j, 1], limb_var[j], gate_d2
            ):
                continue
            best_d2 = 1e18
            for k in range(2):
                h, HPH = (before, spread) if k == 0 else (before_w, spread_w)
                y[0], y[1], y[2] = z[j, 0] + h[0], wrapped(z[j, 1] + h[1]), z[j, 2] + h[2]
                log_density, d2, _ = torso_or_limb(y, HPH, R[j, k], limb_var[j], limb_shares[k])
                logs[k] = math.log(modes[i, k]) + log_density
                best_d2 = min(best_d2, d2)
            if best_d2 <= gate_d2:
                top = max(logs[0], logs[1])
                out[i, j] = top + math.log(math.exp(logs[0] - top) + math.exp(logs[1] - top))
    return out


@compiled
def too_far(before, HPH, z, R, limb_var, gate_d2):
    """Whether range or azimuth alone puts a measurement outside the gate, whatever the rest says.

    `before` is the innovation of a measurement of zeros; one component's squared distance is never above that of all.
    """
    dr, da = z[0] + before[0], wrapped(z[1] + before[1])
    far = dr * dr > gate_d2 * (HPH[0, 0] + R[0] + limb_var[0])
    return far or da * da > gate_d2 * (HPH[1, 1] + R[1] + limb_var[1])


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
    weights, rest, cols = undisputed(log_ratio)
    if len(rest):
        from scipy.optimize import linear_sum_assignment

        gain = np.maximum(log_ratio[rest][:, cols], 0.0)
        i, j = linear_sum_assignment(gain, maximize=True)
        chosen = gain[i, j] > 0.0
        weights[rest[i[chosen]], cols[j[chosen]]] = 1.0
    return weights


@compiled
def undisputed(log_ratio):
    """The part of `nearest` that needs no search: tracks none of whose measurements another could have.

    Returns
    -------
    weights : (n, m) float
        1 for the best measurement of each such track.
    rest, cols : (r,), (c,) int
        The other tracks that could have a measurement, and all measurements that they could have.
    """
    n, m = log_ratio.shape
    weights, wanted_by = np.zeros((n, m)), np.zeros(m, np.int64)
    for i in range(n):
        for j in range(m):
            wanted_by[j] += log_ratio[i, j] > 0.0
    rest, wanted = np.zeros(n, np.bool_), np.zeros(m, np.bool_)
    for i in range(n):
        best = -1
        for j in range(m):
            if log_ratio[i, j] > 0.0:
                rest[i] = rest[i] or wanted_by[j] > 1
                best = j if best < 0 or log_ratio[i, j] > log_ratio[i, best] else best
        if rest[i]:
            wanted |= log_ratio[i] > 0.0
        elif best >= 0:
            weights[i, best] = 1.0
    return weights, np.flatnonzero(rest), np.flatnonzero(wanted)


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


PAIRINGS = {"nearest": nearest, "soft": soft}  # both (log_ratio) -> weights; see `scan.picked`
