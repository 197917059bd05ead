"""Rows of a recording from one time to another, as a recording of its own."""

import bisect

from avoidkit.checks import InputError
from avoidkit.recording.checkpoints import pack_checkpoint
from avoidkit.recording.packing import PathBook
from avoidkit.recording.store import MemoryStore

EPS_S = 1e-9


def slice_of(recording, from_s, to_s):
    """See `Recording.between`."""
    times = recording.times_s
    start = 0 if from_s is None else bisect.bisect_left(times, from_s - EPS_S)
    stop = len(times) if to_s is None else bisect.bisect_right(times, to_s + EPS_S)
    if stop <= start:
        has = f"rows are from {times[0]:g} to {times[-1]:g} s" if len(times) else "there are no rows"
        raise InputError(f"from_s {from_s}, to_s {to_s}: no recorded row lies between: {has}")
    cycles = recording.rows.cycles(start, stop)
    book = PathBook()
    for path in recording.rows.book.paths:  # all of them, in order: keys and names stay
        book.key(path)
    row, _, checkpoint = cycles[0]
    if start and checkpoint is None:
        checkpoint = _checkpoint_before(recording, start)
    cycles[0] = (row, (), checkpoint)
    before = recording.rows[start - 1].verdict.memory if start else recording.before
    ended = recording.ended if stop == len(times) else "slice"
    return type(recording)(
        recording.scene, recording.tuning, recording.seed, MemoryStore(_in_order(cycles, book), book),
        versions=recording.versions, ended=ended, notes=recording.notes, log=recording.log, before=before,
    )  # fmt: skip


def _in_order(cycles, book):
    """The cycles with all paths new in the first row: a file wants their keys to count from 0 in order."""
    (row, _, checkpoint), *others = cycles
    return [(row, book.since(0), checkpoint), *((row, [], checkpoint) for row, _, checkpoint in others)]


def _checkpoint_before(recording, start):
    """Memory of the kit's own stages before row `start`, packed; None where the recording keeps none at all."""
    from avoidkit.recording.replay import stages_before

    if recording.rows.checkpoint_before(start) is None:
        return None
    return pack_checkpoint(stages_before(recording, start))
