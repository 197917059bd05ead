"""The live loop in real time: a thread steps it, the page sees each cycle, and the last minute is kept."""

import threading
import time
from collections import deque

from avoidkit.recording import Recorder

KEPT_S = 60.0
GRID_EVERY = 4  # cycles: five times a second
IN_FLIGHT = 4  # cycles that the page has not yet said it saw
SILENT_S = 2.0  # without a word of the page the clock stops


class LiveDrive:
    """Steps a `LiveLoop` by the wall clock, one cycle at a time under the bench's lock.

    Parameters
    ----------
    loop : LiveLoop
    lock : threading.RLock
    show : callable (row, number, state)
        Called under the lock after each cycle that the page has room for.
    """

    def __init__(self, loop, lock, show):
        self.loop, self._lock, self._show = loop, lock, show
        self.playing, self.speed, self.note = False, 1.0, ""
        self._cycle, self._number, self._seen, self._heard = 0, 0, 0, time.monotonic()
        self._kept = deque()
        self._checkpoint_s = -float("inf")
        self._alive, self._wake = True, threading.Event()
        self._thread, self.late_s = None, 0.0
        self.row = None

    # -- what the page says -------------------------------------------------------------------------------

    def hear(self, pressed, seen):
        """A word of the page: hold-to-run, and the number of the last cycle it has drawn."""
        self._heard, self._seen = time.monotonic(), max(self._seen, int(seen))
        self.loop.hand.say(pressed)

    def play(self):
        """Let the clock run."""
        self.playing, self.note, self._heard = True, "", time.monotonic()
        if self._thread is None or not self._thread.is_alive():
            self._alive = True
            self._thread = threading.Thread(target=self._run, daemon=True)
            self._thread.start()
        self._wake.set()

    def pause(self, note=""):
        """Stop the clock; nothing moves until `play` or `step`."""
        self.playing, self.note = False, note
        self.loop.hand.say(False)

    def close(self):
        """End the thread."""
        self.playing = self._alive = False
        self._wake.set()

    @property
    def waits(self):
        """Whether the page has yet to say that it saw what it was sent."""
        return self._number - self._seen >= IN_FLIGHT

    # -- one cycle ----------------------------------------------------------------------------------------

    def step(self):
        """One cycle now, shown whatever is under way."""
        with self._lock:
            self._advance()
            self.tell()
            return self.row

    def _advance(self):
        now = self._cycle * self.loop.tuning.cycle_s
        checkpoint = None
        if now >= self._checkpoint_s + 2.0 - 1e-9:
            checkpoint, self._checkpoint_s = self.loop.checkpoint(), now
        self.row = self.loop.step(now, with_grid=self._cycle % GRID_EVERY == 0)
        self._cycle += 1
        self._kept.append((self.row, checkpoint))
        while self._kept[-1][0].time_s - self._kept[0][0].time_s > KEPT_S + 2.0:
            self._kept.popleft()

    def tell(self):
        """Show the last cycle, such as after a pause."""
        self._number += 1
        self._show(self.row, self._number, self)

    def _run(self):
        due = time.monotonic()
        while self._alive:
            if not self.playing:
                self._wake.clear()
                self._wake.wait(0.5)
                due = time.monotonic()
                continue
            due = self._cycle_in_time(due)

    def _cycle_in_time(self, due):
        with self._lock:
            if not self.playing:
                return due
            if time.monotonic() - self._heard > SILENT_S:
                self.pause("The page is silent: the clock stands.")
                self.tell()
                return due
            self._advance()
            if not self.waits:
                self.tell()
        due += self.loop.tuning.cycle_s / self.speed
        behind = time.monotonic() - due
        self.late_s = max(behind, 0.0)
        if behind > 0.25:
            due = time.monotonic()  # too slow for real time: the scene's clock goes slower, nothing is skipped
        time.sleep(max(due - time.monotonic(), 0.001))
        return due

    # -- what was driven ----------------------------------------------------------------------------------

    def recording(self):
        """The last minute as a `Recording`, from the first checkpoint in it on; None before the first cycle."""
        with self._lock:
            kept = list(self._kept)
            first = next((k for k, (_, checkpoint) in enumerate(kept) if checkpoint is not None), None)
            if first is None:
                return None
            recorder = Recorder(None, self.loop.scene, self.loop.tuning, self.loop.seed)
            paths = self.loop.all_paths
            for row, checkpoint in kept[first:]:
                recorder.add(row, paths, checkpoint)
                paths = ()
            return recorder.close("interrupted")
