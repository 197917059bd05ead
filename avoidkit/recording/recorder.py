"""Takes in a drive while it happens, so that a killed process loses at most the last second or two."""

import math
from pathlib import Path

from avoidkit.checks import InputError
from avoidkit.recording.checkpoints import pack_checkpoint
from avoidkit.recording.files import PartWriter
from avoidkit.recording.header import header, versions
from avoidkit.recording.packing import PathBook, to_batch
from avoidkit.recording.record import EPS_S, Recording, load_recording, mend
from avoidkit.recording.store import MemoryStore

FLUSH_EVERY_S = 1.0
CHECKPOINT_EVERY_S = 2.0
GRID_EVERY_S = 0.5


class Recorder:
    """Takes in one row a cycle; with a path, each is on disk within a second of recorded time.

    Used as a context manager, a drive that an exception breaks off (Ctrl-C as well) is closed too, so
    that what was driven can be read.

    Parameters
    ----------
    path : path or None
        Where the finished Parquet file goes; while driving there is PATH.part beside it. An older file
        of that name is replaced at the end and not before. None: in memory only.
    scene, tuning, seed :
        What shapes the drive.
    """

    def __init__(self, path, scene, tuning, seed):
        self.path = None if path is None else Path(path)
        self._shaped_by = (scene, tuning, int(seed))
        self._versions = versions()
        self._cycles, self._book, self._paths_taken, self._part = [], PathBook(), 0, None
        self._last_s = self._flush_s = self._checkpoint_s = self._grid_s = -math.inf
        self.recording = None
        if self.path is not None:
            _check_place(self.path)
            self._part = PartWriter(Path(f"{self.path}.part"), header(*self._shaped_by, self._versions))

    def wants_checkpoint(self, time_s):
        """Whether the row at `time_s` should come with a checkpoint: every 2 s, beginning with the first row."""
        return time_s >= self._checkpoint_s + CHECKPOINT_EVERY_S - EPS_S

    def wants_grid(self, time_s):
        """Whether the row at `time_s` should come with its grid: every 0.5 s, beginning with the first row."""
        return time_s >= self._grid_s + GRID_EVERY_S - EPS_S

    def add(self, row, new_paths=(), checkpoint=None):
        """Take in one row.

        Parameters
        ----------
        row : Row
        new_paths : sequence of Path
            Paths that begin to play a part; those already known, and the verdict's own, need not be named.
        checkpoint : dict or None
            `{"tracker": tracker.checkpoint(), "free_space": space.checkpoint()}` as they were *before* this row.
        """
        if not row.time_s > self._last_s:
            raise InputError(f"row.time_s must grow, got {row.time_s} after {self._last_s}")
        for path in (*new_paths, row.verdict.path):
            self._book.key(path)
        packed = None if checkpoint is None else pack_checkpoint(checkpoint)
        self._cycles.append((row, self._book.since(self._paths_taken), packed))
        self._paths_taken, self._last_s = len(self._book.paths), row.time_s
        if packed is not None:
            self._checkpoint_s = row.time_s
        if row.grid is not None:
            self._grid_s = row.time_s
        if self._part is not None and row.time_s >= self._flush_s + FLUSH_EVERY_S - EPS_S:
            self._flush()

    def _flush(self):
        if self._cycles:
            batch = to_batch(self._cycles, self._book)
            self._cycles, self._flush_s = [], self._last_s  # before writing: Ctrl-C may lose rows, never double them
            self._part.write(batch)

    def close(self, ended=""):
        """End the recording and return it; with a path, the Parquet file stands in place of the `.part` then."""
        if self.recording is None:
            self.recording = self._to_memory(ended) if self._part is None else self._to_file(ended)
        return self.recording

    def _to_memory(self, ended):
        return Recording(*self._shaped_by, MemoryStore(self._cycles, self._book), versions=self._versions, ended=ended)

    def _to_file(self, ended):
        self._flush()
        self._part.close()
        mend(self._part.path, self.path, ended=ended)
        return load_recording(self.path)

    def __enter__(self):
        return self

    def __exit__(self, kind, error, trace):
        if self.recording is None:
            self.close("" if kind is None else f"broken off: {kind.__name__}")


def _check_place(path):
    if path.is_dir():
        raise InputError(f"{path}: is a folder, a file name was wanted")
    if not path.parent.is_dir():
        raise InputError(f"{path}: there is no folder {path.parent}")
