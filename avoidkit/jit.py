"""One decorator round numba, so that hot loops read like plain Python and may be run as such.

`AVOIDKIT_JIT=0` in the environment leaves every function as it is written; numba is not imported then.
"""

import ast
import contextlib
import functools
import os
import sys
import time
from pathlib import Path

_said_uncached = False


def jit_enabled():
    """Whether compiled loops are in use (environment variable `AVOIDKIT_JIT` is not `0`)."""
    return os.environ.get("AVOIDKIT_JIT", "1") != "0"


def compiled(function):
    """Compile a small pure function over arrays, cached on disk where a folder can be written.

    No `fastmath`, no `parallel`: the result follows the IEEE rules of the written expression. Where no cache folder
    is writable the function is compiled for this process only, which is said once. What is cached is compiled anew
    when the function's own file or one whose compiled functions or constants it may use has changed.

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
        fast = numba.njit(cache=True)(function)
        _watch_more(fast, function)
        return fast
    except RuntimeError as error:  # numba: "cannot cache function ...: no locator available"
        if "cannot cache" not in str(error):
            raise
        _say_uncached_once()
        return numba.njit(function)


def _watch_more(fast, function):
    """Let the cache of a compiled function also look at the files that it builds on; numba looks at its own alone."""
    index = getattr(getattr(fast, "_cache", None), "_cache_file", None)
    module = sys.modules.get(function.__module__)
    file = getattr(module, "__file__", None)
    if index is None or file is None or not hasattr(index, "_source_stamp"):
        return
    files = sorted(_builds_on(Path(file), _root_of(function.__module__, Path(file))))
    stamps = tuple((name.name, name.stat().st_mtime_ns, name.stat().st_size) for name in files)
    index._source_stamp = (index._source_stamp, stamps)


def _root_of(module, file):
    """The folder from which a module is imported by its dotted name."""
    return file.parents[module.count(".") + (file.name == "__init__.py")]


@functools.cache
def _builds_on(file, root):
    """Files whose compiled functions or constants a file imports, and theirs in turn, below the same root."""
    found, todo = set(), [file]
    while todo:
        more = _used_by(todo.pop(), root) - found - {file}
        found |= more
        todo += more
    return frozenset(found)


@functools.cache
def _used_by(file, root):
    """Files below `root` from which a file imports a module, a constant or what may be a compiled function."""
    text, used = file.read_text(encoding="utf-8"), set()
    for node in ast.parse(text).body:
        if not isinstance(node, ast.ImportFrom) or node.level or not node.module:
            continue
        base = root / Path(*node.module.split("."))
        for name in node.names:
            whole = base / f"{name.name}.py"
            one = whole if whole.is_file() else base.with_suffix(".py")
            if one.is_file() and (one == whole or name.name.isupper() or _compiles(one)):
                used.add(one)
    return frozenset(used)


@functools.cache
def _compiles(file):
    return "@compiled" in file.read_text(encoding="utf-8")


def _say_uncached_once():
    global _said_uncached
    if not _said_uncached:
        _said_uncached = True
        print("avoidkit: no writable cache folder, loops are compiled anew in each process", file=sys.stderr)


def on_compiling(tell, *, after_s=1.0, every_s=1.0):
    """Call `tell()` while numba compiles in this process: once that has gone on for `after_s`, then every `every_s`.

    Loops that come from the cache folder are not compiled, and nothing is told. It is called on the thread that
    compiles, from within the compiler: it should be short and must not call a compiled function.

    Returns
    -------
    stop : callable
        Ends the telling; may be called twice. Without compiled loops there is nothing to end.
    """
    if not jit_enabled():
        return lambda: None
    from numba.core import event

    listener = _teller(event.Listener, tell, after_s, every_s)
    event.register("numba:compile", listener)
    going = [listener]

    def stop():
        while going:
            event.unregister("numba:compile", going.pop())

    return stop


def _teller(base, tell, after_s, every_s):
    class Teller(base):
        next_s = None  # on the clock, when `tell` is due

        def on_start(self, event):
            if self.next_s is None:
                self.next_s = time.monotonic() + after_s
            self._look()

        def on_end(self, event):
            self._look()

        def _look(self):
            if self.next_s is None or time.monotonic() < self.next_s:
                return
            self.next_s = time.monotonic() + every_s
            with contextlib.suppress(Exception):  # whoever tells must never disturb the compiler
                tell()

    return Teller()


def say_while_compiling(stream):
    """Write one line to a stream if loops have to be compiled; returns `stop` of `on_compiling`."""

    def tell():
        stop()
        stream.write("avoidkit: compiling its loops; that can take a minute, `avoidkit compile` does it beforehand\n")
        stream.flush()

    stop = on_compiling(tell)
    return stop
