"""Somebody stands at each place of a fine lattice, in an open yard and in a 6 m lane: who goes round, and who could?

The oracle of the tests knows the truth and says how much a way round would have to spare on top of what it needs,
beside people and beside things. The kit drives from standstill, in a closed loop, to the end or to its first
lasting halt (exact knowledge), or for a minute (simulated sensors, coarser lattice). Maps are settled answers.
"""

import numpy as np

from avoidkit.drive import Loop
from avoidkit.scene import standing
from avoidkit.studies.exact import ExactLoop
from avoidkit.studies.places import Places
from tests.evidence.studies._drives import scene_named, tuning_named
from tests.evidence.studies._truth import outcome_of, played
from tests.oracle import Truth, ask

ABOUT = "a standing person on a lattice, yard and lane: goes round where the oracle can with 0.30 m to spare; maps"
SPARE_M, LONGEST_S = 0.30, 60.0
YARDS = {"lane": ("lane_6m", 2.7, 0.3), "yard": ("open_yard", 3.0, 0.5)}
MAPS = {"baseline": ("baseline", {}), "slow_brakes": ("slow_brakes", {})} | {
    f"clearance {c:.2f} m": ("baseline", {"decision.clearance_m": c}) for c in (0.10, 0.30, 0.40)
}


def tasks():
    out = []
    for yard, (_, side, step) in YARDS.items():
        ys = [round(float(y), 2) for y in np.arange(-side, side + 0.01, step)]
        out += [{"yard": yard, "what": "exact", "x_m": float(x), "y_m": ys} for x in np.arange(5.0, 15.01, 0.5)]
        out += [{"yard": yard, "what": "sensed", "x_m": float(x), "y_m": ys[::2]} for x in np.arange(6.0, 14.01, 2.0)]
        out += [{"yard": yard, "what": m, "x_m": float(x), "y_m": ys} for m in MAPS for x in np.arange(5.0, 15.01, 0.5)]
    return out


def run(task):
    scene = scene_named(YARDS[task["yard"]][0]).without_guests().replace_people()
    name, changes = MAPS.get(task["what"], ("baseline", {}))
    tuning = tuning_named(name).replace(changes)
    row = {"answers": [], "could_m": [], "go_on_m": []}
    places = Places(scene, tuning)
    for y in task["y_m"]:
        if task["what"] in MAPS:
            row["answers"].append(places.answer(task["x_m"], y).action)
            continue
        there = scene.replace_people(standing("somebody", task["x_m"], y))
        loop = (ExactLoop if task["what"] == "exact" else Loop)(there, tuning, 7)
        row["answers"].append(outcome_of(played(loop, LONGEST_S, until_halted=task["what"] == "exact")))
        found = ask(Truth(scene.reference, tuning, np.array([[task["x_m"], y]]), tuple(scene.polygons)))
        row["could_m"].append(round(max(found.detour_spare_m, -9.0), 3))
        row["go_on_m"].append(round(min(found.continue_spare_m, 9.0), 3))
    return {key: " ".join(map(str, values)) for key, values in row.items()}


def conclude(frame):
    out = {}
    for (yard, what), rows in frame.groupby(["yard", "what"]):
        answers = np.array([a for line in rows["answers"] for a in str(line).split()])
        if what in MAPS:
            for action in ("continue", "detour", "halt"):
                out[f"{yard}, map {what}: {action}"] = _share(answers == action)
            continue
        could, go_on = (
            np.array([float(v) for line in rows[c] for v in str(line).split()]) for c in ("could_m", "go_on_m")
        )
        blocked, goes = go_on < 0, answers != "halt"
        out[f"{yard}, {what}: goes where the oracle can with {SPARE_M} m to spare"] = _share(
            goes[blocked & (could >= SPARE_M)]
        )
        out[f"{yard}, {what}: goes where the oracle can by less"] = _share(
            goes[blocked & (could >= 0) & (could < SPARE_M)]
        )
        out[f"{yard}, {what}: goes where the oracle finds nothing"] = _share(goes[blocked & (could < 0)])
        out[f"{yard}, {what}: halts with nobody within a required distance"] = _share(~goes[go_on >= 0])
    return out


def _share(mask):
    """A share of places: a lattice, not a sample, so that there is no interval."""
    return f"{int(mask.sum())} of {len(mask)}" + (f" ({mask.mean():.1%})" if len(mask) else "")
