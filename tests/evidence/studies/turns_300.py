"""Does the change that is said to turn a verdict turn it? 300 random situations, memory frozen.

Applied plus max(2 %, 1 cm or 0.01 s) it has to turn the settled verdict, less the same it must not. Exact knowledge,
one or two people who stand or walk, a lane and a yard, vehicle standing or moving.
"""

import numpy as np

from avoidkit.studies.settled import exact_grid, settle, settled_situation
from avoidkit.studies.statistics import rate_words
from avoidkit.studies.turn import find_turn, quantities
from tests.evidence.studies._drives import scene_named, tuning_named
from tests.evidence.studies._truth import BY_EXACT_KNOWLEDGE

ABOUT = "300 random situations: the turn and a little more turns the verdict, a little less does not; none exists"
SPEAKS_OF = (*BY_EXACT_KNOWLEDGE, "studies.turn")


def tasks():
    return [{"yard": ("lane_6m", "open_yard")[k % 2], "seed": k} for k in range(300)]


def run(task):
    scene, tuning = scene_named(task["yard"]), tuning_named("baseline")
    rng = np.random.default_rng(task["seed"])
    who = []
    for _ in range(rng.integers(1, 3)):
        pace, way = (0.0 if rng.random() < 0.6 else rng.uniform(0.4, 1.6)), rng.uniform(-np.pi, np.pi)
        who.append((rng.uniform(4.8, 14.0), rng.uniform(-2.6, 2.6), pace * np.cos(way), pace * np.sin(way)))
    where = settled_situation(
        scene, tuning, who, speed_mps=float(rng.choice([0.0, 0.3, 0.8])), grid=exact_grid(scene, tuning)
    )
    before = settle(where, tuning).action
    turn = find_turn(where, tuning)
    row = {"before": str(before), "found": turn is not None, "quantity": "", "more_turns": False, "less_keeps": False}
    if turn is None:
        return row
    quantity = next(q for q in quantities(where, tuning) if q.name == turn.quantity)
    change = turn.then - turn.now
    more = max(0.02 * abs(change), 0.01) * np.sign(change)
    past = min(max(turn.then + more, quantity.low), quantity.high)
    short = turn.then - more
    return row | {
        "quantity": turn.quantity.split(" of ")[0], "change": round(float(change), 4),
        "more_turns": bool(settle(*quantity.change(past)).action != before),
        "less_keeps": bool(abs(change) <= abs(more) or settle(*quantity.change(short)).action == before),
    }  # fmt: skip


def conclude(frame):
    some = frame[frame["found"].astype(bool)]
    return {
        "a little more turns the verdict": rate_words(int(some["more_turns"].sum()), len(some)),
        "a little less does not": rate_words(int(some["less_keeps"].sum()), len(some)),
        "none exists": rate_words(len(frame) - len(some), len(frame)),
        "by quantity": some["quantity"].value_counts().to_dict(),
        "verdicts": frame["before"].value_counts().to_dict(),
    }
