"""A small yard for tests of the tracker: points that return to the four radars, without the simulated sensors."""

import math

import numpy as np

from avoidkit import Tuning
from avoidkit.frames import Pose, compose, to_local
from avoidkit.sensing.records import Scan
from avoidkit.vehicle import Ego, EgoHistory

TUNING = Tuning()
MOUNTS = TUNING.radar.mounts
RADARS = tuple(type(MOUNTS).model_fields)


def straight_drive(speed_mps=0.0, yaw_rate_radps=0.0):
    """A function from time to `Ego`: constant speed and yaw rate from the origin."""

    def at(time_s):
        yaw = yaw_rate_radps * time_s
        if abs(yaw_rate_radps) > 1e-9:
            x, y = math.sin(yaw) * speed_mps / yaw_rate_radps, (1 - math.cos(yaw)) * speed_mps / yaw_rate_radps
        else:
            x, y = speed_mps * time_s, 0.0
        return Ego(time_s, Pose(x, y, yaw), speed_mps, 0.0, yaw_rate_radps)

    return at


def scan_of(radar, taken_s, ego, people_xy, people_v, rng, *, still_xy=(), chance=0.9, snr_db=20.0, noise=True):
    """What one radar returns: each person once, `body` nearer than the middle, and every still point."""
    mount = getattr(MOUNTS, radar)
    pose = compose(ego.pose, Pose(mount.x_m, mount.y_m, math.radians(mount.yaw_deg)))
    vx, vy = ego.speed_mps - ego.yaw_rate_radps * mount.y_m, ego.yaw_rate_radps * mount.x_m
    still = np.asarray(still_xy, dtype=float).reshape(-1, 2)
    xy = np.vstack([np.asarray(people_xy, dtype=float).reshape(-1, 2), still])
    v = np.vstack([np.asarray(people_v, dtype=float).reshape(-1, 2), np.zeros_like(still)])
    nearer = np.r_[np.full(len(xy) - len(still), TUNING.tracking.body_offset_m), np.zeros(len(still))]
    local = to_local(xy, pose)
    r, azimuth = np.hypot(*local.T), np.arctan2(local[:, 1], local[:, 0])
    angle = azimuth + math.radians(mount.yaw_deg)
    away = (xy - [pose.x_m, pose.y_m]) / r[:, None]
    rate = (v * away).sum(axis=1) - (vx * np.cos(angle) + vy * np.sin(angle))
    snr = 10 ** (snr_db / 10)
    sigma_r, sigma_a = (
        math.hypot(0.15 / math.sqrt(2 * snr), 0.02),
        math.radians(math.hypot(12 / math.sqrt(2 * snr), 0.5)),
    )
    errors = rng.standard_normal((3, len(r))) * (1.0 if noise else 0.0)
    seen = (rng.random(len(r)) < chance) & (np.abs(azimuth) < math.radians(80))
    measured = (
        r - nearer + sigma_r * errors[0],
        azimuth + sigma_a / np.cos(azimuth) * errors[1],
        rate + 0.03 * errors[2],
    )
    arrays = [a[seen] for a in (*measured, np.full(len(r), snr_db))]
    return Scan(radar, taken_s, taken_s + 0.03, *arrays)


def scans_between(before_s, now_s):
    """(radar, taken_s) of the four staggered radars within (before, now]."""
    period = TUNING.radar.cycle_s
    out = []
    for k, radar in enumerate(RADARS):
        first = math.ceil((before_s - k * period / 4) / period + 1e-9)
        last = math.floor((now_s - k * period / 4) / period + 1e-9)
        out += [(radar, k * period / 4 + n * period) for n in range(first, last + 1)]
    return sorted(out, key=lambda one: one[1])


def play(tracker, walks, drive, duration_s, *, seed=0, still_xy=(), chance=0.9, reorder=None, cycle_s=0.05):
    """Run a tracker; `walks(t)` gives (n, 2) places and velocities; yields (time, tracks) each cycle.

    `reorder(scans, k)` may hold scans back: it gets those due in cycle k and returns those that arrive.
    """
    rng, history = np.random.default_rng(seed), EgoHistory()
    for k in range(round(duration_s / cycle_s) + 1):
        now_s = k * cycle_s
        ego = drive(now_s)
        history.add(ego)
        due = [
            scan_of(radar, t, drive(t), *walks(t), rng, still_xy=still_xy, chance=chance)
            for radar, t in scans_between(now_s - cycle_s, now_s)
            if t >= 0
        ]
        yield now_s, tracker.step(due if reorder is None else reorder(due, k), ego)
