"""Runs the kit's stages over a recording that was read from a log: tracks, free space and a verdict for each row."""

import dataclasses

from avoidkit.checks import InputError
from avoidkit.decision import SOUND, halting, is_sound
from avoidkit.decision import decide as kit_decide
from avoidkit.logs.rows import failed_check
from avoidkit.recording.recorder import Recorder
from avoidkit.recording.replay import LoggedTracks, brings_tracks
from avoidkit.verdict import Memory, Situation


def play(recording, *, decide=kit_decide, track=None, map_space=None, tuning=None, progress=None):
    """A recording from a log with what the stages of the kit, or one's own, make of it.

    Open loop: the vehicle goes where it went in the log, whatever the verdict. A row in which own motion is not
    known, or the list of objects is silent or lacks somebody, is a halt, and `row.error` says so.

    Parameters
    ----------
    recording : Recording
        Of `read_log`.
    decide, track, map_space : as in `drive`
        None for `track`: the kit's tracker on the returns, or the log's own tracks where it brings an object list.
    tuning : Tuning or None
        None: that of the recording. Mounts and view of the radars should be those of the log.
    progress : callable (time_s, duration_s, verdict) or None

    Returns
    -------
    Recording
        With checkpoints, so that `situation(time_s)` is exact for the kit's own stages.
    """
    from avoidkit.freespace import FreeSpace
    from avoidkit.tracking import Tracker

    if not recording.log:
        raise InputError("recording was not read from a log: `redecide` asks a drive again")
    tuning = tuning or recording.tuning
    logged = track is None and brings_tracks(recording)
    tracker = LoggedTracks(recording) if logged else (track or Tracker)(tuning)
    run = _Run(recording, tuning, tracker, (map_space or FreeSpace)(tuning), decide)
    recorder = Recorder(None, recording.scene, tuning, recording.seed)
    for row in recording.rows:
        checkpoint = run.checkpoint() if recorder.wants_checkpoint(row.time_s) else None
        played = run.step(row, with_grid=recorder.wants_grid(row.time_s))
        recorder.add(played, (recording.paths["reference"],), checkpoint)
        if progress is not None:
            progress(row.time_s, recording.duration_s, played.verdict)
    played = recorder.close(recording.ended)
    played.log = recording.log | {"tracks": "logged" if logged else "tracked"}
    return played


class _Run:
    """One pass over the rows."""

    def __init__(self, recording, tuning, tracker, space, decide):
        self._paths, self._tuning, self._decide = recording.paths, tuning, decide
        self._tracker, self._space, self._memory = tracker, space, Memory()

    def checkpoint(self):
        """Memory of both stages before the next step; None where one keeps none."""
        stages = {"tracker": self._tracker, "free_space": self._space}
        if not all(hasattr(stage, "checkpoint") for stage in stages.values()):
            return None
        return {name: stage.checkpoint() for name, stage in stages.items()}

    def step(self, row, *, with_grid):
        """The row with tracks, verdict and, if wanted, its grid."""
        scans = list(row.scans)
        tracks = self._tracker.step(scans, row.ego)
        grid = self._space.step(scans, row.echoes, tracks, row.ego)
        reference = self._paths["reference"]
        situation = Situation(
            row.time_s, row.ego, reference, row.along_m, reference, row.reference_along_m, tracks, grid, row.echoes,
            row.hold, dict(row.sensors), self._memory,
        )  # fmt: skip
        verdict, error = self._judge(situation, row.error)
        self._memory = verdict.memory
        return dataclasses.replace(row, tracks=tracks, verdict=verdict, error=error, grid=grid if with_grid else None)

    def _judge(self, situation, error):
        if failed := failed_check(error):
            return halting(situation, error, failed, rules=self._tuning.decision), error
        try:
            verdict = self._decide(situation, self._tuning)
        except Exception as raised:  # noqa: BLE001  (a user's decision may raise anything: that is a halt)
            error = f"decision: {type(raised).__name__}: {raised}"
            return halting(situation, error, rules=self._tuning.decision), error
        if not is_sound(verdict):
            error = f"decision: {SOUND}"
            return halting(situation, error, rules=self._tuning.decision), error
        return verdict, ""
