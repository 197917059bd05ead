"""Questions that come faster than they can be answered: the newest is answered next, those it overtook never."""

import asyncio
import threading
import time

IDLE_S = 30.0  # the thread ends when nobody has asked for so long
LET_GO_S = 0.0005  # so long the thread sleeps after each answer: what is sent leaves the kernel first


class Newest:
    """Hands the newest question to `answer`, on a thread of its own where a kernel's event loop runs.

    Without an event loop, as in a plain script, each question is answered at once by whoever posts it.

    Parameters
    ----------
    answer : callable (question)
        Takes the bench's lock itself. Nobody who posts waits for it: only then can a newer question overtake.
    """

    def __init__(self, answer):
        self._answer = answer
        self._waiting, self._thread, self._changed = None, None, threading.Condition()

    def post(self, question):
        """Answer this question next; one that still waits is forgotten."""
        if not _in_a_kernel():
            self._answer(question)
            return
        with self._changed:
            self._waiting = question
            self._changed.notify()
            if self._thread is None:
                self._thread = threading.Thread(target=self._run, daemon=True)
                self._thread.start()

    def take(self):
        """The question that waits, taken away; None where there is none."""
        with self._changed:
            question, self._waiting = self._waiting, None
            return question

    def finish(self):
        """Answer what waits now, on the caller's thread."""
        question = self.take()
        if question is not None:
            self._answer(question)

    def _run(self):
        while self._awaited():
            self.finish()
            time.sleep(LET_GO_S)

    def _awaited(self):
        """Wait for a question; False, and the thread is given up, where none has come for long."""
        with self._changed:
            there = self._changed.wait_for(lambda: self._waiting is not None, IDLE_S)
            if not there:
                self._thread = None  # the next question starts another
            return there


def _in_a_kernel():
    try:
        asyncio.get_running_loop()
    except RuntimeError:
        return False
    return True
