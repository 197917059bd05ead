"""Are detours driveable? Over 5,000 of them: curvature, its rate, how they are followed, and what the outline covers.

Exact knowledge; lane and yard, one person who stands, vehicle standing anywhere on its way. Followed by the kit's own
motion at up to 0.6 m/s. What the outline covers is measured with exact polygons every 0.05 m, against
things and bodies.
"""

import math

import numpy as np
import shapely

from avoidkit.motion import Motion, advance
from avoidkit.studies.places import Places
from avoidkit.studies.statistics import rate_words
from avoidkit.verdict import Action, Memory, Verdict
from tests.evidence.studies._drives import scene_named, spread, tuning_named
from tests.evidence.studies._truth import BY_EXACT_KNOWLEDGE
from tests.oracle import outlines

ABOUT = "5,000 detours: curvature and rate within limits, followed within 0.10 m, outline clear of things and bodies"
SPEAKS_OF = (*BY_EXACT_KNOWLEDGE, "studies.places")
WANTED, EACH = 5000, 25


def tasks():
    return [{"yard": ("lane_6m", "open_yard")[k % 2], "seed": k} for k in range(WANTED // EACH)]


def run(task):
    scene, tuning = scene_named(task["yard"]).replace_people(), tuning_named("baseline")
    rng, found, tried = np.random.default_rng(task["seed"]), [], 0
    while len(found) < EACH and tried < 20 * EACH:
        tried += 1
        along = float(rng.uniform(0.0, 6.0))
        places = Places(scene, tuning, along_m=along)
        x, y = along + rng.uniform(6.0, 13.0), rng.uniform(-2.5, 2.5)
        verdict = places._settled(places.situation(x, y)) if places.is_free(x, y) else None
        if verdict is not None and verdict.action == Action.DETOUR:
            found.append(_judged(verdict.path, scene, tuning, along, (x, y)))
    names = found[0].keys() if found else ()
    worst = {name: round(max(one[name] for one in found), 4) for name in names}
    return {"detours": len(found), "tried": tried, **worst}


def _judged(path, scene, tuning, along_m, person):
    """How much of each limit a detour uses (1: all), how far it is missed, and how far it leaves free ground, m."""
    vehicle = tuning.vehicle
    most = math.tan(math.radians(vehicle.steering_max_deg)) / vehicle.wheelbase_m
    angle = np.arctan(path.curvature_1pm * vehicle.wheelbase_m)
    rate = np.abs(np.diff(angle)) / np.diff(path.s_m) * tuning.detour.speed_mps
    poses = np.column_stack([path.x_m, path.y_m, path.yaw_rad])
    shapes = outlines(poses, tuning)
    out = 0.0
    for thing in (*scene.polygons, shapely.Point(person).buffer(tuning.people.body_radius_m)):
        out = max(out, float(shapely.area(shapely.intersection(shapes, thing)).max()))
    start = scene.reference.pose_at(along_m)
    motion, off = Motion(start, path_name=path.name), 0.0
    go = Verdict(Action.DETOUR, path, tuning.detour.speed_mps, Memory())
    for _ in range(round(2.5 * path.length_m / tuning.detour.speed_mps / tuning.cycle_s)):
        motion = advance(motion, go, vehicle, tuning.cycle_s)
        x, y, _ = path.poses_at(motion.along_m)
        off = max(off, math.hypot(motion.pose.x_m - x, motion.pose.y_m - y))
        if path.length_m - motion.along_m < 0.06:
            break
    return {
        "curvature_share": float(np.abs(path.curvature_1pm).max() / most),
        "rate_share": float(rate.max() / math.radians(vehicle.steering_rate_max_deg_per_s)),
        "off_path_m": off, "left_m": path.length_m - motion.along_m, "covers_m2": out,
    }  # fmt: skip


def conclude(frame):
    n = int(frame["detours"].sum())
    says = {
        "detours": n,
        "curvature over the limit (batches)": rate_words(int((frame["curvature_share"] > 1.0).sum()), len(frame)),
    }
    says["curvature rate over the limit (batches)"] = rate_words(int((frame["rate_share"] > 1.0).sum()), len(frame))
    says["farther off than 0.10 m (batches)"] = rate_words(int((frame["off_path_m"] > 0.10).sum()), len(frame))
    says["outline on a thing or body (batches)"] = rate_words(int((frame["covers_m2"] > 1e-9).sum()), len(frame))
    names = ("curvature_share", "rate_share", "off_path_m", "covers_m2")
    return says | {f"worst of a batch, {name}": spread(frame[name]) for name in names}
