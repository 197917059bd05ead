"""Honest numbers: exact bounds of rates, how many drives a claim takes, intervals of medians, which inputs matter."""

import math

import numpy as np

from avoidkit.checks import InputError


def rate_interval(k, n, *, level=0.95):
    """Exact two-sided interval of a rate after k events in n drives (Clopper and Pearson 1934).

    Parameters
    ----------
    k, n : int
        0 <= k <= n; with n = 0 nothing is known: (0, 1).
    level : float
        Between 0 and 1.

    Returns
    -------
    (float, float)

    Raises
    ------
    InputError
        If k or n is no whole number, or k, n or level is out of its range.

    Examples
    --------
    >>> [round(end, 4) for end in rate_interval(4, 20, level=0.90)]
    [0.0714, 0.401]
    """
    _require_counts(k, n, level)
    return _lower(k, n, (1 - level) / 2), _upper(k, n, (1 - level) / 2)


def rate_bound(k, n, *, confidence=0.95):
    """The rate that k events in n drives rule out with `confidence`, one-sided: 1 - (1 - confidence)^(1/n) at k = 0.

    Examples
    --------
    >>> round(rate_bound(0, 300), 5)  # near 3 / 300, the rule of three
    0.00994
    """
    _require_counts(k, n, confidence)
    return _upper(k, n, 1 - confidence)


def drives_needed(rate, *, confidence=0.95, events=0):
    """The smallest number of drives after which `events` events rule out a rate of `rate` with `confidence`.

    Parameters
    ----------
    rate, confidence : float
        Between 0 and 1, the ends left out.
    events : int
        How many events the campaign may have.

    Examples
    --------
    >>> drives_needed(0.01)
    299
    """
    if not 0 < rate < 1:
        raise InputError(f"rate must lie between 0 and 1, got {rate}")
    _require_counts(events, max(events, 0), confidence)
    if events == 0:
        return math.ceil(math.log(1 - confidence) / math.log1p(-rate) - 1e-9)
    low = high = events + 1
    while rate_bound(events, high, confidence=confidence) > rate:
        low, high = high, 2 * high
    while low < high:
        middle = (low + high) // 2
        if rate_bound(events, middle, confidence=confidence) > rate:
            low = middle + 1
        else:
            high = middle
    return low


def rate_words(k, n, *, level=0.95):
    """A rate as it is to be printed: counts, and the bound that goes with them; never a bare per cent.

    Examples
    --------
    >>> rate_words(0, 60)
    '0 of 60 (below 4.9 % with 95 % confidence)'
    >>> rate_words(3, 60)
    '3 of 60 (95 % interval 1.0 to 13.9 %)'
    """
    share = f"{100 * level:g} %"
    if n == 0:
        return "0 of 0 (nothing is known)"
    if k == 0:
        return f"0 of {n} (below {100 * rate_bound(0, n, confidence=level):.2g} % with {share} confidence)"
    low, high = rate_interval(k, n, level=level)
    return f"{k} of {n} ({share} interval {100 * low:.1f} to {100 * high:.1f} %)"


def median_interval(values, *, level=0.95, seed=0, resamples=2000):
    """Median and its bootstrap interval (percentiles); NaN and infinite values are left out.

    Parameters
    ----------
    values : (n,) array
    seed : int
        Of the resampling.

    Returns
    -------
    dict
        `n` values used, `median`, `low`, `high`; all NaN where no value is finite. Of fewer values than an
        interval needs (6 for 95 %) it is their range, see `interval_words`.
    """
    values = np.asarray(values, dtype=float)
    values = values[np.isfinite(values)]
    if not len(values):
        return {"n": 0, "median": math.nan, "low": math.nan, "high": math.nan}
    low, high = float(values.min()), float(values.max())
    if _interval_exists(len(values), level) and low < high:
        from scipy.stats import bootstrap

        found = bootstrap(
            (values,), np.median, confidence_level=level, n_resamples=resamples, method="percentile",
            rng=np.random.default_rng(seed), vectorized=True,
        )  # fmt: skip
        low, high = (float(end) for end in found.confidence_interval)
    return {"n": len(values), "median": float(np.median(values)), "low": low, "high": high}


def interval_words(n, *, level=0.95):
    """What the two ends of `median_interval` are: so few values have no interval of that level, whatever is drawn.

    Both ends of the range of n values lie on one side of the median with probability 2 / 2^n.

    Examples
    --------
    >>> interval_words(5), interval_words(6)
    ('range', '95 % interval')
    """
    return f"{100 * level:g} % interval" if _interval_exists(n, level) else "range"


def _interval_exists(n, level):
    return 2.0 ** (1 - n) <= 1 - level


def sign_test(differences):
    """Exact two-sided sign test that a paired difference is as often above as below 0: (above, below, p)."""
    from scipy.stats import binomtest

    differences = np.asarray(differences, dtype=float)
    above, below = int((differences > 0).sum()), int((differences < 0).sum())
    return above, below, float(binomtest(above, above + below).pvalue) if above + below else 1.0


def rank_correlations(frame, inputs, outputs):
    """Spearman's rank correlation of each input with each output, as a table of `input`, `output`, `rho`, `n`.

    A pair in which one of the two never changes has no correlation: NaN.
    """
    import pandas as pd
    from scipy.stats import spearmanr

    rows = []
    for name in inputs:
        for output in outputs:
            both = frame[[name, output]].astype(float).replace([np.inf, -np.inf], np.nan).dropna()
            varies = len(both) > 2 and both[name].nunique() > 1 and both[output].nunique() > 1
            rho = float(spearmanr(both[name], both[output]).statistic) if varies else math.nan
            rows.append({"input": name, "output": output, "rho": rho, "n": len(both)})
    return pd.DataFrame(rows, columns=["input", "output", "rho", "n"])


def sobol_points(bounds, n, seed):
    """The points at which Sobol indices ask a function: (n (d + 2), d), n a power of 2 of d inputs within `bounds`.

    Two scrambled Sobol samples A and B, then for each input B with that input's column from A swapped in by turns,
    as `scipy.stats.sobol_indices` wants them (Saltelli and others 2010).
    """
    from scipy.stats import qmc

    if n < 2 or n & (n - 1):
        raise InputError(f"n must be a power of 2 and at least 2, got {n}")
    low, high = np.asarray(bounds, dtype=float).T
    both = qmc.Sobol(2 * len(low), rng=np.random.default_rng(seed)).random(n)
    a, b = (low + part * (high - low) for part in (both[:, : len(low)], both[:, len(low) :]))
    mixed = []
    for k in range(len(low)):
        swapped = a.copy()
        swapped[:, k] = b[:, k]
        mixed.append(swapped)
    return np.concatenate([a, b, *mixed])


def sobol_indices(values, inputs):
    """First-order and total Sobol indices from the values at `sobol_points`, as a table by input.

    Parameters
    ----------
    values : (n (d + 2),) array
        Finite, in the order of the points.
    inputs : sequence of str
        Names of the d inputs.

    Returns
    -------
    DataFrame
        `input`, `first` (share of the variance that the input has alone), `total` (with all its interactions), `n`.
    """
    import pandas as pd
    from scipy.stats import sobol_indices as indices

    d, values = len(inputs), np.asarray(values, dtype=float)
    if not np.isfinite(values).all() or len(values) % (d + 2):
        raise InputError(f"values must be finite and n (d + 2) many, got {len(values)} for d = {d}")
    n = len(values) // (d + 2)
    parts = values.reshape(d + 2, 1, n)
    if float(values.std()) == 0.0:
        first = total = np.full(d, math.nan)  # nothing varies, so nothing has a share in it
    else:
        found = indices(func={"f_A": parts[0], "f_B": parts[1], "f_AB": parts[2:]}, n=n)
        first, total = np.ravel(found.first_order), np.ravel(found.total_order)
    return pd.DataFrame({"input": list(inputs), "first": first, "total": total, "n": n})


def pareto_front(first, second):
    """(n,) bool: which points no other one beats in both (smaller is better), NaN never among them.

    Examples
    --------
    >>> pareto_front([1.0, 2.0, 3.0], [3.0, 1.0, 2.0]).tolist()
    [True, True, False]
    """
    a, b = np.asarray(first, dtype=float), np.asarray(second, dtype=float)
    known = ~(np.isnan(a) | np.isnan(b))
    beaten = (a[None] <= a[:, None]) & (b[None] <= b[:, None]) & ((a[None] < a[:, None]) | (b[None] < b[:, None]))
    return known & ~(beaten & known[None]).any(axis=1)


def _lower(k, n, tail):
    from scipy.special import betaincinv

    return 0.0 if k == 0 else float(betaincinv(k, n - k + 1, tail))


def _upper(k, n, tail):
    from scipy.special import betaincinv

    return 1.0 if k == n else float(betaincinv(k + 1, n - k, 1 - tail))


def _require_counts(k, n, level):
    if not all(math.isfinite(one) and one == math.floor(one) for one in (k, n)):
        raise InputError(f"k and n must be whole numbers, got {k} and {n}")
    if not 0 <= k <= n:
        raise InputError(f"k must lie from 0 to n = {n}, got {k}")
    if not 0 < level < 1:
        raise InputError(f"the level must lie between 0 and 1, got {level}")
