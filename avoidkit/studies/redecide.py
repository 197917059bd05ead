"""Decide again what was recorded: the same input, another tuning or another decision, and what would have changed.

Open loop: the recorded vehicle goes where it went, whatever the new verdicts say. So from the cycle on in which
they would have led it elsewhere, a new verdict answers a situation that would not have come about; the
result says from when on that is so. Only driving again tells what would have happened then.
"""

import functools
from dataclasses import replace
from pathlib import Path

from avoidkit.checks import InputError
from avoidkit.decision import SOUND, halting, is_sound
from avoidkit.decision import decide as kit_decide
from avoidkit.freespace import FreeSpace
from avoidkit.grid import Grid
from avoidkit.logs.rows import FAILED, failed_check
from avoidkit.recording import Recording, load_recording
from avoidkit.recording.replay import brings_tracks
from avoidkit.studies.elsewhere import FOLLOWED_M, Elsewhere
from avoidkit.studies.marks import Marks, marks_beside, require_within
from avoidkit.studies.redecided import Redecided, columns_of, frame_of
from avoidkit.studies.spread import spread
from avoidkit.tracking import Tracker
from avoidkit.tracking.records import Tracks, no_tracks
from avoidkit.verdict import Memory, Situation

STARTS = ("returns", "tracks", "situations")
TRACKER = "tracker:"  # how an error begins with which the tracker had failed


def redecide(
    recording,
    tuning=None,
    *,
    decide=kit_decide,
    track=None,
    map_space=FreeSpace,
    start="returns",
    marks=None,
    max_errors=5,
):
    """Decide again on every cycle of a recording, and say what changed and why.

    Parameters
    ----------
    recording : Recording or path
    tuning : Tuning, optional
        None: that of the recording.
    decide : callable (Situation, Tuning) -> Verdict
    track, map_space : callable (Tuning) -> object with `step`
        As in `drive`. With `start="situations"` they are the stages that drove. None for `track`: the kit's tracker,
        or the log's own tracks where a recording was read from a log that brought them.
    start : str
        `returns`: tracker and grid work again, with the new tuning, on the recorded scans. `tracks`: the tracks are
        those recorded, the grid works again; where the tracker had failed there are none, which is a halt.
        `situations`: only the decision, on exactly what was looked at then.
    marks : Marks, optional
        What a person noted; None: the file beside the recording, if there is one.
    max_errors : int
        A decision of one's own that raises or hands out nonsense is a HALT in that cycle, as in a drive;
        after so many cycles of that the study stops.

    Returns
    -------
    Redecided

    Raises
    ------
    InputError
        For an unknown `start`, a recording without rows, marks outside it, or more than `max_errors` errors.
    """
    if start not in STARTS:
        raise InputError(f"start must be one of {', '.join(STARTS)}, got {start!r}")
    recording, name, marks = _opened(recording, marks)
    tuning = recording.tuning if tuning is None else tuning
    again = _Again(recording, tuning, decide, track, map_space)
    elsewhere, lines, memory, wrong = Elsewhere(recording), [], None, 0
    for row, situation, error in again.situations(start):
        situation = situation if memory is None else replace(situation, memory=memory)
        verdict, error = again.judged(situation, error)
        wrong += bool(error and error != row.error)
        if wrong > max_errors:
            raise InputError(
                f"{name}: stopped after {wrong} cycles with errors, the last at {row.time_s:.2f} s: {error}"
            )
        memory = verdict.memory
        elsewhere.step(row, verdict)
        lines.append(columns_of(row, verdict, error))
    notes = tuple(_notes(recording, tuning, start, elsewhere))
    return Redecided(
        name=name, scene=recording.scene.name, seed=recording.seed, start=start,
        was=(recording.tuning.name, recording.tuning.hash), now=(_called(decide, tuning), tuning.hash),
        frame=frame_of(lines, elsewhere.at_s), elsewhere_s=elsewhere.at_s, notes=notes, marks=marks,
        creep_mps=(recording.tuning.vehicle.creep_mps, tuning.vehicle.creep_mps),
    )  # fmt: skip


def redecide_many(recordings, tuning=None, *, executor=None, **options):
    """`redecide` on many recordings.

    Parameters
    ----------
    recordings : iterable of path or Recording
        Paths are better with an executor: then each worker opens its own.
    tuning : Tuning, optional
    executor : as for `spread`
        None, a pool, or what makes one, such as `workers.processes(2)`.
    options :
        As for `redecide`.

    Returns
    -------
    list of Redecided
        In the order of the recordings; `redecided.overview` makes one table of them.
    """
    return list(spread(functools.partial(redecide, tuning=tuning, **options), recordings, executor))


def _called(decide, tuning):
    """What the new side is called: the tuning's name, or that of a decision of the user's own."""
    own = decide is not kit_decide
    return getattr(decide, "__name__", "a decision of one's own") if own else tuning.name


def _opened(recording, marks):
    path = None if isinstance(recording, Recording) else Path(recording)
    recording = recording if path is None else load_recording(path)
    name = recording.scene.name if path is None else path.name
    if len(recording) == 0:
        raise InputError(f"{name}: holds no rows to decide on")
    if marks is None and path is not None:
        marks = marks_beside(path, recording.times_s)
    marks = Marks() if marks is None else marks
    require_within(marks, recording.times_s, name)
    return recording, name, marks


class _Again:
    """The stages at work on recorded rows."""

    def __init__(self, recording, tuning, decide, track, map_space):
        self._recording, self._tuning, self._decide = recording, tuning, decide
        self._track, self._map_space = track, map_space

    def situations(self, start):
        """Yield (row, situation, what a stage before the decision raised) for every row."""
        if start == "situations":
            return self._recorded()
        logged = start == "tracks" or (self._track is None and brings_tracks(self._recording))
        return self._worked_out(None if logged else (self._track or Tracker)(self._tuning))

    def _recorded(self):
        """As recorded; where a stage had failed in the drive it has failed here too."""
        again = self._recording.situations(track=self._track, map_space=self._map_space)
        for row, situation in zip(self._recording.rows, again, strict=True):
            failed = row.error.startswith((TRACKER, "free space:", *FAILED))
            yield row, situation, row.error if failed else ""

    def _worked_out(self, tracker):
        space, paths, grid = self._map_space(self._tuning), self._recording.paths, None
        before = getattr(self._recording, "before", None) or Memory()  # a slice remembers what went before it
        carried = (*FAILED, TRACKER) if tracker is None else (*FAILED,)  # whose tracks are taken, its failures are too
        for row in self._recording.rows:
            errors, scans, tracks = [], list(row.scans), row.tracks
            lost = row.error if row.error.startswith(carried) else ""
            if tracker is not None:
                worked = functools.partial(tracker.step, scans, row.ego)
                tracks = _stage(errors, "tracker", worked, no_tracks(row.time_s), Tracks)
            worked = functools.partial(space.step, scans, row.echoes, tracks, row.ego)
            grid = _stage(errors, "free space", worked, grid, Grid)
            yield row, _situation(row, paths, tracks, grid, before), lost or (errors[0] if errors else "")

    def judged(self, situation, error):
        """The verdict on a situation and what went wrong; whatever was raised is a HALT that says so."""
        errors = [error] if error else []
        if not errors:
            verdict = _stage(errors, "decision", lambda: self._decide(situation, self._tuning), None)
            if not errors and not is_sound(verdict):
                errors.append(f"decision: {SOUND}")
        if errors and (failed := failed_check(errors[0])):
            return halting(situation, errors[0], failed, rules=self._tuning.decision), errors[0]
        return (halting(situation, errors[0], rules=self._tuning.decision), errors[0]) if errors else (verdict, "")


def _stage(errors, name, call, instead, wanted=object):
    """What a stage returns; a user's stage may raise anything, and that must end in a halt, as in a drive."""
    try:
        result = call()
    except Exception as error:  # noqa: BLE001
        errors.append(f"{name}: {type(error).__name__}: {error}")
        return instead
    if isinstance(result, wanted):
        return result
    errors.append(f"{name}: must return {wanted.__name__}, got {type(result).__name__}")
    return instead


def _situation(row, paths, tracks, grid, memory):
    for path in (row.path, "reference"):
        if path not in paths:
            raise InputError(f"the recording holds no path {path!r}: known are {sorted(paths)}")
    return Situation(
        row.time_s, row.ego, paths[row.path], row.along_m, paths["reference"], row.reference_along_m, tracks, grid,
        row.echoes, row.hold, dict(row.sensors), memory,
    )  # fmt: skip


def _notes(recording, tuning, start, elsewhere):
    """What a reader has to know before believing the table."""
    if recording.mark:
        yield recording.mark
    if start == "returns" and brings_tracks(recording):
        yield "the log brought tracks of its own: they were taken as they are, no tracker worked"
    if recording.times_s[0] > 1e-9 and start != "situations":
        yield f"the recording begins at {recording.times_s[0]:.2f} s: tracker and grid began there with nothing known"
    changed = set(recording.tuning.differ(tuning))
    sensing = sorted(name for name in changed if name.startswith(("radar.", "ultrasonic.")))
    if sensing:
        yield f"the recorded returns were made with other sensors: {', '.join(sensing[:6])} differ"
    if "cycle_s" in changed:
        yield f"the cycles are those recorded, {recording.tuning.cycle_s:g} s, not {tuning.cycle_s:g} s"
    early = ("tracking.", "freespace.") if start == "situations" else ("tracking.",) if start == "tracks" else ()
    idle = sorted(name for name in changed if early and name.startswith(early))
    if idle:
        names = ", ".join(idle[:6])
        yield f"{names} differ, but deciding again began after that stage: start='returns' shows their effect"
    if elsewhere.off_m > FOLLOWED_M:
        yield (
            f"the recorded vehicle did not follow its recorded verdicts ({elsewhere.off_m:.2f} m apart): where other "
            "verdicts would have led it is a guess"
        )
    yield from recording.notes
