"""A decision made by another program, asked over a pipe once a cycle, in the closed loop.

Crash, garbage and silence raise; `drive` makes a HALT of that cycle and says why in its row. Only programs that the
user names are run, never anything that was loaded from a file.
"""

import weakref

from avoidkit.checks import InputError
from avoidkit.handover.pipe import Pipe, PipeError
from avoidkit.handover.records import situation_out
from avoidkit.handover.verdicts import verdict_in
from avoidkit.handover.wire import PROTOCOL, to_line

MOST_SILENT = 3  # so many answers in a row that do not come in time end the program


class ExternalError(Exception):
    """The other program crashed, was silent, or answered something that is no verdict."""


def external(command, *, timeout_s=1.0, start_timeout_s=10.0):
    """A decision by another program, for `drive(..., decide=external(["./my_decider"]))`.

    Parameters
    ----------
    command : list of str
        Program and arguments; no shell reads it.
    timeout_s : float
        Wall-clock time that an answer may take, s. Who is late is not waited for: that cycle is a HALT.
    start_timeout_s : float
        The same for the answer to `begin`.

    Returns
    -------
    External
    """
    return External(command, timeout_s, start_timeout_s)


class External:
    """Callable like `decide`; one program, started with the first question, told `begin` at each new drive.

    A program that has ended is not started again: from then on every cycle is a HALT. `close()` ends it, and so does
    the end of the object; as a context manager it ends with the block. Copies in other processes start programs of
    their own.
    """

    def __init__(self, command, timeout_s=1.0, start_timeout_s=10.0):
        if isinstance(command, str) or not command or not all(isinstance(word, str) and word for word in command):
            raise InputError(f"command must be a list of words such as ['./my_decider'], got {command!r}")
        for name, value in {"timeout_s": timeout_s, "start_timeout_s": start_timeout_s}.items():
            if not 0.0 < value <= 600.0:
                raise InputError(f"{name} must lie between 0 and 600 s, got {value}")
        self._command, self._timeout_s, self._start_s = list(command), float(timeout_s), float(start_timeout_s)
        self._reset()

    def _reset(self):
        self._pipe, self._end, self._why, self._silent = None, None, "", 0
        self._number, self._last_s, self._hash, self._known = 0, None, None, set()

    def __reduce__(self):
        return External, (self._command, self._timeout_s, self._start_s)

    def __call__(self, situation, tuning):
        """The verdict; `ExternalError` says what went wrong instead."""
        if self._why:
            raise ExternalError(self._why)
        again = self._last_s is None or situation.time_s <= self._last_s or tuning.hash != self._hash
        if again:
            self._begin(tuning)
        self._last_s = situation.time_s
        answer = self._ask("verdict", situation_out(situation, self._known), self._timeout_s)
        self._known |= {situation.path.name, situation.reference.name}
        try:
            return verdict_in(answer, situation, tuning.vehicle.top_mps)
        except InputError as error:
            raise ExternalError(f"the external decision answered no verdict: {error}") from None

    def _begin(self, tuning):
        if self._pipe is None:
            self._start()
        told = {"protocol": PROTOCOL, "tuning_hash": tuning.hash, "tuning": tuning.model_dump(mode="json")}
        self._known = set()
        answer = self._ask("begin", told, self._start_s)
        if answer.get("ready") is not True:
            raise ExternalError(f"the external decision is not ready: {str(answer)[:80]}")
        self._hash = tuning.hash

    def _start(self):
        try:
            self._pipe = Pipe(self._command)
        except OSError as error:
            self._why = f"the external decision {self._command[0]!r} cannot be started: {error.strerror}"
            raise ExternalError(self._why) from None
        self._end = weakref.finalize(self, self._pipe.close)

    def _ask(self, call, value, timeout_s):
        """The output of one call; what is late is passed over when it comes."""
        self._number += 1
        line = to_line({"id": self._number, "call": call, "input": value})
        try:
            found = self._pipe.ask(line, self._number, timeout_s)
        except TimeoutError:
            self._silent += 1
            said = f"the external decision did not answer {call} within {timeout_s:g} s"
            if self._silent >= MOST_SILENT or call == "begin":
                self._why = f"{said}; it was ended"
                self._pipe.close()
            raise ExternalError(self._why or said) from None
        except PipeError as error:
            self._why = f"the external decision has ended: {error}"
            self._pipe.close()
            raise ExternalError(self._why) from None
        self._silent = 0
        if "refused" in found:
            raise ExternalError(f"the external decision refused {call}: {str(found['refused'])[:200]}")
        if not isinstance(found.get("output"), dict):
            raise ExternalError(f"the external decision answered no output to {call}: {str(found)[:80]}")
        return found["output"]

    def close(self):
        """End the program; the next question starts it anew."""
        if self._end is not None:
            self._end()
        self._reset()

    @property
    def process_id(self):
        """Of the running program; None before the first question."""
        return None if self._pipe is None else self._pipe.process.pid

    def __enter__(self):
        return self

    def __exit__(self, *error):
        self.close()
