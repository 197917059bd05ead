"""What a person noted on a recording: where a halt was needed, where not, where a contact was near.

Marks are a TOML file beside the recording, `RUN.marks.toml` beside `RUN.parquet`:

    recording = "RUN.parquet"

    [[mark]]
    kind = "halt needed"
    from_s = 3.2
    to_s = 4.0
    note = "a guest steps off the kerb"

Without `to_s` a mark is of the one cycle at `from_s`.
"""

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Literal

import numpy as np
from pydantic import Field, model_validator

from avoidkit.checks import InputError
from avoidkit.parameters import Model, read_toml, validated, write_text

KINDS = ("halt needed", "not needed", "contact near")
GREATEST_BYTES = 1_000_000
EPS_S = 1e-6
NOT_A_HALT = ("hold-to-run held", "way left")  # what settles a stop that the operator or the path's end wanted


class Mark(Model):
    """One note on the cycles from `from_s` to `to_s`, both included."""

    kind: Literal[KINDS] = Field(description="what a person says of these cycles")
    from_s: float = Field(ge=0.0, le=1e7, description="first instant, s")
    to_s: float | None = Field(default=None, ge=0.0, le=1e7, description="last instant, s; none: one cycle")
    note: str = Field(default="", max_length=500, description="why, in a few words")

    @model_validator(mode="after")
    def _in_order(self):
        if self.to_s is not None and self.to_s < self.from_s:
            raise ValueError(f"to_s must not be before from_s, got {self.to_s} before {self.from_s}")
        return self

    @property
    def until_s(self):
        """The last instant, s."""
        return self.from_s if self.to_s is None else self.to_s


class Marks(Model):
    """All marks on one recording."""

    recording: str = Field(default="", max_length=200, description="name of the recording's file")
    mark: tuple[Mark, ...] = Field(default=(), max_length=1000, description="the marks")

    @model_validator(mode="after")
    def _no_contradiction(self):
        needed, free = ([m for m in self.mark if m.kind == kind] for kind in KINDS[:2])
        for a in needed:
            for b in free:
                if a.from_s <= b.until_s and b.from_s <= a.until_s:
                    first = max(a.from_s, b.from_s)
                    raise ValueError(f"a halt cannot be both needed and not needed at {first:g} s")
        return self

    def __len__(self):
        return len(self.mark)

    def cycles(self, mark, times_s):
        """(n,) bool: the cycles that a mark speaks of; that of one instant is the last at or before it."""
        times_s = np.asarray(times_s, dtype=float)
        if mark.to_s is None:
            k = int(np.searchsorted(times_s, mark.from_s + EPS_S, side="right")) - 1
            return np.arange(len(times_s)) == k
        return (times_s >= mark.from_s - EPS_S) & (times_s <= mark.to_s + EPS_S)


def marks_path(recording_path):
    """Where the marks on a recording belong.

    Examples
    --------
    >>> marks_path("drives/monday.parquet").as_posix()
    'drives/monday.marks.toml'
    """
    path = Path(recording_path)
    path = path.with_suffix("") if path.suffix == ".part" else path
    return path.with_suffix(".marks.toml")


def load_marks(path, times_s=None):
    """Read and check a file of marks.

    Parameters
    ----------
    path : path
    times_s : (n,) array, optional
        Times of the recording's rows: a mark that speaks of none of them is refused.

    Raises
    ------
    InputError
        If the file is missing, too large, no TOML, has unknown keys, contradicts itself or lies outside the recording.
    """
    path = Path(path)
    if path.is_file() and path.stat().st_size > GREATEST_BYTES:
        raise InputError(f"{path}: is too large for marks: {path.stat().st_size} bytes, at most {GREATEST_BYTES}")
    marks = validated(Marks, read_toml(path), str(path))
    if times_s is not None:
        require_within(marks, times_s, str(path))
    return marks


def require_within(marks, times_s, where="marks"):
    """Raise `InputError` unless every mark speaks of at least one cycle of the recording."""
    first, last = (float(times_s[0]), float(times_s[-1])) if len(times_s) else (math.nan, math.nan)
    for k, mark in enumerate(marks.mark, 1):
        inside = first - EPS_S <= mark.from_s and mark.until_s <= last + EPS_S
        if not (inside and marks.cycles(mark, times_s).any()):
            raise InputError(
                f"{where}: mark {k} ({mark.kind}, {mark.from_s:g} to {mark.until_s:g} s) lies outside the recording, "
                f"which has {len(times_s)} rows from {first:g} to {last:g} s"
            )


def marks_beside(recording_path, times_s=None):
    """The marks beside a recording, or None where there is no such file."""
    path = marks_path(recording_path)
    return load_marks(path, times_s) if path.exists() else None


def save_marks(marks, path):
    """Write marks whole or not at all; comments of an old file are not kept."""
    import tomlkit

    document = tomlkit.document()
    document.add(tomlkit.comment("Marks on a recording: halt needed, not needed, contact near. Times in s."))
    document.add("recording", marks.recording)
    if marks.mark:
        tables = tomlkit.aot()
        for mark in marks.mark:
            tables.append(tomlkit.item(mark.model_dump(exclude_none=True)))
        document.add("mark", tables)
    write_text(path, tomlkit.dumps(document))


def add_mark(marks, kind, from_s, to_s=None, note=""):
    """The same marks with one more, checked as a file is.

    Examples
    --------
    >>> marks = add_mark(Marks(), "halt needed", 3.2, 4.0)
    >>> len(marks), marks.mark[0].until_s
    (1, 4.0)
    """
    to_s = None if to_s is None else float(to_s)
    new = {"kind": kind, "from_s": float(from_s), "to_s": to_s, "note": note}
    plain = marks.model_dump(mode="json")
    return validated(Marks, plain | {"mark": [*plain["mark"], new]}, "mark")


def stands(action, settled_by, *, by_itself=False):
    """Whether a verdict is to stand; with `by_itself` not when the operator or the path's end wanted it."""
    return str(action) in ("halt", "wait") and not (by_itself and settled_by in NOT_A_HALT)


def judged(marks, times_s, actions: Sequence, settled: Sequence, caps_mps, creep_mps):
    """Each mark held against a row of verdicts.

    Parameters
    ----------
    marks : Marks
    times_s, actions, settled, caps_mps : (n,) sequences
        Of the verdicts: instant, action, name of the settling check, speed cap.
    creep_mps : float
        No faster may it go where a contact was near.

    Returns
    -------
    list of dict
        One per mark: `kind`, `from_s`, `to_s`, `note`, `cycles`, `wrong` (cycles against the mark) and `met` (none
        is). *halt needed* wants every cycle to stand, *not needed* no cycle to stand but for the
        operator or the path's end, *contact near* creep speed at most.
    """
    actions, settled = list(actions), list(settled)
    halts = np.array([stands(a, s) for a, s in zip(actions, settled, strict=True)], bool)
    own = np.array([stands(a, s, by_itself=True) for a, s in zip(actions, settled, strict=True)], bool)
    fast = ~(np.asarray(caps_mps, float) <= creep_mps + 1e-9) & ~halts
    against = {"halt needed": ~halts, "not needed": own, "contact near": fast}
    out = []
    for mark in marks.mark:
        inside = marks.cycles(mark, times_s)
        wrong = int(np.count_nonzero(inside & against[mark.kind]))
        said = {"kind": mark.kind, "from_s": mark.from_s, "to_s": mark.until_s, "note": mark.note}
        out.append(said | {"cycles": int(np.count_nonzero(inside)), "wrong": wrong, "met": wrong == 0})
    return out


def counted(results):
    """What `judged` came to: {kind: (marks, not met)} for the kinds that occur."""
    kinds = [kind for kind in KINDS if any(r["kind"] == kind for r in results)]
    return {
        k: (sum(r["kind"] == k for r in results), sum(r["kind"] == k and not r["met"] for r in results)) for k in kinds
    }
