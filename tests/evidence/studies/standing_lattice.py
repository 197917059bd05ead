"""Somebody stands at each place of a fine lattice, in an open yard and in a 6 m lane: who goes round, and who could?

By exact knowledge; `sensed_lattice` asks the same of simulated radars. The kit drives from standstill, in a closed
loop, to the end or to its first lasting halt. Maps are settled answers.
"""

import numpy as np

from avoidkit.studies.exact import ExactLoop
from avoidkit.studies.places import Places
from tests.evidence.studies._drives import tuning_named
from tests.evidence.studies._lattice import YARDS, across, answers_of, empty, goes, joined, row_of, share
from tests.evidence.studies._truth import BY_EXACT_KNOWLEDGE

ABOUT = "a standing person on a lattice, exact knowledge: goes round where the oracle can with 0.30 m to spare; maps"
SPEAKS_OF = (*BY_EXACT_KNOWLEDGE, "studies.places")
MAPS = {"baseline": ("baseline", {}), "slow_brakes": ("slow_brakes", {})} | {
    f"clearance {c:.2f} m": ("baseline", {"decision.clearance_m": c}) for c in (0.10, 0.30, 0.40)
}


def tasks():
    xs = [float(x) for x in np.arange(5.0, 15.01, 0.5)]
    return [{"yard": yard, "what": what, "x_m": x, "y_m": across(yard)}
            for yard in YARDS for what in ("exact", *MAPS) for x in xs]  # fmt: skip


def run(task):
    name, changes = MAPS.get(task["what"], ("baseline", {}))
    tuning = tuning_named(name).replace(changes)
    if task["what"] == "exact":
        return row_of(task, tuning, ExactLoop, until_halted=True)
    places = Places(empty(task["yard"]), tuning)
    return joined(
        {"answers": [places.answer(task["x_m"], y).action for y in task["y_m"]], "could_m": [], "go_on_m": []}
    )


def conclude(frame):
    out = {}
    for (yard, what), rows in frame.groupby(["yard", "what"]):
        if what == "exact":
            out |= goes(rows, f"{yard}, exact")
            continue
        answers = answers_of(rows)
        for action in ("continue", "detour", "halt"):
            out[f"{yard}, map {what}: {action}"] = share(answers == action)
    return out
