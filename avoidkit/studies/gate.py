"""The regression gate: a set of recordings decided again and driven again with a new tuning; which promises hold?

Deciding again (open loop) says what changed on input that truly came; driving again (closed loop, same scene and seed)
says what would have come of it. Promises are held against the second, marks of a person against the first.
"""

import functools
import math
import time
from dataclasses import dataclass, field
from pathlib import Path

from pydantic import Field

from avoidkit.checks import InputError
from avoidkit.decision import decide as kit_decide
from avoidkit.drive import drive
from avoidkit.freespace import FreeSpace
from avoidkit.parameters import Model, metres
from avoidkit.recording import load_recording
from avoidkit.studies.metrics import drive_row
from avoidkit.studies.redecide import redecide
from avoidkit.studies.spread import spread

MOST_RECORDINGS = 10_000
COMPARED = ("contacts_moving", "nearest_gap_m", "halts", "halts_not_needed", "detours", "reached_end", "lost_s")
SERIOUS = ("halt needed", "contact near")  # marks that a change may not lose; those of the third kind are counted


class Limits(Model):
    """What is still allowed."""

    gap_m: float = metres(0.0, 2.0, 0.10, doc="least true gap between outline and a body while moving")
    new_needless_halts: int = Field(default=0, ge=0, le=10_000, description="in the whole set, more than before")


@dataclass(frozen=True, slots=True)
class Promise:
    """One promise, on one recording or on the whole set: whether it holds, and what was found."""

    recording: str
    name: str
    holds: bool
    found: str
    skipped: bool = False


@dataclass(frozen=True, eq=False)
class Examined:
    """One recording, decided and driven again.

    Attributes
    ----------
    name : str
    again : Redecided
    before, after : dict or None
        Numbers of the recorded drive and of the new one (`metrics.drive_row`); None: a log, not to be driven.
    same_drive : bool
        Whether the new drive equals the recorded one to the last bit.
    took_s : float
    """

    name: str
    again: object
    before: dict | None
    after: dict | None
    same_drive: bool
    took_s: float

    @property
    def new_needless(self):
        """Halts that the truth did not call for beyond those of the recording, and marks newly not met."""
        drives = 0 if self.after is None else self.after["halts_not_needed"] - self.before["halts_not_needed"]
        return max(0, drives) + len(self.lost_marks(("not needed",)))

    def lost_marks(self, kinds):
        """Marks of some kinds that the recorded verdicts met and the new ones do not."""
        return [new for old, new in self.again.marked if new["kind"] in kinds and old["met"] and not new["met"]]


@dataclass(frozen=True, eq=False)
class Report:
    """What the gate came to."""

    tuning: tuple  # name, hash
    limits: Limits
    examined: tuple
    promises: tuple
    took_s: float
    notes: tuple = field(default=())

    @property
    def passed(self):
        """Whether every promise that was looked at holds."""
        return all(promise.holds for promise in self.promises)

    @property
    def broken(self):
        """The promises that do not hold."""
        return [promise for promise in self.promises if not promise.holds]

    def table(self):
        """One line per recording: what changed by deciding again, and the two drives side by side."""
        import pandas as pd

        return pd.DataFrame([_table_line(one) for one in self.examined])

    def lines(self):
        """In words, a line each; broken promises first."""
        name, digest = self.tuning
        some = "recording" if len(self.examined) == 1 else "recordings"
        out = [f"{len(self.examined)} {some} decided and driven again with {name} ({digest})"]
        out += [f"  BROKEN   {promise.recording}: {promise.name}: {promise.found}" for promise in self.broken]
        for one in self.examined:
            out.append(f"  {one.name}: {_changes(one)}")
        marked = [pair for one in self.examined for pair in one.again.marked]
        if marked:
            before, now = (sum(bool(mark["met"]) for mark in side) for side in zip(*marked, strict=True))
            out.append(f"  marks: {len(marked)}, met before {before}, met now {now}")
        skipped = sum(promise.skipped for promise in self.promises)
        kept = sum(promise.holds and not promise.skipped for promise in self.promises)
        out.append(f"  {kept} promises kept, {len(self.broken)} broken, {skipped} could not be looked at")
        return [*out, f"  {'PASSED' if self.passed else 'FAILED'} in {self.took_s:.1f} s"]


def gate(
    recordings,
    tuning,
    *,
    decide=kit_decide,
    track=None,
    map_space=FreeSpace,
    start="returns",
    limits=None,
    executor=None,
):
    """Decide again and drive again on a set of recordings, and hold the promises against what comes out.

    Parameters
    ----------
    recordings : folder, or iterable of paths
        Of a folder, every `.parquet` in it; marks beside a recording are looked at.
    tuning : Tuning
        The new one.
    decide, track, map_space :
        As in `drive`: what is to be let through; None for `track`: the kit's own.
    start : str
        As in `redecide`.
    limits : Limits, optional
    executor : as for `spread`

    Returns
    -------
    Report

    Raises
    ------
    InputError
        If there is no recording or one cannot be read: nothing is let through then.
    """
    began, limits = time.perf_counter(), Limits() if limits is None else limits
    paths = recordings_in(recordings)
    stages = {"decide": decide, "track": track, "map_space": map_space}
    work = functools.partial(examine, tuning=tuning, start=start, **stages)
    examined = tuple(spread(work, paths, executor))
    promises = [promise for one in examined for promise in promises_of(one, limits)]
    promises.append(needless_promise(examined, limits))
    took_s = time.perf_counter() - began
    return Report((tuning.name, tuning.hash), limits, examined, tuple(promises), took_s)


def recordings_in(recordings):
    """The paths of a set, in order; `InputError` where there is none."""
    if isinstance(recordings, str | Path):
        folder = Path(recordings)
        if not folder.is_dir():
            raise InputError(f"{folder}: is no folder of recordings")
        paths = sorted(folder.glob("*.parquet"))
        if not paths:
            raise InputError(f"{folder}: holds no recordings (*.parquet)")
    else:
        paths = [Path(path) for path in recordings]
    if not 0 < len(paths) <= MOST_RECORDINGS:
        raise InputError(f"between 1 and {MOST_RECORDINGS} recordings were wanted, got {len(paths)}")
    return paths


def examine(path, tuning, *, decide, track, map_space, start):
    """Decide again and drive again on one recording; a log of another vehicle is decided on alone."""
    began, recording = time.perf_counter(), load_recording(path)
    stages = {"decide": decide, "map_space": map_space} | ({} if track is None else {"track": track})
    again = redecide(path, tuning, start=start, max_errors=len(recording), **stages)
    before = after = None
    same = False
    if recording.log is None and recording.before is None:
        redriven = drive(recording.scene, tuning, seed=recording.seed, duration_s=drive_s(recording), **stages)
        before, after, same = drive_row(recording), drive_row(redriven), recording.equals(redriven)
    return Examined(Path(path).name, again, before, after, same, time.perf_counter() - began)


def drive_s(recording):
    """How long to drive again, s: as recorded, or the scene's own time where the path's end cut it short."""
    return max(recording.duration_s, recording.scene.duration_s if recording.ended == "path end" else 0.0)


def promises_of(one, limits):
    """The promises on one recording."""
    after, again = one.after, one.again
    if after is None:
        why = "a log or a slice cannot be driven again"
        for name in ("no contact while moving", f"gap while moving at least {limits.gap_m:g} m"):
            yield Promise(one.name, name, True, why, skipped=True)
    else:
        n = after["contacts_moving"]
        yield Promise(one.name, "no contact while moving", n == 0, f"{n} contacts while moving")
        gap, at = after["nearest_gap_m"], after["gap_speed_mps"]
        found = "nobody about" if math.isinf(gap) else f"{gap:.3f} m at {at:.2f} m/s"
        yield Promise(one.name, f"gap while moving at least {limits.gap_m:g} m", bool(gap >= limits.gap_m), found)
    errors = again.summary()["errors"] + (0 if after is None else after["errors"])
    first = next((text for text in again.frame["error"] if text), "" if after is None else after["error"])
    yield Promise(one.name, "no stage fails", errors == 0, f"{errors} cycles with errors {first}".strip())
    if any(new["kind"] in SERIOUS for _, new in again.marked):
        lost = one.lost_marks(SERIOUS)
        said = "; ".join(f"{m['kind']} {m['from_s']:.2f} to {m['to_s']:.2f} s {m['note']}".strip() for m in lost)
        yield Promise(one.name, "marks that were met are met", not lost, said or "all that were met are met")


def needless_promise(examined, limits):
    """The promise on the whole set: not more new needless halts than allowed."""
    new = sum(one.new_needless for one in examined)
    at = ", ".join(f"{one.name} {one.new_needless}" for one in examined if one.new_needless)
    name = f"at most {limits.new_needless_halts} new needless halts"
    return Promise("whole set", name, new <= limits.new_needless_halts, f"{new} new{': ' if at else ''}{at}")


def _table_line(one):
    out = one.again.summary()
    for name in COMPARED if one.after is not None else ():
        out |= {f"{name}_before": one.before[name], f"{name}_after": one.after[name]}
    return out | {"same_drive": one.same_drive, "new_needless": one.new_needless}


def _changes(one):
    summary = one.again.summary()
    if summary["identical"]:
        said = "verdicts identical"
    else:
        said = f"{summary['changed']} of {summary['cycles']} verdicts changed ({summary['changed_action']} of action)"
    if one.after is None:
        return f"{said}; not driven again"
    if one.same_drive:
        return f"{said}; the same drive again"
    pairs = [(name, one.before[name], one.after[name]) for name in COMPARED]
    moved = [f"{name} {_short(a)} -> {_short(b)}" for name, a, b in pairs if a != b and not (a != a and b != b)]
    return f"{said}; driven again: {', '.join(moved) or 'the same figures'}"


def _short(value):
    return f"{value:.2f}" if isinstance(value, float) else str(value)
