"""Work for when nobody drags: one job at a time on a thread of its own, given up once something newer is asked."""

import threading
import time


class Cancelled(Exception):
    """The work was given up; nothing is wrong."""


class IdleWork:
    """Runs one job beside the kernel's own thread, in short pieces that share the bench's lock.

    Parameters
    ----------
    lock : threading.RLock
        Held during each piece and during `done`, so that no two callbacks run at the same time.
    """

    def __init__(self, lock):
        self._lock, self._number, self._thread = lock, 0, None

    def start(self, job, done):
        """Give up what is running and run `job(guard)`; its result goes to `done(result)`, an exception as well.

        `guard(piece)` calls `piece()` under the lock, or raises `Cancelled` where something newer was asked.
        """
        self.cancel()
        self._thread = threading.Thread(target=self._run, args=(job, done, self._number), daemon=True)
        self._thread.start()

    def cancel(self):
        """Give up what is running; its result is never shown."""
        self._number += 1

    def wait(self, timeout_s=60.0):
        """Wait for the job that runs; for tests."""
        if self._thread is not None:
            self._thread.join(timeout_s)

    def _run(self, job, done, number):
        def guard(piece):
            time.sleep(0.0005)  # whoever drags goes first
            with self._lock:
                if number != self._number:
                    raise Cancelled
                return piece()

        try:
            result = job(guard)
        except Cancelled:
            return
        except Exception as error:  # noqa: BLE001  the user's own decision may raise anything
            result = error
        with self._lock:
            if number == self._number:
                done(result)
