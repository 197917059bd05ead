"""`python -m tests.benchmarks.bench_tracking` prints what a cycle of the tracker costs, beside two other ways to do it.

The same walkers on a ring round a standing vehicle, four scans of 40 returns a cycle: the kit's tracker, a plain loop
of a filter library's objects with scipy's assignment, and a general tracking library with the same motion model. Time
is that of the processor, so that other work on the machine counts less; GOSPA says what each gives for it.
"""

import argparse
import math
import time
from datetime import datetime, timedelta

import numpy as np

from avoidkit.frames import Pose
from avoidkit.sensing.records import Scan
from avoidkit.tracking import Tracker
from avoidkit.tracking import filters as ours
from avoidkit.tracking import settings as of
from avoidkit.tracking.association import gate, nearest
from avoidkit.tracking.cluster import accuracy_of, measure
from avoidkit.tracking.records import Stage
from avoidkit.tracking.setmetrics import gospa
from avoidkit.tracking.settings import settings_of
from avoidkit.vehicle import Ego
from tests.evidence.runner import machine
from tests.tracked_yards import MOUNTS, RADARS, TUNING, scan_of

CYCLE_S = 0.05
STANDS = Ego(0.0, Pose(0.0, 0.0, 0.0), 0.0, 0.0, 0.0)
SETTINGS = settings_of(TUNING, gate(0.99, 3))
NOISE = accuracy_of(TUNING.radar)


def walkers(n, time_s):
    """Places and velocities of n people who walk outward and back on rays round the vehicle, 1.2 m apart at least."""
    rings = math.ceil(n / 20)
    k = np.arange(n)
    angle = 2 * math.pi * (k % 20) / 20 + 0.15 * (k // 20)
    swing = 0.5 * np.sin(2 * math.pi * time_s / 8 + k)
    radius = 5.0 + 16.0 * (k // 20 + 0.5) / max(rings, 2) + swing
    speed = 0.5 * 2 * math.pi / 8 * np.cos(2 * math.pi * time_s / 8 + k)
    ray = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    return np.array([1.5, 0.0]) + radius[:, None] * ray, speed[:, None] * ray


def cycles(n, seconds, returns=40, seed=0):
    """(now, scans, places) of each cycle; each scan is filled up to `returns` with still points far out."""
    rng = np.random.default_rng(seed)
    for k in range(round(seconds / CYCLE_S)):
        now_s = k * CYCLE_S
        scans = []
        for q, radar in enumerate(RADARS):
            taken_s = max(now_s - 0.04 + 0.0125 * q, 0.0)
            seen = scan_of(radar, taken_s, STANDS, *walkers(n, taken_s), rng, chance=0.9)
            more = max(returns - len(seen), 0)
            filling = (rng.uniform(15, 24, more), rng.uniform(-1.2, 1.2, more), np.zeros(more), np.full(more, 12.0))
            columns = [
                np.r_[getattr(seen, name), extra] for name, extra in zip(Scan.__slots__[3:7], filling, strict=True)
            ]
            scans.append(Scan(radar, taken_s, taken_s + 0.03, *columns))
        yield now_s, scans, walkers(n, now_s)[0]


class KitTracker:
    """The kit's own."""

    def __init__(self):
        self.tracker = Tracker(TUNING)

    def step(self, now_s, scans):
        tracks = self.tracker.step(scans, Ego(now_s, STANDS.pose, 0.0, 0.0, 0.0))
        return tracks.state[(tracks.stage == Stage.CONFIRMED) | (tracks.stage == Stage.COASTING), :2]


class PlainLoop:
    """One extended filter object a track, scipy's assignment, three hits to be believed, ten misses to end."""

    def __init__(self):
        self.filters, self.hits, self.misses, self.time_s = [], [], [], 0.0

    def step(self, now_s, scans):
        for scan in scans:
            self._scan(scan)
        ahead = now_s - self.time_s
        rows = [f.x[:2] + ahead * f.x[2:] for f, hits in zip(self.filters, self.hits, strict=True) if hits >= 3]
        return np.array(rows).reshape(-1, 2)

    def _scan(self, scan):
        clusters = measure(scan, STANDS, getattr(MOUNTS, scan.sensor), NOISE, SETTINGS)
        dt_s, self.time_s = max(scan.taken_s - self.time_s, 0.0), max(scan.taken_s, self.time_s)
        F, Q = (ours.spread_to_plane(m) for m in ours.walking_step(dt_s, SETTINGS[of.ACCEL_PSD]))
        ratio = np.full((len(self.filters), len(clusters)), -1e9)
        for i, one in enumerate(self.filters):
            one.F, one.Q = F, Q
            one.predict()
            h, H = ours.expected(one.x, clusters.sensor)
            P = H @ one.P @ H.T
            for j in range(len(clusters)):
                y = clusters.z[j] - h
                y[1] = ours.wrapped(y[1])
                d2 = float(y @ np.linalg.solve(P + np.diag(clusters.R[j, 1]), y))
                if d2 < SETTINGS[of.GATE_D2]:
                    ratio[i, j] = 12.0 - d2
        weights = nearest(ratio)
        for i, one in enumerate(self.filters):
            found = np.flatnonzero(weights[i])
            self.misses[i] = 0 if len(found) else self.misses[i] + 1
            if len(found):
                j, sensor = found[0], (clusters.sensor,)
                R = np.diag(clusters.R[j, 1])
                one.update(
                    clusters.z[j],
                    lambda x, s: ours.expected(x, s)[1],
                    lambda x, s: ours.expected(x, s)[0],
                    R,
                    sensor,
                    sensor,
                )
                self.hits[i] += 1
        self._births(clusters, weights)

    def _births(self, clusters, weights):
        from filterpy.kalman import ExtendedKalmanFilter

        for j in np.flatnonzero(~weights.any(axis=0) & ~clusters.still):
            if all(np.hypot(*(one.x[:2] - clusters.xy[j])) > 0.6 for one in self.filters):
                one = ExtendedKalmanFilter(4, 3)
                one.x, one.P = np.r_[clusters.xy[j], 0.0, 0.0], np.diag([0.05, 0.05, 1.0, 1.0])
                self.filters.append(one)
                self.hits.append(1)
                self.misses.append(0)
        keep = [k for k, misses in enumerate(self.misses) if misses < 10]
        for name in ("filters", "hits", "misses"):
            setattr(self, name, [getattr(self, name)[k] for k in keep])


class GeneralLibrary:
    """A general tracking library: the same motion model, extended updates, global nearest neighbour, births by hand."""

    def __init__(self):
        from stonesoup.dataassociator.neighbour import GNNWith2DAssignment
        from stonesoup.hypothesiser.distance import DistanceHypothesiser
        from stonesoup.measures import Mahalanobis
        from stonesoup.models.transition.linear import CombinedLinearGaussianTransitionModel, ConstantVelocity
        from stonesoup.predictor.kalman import ExtendedKalmanPredictor
        from stonesoup.updater.kalman import ExtendedKalmanUpdater

        model = CombinedLinearGaussianTransitionModel([ConstantVelocity(SETTINGS[of.ACCEL_PSD])] * 2)
        self.predictor, self.updater = ExtendedKalmanPredictor(model), ExtendedKalmanUpdater(None)
        guess = DistanceHypothesiser(self.predictor, self.updater, Mahalanobis(), math.sqrt(SETTINGS[of.GATE_D2]))
        self.associator, self.tracks, self.start = GNNWith2DAssignment(guess), [], datetime(2000, 1, 1)

    def step(self, now_s, scans):
        from stonesoup.types.track import Track

        for scan in scans:
            self._scan(scan, Track)
        at = self.start + timedelta(seconds=now_s)
        rows = [self.predictor.predict(t, timestamp=at).state_vector for t in self.tracks if len(t) >= 4]
        return np.array([[float(x[0]), float(x[2])] for x in rows]).reshape(-1, 2)

    def _scan(self, scan, track_type):
        from stonesoup.models.measurement.nonlinear import CartesianToBearingRange
        from stonesoup.types.detection import Detection
        from stonesoup.types.state import GaussianState, StateVector

        clusters = measure(scan, STANDS, getattr(MOUNTS, scan.sensor), NOISE, SETTINGS)
        at = self.start + timedelta(seconds=scan.taken_s)
        detections = {}
        for j in np.flatnonzero(~clusters.still | True):
            model = CartesianToBearingRange(
                ndim_state=4,
                mapping=(0, 2),
                noise_covar=np.diag(clusters.R[j, 1, [1, 0]]),
                translation_offset=StateVector(clusters.sensor[:2].reshape(2, 1)),
            )
            bearing = clusters.z[j, 1] + clusters.sensor[2]
            one = Detection(
                StateVector([[ours.wrapped(bearing)], [clusters.z[j, 0]]]), timestamp=at, measurement_model=model
            )
            detections[one] = j
        pairs = self.associator.associate(self.tracks, set(detections), at) if self.tracks else {}
        used = set()
        for track, guess in pairs.items():
            if guess:
                track.append(self.updater.update(guess))
                used.add(guess.measurement)
        self.tracks = [t for t in self.tracks if (at - t.timestamp).total_seconds() < 0.5]
        places = np.array([[float(t.state_vector[0]), float(t.state_vector[2])] for t in self.tracks]).reshape(-1, 2)
        for one, j in detections.items():
            if one in used or clusters.still[j] or (np.hypot(*(places - clusters.xy[j]).T) < 0.6).any():
                continue
            x, y = clusters.xy[j]
            prior = GaussianState([[x], [0.0], [y], [0.0]], np.diag([0.05, 1.0, 0.05, 1.0]), timestamp=at)
            self.tracks.append(track_type([prior]))


def timed(maker, n, seconds):
    """Milliseconds of processor time a cycle, and GOSPA in m, after the first 2 s."""
    tracker, times_ms, distances = maker(), [], []
    for now_s, scans, truth in cycles(n, seconds):
        before = time.thread_time()
        found = tracker.step(now_s, scans)
        after = time.thread_time()
        if now_s >= 2.0:
            times_ms.append(1e3 * (after - before))
            distances.append(gospa(truth, found, cutoff_m=1.0).total_m)
    return np.array(times_ms), np.array(distances)


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=6.0)
    parser.add_argument("--only-kit", action="store_true")
    options = parser.parse_args()
    print(machine())
    timed(KitTracker, 20, 0.5)  # compile before the clock runs
    ways = [
        ("the kit's tracker", KitTracker, 20),
        ("the kit's tracker", KitTracker, 60),
        ("the kit's tracker", KitTracker, 200),
    ]
    if not options.only_kit:
        ways += [("plain loop of filter objects", PlainLoop, 20), ("general tracking library", GeneralLibrary, 20)]
    for name, maker, n in ways:
        seconds = options.seconds if maker is KitTracker else min(options.seconds, 3.0)
        try:
            times_ms, distances = timed(maker, n, seconds)
        except ImportError as error:
            print(f"{name}: not here ({error})")
            continue
        p50, p95 = np.percentile(times_ms, [50, 95])
        print(
            f"{name:30s} {n:4d} people: {p50:8.3f} ms a cycle (p95 {p95:8.3f}, n {len(times_ms)}), "
            f"GOSPA {distances.mean():.3f} m (sd {distances.std():.3f})"
        )


if __name__ == "__main__":
    main()
