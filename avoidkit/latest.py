"""Keeps the latest answer of a pure function: while a vehicle stands in a known yard, each cycle asks it again."""

import functools

from avoidkit.frames import Pose


def latest(function):
    """A pure function that answers at once when it is asked again with the very same inputs as the time before.

    The same are the same objects, which nobody may have written to since, and numbers and poses of equal value.

    Examples
    --------
    >>> @latest
    ... def twice(x):
    ...     print("worked out")
    ...     return 2 * x
    >>> twice(1.5), twice(1.5)
    worked out
    (3.0, 3.0)
    """

    @functools.wraps(function)
    def asked(*given):
        known, answer = asked.kept
        if known is None or len(known) != len(given) or not all(map(_same, known, given)):
            answer = function(*given)
            asked.kept = (given, answer)
        return answer

    asked.kept = (None, None)
    return asked


def _same(one, other):
    return one is other or (isinstance(one, float | Pose) and one == other)
