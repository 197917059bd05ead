"""People who hide behind a parked van, step out at the shuttle and hide again; exact knowledge of all that is in sight.

The van's corner stands 0.5, 1.0 or 1.5 m off the shuttle's side. Whoever hides keeps to `people.shadow_speed_mps`; they
wait up to 8 s, aim at corners, bumper or flank, stop, turn, go back; after 12 s they go and stay behind the van. Where
the end was not reached, the oracle says of the last instant whether the shuttle could have gone on.
"""

from itertools import pairwise

import numpy as np
import shapely

from avoidkit.scene import Scene
from avoidkit.studies.statistics import rate_words
from tests.evidence.studies._drives import spread, tuning_named
from tests.evidence.studies._truth import BY_EXACT_KNOWLEDGE, played, row_among
from tests.line_of_sight import Hiders, LineOfSightLoop

ABOUT = "200 drives past people who hide behind a van and step out, exact knowledge in line of sight: contacts, end"
SPEAKS_OF = (*BY_EXACT_KNOWLEDGE, "sensing.kernels")
DRIVES, LONGEST_S, TIRE_S, MOVING_MPS = 200, 34.0, 12.0, 0.05
HALF_M, LONG_M, WIDE_M, MIDDLE_X_M = 0.93, 4.8, 1.9, 9.0  # half the shuttle's width; the van


def tasks():
    return [
        {"tuning": "slow_brakes" if k % 5 == 4 else "baseline", "seed": k, "people": 1 + k % 2,
         "side_m": (0.5, 1.0, 1.5)[k % 3]}
        for k in range(DRIVES)
    ]  # fmt: skip


def yard(side_m):
    """A straight way past a parked van, `side_m` off it, between two walls far off."""
    van = {"name": "van", "x_m": MIDDLE_X_M, "y_m": HALF_M + side_m + WIDE_M / 2, "yaw_deg": 0.0, "length_m": LONG_M,
           "width_m": WIDE_M}  # fmt: skip
    return Scene(
        name="hiding place", duration_s=LONGEST_S, parked=[van], sees_under_parked=False,
        path={"legs": [{"direction": "forward", "segments": [{"length_m": 14.0}]}]},
        walls=[{"corners_m": [(-12.0, -9.0), (-12.0, 9.0)]}, {"corners_m": [(30.0, -9.0), (30.0, 9.0)]}],
    )  # fmt: skip


def hiding_places(seed, count, near_m):
    """Where they start, (count, 2) m: behind the van, whose near side is at `near_m`, or close behind its far end."""
    rng = np.random.default_rng(seed)
    behind = np.stack([rng.uniform(6.4, 12.2, count), rng.uniform(near_m + WIDE_M + 0.3, 5.6, count)], axis=1)
    ends = np.stack([rng.uniform(11.7, 12.1, count), rng.uniform(near_m + 0.8, near_m + WIDE_M, count)], axis=1)
    return np.where(rng.random(count)[:, None] < 0.5, behind, ends)


def run(task):
    scene, near_m = yard(task["side_m"]), HALF_M + task["side_m"]
    tuning = tuning_named(task["tuning"]).replace({"decision.renew_after_halt": False})
    starts = hiding_places(task["seed"], task["people"], near_m)
    van = shapely.box(MIDDLE_X_M - LONG_M / 2, near_m, MIDDLE_X_M + LONG_M / 2, near_m + WIDE_M)
    crowd = Hiders(starts, task["seed"], tuning.people, van, tire_s=TIRE_S)
    rows = played(LineOfSightLoop(scene, tuning, task["seed"], crowd, len(starts)), LONGEST_S, until_halted=False)
    return row_among(rows, scene, tuning, MOVING_MPS) | {
        "sights": sum(len(b.tracks) > len(a.tracks) for a, b in pairwise(rows)),
        "shadow_s": round(sum(_slowed(r.verdict, tuning) for r in rows) * tuning.cycle_s, 2),
    }


def _slowed(verdict, tuning):
    """Whether a shadow let the shuttle go at no more than what it needs to stop before somebody from there."""
    shadows = [check for check in verdict.checks if check.name == "distance to shadow"]
    slow = verdict.speed_cap_mps < tuning.vehicle.top_mps - 0.01
    return slow and any(check.found - check.needed < 0.05 for check in shadows)


def conclude(frame):
    could, hit = frame[frame["could"].astype(bool)], frame["contacts_moving"] > 0
    return {
        "drives with a contact while moving": rate_words(int(hit.sum()), len(frame)),
        "seeds of these": sorted(frame["seed"][hit].tolist()),
        "speed at contact, m/s": spread(frame["speed_at_contact_mps"][hit]),
        "drives touched at rest": rate_words(int(frame["touched_at_rest"].sum()), len(frame)),
        "came into sight, times a drive": spread(frame["sights"]),
        "slowed by a shadow, s a drive": spread(frame["shadow_s"]),
        "end reached where the oracle can": rate_words(int(could["reached_end"].sum()), len(could)),
        "what held the rest": frame["last"][~frame["reached_end"].astype(bool)].value_counts().to_dict(),
    }
