"""Small sorts for compiled loops: numba takes one to two seconds to compile numpy's, and these lists are short."""

import numpy as np

from avoidkit.jit import compiled


@compiled
def ascending(values):
    """Places of the values from the least up, equal ones in their order, (n,) int: `argsort(values, kind="stable")`.

    Examples
    --------
    >>> ascending(np.array([3.0, 1.0, 2.0, 1.0])).tolist()
    [1, 3, 2, 0]
    """
    out = np.empty(len(values), np.int64)
    for i in range(len(values)):
        k = i
        while k > 0 and values[out[k - 1]] > values[i]:
            out[k] = out[k - 1]
            k -= 1
        out[k] = i
    return out


@compiled
def each_once(values, n):
    """The first `n` values from the least up, each once, like `unique`.

    Examples
    --------
    >>> each_once(np.array([7, 2, 7, 2, 5, 0]), 5).tolist()
    [2, 5, 7]
    """
    out, m = np.empty(n, np.int64), 0
    for i in range(n):
        value, low, high = values[i], 0, m
        while low < high:
            middle = (low + high) // 2
            if out[middle] < value:
                low = middle + 1
            else:
                high = middle
        if low < m and out[low] == value:
            continue
        for k in range(m, low, -1):
            out[k] = out[k - 1]
        out[low] = value
        m += 1
    return out[:m]


@compiled
def by_owner(owner, groups):
    """Places of the values by group 0 to `groups` - 1, in their order within each, and where each group starts.

    Returns
    -------
    members : (n,) int
    start : (groups + 1,) int
        Group g is `members[start[g]:start[g + 1]]`.

    Examples
    --------
    >>> [found.tolist() for found in by_owner(np.array([1, 0, 1]), 2)]
    [[1, 0, 2], [0, 1, 3]]
    """
    start = np.zeros(groups + 1, np.int64)
    for g in owner:
        start[g + 1] += 1
    for g in range(groups):
        start[g + 1] += start[g]
    members, filled = np.empty(len(owner), np.int64), start.copy()
    for i in range(len(owner)):
        members[filled[owner[i]]] = i
        filled[owner[i]] += 1
    return members, start
