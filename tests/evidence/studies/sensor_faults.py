"""Every kind of fault, in a drive while somebody walks through the vehicle's way and one stands beside it.

The walker comes from the side of the front left radar and crosses 8 m ahead. With an even seed, they cross about
when the front of a vehicle that nothing holds up gets there; then the end should be reached where the fault leaves
enough to see. With an odd seed they come later and walk up to the vehicle's flank until they touch it, and stay; then
no end is expected. The fault begins after 2 s and stays. The vehicle has to stand whenever anybody touches it.
"""

import numpy as np

from avoidkit import Scene
from avoidkit.scene import standing, walking
from tests.evidence.studies._drives import count, drive_row, run_drive, spread, tuning_named

ABOUT = "each kind of fault with a walker through the way or at the flank, seeds 0 to 19: contacts, end, gaps"
SEEDS = range(20)
DURATION_S = 45.0
CROSS_M = 8.0  # ahead of the start of the rear axle
FAULTS = {
    "none": None,
    "dead": ("front_left", "dead", None),
    "blind 0.1": ("front_left", "blind", 0.1),
    "blind 0.4": ("front_left", "blind", 0.4),
    "misaligned 5 deg": ("front_left", "misaligned", 5.0),
    "misaligned 20 deg": ("front_left", "misaligned", 20.0),
    "late 0.2 s": ("front_left", "late", 0.2),
    "clock offset 0.1 s": ("front_left", "clock_offset", 0.1),
    "clock offset -0.2 s": ("front_left", "clock_offset", -0.2),
    "stuck": ("front_left", "stuck", None),
    "dropping 0.5": ("front_left", "dropping", 0.5),
    "ghosts 3": ("front_left", "ghosts", 3.0),
    "ring dead": ("ultrasonic", "dead", None),
    "ring stuck": ("ultrasonic", "stuck", None),
    "ring ghosts 1": ("ultrasonic", "ghosts", 1.0),
    "link late 0.15 s": ("link", "late", 0.15),
    "link dropping 0.3": ("link", "dropping", 0.3),
    "link lost": ("link", "lost", None),
}


def tasks():
    return [{"fault": name, "seed": seed} for name in FAULTS for seed in SEEDS]


def court(name, seed):
    """An open court with a way of 16 m, one who walks through it, one who stands beside it, and the fault."""
    draw = np.random.default_rng(seed)
    at_s, pace = (5.0 if seed % 2 == 0 else 9.0) + draw.uniform(-1.5, 1.5), draw.uniform(1.0, 1.6)
    begin = max(at_s - 7.0 / pace, 0.0)
    walk = [(begin, CROSS_M, (at_s - begin) * pace), (at_s + 7.0 / pace, CROSS_M, -7.0)]
    fault = FAULTS[name]
    faults = []
    if fault is not None:
        sensor, kind, amount = fault
        faults = [{"sensor": sensor, "kind": kind, "from_s": 2.0, "to_s": DURATION_S}]
        faults[0] |= {} if amount is None else {"amount": amount}
    return Scene(
        name="court",
        duration_s=DURATION_S,
        walls=[{"corners_m": [(-12.0, -9.0), (-12.0, 9.0)]}, {"corners_m": [(32.0, -9.0), (32.0, 9.0)]}],
        path={"legs": [{"direction": "forward", "segments": [{"length_m": 16.0}]}]},
        people=[walking("guest", walk), standing("waiter", 13.0, -4.5)],
        faults=faults,
    )


def run(task):
    return drive_row(run_drive(court(task["fault"], task["seed"]), tuning_named("baseline"), task["seed"]))


def conclude(frame):
    by_fault = {}
    for name, rows in frame.groupby("fault", sort=False):
        by_fault[name] = {
            "drives with a contact while moving": count(rows["contacts_moving"] > 0),
            "drives with a contact at rest": count(rows["contacts_at_rest"] > 0),
            "end reached where they cross ahead": count(rows["reached_end"][rows["seed"] % 2 == 0]),
            "nearest gap while moving, m": spread(rows["nearest_gap_moving_m"]),
            "seeds with a contact while moving": sorted(rows["seed"][rows["contacts_moving"] > 0].tolist()),
        }
    return {"drives with a contact while moving": count(frame["contacts_moving"] > 0), "by fault": by_fault}
