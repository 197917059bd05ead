"""One row a cycle from a log's own motion, scans, echoes, objects and hold-to-run; the verdict is still open."""

import math

import numpy as np

from avoidkit.frames import Pose
from avoidkit.logs.objects import TROUBLE
from avoidkit.logs.scans import silent_round
from avoidkit.people import People
from avoidkit.recording.rows import Row
from avoidkit.sensing.records import CLOCK_S, Health, age
from avoidkit.sensing.repeats import Repeats
from avoidkit.tracking.records import no_tracks
from avoidkit.verdict import Action, Hold, Memory, Verdict

OPEN = "not decided"  # name of the check that stands for a verdict which has not been asked for
LOST = "log: own motion is not known"
FAILED = {LOST: "own motion known", TROUBLE: "object list"}  # how errors of the log's own begin: name of the check


def rows_of(log, motion, path, along):
    """All rows.

    Parameters
    ----------
    log : reading._Log
        `mapping`, `tuning`, `scans`, `rounds`, `objects`, `holds`; times from the first row.
    motion : OwnMotion
    path : Path
        The reference.
    along : (n,) array
        Distance of each row along it.
    """
    scans = _Arriving(log.scans, lambda scan: (scan.arrives_s, scan.sensor))
    rounds = _Arriving(log.rounds, lambda one: (one.arrives_s,))
    verdict = Verdict(Action.HALT, path, 0.0, Memory(), (), OPEN, "Not decided: read from a log.")
    holds = _holds(log, motion.time_s)
    rows, radars, echoes = [], _Radars(log.tuning, motion), None
    for k, now in enumerate(motion.time_s.tolist()):
        new = scans.until(now)
        sensors = radars.after(new, now)
        heard = rounds.until(now)
        echoes = max(heard, key=lambda one: one.taken_s) if heard else echoes
        if log.mapping.ultrasonic_silent:
            echoes = silent_round(now)
        tracks = no_tracks(now) if log.objects is None else log.objects.tracks_at(now)
        rows.append(
            Row(
                time_s=now, ego=motion.ego(k), hold=holds[k], people=nobody_known(now), scans=tuple(new),
                echoes=echoes, tracks=tracks, verdict=verdict, along_m=float(along[k]), path=path.name,
                reference_along_m=float(along[k]), sensors=sensors, error=_error(log, motion.known[k], now),
            )
        )  # fmt: skip
    return rows


def failed_check(error):
    """Name of the check that failed with an error of the log itself, which halts; empty for any other error.

    Examples
    --------
    >>> failed_check("log: own motion is not known"), failed_check("decision: ValueError: oh")
    ('own motion known', '')
    """
    return next((name for begin, name in FAILED.items() if error.startswith(begin)), "")


def _error(log, motion_known, now):
    if not motion_known:
        return LOST
    return "" if log.objects is None else log.objects.trouble_at(now)


class _Radars:
    """What each radar said last, {name: (health, taken_s)}, with what a drive's own loop adds to that."""

    def __init__(self, tuning, motion):
        self._tuning, self._motion = tuning, motion
        self._repeats, self._state = {}, {}

    def after(self, scans, now):
        """The state once these scans have arrived; one that comes late does not replace a newer one."""
        state = dict(self._state)
        for scan in scans:
            health = self._health(scan, now)
            taken_s = min(scan.taken_s, now)  # a stamp of a time to come must not outdo those that follow
            if scan.sensor not in state or taken_s > state[scan.sensor][1]:
                state[scan.sensor] = (health, taken_s)
        self._state = state
        return state

    def _health(self, scan, now):
        """What it said of itself, but blind where its scans repeat, are of a time to come or too late to count."""
        radar = self._tuning.radar
        watch = self._repeats.setdefault(scan.sensor, Repeats(radar.noise, radar.false_alarms_per_scan))
        stuck = watch.seen(scan, Pose(*self._motion.pose_at(scan.taken_s)[:3]))
        counts = age(now, scan.taken_s) <= self._tuning.tracking.late_s + 1e-9
        return scan.health if counts and not stuck else Health.BLIND


_EMPTY = (np.zeros((0, 2)), np.zeros((0, 2)), np.zeros(0), (), np.zeros(0), np.zeros(0), np.zeros(0, bool))


def nobody_known(time_s):
    """The truth about people, of which a log holds nothing."""
    return People(time_s, (), *_EMPTY, np.zeros(0, bool))


class _Arriving:
    """Records in the order of their arrival, handed out once each."""

    def __init__(self, records, key):
        self._records, self._at = sorted(records, key=key), 0

    def until(self, now_s):
        """Those that arrived since the last call."""
        start = self._at
        while self._at < len(self._records) and self._records[self._at].arrives_s <= now_s + 1e-9:
            self._at += 1
        return self._records[start : self._at]


def _holds(log, times_s):
    """The last word of the remote device at each row, as a list of `Hold`.

    It is as old as the older of its last valid `pressed` and its `sent`: a device that is heard, but does not say
    any more whether it is held, lets go.
    """
    hold, signals, n = log.mapping.hold, log.holds, len(times_s)
    pressed = np.full(n, hold.assume_pressed)
    sent = times_s if hold.assume_pressed else np.full(n, -math.inf)
    if "pressed" in signals:
        values, known = signals["pressed"].at(times_s, math.inf, hold=True)
        pressed = known & (times_s >= _first(signals["pressed"]) - 1e-9) & (values != 0)
        sent = _times_before(signals["pressed"], times_s)
    if "sent" in signals:
        word, known = signals["sent"].at(times_s, math.inf, hold=True)
        word = np.where(known, word, -math.inf)
        can_be = word <= times_s + CLOCK_S  # one of a time to come is worse than an old one, and has to stay so
        sent = np.where(can_be, np.minimum(word, sent), word) if "pressed" in signals else word
    distance = np.full(n, math.inf if hold.assume_distance_m is None else hold.assume_distance_m)
    if "distance" in signals:
        values, known = signals["distance"].at(times_s, 1.0, hold=True)
        distance = np.where(known & ~np.isnan(values), values, math.inf)
    return [Hold(bool(p), float(s), float(d)) for p, s, d in zip(pressed, sent, distance, strict=True)]


def _first(signal):
    return signal.time_s[0] if len(signal) else math.inf


def _times_before(signal, times_s):
    """Time of the last sample at or before each time; -inf where there is none."""
    if not len(signal):
        return np.full(len(times_s), -math.inf)
    k = np.searchsorted(signal.time_s, times_s + 1e-9, side="right") - 1
    return np.where(k >= 0, signal.time_s[np.maximum(k, 0)], -math.inf)
