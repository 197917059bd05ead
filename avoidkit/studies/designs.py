"""Which settings a sweep tries: full grid, Latin hypercube, Sobol sequence, or the points that Sobol indices need."""

import math
from itertools import product

import numpy as np

from avoidkit.checks import InputError
from avoidkit.studies.statistics import sobol_points

DESIGNS = ("grid", "latin", "sobol", "indices")
LEVELS = 5  # of a range in a grid
MOST_SETTINGS = 100_000


def checked_over(over):
    """Raise `InputError` unless each field has a list of different values or a range (low, high) that is not empty."""
    if not over:
        raise InputError("over must name at least one field, got none")
    for name, wanted in over.items():
        if _is_range(wanted):
            low, high = wanted
            if not (math.isfinite(low) and math.isfinite(high) and low < high):
                raise InputError(
                    f"over: {name}: a range (low, high) with low below high was wanted, got {tuple(wanted)}"
                )
        elif isinstance(wanted, str) or not hasattr(wanted, "__len__") or len(wanted) == 0:
            raise InputError(f"over: {name}: a list of values or (low, high) was wanted, got {wanted!r}")
        elif len({repr(value) for value in wanted}) < len(wanted):
            raise InputError(f"over: {name}: different values were wanted, got one twice in {list(wanted)}")


def points_of(over, design="grid", n=None, seed=0):
    """The settings of a design.

    Parameters
    ----------
    over : dict
        By dotted name: a list of values, or (low, high).
    design : str
        One of `DESIGNS`.
    n : int or None
        Levels of each range (grid), settings (latin, sobol), base sample (indices).
    seed : int
        Of the sampling.

    Returns
    -------
    list of dict
        By dotted name, plain values.

    Examples
    --------
    >>> [point["decision.clearance_m"] for point in points_of({"decision.clearance_m": (0.2, 0.4)}, n=3)]
    [0.2, 0.3, 0.4]
    """
    if design not in DESIGNS:
        raise InputError(f"design must be one of {', '.join(DESIGNS)}, got {design!r}")
    if n is not None and (isinstance(n, bool) or int(n) != n or n < 2):
        raise InputError(f"n must be an integer of at least 2, got {n!r}")
    if design != "grid" and n is None:
        raise InputError(f"design {design!r} needs n, how many settings")
    settings = _how_many(over, design, n)
    if settings > MOST_SETTINGS:
        raise InputError(f"a design of at most {MOST_SETTINGS} settings was wanted, got {settings}")
    if design == "grid":
        axes = [_levels(wanted, n or LEVELS) for wanted in over.values()]
        return [dict(zip(over, values, strict=True)) for values in product(*axes)]
    return [
        {name: _at(share, over[name]) for name, share in zip(over, shares, strict=True)}
        for shares in _shares(len(over), design, int(n), seed)
    ]


def _how_many(over, design, n):
    if design == "grid":
        return math.prod((n or LEVELS) if _is_range(wanted) else len(wanted) for wanted in over.values())
    return int(n) * (len(over) + 2) if design == "indices" else int(n)


def _shares(d, design, n, seed):
    from scipy.stats import qmc

    if design == "indices":
        return sobol_points([(0.0, 1.0)] * d, n, seed)
    if design == "latin":
        return qmc.LatinHypercube(d, rng=np.random.default_rng(seed)).random(n)
    if n & (n - 1):
        raise InputError(f"n must be a power of 2 for design 'sobol', got {n}")
    return qmc.Sobol(d, rng=np.random.default_rng(seed)).random(n)


def _levels(wanted, n):
    if not _is_range(wanted):
        return [_plain(value) for value in wanted]
    return [round(float(value), 12) for value in np.linspace(*wanted, n)]


def _at(share, wanted):
    if _is_range(wanted):
        low, high = wanted
        return float(low + share * (high - low))
    return _plain(wanted[min(int(share * len(wanted)), len(wanted) - 1)])


def _is_range(wanted):
    numbers = isinstance(wanted, tuple) and len(wanted) == 2
    return numbers and all(isinstance(v, int | float | np.number) and not isinstance(v, bool) for v in wanted)


def _plain(value):
    return value.item() if isinstance(value, np.generic) else value
