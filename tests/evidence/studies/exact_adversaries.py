"""People inside the envelope who try to get hit, by exact knowledge: 2,000 short drives in a lane and in a yard.

They start, stop, turn, sprint at the flank, chase a corner, wander; after 6 s they tire and walk off, so that the end
of the way (10 m) can be reached within the 22 s of a drive. Where it was not, the oracle says of the last instant
whether the vehicle could have gone on. Nobody hides here: see `hidden_person`.
"""

import math

import numpy as np

from avoidkit.studies.exact import ExactLoop
from avoidkit.studies.statistics import rate_words
from tests.adversary import Adversaries
from tests.evidence.studies._drives import scene_named, spread, tuning_named
from tests.evidence.studies._truth import BY_EXACT_KNOWLEDGE, played, row_among

ABOUT = "2,000 drives among adversaries inside the envelope, exact knowledge: contacts while moving, end against oracle"
SPEAKS_OF = BY_EXACT_KNOWLEDGE
DRIVES, LONGEST_S, TIRE_S, WAY_M, MOVING_MPS = 2000, 22.0, 6.0, 10.0, 0.05


def tasks():
    return [
        {"yard": ("lane_6m", "open_yard")[k % 2], "tuning": "slow_brakes" if k % 5 == 4 else "baseline", "seed": k,
         "people": 1 + k % 3}
        for k in range(DRIVES)
    ]  # fmt: skip


class _Among(ExactLoop):
    def __init__(self, scene, tuning, seed, starts):
        super().__init__(scene.replace_people(), tuning, seed)
        self._crowd = Adversaries(starts, seed, tuning.people, tire_s=TIRE_S)
        self._stood_for, self._stood_ago = np.zeros(len(starts)), np.zeros(len(starts))


def run(task):
    scene = scene_named(task["yard"]).replace({"path.legs.0.segments.0.length_m": WAY_M})
    tuning = tuning_named(task["tuning"]).replace({"decision.renew_after_halt": False})
    rng, starts = np.random.default_rng(task["seed"]), []
    while len(starts) < task["people"]:
        place = np.array([rng.uniform(-2.0, 14.0), rng.uniform(-2.6, 2.6)])
        if math.hypot(max(place[0] - 3.85, -0.95 - place[0], 0.0), max(abs(place[1]) - 0.93, 0.0)) > 0.8:
            starts.append(place)
    rows = played(_Among(scene, tuning, task["seed"], starts), LONGEST_S, until_halted=False)
    return row_among(rows, scene, tuning, MOVING_MPS)


def conclude(frame):
    could = frame[frame["could"].astype(bool)]
    hit = frame["contacts_moving"] > 0
    return {
        "drives with a contact while moving": rate_words(int(hit.sum()), len(frame)),
        "seeds of these": sorted(frame["seed"][hit].tolist()),
        "drives touched at rest": rate_words(int(frame["touched_at_rest"].sum()), len(frame)),
        "end reached where the oracle can": rate_words(int(could["reached_end"].sum()), len(could)),
        "what held the rest": frame["last"][~frame["reached_end"].astype(bool)].value_counts().to_dict(),
        "driven, m": spread(frame["driven_m"], 2),
    }
