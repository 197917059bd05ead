"""Does the stress search find a planted weakness, and does it find none where there is none?

Planted: the true brake takes 0.5 s to act, the tuning says 0.1 s. Scene `nobody_there`, perfect knowledge, so that the
decision alone is judged; 200 evaluations of the search beside 200 walks at random, each ended by its first contact
while moving. Every fifth random walk finds that one, so it says little about the search; slight: the true brake takes
0.35 s, which few walks find. Honest: true brake and tuning both 0.1 s; the whole budget is spent. A contact found there
is a defect.
"""

import numpy as np

from avoidkit.studies.statistics import rate_words
from tests.evidence.studies._drives import scene_named, spread, tuning_named

ABOUT = "stress search against brakes much and a little slower than the tuning says, and an honest one; 10 seeds"
SPEAKS_OF = (
    "backing", "caps", "centring", "clearway", "decision", "detour", "detourmath", "drive", "frames", "grid", "motion",
    "parameters", "paths", "people", "remote", "roles", "scene", "separation", "tuning", "vehicle", "verdict", "walks",
    "yard", "studies.exact", "studies.stress", "studies.walker",
)  # fmt: skip
SEEDS, BUDGET = 10, 200
TRUE_S = {"planted": 0.5, "slight": 0.35, "honest": 0.1}
BELIEVED_S = 0.1


def tasks():
    return [{"brake": brake, "seed": seed} for seed in range(SEEDS) for brake in TRUE_S]


def run(task, budget=BUDGET):
    from avoidkit.studies.stress import stress

    tuning = tuning_named("baseline").replace({"vehicle.latency_s": BELIEVED_S})
    scene = scene_named("nobody_there").replace({"true_vehicle": {"latency_s": TRUE_S[task["brake"]]}})
    planted = TRUE_S[task["brake"]] > BELIEVED_S
    found = stress(
        scene, tuning, budget=budget, seed=task["seed"], stop_at_contact=planted, beside_random=True, progress=False
    )  # fmt: skip
    row = {}
    for search, trials in found.trials.groupby("search"):
        worst = trials.loc[trials["value"].idxmin()]
        row |= {
            f"{search}_first": found.first_contact(search) or 0,
            f"{search}_tried": len(trials),
            f"{search}_contacts": int(trials["contact_moving"].sum()),
            f"{search}_gap_m": round(float(worst["gap_m"]), 4),
            f"{search}_vehicle_mps": round(float(worst["vehicle_mps"]), 3),
        }
    touched = bool(found.trials["contact_moving"].any())
    return row | {"scene": found.scenes[0].to_toml() if touched and not planted else ""}


def conclude(frame):
    out = {}
    for brake, rows in frame.groupby("brake"):
        for search in ("search", "random"):
            firsts = rows[f"{search}_first"].to_numpy(float)
            out[f"{brake}, {search}: seeds with a contact while moving"] = rate_words(
                int((firsts > 0).sum()), len(rows)
            )
            out[f"{brake}, {search}: evaluations until the first"] = spread(np.where(firsts > 0, firsts, np.nan), 0)
            tried, hits = int(rows[f"{search}_tried"].sum()), int(rows[f"{search}_contacts"].sum())
            out[f"{brake}, {search}: walks with a contact while moving"] = rate_words(hits, tried)
        if brake != "honest":
            needed = {s: rows[f"{s}_first"].replace(0, BUDGET + 1).to_numpy() for s in ("search", "random")}
            sooner, later = (needed["search"] < needed["random"]).sum(), (needed["search"] > needed["random"]).sum()
            out[f"{brake}: seeds in which the search needs fewer evaluations than random, and more"] = (
                f"{sooner} and {later} of {len(rows)}"
            )
    return out
