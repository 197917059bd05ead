"""A recorded drive: its rows, what shaped them, and the questions one asks of it."""

import bisect
import hashlib
from pathlib import Path

from avoidkit.checks import InputError, require_finite
from avoidkit.recording.checkpoints import unpack_checkpoint
from avoidkit.recording.columns import FORMAT_VERSION
from avoidkit.recording.extras import mark_of, pack_extras, read_extras
from avoidkit.recording.files import open_source, write_parquet
from avoidkit.recording.header import header, read_header
from avoidkit.recording.store import FileStore, batches_of, content_of, first_difference
from avoidkit.recording.summary import summarise
from avoidkit.shown import shown

CUT_OFF = "cut off"
EPS_S = 1e-9


class Recording:
    """A drive: one `Row` a cycle, its paths, and what shaped it (scene, tuning, seed, versions).

    Attributes
    ----------
    scene : Scene
    tuning : Tuning
    seed : int
    rows : sequence of Row
        Read from the file when they are asked for, where there is one.
    versions : dict
        Of the kit, Python and the libraries that shaped the numbers.
    ended : str
        Why the drive ended.
    notes : tuple of str
        What this version of the kit reads otherwise than the one that drove; empty as a rule.
    log : dict or None
        What a recording that was read from a foreign log rests on (see `avoidkit.logs`); None: the kit drove.
    before : Memory or None
        What the decision remembered before the first row, where the rows are a slice.
    """

    def __init__(self, scene, tuning, seed, store, *, versions, ended="", notes=(), log=None, before=None):
        self.scene, self.tuning, self.seed = scene, tuning, int(seed)
        self.rows, self.versions, self.ended, self.notes = store, dict(versions), ended, tuple(notes)
        self.log, self.before = log, before
        self._times = None

    def __len__(self):
        return len(self.rows)

    def __repr__(self):
        marked = f", {self.mark}" if self.mark else ""
        return (
            f"<Recording of {self.scene.name!r}: {len(self)} rows, {self.duration_s:.2f} s, seed {self.seed}{marked}>"
        )

    @property
    def mark(self):
        """What was assumed rather than measured, in words for tables and pictures; empty for a drive of the kit."""
        return mark_of(self.log)

    @property
    def paths(self):
        """Every path of the drive, as {name: Path}; `reference` among them."""
        return self.rows.book.by_name()

    @property
    def times_s(self):
        """(n,) array of the rows' times, s."""
        if self._times is None:
            self._times = self.rows.numbers("time_s")
        return self._times

    @property
    def actions(self):
        """(n,) array of the rows' actions, as text."""
        return self.rows.numbers("action")

    @property
    def duration_s(self):
        """Recorded time, s, from the first row to the last."""
        return float(self.times_s[-1] - self.times_s[0]) if len(self) else 0.0

    @property
    def checkpoints(self):
        """Memory of tracker and free space, as {row index: {stage: what its `checkpoint()` gave}}."""
        return {i: unpack_checkpoint(data) for i, data in self.rows.checkpoints()}

    def index_at(self, time_s):
        """Index of the last row at or before `time_s`; `InputError` where there is none."""
        require_finite(time_s=time_s)
        k = bisect.bisect_right(self.times_s, time_s + EPS_S) - 1
        if k < 0:
            first = f"the first row is at {self.times_s[0]} s" if len(self) else "there are no rows"
            raise InputError(f"time_s {time_s} lies before the recording: {first}")
        return k

    def row_at(self, time_s):
        """The last row at or before `time_s`."""
        return self.rows[self.index_at(time_s)]

    def situation(self, time_s, track=None, map_space=None):
        """Exactly what the decision looked at in the cycle at `time_s`, rebuilt from the last checkpoint.

        Parameters
        ----------
        track, map_space : factories or None
            The stages that drove, as in `drive`; None: the kit's own. Others have no use for the
            checkpoints, so everything is replayed from the first row.

        Returns
        -------
        Situation
        """
        from avoidkit.recording.replay import situation_at

        return situation_at(self, self.index_at(time_s), track=track, map_space=map_space)

    def situations(self, from_s=None, to_s=None, track=None, map_space=None):
        """Yield the situations of all rows, or of those from one time to another, replaying only once.

        A grid may change when the next situation is asked for: copy what has to last.
        """
        from avoidkit.recording.replay import situations_of

        start = 0 if from_s is None else self.index_at(from_s)
        stop = len(self) if to_s is None else self.index_at(to_s) + 1
        yield from situations_of(self, start, stop, track=track, map_space=map_space)

    def between(self, from_s=None, to_s=None):
        """The rows from one time to another as a recording of its own; `situation` is as exact there as in the whole.

        Times stay those of the whole. The kit's own stages are replayed up to the first row, so that the
        slice begins with a checkpoint; a stage of one's own is replayed from the first row of the slice.

        Parameters
        ----------
        from_s, to_s : float or None
            s, both ends included; None: from the first, up to the last row.

        Raises
        ------
        InputError
            If no row lies between.
        """
        from avoidkit.recording.slices import slice_of

        return slice_of(self, from_s, to_s)

    def to_pandas(self):
        """One line a cycle, flat columns in SI units: scalars, records by `record_part`, counts of lists.

        With a column `assumed` where the recording was read from a log and something was assumed.
        """
        from avoidkit.recording.flat import flat_frame

        frame = flat_frame(self.rows)
        return frame.assign(assumed=self.mark) if self.mark else frame

    def to_numpy(self):
        """Arrays by name: one number a cycle, `returns` and `tracks` with one entry each; see `flat.arrays_of`."""
        from avoidkit.recording.flat import arrays_of

        return arrays_of(self.rows)

    def summary(self):
        """What the drive came to: see `avoidkit.recording.summary.summarise`."""
        path = self.paths.get("reference") or self.scene.reference
        return summarise(
            self.rows,
            path_end_m=path.length_m,
            top_mps=self.tuning.vehicle.top_mps,
            ended=self.ended,
        ) | {"truth_known": self.log is None, "assumed": self.mark}

    def fingerprint(self):
        """SHA-256 of all rows and paths but computing times: equal drives have equal ones."""
        digest = hashlib.sha256()
        for batch in batches_of(self.rows):
            for _, content in content_of(batch):
                digest.update(content)
        return digest.hexdigest()

    def equals(self, other):
        """Whether all rows and paths are equal to the last bit, computing times left out."""
        return len(self) == len(other) and self.fingerprint() == other.fingerprint()

    def first_difference(self, other):
        """(time_s, column) of the first thing that differs, None where `equals`; for tests and questions."""
        return first_difference(self.rows, other.rows)

    def save(self, path):
        """Write one Parquet file, whole or not at all; readable without the kit."""
        write_parquet(path, batches_of(self.rows), self._metadata())

    def _metadata(self):
        shaped = header(self.scene, self.tuning, self.seed, self.versions)
        return shaped | {"ended": self.ended} | pack_extras(self.log, self.before)

    def _repr_html_(self):
        return shown(self)


def load_recording(path):
    """Open a finished recording, or the `.part` that a broken-off drive left; rows are read when asked for.

    Raises
    ------
    InputError
        If the file is missing, damaged, too large, from a newer version, or something else.
    """
    path = Path(path)
    source = open_source(path)
    scene, tuning, seed, versions, notes = read_header(source.metadata, path)
    ended = source.metadata.get("ended", CUT_OFF)
    extras = read_extras(source.metadata, path)
    return Recording(scene, tuning, seed, FileStore(source), versions=versions, ended=ended, notes=notes, **extras)


def mend(part, path=None, *, ended=CUT_OFF):
    """Turn what a drive left behind (`RUN.parquet.part`) into a Parquet file; the `.part` goes afterwards.

    Parameters
    ----------
    part : path
    path : path or None
        The file to write; None: the name without `.part`.

    Returns
    -------
    path of the file written
    """
    part = Path(part)
    source = open_source(part)
    if path is None:
        if part.suffix != ".part":
            raise InputError(f"{part}: has nothing to mend: its name does not end with .part")
        path = part.with_suffix("")
        if path.exists():
            raise InputError(f"{path}: is there already; move it away first")
    if source.version < FORMAT_VERSION:
        load_recording(part).save(path)
    else:
        batches = (batch for i in range(len(source.group_rows)) for batch in source.group(i).to_batches())
        write_parquet(path, batches, source.metadata | {"ended": ended})
    part.unlink()
    return path
