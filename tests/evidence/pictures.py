"""`python -m tests.evidence.pictures` draws the pictures of README anew; with `--check` it only says which are stale.

They show drives by exact knowledge of people and yard, so that they are about the decision. Beside the PNGs in
`data/pictures/` stand hashes of the numbers that were drawn: a picture is stale when the kit would draw other
numbers now.
"""

import argparse
import hashlib
import json
import math
import sys

import numpy as np

from avoidkit import Action
from avoidkit.parameters import write_text
from avoidkit.places import home
from avoidkit.studies.exact import ExactLoop
from avoidkit.views.answers import reach_discs
from avoidkit.views.figures import plan_png
from tests.evidence.studies._drives import scene_named, tuning_named

FOLDER = home() / "data" / "pictures"
SEED = 0
DPI = 100


def moment(scene, tuning, action, after_s):
    """The first cycle under one action that has lasted for `after_s`, in a drive by exact knowledge."""
    loop = ExactLoop(scene, tuning, SEED)
    for cycle in range(round(scene.duration_s / tuning.cycle_s)):
        row = loop.step(cycle * tuning.cycle_s, with_grid=True)
        memory = row.verdict.memory
        if row.verdict.action == action and memory.since_s > 0 and row.time_s - memory.since_s >= after_s:
            return row
    raise SystemExit(f"{scene.name}: no {action} that lasts {after_s} s")


def numbers_of(row):
    """What a plan view shows of a cycle, as bytes."""
    verdict, ego = row.verdict, row.ego
    parts = [
        np.array([row.time_s, ego.pose.x_m, ego.pose.y_m, ego.pose.yaw_rad, ego.steering_rad, verdict.speed_cap_mps]),
        verdict.path.x_m,
        verdict.path.y_m,
        row.tracks.state,
        row.tracks.covariance,
        row.people.xy,
        *(scan.range_m for scan in row.scans),
    ]
    # digits beyond those that any processor and library agree on are left out
    return (
        b"".join(np.round(np.asarray(part, dtype=float), 6).tobytes() for part in parts) + str(verdict.action).encode()
    )


def plan(scene_name, action, after_s):
    """A plan view as (what draws it into a file, hash of its numbers)."""
    scene, tuning = scene_named(scene_name), tuning_named("baseline")
    row = moment(scene, tuning, action, after_s)

    def draw(file):
        back_m = math.floor(row.ego.pose.x_m) - 5.0
        window = (back_m, back_m + 20.0, -6.0, 6.0)
        reach = reach_discs(row.tracks, row.verdict, tuning)
        file.write_bytes(plan_png(scene, tuning, row, width_in=11.0, dpi=DPI, reach=reach, window=window))

    return draw, hashlib.sha256(numbers_of(row)).hexdigest()[:12]


PICTURES = {
    "detour": lambda: plan("guest_stands_room", Action.DETOUR, 3.0),
    "halt": lambda: plan("guest_stands_no_room", Action.HALT, 0.5),
}


def main():
    parser = argparse.ArgumentParser(prog="python -m tests.evidence.pictures", description=__doc__)
    parser.add_argument("--check", action="store_true", help="draw nothing; exit code 1 where a picture is stale")
    check = parser.parse_args().check
    FOLDER.mkdir(parents=True, exist_ok=True)
    ledger = FOLDER / "numbers.json"
    kept = json.loads(ledger.read_text(encoding="utf-8")) if ledger.is_file() else {}
    stale = []
    for name, make in PICTURES.items():
        draw, found = make()
        if kept.get(name) == found and (FOLDER / f"{name}.png").is_file():
            print(f"{name}: fresh")
            continue
        stale.append(name)
        print(f"{name}: {'stale' if check else 'drawn anew'}")
        if not check:
            draw(FOLDER / f"{name}.png")
            kept[name] = found
    if not check:
        write_text(ledger, json.dumps(kept, indent=2, sort_keys=True) + "\n")
    return 1 if check and stale else 0


if __name__ == "__main__":
    sys.exit(main())
