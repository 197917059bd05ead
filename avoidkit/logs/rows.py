"""One row a cycle from a log's own motion, scans, echoes, objects and hold-to-run; the verdict is still open."""

import math

import numpy as np

from avoidkit.logs.scans import silent_round
from avoidkit.people import People
from avoidkit.recording.rows import Row
from avoidkit.sensing.records import Health, age
from avoidkit.tracking.records import no_tracks
from avoidkit.verdict import Action, Hold, Memory, Verdict

OPEN = "not decided"  # name of the check that stands for a verdict which has not been asked for
LOST = "log: own motion is not known"


def rows_of(log, motion, path, along):
    """All rows.

    Parameters
    ----------
    log : reading._Log
        `mapping`, `scans`, `rounds`, `objects`, `holds`; times from the first row.
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
    rows, sensors, echoes = [], {}, None
    for k, now in enumerate(motion.time_s.tolist()):
        new = scans.until(now)
        if new:
            sensors = sensors | {scan.sensor: (_health(scan, now), scan.taken_s) for scan in new}
        heard = rounds.until(now)
        echoes = max(heard, key=lambda one: one.taken_s) if heard else echoes
        if log.mapping.ultrasonic_silent:
            echoes = silent_round(now)
        tracks = no_tracks(now) if log.objects is None else log.objects.tracks_at(now)
        rows.append(
            Row(
                time_s=now, ego=motion.ego(k), hold=holds[k], people=nobody_known(now), scans=tuple(new),
                echoes=echoes, tracks=tracks, verdict=verdict, along_m=float(along[k]), path=path.name,
                reference_along_m=float(along[k]), sensors=sensors, error="" if motion.known[k] else LOST,
            )
        )  # fmt: skip
    return rows


def _health(scan, now):
    """What the radar said of itself, but blind with a scan of a time to come: its clock is wrong."""
    return Health.BLIND if math.isinf(age(now, scan.taken_s)) else scan.health


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
    """The last word of the remote device at each row, as a list of `Hold`."""
    hold, signals, n = log.mapping.hold, log.holds, len(times_s)
    pressed = np.full(n, hold.assume_pressed)
    sent = times_s if hold.assume_pressed else np.full(n, -math.inf)
    if "pressed" in signals:
        values, known = signals["pressed"].at(times_s, math.inf, hold=True)
        pressed = known & (times_s >= _first(signals["pressed"]) - 1e-9) & (values != 0)
        sent = _times_before(signals["pressed"], times_s)
    if "sent" in signals:
        sent, known = signals["sent"].at(times_s, math.inf, hold=True)
        sent = np.where(known, sent, -math.inf)
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
