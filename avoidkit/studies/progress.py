"""How far a study is: one line on a terminal, a bar in a notebook, a line now and then elsewhere, or nothing."""

import sys
import time

EVERY_S = {"terminal": 0.2, "notebook": 0.5, "lines": 30.0}


def bar(total, title, wanted=True):
    """Something with `step(done)` and `end()`.

    Parameters
    ----------
    total : int
    title : str
    wanted : bool or callable (done, total)
        False shows nothing; a callable is told instead.
    """
    if callable(wanted):
        return _Told(total, wanted)
    if not wanted or total == 0:
        return _Told(total, lambda done, total: None)
    shell = sys.modules.get("IPython")
    shell = shell.get_ipython() if shell is not None else None
    if shell is not None and type(shell).__name__ == "ZMQInteractiveShell":
        return _Notebook(total, title)
    return _Stream(total, title, sys.stderr)


class _Told:
    """Hands the figures on to a function."""

    def __init__(self, total, tell):
        self._total, self._tell = total, tell

    def step(self, done):
        self._tell(done, self._total)

    def end(self):
        """Nothing to clear away."""


class _Timed:
    """What is left by the pace so far."""

    def __init__(self, total, title, kind):
        self._total, self._title, self._every_s = total, title, EVERY_S[kind]
        self._started = self._shown = time.monotonic()
        self._first = None

    def step(self, done):
        now = time.monotonic()
        self._first = done if self._first is None else self._first
        if done < self._total and now - self._shown < self._every_s:
            return
        self._shown = now
        self._show(done, self._text(done, now))

    def _text(self, done, now):
        new = done - self._first + 1
        left_s = (now - self._started) / new * (self._total - done) if new > 0 else 0.0
        left = f", {left_s / 60:.0f} min left" if left_s >= 90 else f", {left_s:.0f} s left"
        return f"{self._title}: {done} of {self._total}{left if done < self._total else ''}"


class _Stream(_Timed):
    """A line that is written over on a terminal; a line every 30 s in a log."""

    def __init__(self, total, title, stream):
        self._live, self._stream = stream.isatty(), stream
        super().__init__(total, title, "terminal" if self._live else "lines")

    def _show(self, done, text):
        if not self._live:
            if done < self._total:
                self._stream.write(f"{text}\n")
        else:
            filled = round(30 * done / self._total)
            self._stream.write(f"\r[{'=' * filled}{' ' * (30 - filled)}] {text:<60}")
        self._stream.flush()

    def end(self):
        if self._live:
            self._stream.write("\r" + " " * 95 + "\r")
            self._stream.flush()


class _Notebook(_Timed):
    """A progress element below the cell, updated in place."""

    def __init__(self, total, title):
        super().__init__(total, title, "notebook")
        self._handle = None

    def _show(self, done, text):
        from html import escape

        from IPython.display import HTML, display

        shown = HTML(f'<progress max="{self._total}" value="{done}" style="width:20em"></progress> {escape(text)}')
        if self._handle is None:
            self._handle = display(shown, display_id=True)
        else:
            self._handle.update(shown)

    def end(self):
        """The last state stays below the cell."""
