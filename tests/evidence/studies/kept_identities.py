"""Whether people keep their tracks: crossing, side by side, behind a pillar, standing in the open and beside a wall."""

import numpy as np

from avoidkit import Scene, Tuning
from avoidkit.freespace import FreeSpace
from avoidkit.scene import walking
from avoidkit.tracking.diagnostics import identity_switches, pairs_over_time
from avoidkit.tracking.records import Stage
from tests.evidence.studies._drives import count
from tests.tracked_drives import driven, tracked

ABOUT = "identities kept over 100 seeds each: crossing at 0.8 m, side by side, pillar, a stop of 30 s, a stop by a wall"
SPEAKS_OF = ("tracking", "tracking_tuning", "sensing", "sensor_tuning", "freespace", "gridmath", "grid", "gridstate")
SEEDS = 100
WALL_Y_M, BY_WALL_M = 6.0, 0.5
WALL = ({"name": "stables", "corners_m": [(-4.0, WALL_Y_M), (20.0, WALL_Y_M)]},)
PAIRED_M = {"crossing": 0.5, "side_by_side": 0.5}  # for people 0.8 m apart: within 1 m they could be mixed up
SETTLED_S = 2.0  # identities count from here on
BODY_XY_M = 0.2 * np.array([(0, 0)] + [(np.cos(a), np.sin(a)) for a in np.arange(8) * np.pi / 4])


def crossing(draw):
    y, at_s, (va, vb) = draw.uniform(2.5, 4.0), draw.uniform(4.0, 6.0), draw.uniform(1.1, 1.5, 2)
    a = walking("a", [(0, 8 - va * at_s, y), (12, 8 + va * (12 - at_s), y)])
    return (a, walking("b", [(0, 8 + vb * at_s, y + 0.8), (12, 8 - vb * (12 - at_s), y + 0.8)])), 12.0, {}


def side_by_side(draw):
    v, y = draw.uniform(1.1, 1.5), draw.uniform(1.9, 2.7)
    people = [walking(n, [(0, 12, y + d), (12, 12 - 12 * v, y + d)]) for n, d in (("a", 0.0), ("b", 0.8))]
    return people, 12.0, {"walls": WALL}


def behind_a_pillar(draw):
    v = draw.uniform(1.1, 1.5)
    pillar = {"name": "post", "x_m": 8.0, "y_m": 4.0, "diameter_m": 0.5}
    return (walking("a", [(0, 1.5, 5.2), (12, 1.5 + 12 * v, 5.2)]),), 12.0, {"pillars": (pillar,)}


def stop_in_the_open(draw):
    x, y = draw.uniform(6, 10), draw.uniform(2.5, 5)
    return (walking("a", [(0, x, y + 6), (4.5, x, y), (34.5, x, y), (40, x + 7, y)]),), 40.0, {}


def stop_by_a_wall(draw):
    x = draw.uniform(6, 10)
    return (walking("a", [(0, x - 5, 4.5), (4.5, x, 5.6), (34.5, x, 5.6), (40, x + 7, 4.5)]),), 40.0, {"walls": WALL}


CASES = {f.__name__: f for f in (crossing, side_by_side, behind_a_pillar, stop_in_the_open, stop_by_a_wall)}


def tasks():
    return [{"case": case, "seed": seed} for seed in range(SEEDS) for case in CASES]


def run(task):
    tuning = Tuning()
    people, duration_s, things = CASES[task["case"]](np.random.default_rng(task["seed"]))
    path = {"legs": [{"direction": "forward", "segments": [{"length_m": 20.0}]}]}
    scene = Scene(name=task["case"], duration_s=duration_s, path=path, people=people, **things)
    speed_mps = 0.3 if duration_s < 20 else 0.1
    drive = list(driven(scene, tuning, task["seed"], speed_mps=speed_mps))
    truths, tracks = tracked(drive, tuning, edges=scene.edges)
    pairs = pairs_over_time(truths, tracks, cutoff_m=PAIRED_M.get(task["case"], 1.0))
    due = [k for k, t in enumerate(truths) if t.time_s >= SETTLED_S and (task["case"] != "side_by_side" or _near(t))]
    switches = identity_switches([pairs[k] for k in due], [tracks[k] for k in due])
    kept = np.mean([[name in pairs[k] for name in truths[k].names] for k in due])
    row = {"switches": int(sum(switches.values())), "tracked_share": round(float(kept), 4)}
    if task["case"] == "side_by_side":
        row |= as_a_group(truths, tracks)
    return row | (by_the_wall(drive, tracks, tuning) if task["case"] == "stop_by_a_wall" else {})


def as_a_group(truths, tracks):
    """Cycles farther than 3.5 m off with one believed track, or none, for both; in how many the extent covers both."""
    alone, covered, nobody = 0, 0, 0
    for truth, now in zip(truths, tracks, strict=True):
        if truth.time_s < SETTLED_S or _near(truth):
            continue
        people = now.where(np.isin(now.stage, (Stage.CONFIRMED, Stage.COASTING)))
        away = np.hypot(*(people.state[:, None, :2] - truth.xy[None]).transpose(2, 0, 1))
        near = np.flatnonzero((away <= 1.0).any(axis=1))
        alone += len(near) == 1
        covered += len(near) == 1 and bool((away[near[0]] <= people.extent_m[near[0]]).all())
        nobody += len(near) == 0
    return {"group_cycles": alone, "covered_cycles": covered, "lost_cycles": nobody}


def by_the_wall(drive, tracks, tuning):
    """Cycles within 0.5 m of the wall: how many, in how many nothing holds the person, in how many the way is free.

    Held: a track within 1 m is alive, or a cell within 0.2 m of the middle of the body is occupied. Freed: the cell of
    the middle is known free and no track is there. The grid is fed by the radars alone, without the ultrasonic ring.
    """
    space, n, unheld, freed = FreeSpace(tuning), 0, 0, 0
    for (ego, scans, people), now in zip(drive, tracks, strict=True):
        grid, xy = space.step(scans, None, now, ego), people.xy[0]
        if WALL_Y_M - xy[1] > BY_WALL_M:
            continue
        cells = tuple(grid.index_of(xy + BODY_XY_M)[0].T)
        alive = bool((np.hypot(*(now.state[:, :2] - xy).T) <= 1.0).any())
        n += 1
        unheld += not (alive or grid.occupied()[cells].any())
        freed += bool(grid.known_free()[cells][0] and not alive)
    return {"wall_cycles": n, "unheld_cycles": unheld, "freed_cycles": freed}


def _near(truth):
    """Both within 3.5 m of the flank, a side and the front taken as a box 4 m ahead of the origin."""
    off = np.maximum(np.abs(truth.xy - [1.5, 0.0]) - [2.4, 0.93], 0.0)
    return bool((np.hypot(off[:, 0], off[:, 1]) <= 3.5).all())


def conclude(frame):
    out = {}
    for case, rows in frame.groupby("case"):
        out[f"{case}: no switch"] = count(rows["switches"] == 0)
        out[f"{case}: tracked share, mean"] = round(float(rows["tracked_share"].mean()), 3)
    group = frame[frame["case"] == "side_by_side"]
    out["side_by_side, farther than 3.5 m: one track for both, cycles"] = int(group["group_cycles"].sum())
    out["side_by_side: of these, its extent covers both"] = int(group["covered_cycles"].sum())
    out["side_by_side, farther than 3.5 m: no track for either, cycles"] = int(group["lost_cycles"].sum())
    wall = frame[frame["case"] == "stop_by_a_wall"]
    out["stop_by_a_wall: track alive or a cell of the body occupied in every cycle"] = count(wall["unheld_cycles"] == 0)
    out["stop_by_a_wall: middle of the body never known free without a track"] = count(wall["freed_cycles"] == 0)
    return out
