"""Times of text logs: one or more columns that add up, kept exact by taking the first line's away first."""

import numpy as np

MOST_S = 1e12  # farther from zero there is no time
LARGE_S = 1e6  # a time since some epoch rather than since the start of the log


def add_up(columns, factors):
    """Times of all lines, and what was taken from each.

    Parameters
    ----------
    columns : list of (n,) arrays
        Raw, such as seconds and nanoseconds; NaN where a line has none.
    factors : list of (scale, offset, factor)
        As in a mapping.

    Returns
    -------
    time_s : (n,) array
        NaN where any column is not finite.
    start_s : float
        What the log's own times have more.

    Examples
    --------
    >>> add_up([np.array([1561864147.0, 1561864148.0]), np.array([5e8, 0.0])], [(1, 0, 1), (1, 0, 1e-9)])
    (array([0. , 0.5]), 1561864147.5)
    """
    total, start = np.zeros(len(columns[0])), 0.0
    with np.errstate(over="ignore", invalid="ignore"):
        for column, (scale, offset, factor) in zip(columns, factors, strict=True):
            column = np.where(np.abs((column * scale + offset) * factor) <= MOST_S, column, np.nan)
            finite = column[np.isfinite(column)]
            first = float(finite[0]) if len(finite) else 0.0
            keep = len(columns) == 1 and abs(first * scale * factor) < LARGE_S
            taken = -offset / scale if scale and keep else first
            total = total + (column - taken) * (scale * factor)
            start += (taken * scale + offset) * factor
        finite = total[np.isfinite(total)]
        if len(columns) > 1 and len(finite):
            total, start = total - finite[0], start + float(finite[0])
    return np.where(np.isfinite(total), total, np.nan), start
