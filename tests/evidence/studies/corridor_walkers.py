"""Real walkers of the open corridor data, placed so that they walk through the vehicle's way, from either side.

Each drive has two to four different people on a straight way through an open court. Each crosses the way at
his or her own place and angle, timed for the moment at which the front of a vehicle that nothing holds up would
be there, give or take 2 s. They do not react; one who meets the outline stops there.
"""

import math
import os
from pathlib import Path

import numpy as np

from avoidkit import Scene
from avoidkit.scene import recorded
from avoidkit.walks import read_walks
from tests.conftest import open_data_folder
from tests.evidence.runner import Unavailable
from tests.evidence.studies._drives import changes, count, drive_row, rms, run_drive, spread, track_errors, tuning_named

ABOUT = "30 drives through real corridor walkers, two to four a drive, from both sides: contacts, end, track error"
FILE = "walkers_corridor.txt"
WAY_M = 24.0
DURATION_S = 90.0
DRIVES = 30


def tasks():
    folder = open_data_folder()
    if folder is None or not (folder / FILE).is_file():
        raise Unavailable(f"{FILE} not found: set AVOIDKIT_OPEN_DATA to the folder of the open data")
    return [{"drive": k, "side": "left" if k % 2 else "right", "seed": 100 + k} for k in range(DRIVES)]


def court(people=()):
    """An open court: a straight way, a wall at either end, nothing where people come from."""
    return Scene(
        name="open court",
        duration_s=DURATION_S,
        walls=[
            {"name": "gate house", "corners_m": [(-12.0, -8.0), (-12.0, 8.0)]},
            {"name": "barn", "corners_m": [(38.0, -8.0), (38.0, 8.0)]},
        ],
        path={"legs": [{"direction": "forward", "segments": [{"length_m": WAY_M}]}]},
        people=people,
    )


def walkers(task, tuning):
    """The people of one drive: ids that no other drive has, each on a way of his or her own through the vehicle's."""
    file = open_data_folder() / FILE
    rate_hz, rows = read_walks(file)
    ids = np.random.default_rng(20).permutation(np.unique(rows[:, 0]).astype(int))
    draw = np.random.default_rng(task["seed"])
    n = 2 + task["drive"] % 3
    mine = np.array_split(ids, DRIVES)[task["drive"]][:n]
    people = []
    for k, walker in enumerate(mine):
        track = rows[rows[:, 0] == walker]
        cross_m = draw.uniform(6.0, WAY_M - 4.0)
        side = (
            1 if (task["side"] == "left") == (k % 2 == 0) else -1
        )  # the first from the task's side, the next from the other
        course = math.radians(-90.0 * side + draw.uniform(-35.0, 35.0))  # where the walker goes, in the scene
        turn = course - math.atan2(track[-1, 3] - track[0, 3], track[-1, 2] - track[0, 2])
        middle = len(track) // 2
        cos, sin = math.cos(turn), math.sin(turn)
        x, y = track[middle, 2:4]
        there_s = (cross_m - 3.85) / tuning.vehicle.top_mps + 1.5 + draw.uniform(-2.0, 2.0)
        people.append(
            recorded(
                f"walker {walker}",
                FILE,
                int(walker),
                turn_deg=(math.degrees(turn) + 180) % 360 - 180,
                shift_m=(cross_m - (cos * x - sin * y), -(sin * x + cos * y)),
                start_s=there_s - middle / rate_hz,
            )
        )
    return people


def run(task):
    os.environ["AVOIDKIT_OPEN_DATA"] = str(Path(open_data_folder()))
    tuning = tuning_named("baseline")
    people = walkers(task, tuning)
    recording = run_drive(court(people), tuning, task["seed"])
    alone = run_drive(court(), tuning, task["seed"])
    return {
        **drive_row(recording),
        "walkers": len(people),
        "ids": " ".join(str(person.id) for person in people),
        **track_errors(recording),
        "cycles": len(recording),
        "lost_s": round(recording.summary()["reached_end_s"] - alone.summary()["reached_end_s"], 2),
    }


def conclude(frame):
    each = [rms(*pair) for pair in zip(frame["square_sum_m2"], frame["matches"], strict=True)]
    return {
        "drives with a contact while moving": count(frame["contacts_moving"] > 0),
        "drives with a contact at rest": count(frame["contacts_at_rest"] > 0),
        "end reached": count(frame["reached_end"]),
        "different walkers": len({one for ids in frame["ids"] for one in str(ids).split()}),
        "confirmed tracks from the walkers, RMS over all, m": round(
            rms(frame["square_sum_m2"].sum(), frame["matches"].sum()), 3
        ),
        "the same for walkers within 8 m, m": round(
            rms(frame["near_square_sum_m2"].sum(), frame["near_matches"].sum()), 3
        ),
        "the same by drive, m": spread(each),
        "false confirmed tracks, cycles a drive": spread(frame["false_cycles"], 1),
        "time lost against the empty court, where the end was reached, s": spread(frame["lost_s"], 2),
        "halts a drive": spread(frame["halts"], 1),
        "at most two changes of action": count(frame["sequence"].map(changes) <= 2),
        "nearest gap while moving, m": spread(frame["nearest_gap_moving_m"]),
    }
