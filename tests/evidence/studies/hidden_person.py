"""Somebody steps out from behind a parked van whose corner stands 1.5 m off the vehicle's side, at 1.6 m/s; 200 seeds.

Simulated radars. The walker waits hidden behind the van and sets off, by seed, when an undisturbed vehicle's front
would be 0.5 m past to 2.5 m before where it would meet the guest's way;
a contact while moving, and its speed, are counted.
"""

import numpy as np

from avoidkit.scene import Scene, walking
from avoidkit.studies.metrics import undisturbed
from avoidkit.studies.statistics import rate_words
from tests.evidence.studies._drives import run_drive, spread, tuning_named

ABOUT = (
    "somebody steps out at 1.6 m/s from behind a parked van, 200 seeds each brake: contacts while moving, their speed"
)
SPEED_MPS, SEEDS, SIDE_M = 1.6, 200, 1.5
VAN_M = {"length_m": 4.8, "width_m": 1.9}


def tasks():
    return [{"tuning": tuning, "seed": seed} for seed in range(SEEDS) for tuning in ("baseline", "slow_brakes")]


def yard(tuning, seed):
    """A straight way past a parked van, and somebody who steps out beyond it."""
    rng = np.random.default_rng(seed)
    near_m = 0.93 + SIDE_M
    van = {"name": "van", "x_m": 9.0, "y_m": near_m + VAN_M["width_m"] / 2, "yaw_deg": 0.0, **VAN_M}
    steps_x = 9.0 + VAN_M["length_m"] / 2 + 0.45
    bare = Scene(
        name="behind the van", duration_s=24.0, parked=[van], sees_under_parked=False,
        path={"legs": [{"direction": "forward", "segments": [{"length_m": 14.0}]}]},
        walls=[{"corners_m": [(-12.0, -9.0), (-12.0, 9.0)]}, {"corners_m": [(30.0, -9.0), (30.0, 9.0)]}],
    )  # fmt: skip
    times, along = undisturbed(bare, tuning.vehicle, tuning.cycle_s)
    meets_s = float(np.interp(max(steps_x - 3.85 - rng.uniform(-0.5, 2.5), 0.1), along, times))
    start_y = near_m + 1.6
    begins = max(meets_s - (start_y - 1.2) / SPEED_MPS, 1.0)
    ends = begins + (start_y + 3.0) / SPEED_MPS
    guest = walking("guest", [(0.0, steps_x, start_y), (begins, steps_x, start_y), (ends, steps_x, -3.0)])
    return bare.replace_people(guest)


def run(task):
    tuning = tuning_named(task["tuning"])
    rows = run_drive(yard(tuning, task["seed"]), tuning, task["seed"]).rows
    moving = [abs(r.ego.speed_mps) for r in rows if r.contacts and abs(r.ego.speed_mps) > 0.05]
    near = min((r for r in rows if abs(r.ego.speed_mps) > 0.05), key=lambda r: r.gap_m)
    return {
        "contact_moving": bool(moving), "speed_at_contact_mps": round(max(moving, default=0.0), 3),
        "touched": any(r.contacts for r in rows), "nearest_gap_moving_m": round(near.gap_m, 3),
        "speed_then_mps": round(abs(near.ego.speed_mps), 3), "reached_m": round(rows[-1].reference_along_m, 2),
    }  # fmt: skip


def conclude(frame):
    out = {}
    for name, rows in frame.groupby("tuning"):
        hit = rows["contact_moving"].astype(bool)
        out[f"{name}: contacts while moving"] = rate_words(int(hit.sum()), len(rows))
        out[f"{name}: seeds of these"] = sorted(rows["seed"][hit].tolist())
        out[f"{name}: speed at contact, m/s"] = spread(rows["speed_at_contact_mps"][hit])
        out[f"{name}: nearest gap while moving, m"] = spread(rows["nearest_gap_moving_m"])
    return out
