"""Distances between a set of true places and a set of estimates: OSPA and GOSPA with their parts."""

from typing import NamedTuple

import numpy as np

from avoidkit.checks import InputError, require_positive


class Ospa(NamedTuple):
    """The whole and its parts, all in m; whole^p = localisation^p + cardinality^p."""

    total_m: float
    localisation_m: float
    cardinality_m: float


class Gospa(NamedTuple):
    """The whole, m, and its parts to the power p: total_m**p = localisation + missed + false.

    `n_missed` and `n_false` count what was left without a partner.
    """

    total_m: float
    localisation: float
    missed: float
    false: float
    n_missed: int
    n_false: int


def ospa(truth, estimate, *, cutoff_m, order=1.0):
    """Optimal sub-pattern assignment distance of two sets of places: Schuhmacher, Vo and Vo (2008).

    Parameters
    ----------
    truth, estimate : (n, d), (m, d) arrays, m
        n = 0 and m = 0 are fine; both empty: 0.
    cutoff_m : float
        Above 0: what a place without a partner costs.
    order : float
        At least 1.

    Returns
    -------
    Ospa

    Examples
    --------
    >>> ospa([(0, 0), (10, 0)], [(0, 0)], cutoff_m=10.0, order=1.0).total_m
    5.0
    """
    cost, n, m = _costs(truth, estimate, cutoff_m, order)
    most = max(n, m)
    if most == 0:
        return Ospa(0.0, 0.0, 0.0)
    near = float(cost[_assigned(cost)].sum()) / most
    count = cutoff_m**order * abs(n - m) / most
    return Ospa((near + count) ** (1 / order), near ** (1 / order), count ** (1 / order))


def gospa(truth, estimate, *, cutoff_m, order=2.0):
    """Generalised OSPA with alpha 2: Rahmathullah, Garcia-Fernandez and Svensson (2017).

    Arguments as in `ospa`. A pair farther apart than `cutoff_m` counts as one missed and one false.

    Examples
    --------
    >>> worked = gospa([(1,), (2,), (3,)], [(2,), (1,), (100,)], cutoff_m=2.0, order=2.0)
    >>> worked.total_m, worked.missed, worked.false
    (2.0, 2.0, 2.0)
    """
    cost, n, m = _costs(truth, estimate, cutoff_m, order)
    full = cutoff_m**order
    pairs = cost[_assigned(cost)]
    pairs = pairs[pairs < full]
    n_missed, n_false = n - len(pairs), m - len(pairs)
    near, missed, false = float(pairs.sum()), full / 2 * n_missed, full / 2 * n_false
    return Gospa((near + missed + false) ** (1 / order), near, missed, false, n_missed, n_false)


def _costs(truth, estimate, cutoff_m, order):
    require_positive(cutoff_m=cutoff_m, order=order)
    if order < 1:
        raise InputError(f"order must be at least 1, got {order}")
    x, y = _places(truth, "truth"), _places(estimate, "estimate")
    if len(x) == 0 or len(y) == 0:
        return np.zeros((len(x), len(y))), len(x), len(y)
    if x.shape[1] != y.shape[1]:
        raise InputError(f"estimate must have shape (m, {x.shape[1]}), got {y.shape}")
    distance = np.linalg.norm(x[:, None, :] - y[None, :, :], axis=2)
    return np.minimum(distance, cutoff_m) ** order, len(x), len(y)


def _places(points, name):
    array = np.asarray(points, dtype=float)
    if array.ndim == 1 and array.size == 0:
        return array.reshape(0, 1)
    if array.ndim != 2:
        raise InputError(f"{name} must have shape (n, d), got {array.shape}")
    if not np.all(np.isfinite(array)):
        raise InputError(f"{name} must be finite everywhere")
    return array


def _assigned(cost):
    from scipy.optimize import linear_sum_assignment

    return linear_sum_assignment(cost)
