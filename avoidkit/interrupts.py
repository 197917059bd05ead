"""Ctrl-C during a drive or a study: it is never lost, no row that it disturbed is kept, and workers do not hear it.

A Ctrl-C that arrives inside compiled code, or inside somebody's `except Exception`, comes out as another error or as
nothing at all; the row of that moment would then look like any other. So both remember that they were told to stop.
"""

import signal
import threading
from contextlib import contextmanager

_MAY_BE_HELD = hasattr(signal, "pthread_sigmask")  # not on Windows


class Heard:
    """Whether Ctrl-C came.

    Attributes
    ----------
    came : bool
    closing : bool
        Set while a study puts away what it has: a further Ctrl-C is then passed over.
    """

    def __init__(self):
        self.came, self.closing = False, False

    def signalled(self, number, frame):
        """What the signal calls."""
        self.came = True
        if not self.closing:
            raise KeyboardInterrupt

    def check(self):
        """Raise `KeyboardInterrupt` if Ctrl-C came, whatever became of the first one."""
        if self.came:
            raise KeyboardInterrupt


@contextmanager
def hearing():
    """A `Heard` that listens until the block ends; within another one, that one.

    Where Ctrl-C is not the interpreter's own to handle (another thread, a background job, a user's handler), it stays
    as it is.
    """
    handler = signal.getsignal(signal.SIGINT)
    outer = getattr(handler, "__self__", None)
    if isinstance(outer, Heard):
        yield outer
        return
    heard = Heard()
    if handler is not signal.default_int_handler or threading.current_thread() is not threading.main_thread():
        yield heard
        return
    signal.signal(signal.SIGINT, heard.signalled)
    try:
        yield heard
    finally:
        signal.signal(signal.SIGINT, handler)


@contextmanager
def held_back():
    """Processes that are started within the block do not hear Ctrl-C; it reaches this one when the block ends."""
    if not _MAY_BE_HELD:
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
