"""What nothing can see: somebody stands beside the flank before the vehicle starts, and then walks at it; 120 seeds.

They stand 0.3 to 2 m off the side, between the fields of front and rear radar (111 of the 120 places are in no radar's
view, nine at its border), and set out straight at the side, at 0.8 to 1.6 m/s, 0 to 3 s after the vehicle may move. The
operator is expected to look before pressing; this says what it costs if they do not. Simulated radars. Where on the
outline the contact was is kept: into the side somebody walks, with its front the vehicle would drive into them.
"""

import numpy as np
import pandas as pd

from avoidkit.frames import to_local
from avoidkit.scene import walking
from avoidkit.studies.statistics import rate_words
from tests.evidence.studies._drives import run_drive, scene_named, spread, tuning_named

ABOUT = "somebody unseen beside the flank walks at it as the vehicle starts, 120 seeds: contacts while moving, where"
SEEDS, LONGEST_S, MOVING_MPS, HALF_M, FRONT_M = 120, 9.0, 0.05, 0.93, 3.85
BANDS_M = (0.3, 0.6, 1.0, 1.5, 2.0)


def tasks():
    return [{"seed": seed} for seed in range(SEEDS)]


def yard(seed):
    """The open yard, without its guests, and one beside the flank; how far off they stand, and when they set out."""
    rng = np.random.default_rng(seed)
    off, begins, pace = rng.uniform(BANDS_M[0], BANDS_M[-1]), 1.0 + rng.uniform(0.0, 3.0), rng.uniform(0.8, 1.6)
    x, side = rng.uniform(0.5, 2.5), rng.choice([-1.0, 1.0])
    start, beyond = side * (HALF_M + off), -side * 2.5  # short of the operator
    ends = begins + abs(start - beyond) / pace
    guest = walking("guest", [(0.0, x, start), (begins, x, start), (ends, x, beyond)])
    scene = scene_named("open_yard").without_guests()
    return scene.replace_people(*scene.people, guest), off, begins, pace


def run(task):
    scene, off, begins, pace = yard(task["seed"])
    rows = run_drive(scene, tuning_named("baseline"), task["seed"], duration_s=LONGEST_S).rows
    hits = [row for row in rows if "guest" in row.contacts and abs(row.ego.speed_mps) > MOVING_MPS]
    found = {"off_m": round(off, 3), "begins_s": round(begins, 2), "pace_mps": round(pace, 2),
             "contact_moving": bool(hits), "speed_at_contact_mps": 0.0, "along_m": np.nan}  # fmt: skip
    if hits:
        first = hits[0]
        place = to_local(first.people.xy[first.people.names.index("guest")][None], first.ego.pose)[0]
        found |= {"speed_at_contact_mps": round(abs(first.ego.speed_mps), 3), "along_m": round(float(place[0]), 2)}
    return found | {"errors": sum(bool(row.error) for row in rows)}


def conclude(frame):
    hit = frame["contact_moving"].astype(bool)
    out = {"contacts while moving": rate_words(int(hit.sum()), len(frame))}
    bands = pd.cut(frame["off_m"], BANDS_M)
    for band, rows in frame.groupby(bands, observed=True):
        n = int(rows["contact_moving"].astype(bool).sum())
        out[f"stood {band.left:.1f} to {band.right:.1f} m off the side"] = rate_words(n, len(rows))
    ahead = frame["along_m"][hit] > FRONT_M
    return out | {
        "of the contacts, before the front bumper": rate_words(int(ahead.sum()), int(hit.sum())),
        "speed at contact, m/s": spread(frame["speed_at_contact_mps"][hit], 2),
    }
