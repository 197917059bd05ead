"""The tracker on the simulated radars: drives along the reference path with nobody deciding, truth beside tracks."""

import math

import numpy as np

from avoidkit import Scene
from avoidkit.scene import Crowd, recorded
from avoidkit.sensing import Sensors
from avoidkit.studies.tracked import Settling
from avoidkit.tracking import Tracker
from avoidkit.tracking.bank import KEY
from avoidkit.tracking.filters import combined
from avoidkit.vehicle import Ego, EgoHistory, outline_in_scene
from avoidkit.walks import read_walks


def driven(scene, tuning, seed, *, speed_mps=0.6, duration_s=None, from_s=1.0):
    """Yield (ego, scans, people) of each cycle: the vehicle keeps to the path at a speed, whatever is in its way."""
    path, crowd, sensors = scene.reference, Crowd(scene), Sensors(scene, tuning, seed)
    history, s, v = EgoHistory(), 0.0, 0.0
    for k in range(round((duration_s or scene.duration_s) / tuning.cycle_s)):
        now_s = k * tuning.cycle_s
        left = path.leg_end_after(s) - s if s < path.length_m else 0.0
        if 0 < left < 0.02:
            s, left = s + left + 1e-6, 0.0
        v = min(math.sqrt(2 * 0.5 * left), speed_mps, v + 0.8 * tuning.cycle_s) if now_s >= from_s else 0.0
        sign = path.direction_at(s)
        ego = Ego(now_s, path.pose_at(s), sign * v, 0.0, sign * v * float(path.curvature_at(s)))
        history.add(ego)
        outline = outline_in_scene(tuning.vehicle, ego.pose)
        people = crowd.step(now_s, tuning.cycle_s if k else 0.0, outline)
        scans, _ = sensors.step(now_s, people, history)
        yield ego, scans, people
        s = min(s + v * tuning.cycle_s, path.length_m)


def tracked(drive, tuning, *, within_m=8.0, edges=None, track=Tracker):
    """Run a tracker over a drive: (truths, tracks), one entry a cycle each; who counts is what `Settling` says."""
    tracker, settling, truths, out = track(tuning), Settling(tuning, within_m=within_m, edges=edges), [], []
    for ego, scans, people in drive:
        out.append(tracker.step(scans, ego))
        truths.append(settling.truth(people, ego))
    return truths, out


class LooksAhead(Tracker):
    """A tracker that also notes where it expects each track later: `ahead[cycle][number, horizon_s]`."""

    HORIZONS_S = (0.5, 1.0)

    def __init__(self, tuning):
        super().__init__(tuning)
        self.ahead = []

    def step(self, scans, ego):
        out, found = super().step(scans, ego), {}
        for horizon_s in self.HORIZONS_S:
            bank = self.bank.copy()
            self.filter.advance(bank, ego.time_s + horizon_s, self.settings)
            state, covariance = combined(bank.states, bank.covariances, bank.modes)
            for k, key in enumerate(bank.life[:, KEY]):
                if key in self._names:
                    found[self._names[key], horizon_s] = state[k], covariance[k]
        self.ahead.append(found)
        return out


def errors_ahead(truths, tracks, pairs, ahead, horizon_s, cycle_s):
    """Errors (k, 2) and covariances (k, 2, 2) of places foretold for people who count, `horizon_s` later."""
    errors, covariance, later = [], [], round(horizon_s / cycle_s)
    for k in range(len(truths) - later):
        for i, name in enumerate(truths[k].names):
            row = pairs[k].get(name)
            found = None if row is None else ahead[k].get((int(tracks[k].ids[row]), horizon_s))
            if found is not None and truths[k].counts[i] and name in truths[k + later].names:
                then = truths[k + later]
                errors.append(found[0][:2] - then.xy[then.names.index(name)])
                covariance.append(found[1][:2, :2])
    return np.array(errors).reshape(-1, 2), np.array(covariance).reshape(-1, 2, 2)


def walkers_yard(file, seed, *, walkers=4, duration_s=14.0):
    """A yard with walls, two parked cars and up to four recorded walkers who cross round a vehicle on its way."""
    rate_hz, rows = read_walks(file)
    draw = np.random.default_rng(seed)
    ids = np.unique(rows[:, 0]).astype(int)
    ids = [i for i in ids if (rows[:, 0] == i).sum() >= 4 * rate_hz]
    people = []
    for k, walker in enumerate(draw.permutation(ids)[:walkers]):
        track = rows[rows[:, 0] == walker]
        course = math.radians(90.0 * draw.choice([-1, 1]) + draw.uniform(-50.0, 50.0))
        turn = course - math.atan2(track[-1, 3] - track[0, 3], track[-1, 2] - track[0, 2])
        middle = len(track) // 2
        cos, sin = math.cos(turn), math.sin(turn)
        x, y = track[middle, 2:4]
        there_s = draw.uniform(4.0, duration_s - 3.0)
        side = 1 if k % 2 else -1
        place = (0.6 * (there_s - 1.0) + draw.uniform(-2.0, 8.0), side * draw.uniform(2.0, 5.5))
        people.append(
            recorded(
                f"walker {walker}",
                file.name,
                int(walker),
                turn_deg=(math.degrees(turn) + 180) % 360 - 180,
                shift_m=(place[0] - (cos * x - sin * y), place[1] - (sin * x + cos * y)),
                start_s=there_s - middle / rate_hz,
            )
        )
    return Scene(
        name="walkers' yard",
        duration_s=duration_s,
        walls=[
            {"name": "barn", "corners_m": [(-30.0, -3.0), (-30.0, 3.0)]},
            {"name": "stables", "corners_m": [(38.0, -4.0), (38.0, 4.0)]},
        ],
        parked=[{"name": "cart", "x_m": -6.0, "y_m": 0.0, "yaw_deg": 5.0, "length_m": 4.3, "width_m": 1.7}],
        path={"legs": [{"direction": "forward", "segments": [{"length_m": 20.0}]}]},
        people=people,
    )


def first_that_fits(make, seeds):
    """The first scene of `make(seed)` in which nobody walks through a thing."""
    for seed in seeds:
        try:
            return make(seed)
        except ValueError:
            continue
    raise ValueError("no scene fits")
