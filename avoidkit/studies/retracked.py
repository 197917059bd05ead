"""Another tracker on the scans of a recorded drive, and a plain one to compare with: a loop of a library's filters."""

import numpy as np

from avoidkit.studies.diagnosed import CUTOFF_M
from avoidkit.studies.tracked import truths_of
from avoidkit.tracking import Tracker, filters
from avoidkit.tracking import settings as of
from avoidkit.tracking.association import gate, nearest
from avoidkit.tracking.cluster import accuracy_of, measure
from avoidkit.tracking.diagnostics import diagnose, nees
from avoidkit.tracking.engines import _derivative, _expected, _residual
from avoidkit.tracking.records import Stage, Tracks, exact_tracks, no_tracks
from avoidkit.tracking.settings import settings_of
from avoidkit.vehicle import EgoHistory

BELIEVED_HITS, COASTING_S, ENDING_S = 3, 0.15, 0.3
APART_M = 0.6  # no track is born nearer to another one
FIGURES = ("gospa_m", "missed_mean", "false_mean", "tracked_share", "switches_per_minute", "position_rms_m", "held_95")


def retracked(recording, track=Tracker):
    """The `Tracks` that a tracker makes of the scans of each row of a recording.

    Parameters
    ----------
    recording : Recording
    track : callable (Tuning) -> object with `step(scans, ego)`

    Returns
    -------
    list of Tracks
    """
    tracker = track(recording.tuning)
    return [tracker.step(row.scans, row.ego) for row in recording.rows]


def compare_trackers(recording, trackers):
    """Figures of several trackers on the same scans, against the same truth.

    Parameters
    ----------
    recording : Recording
    trackers : dict
        By name: `track(tuning)`, or the list of `Tracks` that `retracked` gave.

    Returns
    -------
    pandas.DataFrame
        A row a tracker; columns in SI units, see `diagnostics.diagnose`.

    Examples
    --------
    >>> from avoidkit import Tracker, Tuning, drive, load_scene, shipped
    >>> scene = load_scene(shipped("scenes") / "guest_crosses.toml")
    >>> recording = drive(scene, Tuning(), seed=0, duration_s=1.0)
    >>> compare_trackers(recording, {"kit": Tracker, "plain": PlainTracker}).index.tolist()
    ['kit', 'plain']
    """
    import pandas as pd

    truths = truths_of(recording)
    given = {name: retracked(recording, one) if callable(one) else one for name, one in trackers.items()}
    rows = {name: diagnose(truths, tracks, cutoff_m=CUTOFF_M) for name, tracks in given.items()}
    return pd.DataFrame.from_dict(rows, orient="index")[list(FIGURES)]


class PlainTracker:
    """A plain way to track: an extended Kalman filter object of filterpy for each person, nearest neighbour, counters.

    Constant velocity only. Three measurements make somebody believed, 0.3 s without one end them; no standing
    model, no hiding, no existence, no memory of edges; late scans are dropped. To compare with, not to drive with.

    Parameters
    ----------
    tuning : Tuning
    """

    def __init__(self, tuning):
        self._tuning, self._history = tuning, EgoHistory(keep_s=3.0)
        self._settings = settings_of(tuning, gate(tuning.tracking.gate_probability, 3))
        self._noise = accuracy_of(tuning.radar)
        self._filters, self._counts = [], np.zeros((0, 4))  # number, hits, born, seen
        self._time_s, self._next = 0.0, 1

    def step(self, scans, ego):
        """Work in scans in the order of their times and give who is believed at `ego.time_s`."""
        self._history.add(ego)
        for scan in sorted(scans, key=lambda scan: (scan.taken_s, scan.sensor)):
            if scan.taken_s >= self._time_s:
                self._scan(scan)
        return self._tracks(ego.time_s)

    def _scan(self, scan):
        mount = getattr(self._tuning.radar.mounts, scan.sensor)
        clusters = measure(scan, self._history.at(scan.taken_s), mount, self._noise, self._settings)
        dt_s, self._time_s = scan.taken_s - self._time_s, scan.taken_s
        F, Q = (filters.spread_to_plane(m) for m in filters.walking_step(dt_s, self._settings[of.ACCEL_PSD]))
        for one in self._filters:
            one.F, one.Q = F, Q
            one.predict()
        weights = nearest(self._ratios(clusters))
        for i, j in np.argwhere(weights):
            _update(self._filters[i], clusters, j)
            self._counts[i, 1] += 1
            self._counts[i, 3] = scan.taken_s
        self._bear(clusters, weights, scan.taken_s)
        keep = scan.taken_s - self._counts[:, 3] < ENDING_S
        self._filters = [one for one, stays in zip(self._filters, keep, strict=True) if stays]
        self._counts = self._counts[keep]

    def _ratios(self, clusters):
        """Log ratios for the pairing, (n, m): the smaller the distance the better, hopeless outside the gate."""
        ratio = np.full((len(self._filters), len(clusters)), -1e9)
        for i, one in enumerate(self._filters):
            h, H = filters.expected(one.x, clusters.sensor)
            y = clusters.z - h
            y[:, 1] = filters.wrapped(y[:, 1])
            d2 = nees(y, H @ one.P @ H.T + clusters.R[:, 1, :, None] * np.eye(3))
            near = d2 < self._settings[of.GATE_D2]
            ratio[i, near] = self._settings[of.GATE_D2] + 1.0 - d2[near]
        return ratio

    def _bear(self, clusters, weights, taken_s):
        from filterpy.kalman import ExtendedKalmanFilter

        for j in np.flatnonzero(~weights.astype(bool).any(axis=0) & ~clusters.still):
            if any(np.hypot(*(one.x[:2] - clusters.xy[j])) <= APART_M for one in self._filters):
                continue
            one = ExtendedKalmanFilter(dim_x=4, dim_z=3)
            one.x, one.P = np.r_[clusters.xy[j], 0.0, 0.0], np.diag([0.05, 0.05, 1.0, 1.0])
            self._filters.append(one)
            self._counts = np.vstack([self._counts, [self._next, 1, taken_s, taken_s]])
            self._next += 1

    def _tracks(self, now_s):
        if not self._filters:
            return no_tracks(now_s)
        f, q = filters.walking_step(max(now_s - self._time_s, 0.0), self._settings[of.ACCEL_PSD])
        F, Q = filters.spread_to_plane(f), filters.spread_to_plane(q)
        state = np.array([F @ one.x for one in self._filters])
        covariance = np.array([F @ one.P @ F.T + Q for one in self._filters])
        number, hits, born, seen = self._counts.T
        plain = exact_tracks(now_s, state[:, :2], state[:, 2:])
        believed = np.where(now_s - seen > COASTING_S, Stage.COASTING, Stage.CONFIRMED)
        stage = np.where(hits < BELIEVED_HITS, Stage.TENTATIVE, believed)
        values = {name: getattr(plain, name) for name in Tracks.__slots__}
        values |= {"ids": number.astype(np.int64), "hits": hits.astype(np.int64), "stage": stage.astype(np.int8)}
        values |= {"covariance": covariance, "age_s": now_s - born, "last_seen_s": seen.copy()}
        return Tracks(**values)


def _update(one, clusters, j):
    """Work one measurement into one filter of the library."""
    sensor, R = (clusters.sensor,), np.diag(clusters.R[j, 1])
    one.update(clusters.z[j], _derivative, _expected, R, sensor, sensor, _residual)
