"""One decorator round numba, so that hot loops read like plain Python and may be run as such.

`AVOIDKIT_JIT=0` in the environment leaves every function as it is written; numba is not imported then.
"""

import os
import sys

_said_uncached = False


def jit_enabled():
    """Whether compiled loops are in use (environment variable `AVOIDKIT_JIT` is not `0`)."""
    return os.environ.get("AVOIDKIT_JIT", "1") != "0"


def compiled(function):
    """Compile a small pure function over arrays, cached on disk where a folder can be written.

    No `fastmath`, no `parallel`: the result follows the IEEE rules of the written expression. Where
    no cache folder is writable the function is compiled for this process only, which is said once.

    Examples
    --------
    >>> @compiled
    ... def double(x):
    ...     return 2.0 * x
    >>> double(1.5)
    3.0
    """
    if not jit_enabled():
        return function
    import numba

    try:
        return numba.njit(cache=True)(function)
    except RuntimeError as error:  # numba: "cannot cache function ...: no locator available"
        if "cannot cache" not in str(error):
            raise
        _say_uncached_once()
        return numba.njit(function)


def _say_uncached_once():
    global _said_uncached
    if not _said_uncached:
        _said_uncached = True
        print("avoidkit: no writable cache folder, loops are compiled anew in each process", file=sys.stderr)
