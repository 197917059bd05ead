"""A program at the other end of a pipe: a line out, a line back, within a time, and never more than that."""

import contextlib
import os
import selectors
import signal
import subprocess
import time

from avoidkit.checks import InputError
from avoidkit.handover.wire import from_line

LONGEST = 4_000_000  # bytes of one answer
STDERR_KEPT = 400  # bytes of the last words of a program that ended


class PipeError(Exception):
    """The program has ended, or what it says is no answer."""


class Pipe:
    """One program with stdin and stdout for lines; neither side can block the other for longer than asked.

    Parameters
    ----------
    command : list of str
    """

    def __init__(self, command):
        ends = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
        self.process = subprocess.Popen(command, **ends, bufsize=0, start_new_session=True)
        for end in (self.process.stdin, self.process.stdout, self.process.stderr):
            os.set_blocking(end.fileno(), False)
        self._pending, self._read, self._said, self._open = b"", b"", b"", True

    def ask(self, line, number, timeout_s):
        """Send a line and give the answer of that `id`; older answers that come late are passed over.

        Raises
        ------
        TimeoutError
            If none comes in time.
        PipeError
            If the program has ended, or says something that is no answer.
        """
        until_s = time.monotonic() + timeout_s
        self._pending += line.encode("utf-8") + b"\n"
        while True:
            found = self._answer(number)
            if found is not None:
                return found
            self._move(until_s)

    def _answer(self, number):
        while b"\n" in self._read:
            line, self._read = self._read.split(b"\n", 1)
            try:
                found = from_line(line.decode("utf-8"))
            except (InputError, UnicodeDecodeError):
                raise PipeError(f"it said something that is no JSON: {line[:60]!r}") from None
            if not isinstance(found, dict) or not isinstance(found.get("id"), int) or found["id"] > number:
                raise PipeError(f"it said something that is no answer to {number}: {line[:60]!r}")
            if found["id"] == number:
                return found
        if len(self._read) > LONGEST:
            raise PipeError(f"its answer is longer than {LONGEST} bytes")
        return None

    def _move(self, until_s):
        """Write what can be written and read what is there, waiting for either."""
        left_s = until_s - time.monotonic()
        if left_s <= 0:
            raise TimeoutError
        process = self.process
        with selectors.DefaultSelector() as ready:
            ready.register(process.stdout, selectors.EVENT_READ)
            if self._open:
                ready.register(process.stderr, selectors.EVENT_READ)
            if self._pending:
                ready.register(process.stdin, selectors.EVENT_WRITE)
            events = ready.select(min(left_s, 0.5))
        for key, _ in events:
            if key.fileobj is process.stdin:
                self._write()
            elif key.fileobj is process.stderr:
                more = self._more(process.stderr)
                self._open = more != b""
                self._said = (self._said + (more or b""))[-STDERR_KEPT:]
            else:
                self._take()

    def _write(self):
        try:
            self._pending = self._pending[os.write(self.process.stdin.fileno(), self._pending[:65536]) :]
        except BlockingIOError:
            pass
        except OSError:
            raise PipeError(self._last_words()) from None

    def _take(self):
        more = self._more(self.process.stdout)
        if more == b"":
            raise PipeError(self._last_words())
        self._read += more or b""

    @staticmethod
    def _more(end):
        """What can be read now: bytes, b"" at the end, None where there is nothing yet."""
        try:
            return os.read(end.fileno(), 65536)
        except BlockingIOError:
            return None

    def _last_words(self):
        with contextlib.suppress(subprocess.TimeoutExpired):
            self.process.wait(0.5)
        self._said += (self._more(self.process.stderr) or b"") if self._open else b""
        code = self.process.returncode
        how = "it closed its output" if code is None else f"exit code {code}" if code >= 0 else f"signal {-code}"
        words = self._said[-STDERR_KEPT:].decode("utf-8", "replace").strip()
        return f"{how}{': ' if words else ''}{words}"

    def close(self):
        """End the program and everything that it started."""
        process = self.process
        with contextlib.suppress(OSError):
            process.stdin.close()
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(0.2)
        with contextlib.suppress(OSError):
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()
        for end in (process.stdout, process.stderr):
            end.close()
