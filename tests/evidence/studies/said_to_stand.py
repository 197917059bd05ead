"""Of those said to stand, how many do? People who stop and go all the time, and the people of the shipped scenes.

Somebody stands below 0.15 m/s, true speed. Counted in every cycle for people within 8 m and in view whose track is
paired with them; the vehicle keeps to its path whoever is in its way. From `people.standing_probability` (0.9) on the
kit takes somebody for standing. Whoever slows down passes through every probability in a moment, so that a band of
probabilities holds mostly people who are about to stand or have just set out.
"""

import math

import numpy as np

from avoidkit import Scene, Tuning, shipped
from avoidkit.scene import walking
from avoidkit.tracking.diagnostics import pairs_over_time
from tests.evidence.studies._drives import scene_named
from tests.tracked_drives import driven, first_that_fits, tracked

ABOUT = "standing probability against the truth: 24 drives among people who stop and go, 2 of each shipped scene"
SPEAKS_OF = ("tracking", "tracking_tuning", "sensing", "sensor_tuning")
STANDS_BELOW_MPS, LONGEST_S = 0.15, 40.0
EDGES = (0.0, 0.05, 0.2, 0.5, 0.85, 0.95, 0.98, 1.0)  # bands of the probability


def tasks():
    scenes = sorted(file.stem for file in shipped("scenes").glob("*.toml"))
    return [{"scene": "stop and go", "seed": seed} for seed in range(24)] + [
        {"scene": name, "seed": seed} for name in scenes for seed in (1, 2)
    ]


def course(rng, duration_s, step_s=0.1):
    """Points (t, x, y) of somebody who walks and stands in turns, 1.5 to 7 s each; turns back where the yard ends."""
    x, y, yaw = rng.uniform(-2.0, 12.0), rng.choice([-1, 1]) * rng.uniform(2.0, 6.0), rng.choice([0.0, math.pi])
    walks, until_s, pace, accel = (
        rng.random() < 0.5,
        rng.uniform(1.0, 6.0),
        rng.uniform(0.7, 1.6),
        rng.uniform(1.0, 2.2),
    )
    speed, points = (pace if walks else 0.0), []
    for t in np.arange(0.0, duration_s, step_s):
        points.append((round(float(t), 3), x, y))
        if t >= until_s:
            walks, until_s = not walks, t + rng.uniform(1.5, 7.0)
            if walks:
                pace, yaw = rng.uniform(0.7, 1.6), yaw + rng.choice([0.0, math.pi]) + rng.uniform(-0.2, 0.2)
        change = (pace if walks else 0.0) - speed
        speed += math.copysign(min(abs(change), accel * step_s), change)
        ahead = x + speed * step_s * math.cos(yaw), y + speed * step_s * math.sin(yaw)
        if not (1.6 < abs(ahead[1]) < 8.0 and -8.0 < ahead[0] < 20.0):
            yaw += math.pi
            ahead = x, y
        x, y = ahead
    return points


def stop_and_go(seed):
    rng = np.random.default_rng(seed)
    walls = [{"corners_m": [(-30.0, -3.0), (-30.0, 3.0)]}, {"corners_m": [(38.0, -4.0), (38.0, 4.0)]}]
    path = {"legs": [{"direction": "forward", "segments": [{"length_m": 20.0}]}]}
    people = [walking(f"guest {k}", course(rng, 22.0)) for k in range(3)]
    return Scene(name="stop and go", duration_s=20.0, walls=walls, path=path, people=people)


def run(task):
    tuning, seed = Tuning(), task["seed"]
    if task["scene"] == "stop and go":
        scene = first_that_fits(stop_and_go, range(1000 * seed, 1000 * seed + 300))
    else:
        scene = scene_named(task["scene"])
    drive = driven(scene, tuning, seed, duration_s=min(scene.duration_s, LONGEST_S))
    truths, tracks = tracked(drive, tuning, edges=scene.edges)
    said, stands = [], []
    for truth, now, pairs in zip(truths, tracks, pairs_over_time(truths, tracks), strict=True):
        for k, name in enumerate(truth.names):
            if truth.counts[k] and name in pairs:
                said.append(now.standing[pairs[name]])
                stands.append(np.hypot(*truth.velocity[k]) < STANDS_BELOW_MPS)
    said, stands = np.array(said), np.array(stands, bool)
    row = {"n": len(said), "stand_n": int(stands.sum())}
    row |= {"sure_n": int((said >= 0.9).sum()), "sure_stand_n": int(stands[said >= 0.9].sum())}
    for k in range(len(EDGES) - 1):
        inside = (said >= EDGES[k]) & ((said < EDGES[k + 1]) | (k == len(EDGES) - 2))
        row |= {f"band_{k}_n": int(inside.sum()), f"band_{k}_stand_n": int(stands[inside].sum())}
    return row


def conclude(frame):
    out = {}
    for name, rows in (
        ("stop and go", frame[frame["scene"] == "stop and go"]),
        ("shipped scenes", frame[frame["scene"] != "stop and go"]),
        ("both", frame),
    ):
        out[f"{name}: instants, and share of them standing"] = _share(rows, "n", "stand_n")
        out[f"{name}: said with 0.9 or more, and share that stand"] = _share(rows, "sure_n", "sure_stand_n")
        for k in range(len(EDGES) - 1):
            band = f"said with {EDGES[k]:.2f} to {EDGES[k + 1]:.2f}"
            out[f"{name}: {band}, and share that stand"] = _share(rows, f"band_{k}_n", f"band_{k}_stand_n")
    return out


def _share(rows, of, some):
    """Number and share; instants of one drive are alike, so that there is no interval."""
    n, part = int(rows[of].sum()), int(rows[some].sum())
    return f"{n}, {100 * part / n:.1f} %" if n else "0"
