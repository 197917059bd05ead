"""The loop, closed in this one place: scene, sensors, tracks, grid, verdict, motion, and round again."""

import math
import time
from dataclasses import replace

import numpy as np

from avoidkit.checks import InputError
from avoidkit.decision import SOUND, halting, is_sound
from avoidkit.decision import decide as kit_decide
from avoidkit.freespace import FreeSpace
from avoidkit.grid import Grid
from avoidkit.interrupts import hearing
from avoidkit.motion import Motion, advance, ego_of
from avoidkit.paths import same_way
from avoidkit.people import Crowd, signed_distance
from avoidkit.recording import Recorder, Row
from avoidkit.remote import OperatorHand
from avoidkit.sensing import Sensors
from avoidkit.sensing.records import Health, age
from avoidkit.sensing.repeats import Repeats
from avoidkit.tracking import Tracker
from avoidkit.tracking.records import Tracks, no_tracks
from avoidkit.vehicle import EgoHistory, greatest_curvature, outline_in_scene
from avoidkit.verdict import Memory, Situation

BODY_M = 0.25  # radius of a body for true gaps, as in people.py


def drive(
    scene,
    tuning,
    *,
    seed,
    decide=kit_decide,
    track=Tracker,
    map_space=FreeSpace,
    duration_s=None,
    out=None,
    progress=None,
    stop_at_end=True,
    loop=None,
):
    """Play the loop on a scene and keep every intermediate result, one row per cycle.

    Parameters
    ----------
    scene : Scene
    tuning : Tuning
    seed : int
        Of every random draw; kept in the recording.
    decide : callable (Situation, Tuning) -> Verdict
    track, map_space : callable (Tuning) -> object with `step`
        Called once, so that no state leaks from one drive into the next.
    duration_s : float, optional
        Instead of the scene's own.
    out : path, optional
        Where the recording goes while driving; it is readable even after a kill.
    progress : callable (time_s, duration_s, verdict), optional
    stop_at_end : bool
        Ends two seconds after the path's end is reached.
    loop : type, optional
        `Loop`, or one that perceives in another way, such as `studies.exact.ExactLoop`.

    Returns
    -------
    Recording

    Notes
    -----
    When a stage raises or hands out nonsense, that cycle is HALT, its row says why, and the drive goes on.
    """
    loop = (loop or Loop)(scene, tuning, seed, decide, track, map_space)
    duration_s = scene.duration_s if duration_s is None else float(duration_s)
    if not (math.isfinite(duration_s) and duration_s > 0):
        raise InputError(f"duration_s must be finite and above 0, got {duration_s}")
    recorder = Recorder(out, scene, tuning, seed)
    ended, there_s = "duration", math.inf
    with hearing() as heard:
        try:
            for cycle in range(round(duration_s / tuning.cycle_s) + 1):
                now = cycle * tuning.cycle_s
                checkpoint = loop.checkpoint() if recorder.wants_checkpoint(now) else None
                row = loop.step(now, with_grid=recorder.wants_grid(now))
                heard.check()
                recorder.add(row, loop.take_new_paths(), checkpoint)
                if progress is not None:
                    progress(now, duration_s, row.verdict)
                there_s = min(there_s, now) if row.verdict.settled_by == "way left" else math.inf
                if stop_at_end and now - there_s >= 2.0:
                    ended = "path end"
                    break
        except KeyboardInterrupt:
            ended = "interrupted"
        except Exception:  # out of compiled code a Ctrl-C can come as an error of another kind
            if not heard.came:
                raise
            ended = "interrupted"
    return recorder.close(ended)


class Loop:
    """All that goes round in a drive, one cycle at a time; `drive` is a loop over `step`."""

    def __init__(self, scene, tuning, seed, decide=kit_decide, track=Tracker, map_space=FreeSpace):
        require_drivable(scene, tuning)
        self.scene, self.tuning = scene, tuning
        self._decide, self._tracker, self._space = decide, track(tuning), map_space(tuning)
        self._vehicle = scene.true_vehicle_of(tuning)
        self._sensors, self._crowd = Sensors(scene, tuning, seed), Crowd(scene)
        self._hand = OperatorHand(scene, tuning.vehicle, seed=seed)
        self._history = EgoHistory()
        self.reference = scene.reference
        self._paths = {self.reference.name: self.reference}
        self._new_paths = [self.reference]
        start_direction = self.reference.direction_at(0.0)
        self._motion = Motion(scene.start_pose, direction=start_direction, path_name=self.reference.name)
        self._reference_along = 0.0
        self._memory = Memory()
        self._sensor_state = {}
        self._repeats = {}
        self._last_s = None
        self._grid, self._echoes = None, None

    def checkpoint(self):
        """State of tracker and grid before the next step, for exact replay; None where a stage keeps none."""
        stages = {"tracker": self._tracker, "free_space": self._space}
        if not all(hasattr(stage, "checkpoint") for stage in stages.values()):
            return None
        return {name: stage.checkpoint() for name, stage in stages.items()}

    def take_new_paths(self):
        """Paths that have become active since the last call."""
        new, self._new_paths = self._new_paths, []
        return new

    def step(self, now, *, with_grid=False):
        """One cycle: sense, track, map, decide, move. Returns its `Row`."""
        clock = _Clock()
        motion, tuning = self._motion, self.tuning
        ego = ego_of(motion, now, tuning.vehicle.wheelbase_m)
        self._history.add(ego)
        corners = outline_in_scene(tuning.vehicle, motion.pose)
        dt_s = 0.0 if self._last_s is None else now - self._last_s
        people = self._crowd.step(now, dt_s, corners)
        hold = self._hand.step(now, self._memory.ready, people, ego)
        errors = []
        scans, echoes, tracks, grid = self._perceive(now, ego, people, errors, clock)
        situation, verdict, error = self._judge(now, ego, hold, tracks, grid, echoes, errors)
        clock.mark("decision")
        if verdict.path.name not in self._paths:
            self._paths[verdict.path.name] = verdict.path
            self._new_paths.append(verdict.path)
        touching = tuple(name for name, touches in zip(people.names, people.contact, strict=True) if touches)
        row = Row(
            time_s=now, ego=ego, hold=hold, people=people, scans=tuple(scans), echoes=echoes, tracks=tracks,
            verdict=verdict, along_m=situation.along_m, path=situation.path.name,
            reference_along_m=self._reference_along, sensors=dict(self._sensor_state), contacts=touching,
            gap_m=_true_gap(people, corners), error=error, stage_ms=clock.ms, grid=grid if with_grid else None,
        )  # fmt: skip
        self._memory = verdict.memory
        obeyed = verdict if hold.pressed else replace(verdict, speed_cap_mps=0.0)
        about = self._reference_along if same_way(verdict.path.name, self.reference.name) else 0.0
        self._motion = advance(motion, obeyed, self._vehicle, tuning.cycle_s, along_m=about)
        self._reference_along = self._along_reference()
        self._last_s = now
        clock.mark("motion")
        return row

    def _perceive(self, now, ego, people, errors, clock):
        """Scans, echoes, tracks, grid of this cycle; what a stage raises goes into `errors`."""
        scans, arrived = self._sensors.step(now, people, self._history)
        echoes = self._echoes = self._echoes if arrived is None else arrived
        for scan in scans:
            health, known_s = self._health(scan, now), self._sensor_state.get(scan.sensor, ("", -math.inf))[1]
            taken_s = min(scan.taken_s, now)  # a stamp of a time to come must not outdo those that follow
            if taken_s > known_s:  # what comes late says nothing of now
                self._sensor_state[scan.sensor] = (health, taken_s)
        clock.mark("sensing")
        tracks = self._stage(errors, "tracker", lambda: self._tracker.step(scans, ego), no_tracks(now), Tracks)
        clock.mark("tracking")
        space = self._space
        grid = self._stage(errors, "free space", lambda: space.step(scans, echoes, tracks, ego), self._grid, Grid)
        self._grid = grid
        clock.mark("free space")
        return scans, echoes, tracks, grid

    def _health(self, scan, now):
        """What a radar says of itself, but blind where its scans repeat, are of a time to come or too late to count."""
        radar = self.tuning.radar
        watch = self._repeats.setdefault(scan.sensor, Repeats(radar.noise, radar.false_alarms_per_scan))
        stuck = watch.seen(scan, self._history.at(scan.taken_s).pose)
        counts = age(now, scan.taken_s) <= self.tuning.tracking.late_s + 1e-9
        return Health(scan.health) if counts and not stuck else Health.BLIND

    def _judge(self, now, ego, hold, tracks, grid, echoes, errors):
        """The situation, the verdict on it, and what went wrong; whatever a stage raised is a HALT that says so."""
        path = self._paths[self._motion.path_name]
        situation = Situation(
            now, ego, path, self._motion.along_m, self.reference, self._reference_along, tracks, grid, echoes, hold,
            dict(self._sensor_state), self._memory,
        )  # fmt: skip
        if errors:
            return situation, halting(situation, errors[0], rules=self.tuning.decision), errors[0]
        verdict = self._stage(errors, "decision", lambda: self._decide(situation, self.tuning), None)
        if not errors and not is_sound(verdict):
            errors.append(f"decision: {SOUND}, got {_short(verdict)}")
        if errors:
            return situation, halting(situation, errors[0], rules=self.tuning.decision), errors[0]
        return situation, verdict, ""

    @staticmethod
    def _stage(errors, name, call, instead, wanted=object):
        """What the stage returns; a user's stage may raise anything, and that must end in a halt, not in a crash."""
        try:
            result = call()
        except Exception as error:  # noqa: BLE001
            errors.append(f"{name}: {type(error).__name__}: {error}")
            return instead
        if not isinstance(result, wanted):
            errors.append(f"{name}: must return {wanted.__name__}, got {_short(result)}")
            return instead
        return result

    def _along_reference(self):
        """Distance along the reference: that of the active path if it is the one, else of its nearest point ahead."""
        motion, before = self._motion, self._reference_along
        if same_way(motion.path_name, self.reference.name):
            return motion.along_m
        ahead = min(before + 0.5, self.reference.leg_end_after(before))
        return self.reference.nearest(motion.pose.x_m, motion.pose.y_m, from_m=max(before - 0.2, 0.0), to_m=ahead)


def require_drivable(scene, tuning):
    """Raise `InputError` unless the vehicle can steer the scene's path and stands clear of things at its start."""
    path = scene.reference
    most = greatest_curvature(tuning.vehicle)
    tightest = float(np.abs(path.curvature_1pm).max())
    if tightest > most + 1e-9:
        where = float(path.s_m[int(np.abs(path.curvature_1pm).argmax())])
        raise InputError(
            f"{scene.name}: path: its tightest curvature is {tightest:.3f} 1/m, {where:.1f} m along; "
            f"the vehicle of the tuning steers at most {most:.3f} 1/m"
        )


def _true_gap(people, corners):
    if len(people) == 0:
        return math.inf
    return float(max(signed_distance(people.xy, corners).min() - BODY_M, 0.0))


def _short(value):
    text = repr(value)
    return text if len(text) <= 80 else f"{text[:77]}..."


class _Clock:
    """Milliseconds that the stages of one cycle took."""

    def __init__(self):
        self.ms, self._last = {}, time.perf_counter()

    def mark(self, name):
        now = time.perf_counter()
        self.ms[name] = self.ms.get(name, 0.0) + (now - self._last) * 1000
        self._last = now
