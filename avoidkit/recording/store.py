"""Where the rows of a recording are: in memory, or in a file from which they are read when asked for."""

from collections import OrderedDict
from collections.abc import Sequence

import numpy as np

from avoidkit.recording.files import damage_named
from avoidkit.recording.packing import PathBook, to_batch
from avoidkit.recording.unpacking import book_of, to_rows

KEEP_GROUPS = 6  # groups of rows kept decoded
ROWS_PER_BATCH = 100  # rows packed together when a recording is saved or compared
NOT_COMPARED = ("stages", "checkpoint")


class MemoryStore(Sequence):
    """Rows in memory, with the paths that came in and the checkpoint of each."""

    def __init__(self, cycles, book=None):
        self._cycles = tuple(cycles)
        self.book = book or PathBook()

    def __len__(self):
        return len(self._cycles)

    def __getitem__(self, i):
        return tuple(cycle[0] for cycle in self._cycles[i]) if isinstance(i, slice) else self._cycles[i][0]

    def cycles(self, start, stop):
        """Rows `start` to `stop`, each with its new paths and its checkpoint's bytes."""
        return list(self._cycles[start:stop])

    def numbers(self, name):
        """One top-level number or text of every row as an array."""
        pick = {"action": lambda row: str(row.verdict.action)}.get(name, lambda row: getattr(row, name))
        return np.array([pick(row) for row in self])

    def checkpoint_before(self, i):
        """(index, bytes) of the last checkpoint at or before row `i`; None where there is none."""
        return next(((k, self._cycles[k][2]) for k in range(i, -1, -1) if self._cycles[k][2] is not None), None)

    def checkpoints(self):
        """Yield (index, bytes) of every checkpoint."""
        yield from ((i, cycle[2]) for i, cycle in enumerate(self._cycles) if cycle[2] is not None)


class FileStore(Sequence):
    """Rows of a file, decoded by groups when asked for; the last few groups are kept."""

    def __init__(self, source):
        self._source = source
        self._starts = np.concatenate([[0], np.cumsum(source.group_rows)]).astype(int)
        with damage_named(source.path):
            self.book, self._new_at = book_of(source.column("new_paths"))
        self._kept = OrderedDict()

    def __len__(self):
        return int(self._starts[-1])

    def __getitem__(self, i):
        if isinstance(i, slice):
            return tuple(self[k] for k in range(*i.indices(len(self))))
        if not -len(self) <= i < len(self):
            raise IndexError(f"row {i} of {len(self)}")
        group, k = self._place(i % len(self))
        return self._decoded(group)[k]

    def _place(self, i):
        group = int(np.searchsorted(self._starts, i, side="right")) - 1
        return group, i - int(self._starts[group])

    def _decoded(self, group):
        if group not in self._kept:
            table = self._source.group(group)
            with damage_named(self._source.path):
                self._kept[group] = to_rows(table, self.book, self._source.version)
            if len(self._kept) > KEEP_GROUPS:
                self._kept.popitem(last=False)
        self._kept.move_to_end(group)
        return self._kept[group]

    def cycles(self, start, stop):
        """Rows `start` to `stop`, each with its new paths and its checkpoint's bytes."""
        checkpoints = dict(self._checkpoints_between(start, stop))
        return [
            (self[i], [(key, self.book.paths[key]) for key in self._new_at.get(i, ())], checkpoints.get(i))
            for i in range(start, min(stop, len(self)))
        ]

    def numbers(self, name):
        """One top-level number or text of every row as an array."""
        column = self._source.column(name)
        return np.array(column.to_pylist()) if name == "action" else column.to_numpy()

    def _checkpoints_of(self, group):
        column = self._source.group(group, columns=["checkpoint"]).column("checkpoint").combine_chunks()
        start = int(self._starts[group])
        places = np.flatnonzero(column.is_valid().to_numpy(zero_copy_only=False))
        return [(start + int(k), column[int(k)].as_py()) for k in places]

    def _checkpoints_between(self, start, stop):
        groups = range(self._place(start)[0], self._place(min(stop, len(self)) - 1)[0] + 1) if start < len(self) else ()
        return [found for group in groups for found in self._checkpoints_of(group)]

    def checkpoint_before(self, i):
        """(index, bytes) of the last checkpoint at or before row `i`; None where there is none."""
        for group in range(self._place(i)[0], -1, -1):
            found = [pair for pair in self._checkpoints_of(group) if pair[0] <= i]
            if found:
                return found[-1]
        return None

    def checkpoints(self):
        """Yield (index, bytes) of every checkpoint."""
        for group in range(len(self._starts) - 1):
            yield from self._checkpoints_of(group)


def batches_of(store):
    """Yield all rows of a store as Arrow batches; equal rows give equal batches wherever they come from."""
    for start in range(0, len(store), ROWS_PER_BATCH):
        yield to_batch(store.cycles(start, start + ROWS_PER_BATCH), store.book)


def content_of(batch):
    """Yield (column name, bytes) of all that counts in comparisons."""
    import pyarrow as pa

    for name in batch.schema.names:
        if name not in NOT_COMPARED:
            one = pa.RecordBatch.from_arrays([batch.column(name)], schema=pa.schema([batch.schema.field(name)]))
            yield name, one.serialize()


def first_difference(mine, others):
    """(time_s, column) of the first row and column in which two stores differ; None where they are equal."""
    for start in range(0, max(len(mine), len(others)), ROWS_PER_BATCH):
        ours, theirs = (store.cycles(start, start + ROWS_PER_BATCH) for store in (mine, others))
        if _batch_bytes(ours, mine.book) == _batch_bytes(theirs, others.book):
            continue
        for a, b in zip(ours, theirs, strict=False):
            left, right = dict(_batch_bytes([a], mine.book)), dict(_batch_bytes([b], others.book))
            for name in left:
                if left[name] != right[name]:
                    return a[0].time_s, name
        shorter = min(len(ours), len(theirs))
        longer = ours if len(ours) > shorter else theirs
        return longer[shorter][0].time_s, "time_s"
    return None


def _batch_bytes(cycles, book):
    return [(name, bytes(data)) for name, data in content_of(to_batch(cycles, book))]
