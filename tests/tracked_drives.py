"""The tracker on the simulated radars: drives along the reference path with nobody deciding, truth beside tracks."""

import math

import numpy as np

from avoidkit import Scene
from avoidkit.frames import Pose, compose, to_local
from avoidkit.scene import Crowd, recorded
from avoidkit.sensing import Sensors
from avoidkit.sensing.radar import behind_own_body
from avoidkit.tracking import Tracker
from avoidkit.tracking.diagnostics import Truth
from avoidkit.vehicle import Ego, EgoHistory, outline_in_scene
from avoidkit.walks import read_walks

APART = 1.2  # resolution cells between two people in range, azimuth or range rate, for each to count
HALF_BODY_M = 0.25


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
    """Run a tracker over a drive: (truths, tracks), one entry a cycle each; who counts is what `countable` says."""
    tracker, truths, out, since = track(tuning), [], [], {}
    for ego, scans, people in drive:
        out.append(tracker.step(scans, ego))
        counts = countable(people, ego, tuning, within_m=within_m, edges=edges)
        for name, now in zip(people.names, counts, strict=True):
            since[name] = since.get(name, people.time_s) if now else people.time_s + 1e-9
        settled = np.array([people.time_s - since[name] >= 1.0 for name in people.names], bool)
        truths.append(Truth(people.time_s, people.names, people.xy, people.velocity, counts & settled))
    return truths, out


def countable(people, ego, tuning, *, within_m=8.0, edges=None):
    """Who is near the rear axle and seen by some radar, at least half unhidden and apart from all others, (n,) bool."""
    seen = np.zeros(len(people.xy), bool)
    for name in type(tuning.radar.mounts).model_fields:
        mount = getattr(tuning.radar.mounts, name)
        seen |= seen_by(people, ego, mount, tuning, edges)
    return seen & (np.hypot(*to_local(people.xy, ego.pose).T) <= within_m)


def seen_by(people, ego, mount, tuning, edges):
    """Who one radar has in its field of view, at least half unhidden, and apart from all others, (n,) bool."""
    radar = tuning.radar
    pose = compose(ego.pose, Pose(mount.x_m, mount.y_m, math.radians(mount.yaw_deg)))
    local = to_local(people.xy, pose)
    r, azimuth = np.hypot(*local.T), np.arctan2(local[:, 1], local[:, 0])
    away = (people.xy - [pose.x_m, pose.y_m]) / np.maximum(r, 1e-6)[:, None]
    rate = (people.velocity * away).sum(axis=1)
    seen = (np.abs(azimuth) < math.radians(radar.field_of_view_deg / 2 - 2)) & (r > radar.range_min_m + 0.3)
    seen &= ~behind_own_body(mount, tuning.vehicle, azimuth)
    cells = np.array(
        [radar.range_cell_m, math.radians(radar.azimuth_cell_deg), radar.wavelength_m / (2 * radar.coherent_s)]
    )
    measures = np.stack([r, azimuth, rate], axis=1)
    for i in np.flatnonzero(seen):
        for k in range(len(r)):
            if k == i:
                continue
            apart = (np.abs(measures[i] - measures[k]) > APART * cells).any()
            aside = abs(
                float(np.cross(np.append(away[i], 0.0), np.append(people.xy[k] - [pose.x_m, pose.y_m], 0.0))[2])
            )
            covered = r[k] < r[i] and aside < HALF_BODY_M + radar.occluding_radius_m - HALF_BODY_M
            seen[i] &= apart and not covered
        seen[i] &= edges is None or not crossed(edges, (pose.x_m, pose.y_m), people.xy[i])
    return seen


def crossed(edges, a, b):
    """Whether the line of sight from a to b is cut by an edge that hides."""
    x = np.asarray(edges.xy)[np.asarray(edges.hides)]
    if not len(x):
        return False
    d, e = np.asarray(b) - a, x[:, 2:] - x[:, :2]
    w = x[:, :2] - a
    den = d[0] * e[:, 1] - d[1] * e[:, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        t = (w[:, 0] * e[:, 1] - w[:, 1] * e[:, 0]) / den
        u = (w[:, 0] * d[1] - w[:, 1] * d[0]) / den
    return bool(np.any((t > 0) & (t < 1) & (u >= 0) & (u <= 1)))


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
