"""What a decision looked at, rebuilt exactly: tracker and free space from their last checkpoint, scans replayed."""

from collections import deque

import numpy as np

from avoidkit.checks import InputError
from avoidkit.recording.checkpoints import unpack_checkpoint
from avoidkit.tracking.records import no_tracks
from avoidkit.verdict import Memory, Situation


def situation_at(recording, index, *, track=None, map_space=None):
    """The `Situation` of row `index`; for many in a row `situations_of` is faster."""
    _, tracks, grid = deque(_replayed(recording, index, index + 1, track, map_space), maxlen=1).pop()
    return _situation(recording, index, tracks, grid)


def situations_of(recording, start, stop, *, track=None, map_space=None):
    """Yield the `Situation` of each row from `start` up to and without `stop`, replaying only once.

    With factories of one's own the checkpoints, which belong to the stages that drove, are left alone
    and everything is replayed from the first row. A grid may change when the next one is asked for.

    Parameters
    ----------
    recording : Recording
    start, stop : int
    track, map_space : factories or None
        `track(tuning)` and `map_space(tuning)` as in `drive`; None: the kit's own.
    """
    for i, tracks, grid in _replayed(recording, start, stop, track, map_space):
        if i >= start:
            yield _situation(recording, i, tracks, grid)


def stages_before(recording, index):
    """Memory of the kit's tracker and free space before row `index`, as a checkpoint that a recorder takes."""
    tracker, space, first = _stages(recording, index, None, None)
    for _ in _stepping(recording, tracker, space, first, index):
        pass
    return {"tracker": tracker.checkpoint(), "free_space": space.checkpoint()}


def _replayed(recording, start, stop, track, map_space):
    """Yield (row index, tracks, grid) from the last checkpoint at or before `start` up to `stop`."""
    tracker, space, first = _stages(recording, start, track, map_space)
    yield from _stepping(recording, tracker, space, first, stop)


def _stepping(recording, tracker, space, first, stop):
    grid = None
    for i in range(first, stop):
        row = recording.rows[i]
        scans = list(row.scans)
        tracks = _stepped(row, "tracker", no_tracks(row.time_s), tracker.step, scans, row.ego)
        grid = _stepped(row, "free space", grid, space.step, scans, row.echoes, tracks, row.ego)
        yield i, tracks, grid


class LoggedTracks:
    """In place of a tracker where a log brought tracks: hands out those of the row, and has no memory.

    Parameters
    ----------
    recording : Recording
    """

    def __init__(self, recording):
        self._rows, self._times = recording.rows, recording.times_s

    def step(self, scans, ego):
        """The tracks of the row at `ego.time_s`; the scans are not looked at."""
        k = int(np.searchsorted(self._times, ego.time_s - 1e-9))
        if k == len(self._times) or abs(self._times[k] - ego.time_s) > 1e-9:
            raise InputError(f"no logged row at {ego.time_s} s")
        return self._rows[k].tracks

    def checkpoint(self):
        """Nothing to keep."""
        return {}

    def restore(self, saved):
        """Nothing to take up."""


def _stepped(row, name, instead, step, *inputs):
    """What a stage hands out; where it failed in the drive it may fail again, and the drive went on with `instead`."""
    if not row.error.startswith(f"{name}:"):
        return step(*inputs)
    try:
        return step(*inputs)
    except Exception:  # noqa: BLE001  (a replaced stage may raise anything; the row already says what)
        return instead


def _stages(recording, index, track, map_space):
    """Both stages as they were before the first row that has to be replayed, and that row's index."""
    from avoidkit.freespace import FreeSpace
    from avoidkit.tracking import Tracker

    if track is None and brings_tracks(recording):
        tracker = LoggedTracks(recording)
    else:
        tracker = (track or Tracker)(recording.tuning)
    space = (map_space or FreeSpace)(recording.tuning)
    kits = track is None or (track is Tracker and not brings_tracks(recording))
    own = kits and map_space in (None, FreeSpace)
    found = recording.rows.checkpoint_before(index) if own else None
    if found is None:
        return tracker, space, 0
    at, data = found
    checkpoint = unpack_checkpoint(data)
    if not {"tracker", "free_space"} <= set(checkpoint):
        raise InputError(f"the checkpoint at row {at} must hold tracker and free_space, got {sorted(checkpoint)}")
    tracker.restore(checkpoint["tracker"])
    space.restore(checkpoint["free_space"])
    return tracker, space, at


def brings_tracks(recording):
    """Whether the tracks of a recording are those of a log, and no tracker of the kit made them."""
    return bool(recording.log) and recording.log.get("tracks") == "logged"


def _situation(recording, index, tracks, grid):
    row, paths = recording.rows[index], recording.paths
    for name in (row.path, "reference"):
        if name not in paths:
            raise InputError(f"the recording holds no path {name!r}: known are {sorted(paths)}")
    return Situation(
        time_s=row.time_s,
        ego=row.ego,
        path=paths[row.path],
        along_m=row.along_m,
        reference=paths["reference"],
        reference_along_m=row.reference_along_m,
        tracks=tracks,
        grid=grid,
        echoes=row.echoes,
        hold=row.hold,
        sensors=dict(row.sensors),
        memory=recording.rows[index - 1].verdict.memory if index else recording.before or Memory(),
    )
