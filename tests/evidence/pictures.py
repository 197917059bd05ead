"""`python -m tests.evidence.pictures` draws the pictures of README anew; with `--check` it only says which are stale.

Those of one moment show drives by exact knowledge of people and yard, so that they are about the decision; those of
tracks, of free ground and of two drives side by side are what sensors make of it. Beside the PNGs in `data/pictures/`
stand hashes of the numbers that were drawn: a picture is stale when the kit would draw other numbers now.
"""

import argparse
import hashlib
import json
import math
import sys

import numpy as np
import pandas as pd
from matplotlib.patches import Patch, Rectangle

from avoidkit import Action
from avoidkit.drive import drive
from avoidkit.parameters import write_text
from avoidkit.places import home
from avoidkit.studies.diagnosed import diagnosis_of
from avoidkit.studies.exact import ExactLoop
from avoidkit.studies.ultrasonic_only import decide_by_echoes
from avoidkit.views import show_beside, show_diagnosis, show_known_free
from avoidkit.views.answers import reach_discs
from avoidkit.views.figures import plan_png
from avoidkit.views.style import PAPER, SIGNS, look, new_figure, png
from tests.evidence.studies._drives import scene_named, tuning_named

FOLDER, TABLES = home() / "data" / "pictures", home() / "data" / "evidence"
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


def hashed(*arrays):
    """A hash of sensed numbers, to the millimetre: farther digits may differ between processors."""
    return hashlib.sha256(b"".join(np.round(np.asarray(a, float), 3).tobytes() for a in arrays)).hexdigest()[:12]


def filled(show, wide_in, high_in, dpi, *numbers):
    """A whole figure as (what draws it into a file, hash of its numbers)."""

    def write(file):
        figure = new_figure(wide_in, high_in)
        show(figure)
        file.write_bytes(png(figure, dpi))

    return write, hashed(*numbers)


def tracks():
    """Every figure of the tracks of a drive, as `avoidkit drive --diagnose` draws it."""
    tuning = tuning_named("baseline")
    found = diagnosis_of(drive(scene_named("guest_crosses"), tuning, seed=SEED, duration_s=13.0))
    named = np.frombuffer(tuning.hash.encode(), np.uint8)  # stands in its title
    numbers = (found.errors.position_m, found.nees, found.innovations.nis, found.gospa_parts, found.whiteness, named)
    return filled(lambda figure: show_diagnosis(figure, found), 14.0, 18.0, 72, *numbers)


def known():
    """What is known to be free, beside a parked van that hides somebody."""
    scene, tuning = scene_named("guest_steps_out"), tuning_named("baseline")
    recording = drive(scene, tuning, seed=3, duration_s=6.0)
    situation, people = recording.situation(6.0), recording.row_at(6.0).people
    numbers = (situation.grid.log_odds, situation.grid.corner_xy, people.xy)
    return filled(
        lambda figure: show_known_free(figure, scene, tuning, situation, people=people), 15.0, 5.8, 80, *numbers
    )


def beside():
    """The same yard by ultrasonics that can only halt, and by corner radars."""
    scene, tuning = scene_named("guest_stands_room"), tuning_named("baseline")
    both = {
        "Ultrasonics, halt only": drive(scene, tuning, seed=SEED, duration_s=36.0, decide=decide_by_echoes),
        "Corner radars": drive(scene, tuning, seed=SEED, duration_s=36.0),
    }
    ways = [[(row.ego.pose.x_m, row.ego.pose.y_m, row.gap_m) for row in one.rows] for one in both.values()]
    return filled(lambda figure: show_beside(figure, both), 15.0, 9.0, 80, *ways)


SHOWN = ("clearance 0.10 m", "baseline", "clearance 0.30 m", "clearance 0.40 m", "slow_brakes")


def lane():
    """What each drive of `lane_map` comes to, a map for each tuning, as its table has them."""
    rows = pd.read_csv(TABLES / "lane_map.csv")
    maps = {name: np.array([line.split() for line in rows[rows["tuning"] == name]["final"]]).T for name in SHOWN}
    return filled(lambda figure: show_lane(figure, maps), 15.0, 7.2, 80, *(_codes(found) for found in maps.values()))


def _codes(found):
    return np.select([found == str(action) for action in Action], range(len(Action)), -1)


@look()
def show_lane(figure, maps):
    """Small maps side by side on a figure: {tuning: (m, n) answers}, places as those of `lane_map`."""
    axes = figure.subplots(2, 3, sharex=True, sharey=True).ravel()
    for ax, (name, found) in zip(axes, maps.items(), strict=False):
        share = np.mean(found == str(Action.DETOUR))
        called = {"baseline": "clearance 0.20 m", "slow_brakes": "slow brakes"}.get(name, name)
        ax.set_title(f"{called}: {share:.0%} go round", fontsize=15)
        for (row, col), answer in np.ndenumerate(found):
            sign = SIGNS[Action(answer)]
            place = Rectangle((4.5 + col, -3.0 + 0.5 * row), 1.0, 0.5, facecolor=sign.color, edgecolor=PAPER, lw=1.0)
            ax.add_patch(place)
            ax.text(5.0 + col, -2.77 + 0.5 * row, sign.letter, color=sign.ink, size=10, ha="center", va="center")
        ax.set(xlim=(4.5, 15.5), ylim=(-3.0, 3.0), aspect="equal", yticks=(-3, 0, 3))
        ax.grid(visible=False)
    for ax in axes[2:5]:
        ax.set_xlabel("ahead of the rear axle, m")
        ax.xaxis.set_tick_params(labelbottom=True)
    for ax in axes[::3]:
        ax.set_ylabel("across, m")
    axes[5].set_axis_off()
    shown = [SIGNS[action] for action in (Action.CONTINUE, Action.DETOUR, Action.HALT)]
    keys = [Patch(facecolor=sign.color, label=f"{sign.letter}  {sign.word}") for sign in shown]
    said = "Somebody stands in a lane\n6 m wide: what does the\ndrive come to?"
    axes[5].legend(handles=keys, loc="center", title=said, alignment="left", fontsize=17, title_fontsize=17)


PICTURES = {
    "beside": beside,
    "lane": lane,
    "known": known,
    "tracks": tracks,
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
