"""The pool that a study works with: one that was handed in, or one that is made, remade when it breaks, and ended."""

import os
import signal
from concurrent.futures import Executor
from contextlib import contextmanager, suppress

from avoidkit.checks import InputError
from avoidkit.interrupts import held_back


class Pool:
    """An executor, and what may be done with it.

    Parameters
    ----------
    executor : Executor, or callable that makes one
        The first stays open. What the second makes is ended with the study.
    lasting : bool
        It serves several plans one after the other: `leave` then ends it only after a failure.

    Attributes
    ----------
    now : Executor
    may_remake : bool
    """

    def __init__(self, executor, *, lasting=False):
        is_pool = isinstance(executor, Executor)
        if not is_pool and not callable(executor):
            raise InputError(f"executor must be None, an Executor or a function that makes one, got {executor!r}")
        self._make, self._lasting = None if is_pool else executor, lasting
        self.may_remake = not is_pool
        self.now = executor if is_pool else executor()

    def submit(self, work, *given):
        """The future of a piece of work; workers that are started for it do not hear Ctrl-C."""
        with held_back():
            return self.now.submit(work, *given)

    def remake(self):
        """End what is left of a broken pool, and make another."""
        self._end_at_once()
        self.now = self._make()

    def leave(self, flying, *, done):
        """After a plan: `flying` are the futures still under way, `done` says that none are and all went well."""
        if not self.may_remake:
            for future in flying:
                future.cancel()
        elif not done:
            self._end_at_once()
        elif not self._lasting:
            self.now.shutdown()

    def close(self):
        """End it once its work is done, unless it was handed in."""
        if self.may_remake:
            self.now.shutdown()

    def _end_at_once(self):
        """Kill the workers; futures are left to the pool, whose own thread stumbles over those that others cancel."""
        workers = list((getattr(self.now, "_processes", None) or {}).values())
        self.now.shutdown(wait=False, cancel_futures=True)
        for worker in workers:
            with suppress(ProcessLookupError):  # it may end between the question and the signal
                if worker.is_alive():
                    os.kill(worker.pid, signal.SIGTERM)


@contextmanager
def lasting(executor):
    """A `Pool` for several plans, or None for None; ended with the block."""
    if executor is None:
        yield None
        return
    pool = Pool(executor, lasting=True)
    try:
        yield pool
    except BaseException:
        pool.leave((), done=False)
        raise
    pool.close()
