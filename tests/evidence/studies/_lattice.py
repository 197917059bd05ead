"""Somebody stands at places of a lattice, in an open yard and in a 6 m lane: who goes round, and who could?

The oracle of the tests knows the truth and says how much a way round would have to spare on top of what it needs,
beside people and beside things.
"""

import numpy as np

from avoidkit.scene import standing
from tests.evidence.studies._drives import scene_named
from tests.evidence.studies._truth import outcome_of, played
from tests.oracle import Truth, ask

SPARE_M, LONGEST_S = 0.30, 60.0
YARDS = {"lane": ("lane_6m", 2.7, 0.3), "yard": ("open_yard", 3.0, 0.5)}


def empty(yard):
    """The yard with nobody in it."""
    return scene_named(YARDS[yard][0]).without_guests().replace_people()


def across(yard):
    """Places across the way, m."""
    _, side, step = YARDS[yard]
    return [round(float(y), 2) for y in np.arange(-side, side + 0.01, step)]


def row_of(task, tuning, loop, *, until_halted):
    """What a drive with a standing person at each of the task's places came to, beside what the oracle found there."""
    scene, row = empty(task["yard"]), {"answers": [], "could_m": [], "go_on_m": []}
    for y in task["y_m"]:
        there = scene.replace_people(standing("somebody", task["x_m"], y))
        rows = played(loop(there, tuning, 7), LONGEST_S, until_halted=until_halted)
        found = ask(Truth(scene.reference, tuning, np.array([[task["x_m"], y]]), tuple(scene.polygons)))
        row["answers"].append(outcome_of(rows))
        row["could_m"].append(round(max(found.detour_spare_m, -9.0), 3))
        row["go_on_m"].append(round(min(found.continue_spare_m, 9.0), 3))
    return joined(row)


def joined(row):
    return {key: " ".join(map(str, values)) for key, values in row.items()}


def answers_of(rows):
    return np.array([answer for line in rows["answers"] for answer in str(line).split()])


def goes(rows, name):
    """Shares of places with drives on: where the oracle can with room to spare, by less, not at all, and need not."""
    could, go_on = (np.array([float(v) for line in rows[c] for v in str(line).split()]) for c in ("could_m", "go_on_m"))
    blocked, on = go_on < 0, answers_of(rows) != "halt"
    return {
        f"{name}: goes where the oracle can with {SPARE_M} m to spare": share(on[blocked & (could >= SPARE_M)]),
        f"{name}: goes where the oracle can by less": share(on[blocked & (could >= 0) & (could < SPARE_M)]),
        f"{name}: goes where the oracle finds nothing": share(on[blocked & (could < 0)]),
        f"{name}: halts with nobody within a required distance": share(~on[go_on >= 0]),
    }


def share(mask):
    """A share of places: a lattice, not a sample, so that there is no interval."""
    return f"{int(mask.sum())} of {len(mask)}" + (f" ({mask.mean():.1%})" if len(mask) else "")
