"""Where the rows of a study are kept while it runs: in memory, and with a folder in Parquet parts beside a manifest."""

import json
import time
from pathlib import Path

from avoidkit.checks import InputError
from avoidkit.parameters import write_text

MANIFEST = "manifest.json"
PART_ROWS, PART_S = 200, 5.0  # a part is written after so many rows or so many seconds
MOST_SAID = 6


class OtherStudy(InputError):
    """A folder holds rows of another study."""


class Shelf:
    """Rows by number of task; `add` them, `flush` them.

    Parameters
    ----------
    folder : path or None
        Made if it is not there. Rows of an unfinished run of the same study in it are taken over.
    manifest : dict
        Plain data that says what the study is.

    Raises
    ------
    OtherStudy
        If the folder holds another study: the message says what is different.
    """

    def __init__(self, folder, manifest):
        self.rows, self._new, self._written_s = {}, {}, time.monotonic()
        self._folder = None if folder is None else Path(folder)
        if self._folder is not None:
            self._open(json.loads(json.dumps(manifest, default=str)))

    def _open(self, manifest):
        file = self._folder / MANIFEST
        if file.is_file():
            try:
                before = json.loads(file.read_text(encoding="utf-8"))
            except json.JSONDecodeError:
                raise InputError(f"{file}: is no manifest of a study, choose another folder") from None
            changed = differences(before, manifest)
            if changed:
                more = f"; and {len(changed) - MOST_SAID} more" if len(changed) > MOST_SAID else ""
                raise OtherStudy(
                    f"{self._folder}: holds another study: {'; '.join(changed[:MOST_SAID])}{more}. "
                    "Choose another folder, or hand in what it was begun with"
                )
            self.rows = kept(self._folder)
            return
        if self._folder.exists() and any(self._folder.iterdir()):
            raise InputError(f"{self._folder}: holds other files and no study, choose another folder")
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise InputError(f"{self._folder}: cannot be made: {error.strerror}") from None
        write_text(file, json.dumps(manifest, indent=1, ensure_ascii=False) + "\n")

    def add(self, number, row, about):
        """Take in the row of one task, and what is said about how it was made."""
        self.rows[number] = self._new[number] = (row, about)
        if len(self._new) >= PART_ROWS:
            self.flush()
        self.tick()

    def drop(self, numbers):
        """Forget rows; those that are made anew count, since later parts win."""
        for number in numbers:
            del self.rows[number]

    def tick(self):
        """Write what has come if the last part is some seconds old."""
        if time.monotonic() - self._written_s >= PART_S:
            self.flush()

    def flush(self):
        """Write what has come since the last part."""
        self._written_s = time.monotonic()
        if self._folder is None or not self._new:
            return
        _write(self._folder, self._new)
        self._new = {}


def differences(before, now, place=""):
    """What differs between two manifests, one short text each, naming the place."""
    if isinstance(before, dict) and isinstance(now, dict):
        keys = [*before, *(key for key in now if key not in before)]
        return [
            said
            for key in keys
            for said in differences(before.get(key, _GONE), now.get(key, _GONE), f"{place}.{key}".lstrip("."))
        ]
    if before == now:
        return []
    if place == "plan.hash":
        return ["what each task asks has changed (lattice, settings, scenes or their order)"]
    texts = [_short(before), _short(now)]
    if before is _GONE or now is _GONE:
        return [f"{place} {'is new' if before is _GONE else 'is gone'}"]
    if None in texts:
        return [f"{place} has changed"]
    return [f"{place} was {texts[0]}, is {texts[1]}"]


_GONE = object()


def _short(value):
    text = str(value)
    return text if len(text) <= 60 and "\n" not in text else None


def _write(folder, rows):
    import pyarrow as pa
    import pyarrow.parquet as pq

    lines = [
        {"task": number, "row": json.dumps(row), "about": json.dumps(about)} for number, (row, about) in rows.items()
    ]
    number = len(list(folder.glob("part-*.parquet")))
    part = folder / f".part-{number:05}.tmp"
    pq.write_table(pa.Table.from_pylist(lines), part)
    part.rename(folder / f"part-{number:05}.parquet")


def kept(folder):
    """{number of task: (row, about)} of the parts in a folder; a later part wins."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    rows = {}
    for part in sorted(folder.glob("part-*.parquet")):
        try:
            table = pq.read_table(part)
        except (pa.ArrowInvalid, OSError) as error:
            raise InputError(f"{part}: cannot be read: {error}; remove it, its rows are then made anew") from None
        for line in table.to_pylist():
            rows[line["task"]] = (json.loads(line["row"]), json.loads(line["about"]))
    return rows
