"""Real corridor walkers whose true paths stay 1.5 to 3.0 m from the outline of an undisturbed drive: does it halt?

The same drives with the halt-only ultrasonic baseline, seed for seed.
"""

import math
import os

import numpy as np

from avoidkit.people import signed_distance
from avoidkit.scene import recorded
from avoidkit.studies.metrics import lost_time, undisturbed
from avoidkit.studies.statistics import rate_words
from avoidkit.studies.ultrasonic_only import decide_by_echoes
from avoidkit.vehicle import outline_in_scene
from avoidkit.walks import read_walks
from tests.conftest import open_data_folder
from tests.evidence.runner import Unavailable
from tests.evidence.studies._drives import clear_of_things, drive_row, run_drive, spread, tuning_named
from tests.evidence.studies.corridor_walkers import FILE, court

ABOUT = "300 drives past real walkers who stay 1.5 to 3.0 m off: halts, time lost, beside the halt-only baseline"
DRIVES, NEAR_M, FAR_M, DURATION_S = 300, 1.5, 3.0, 60.0


def tasks():
    folder = open_data_folder()
    if folder is None or not (folder / FILE).is_file():
        raise Unavailable(f"{FILE} not found: set AVOIDKIT_OPEN_DATA to the folder of the open data")
    return [{"seed": 500 + k} for k in range(DRIVES)]


def yard(seed, tuning):
    """The court with one walker whose least distance from an undisturbed drive's outline is within the band."""
    file, rng = open_data_folder() / FILE, np.random.default_rng(seed)
    rate_hz, rows = read_walks(file)
    ids, bare = np.unique(rows[:, 0]).astype(int), court()
    times, along = undisturbed(bare, tuning.vehicle, tuning.cycle_s)
    for _ in range(400):
        walker = int(rng.choice(ids))
        track = rows[rows[:, 0] == walker]
        turn, middle = rng.uniform(-math.pi, math.pi), len(track) // 2
        cos, sin = math.cos(turn), math.sin(turn)
        x, y = track[middle, 2:4]
        shift = (rng.uniform(2.0, 20.0) - (cos * x - sin * y), rng.uniform(-5.0, 5.0) - (sin * x + cos * y))
        start = rng.uniform(3.0, 18.0) - middle / rate_hz
        guest = recorded(
            f"walker {walker}", FILE, walker, turn_deg=math.degrees(turn), shift_m=shift, start_s=round(start, 3)
        )
        try:
            scene = court((guest,))
        except ValueError:  # at the vehicle when the drive begins
            continue
        if not clear_of_things(scene.walks[0].places(np.arange(0.0, DURATION_S, 0.1)), scene).all():
            continue  # nobody walks through a wall
        gap = _least_m(scene, tuning, times, along)
        if NEAR_M <= gap <= FAR_M:
            return scene, gap
    raise ValueError(f"seed {seed}: no walk in the band")


def _least_m(scene, tuning, times, along):
    clock = np.arange(0.0, times[-1], 0.1)
    places = scene.walks[0].places(clock)
    poses = [scene.reference.pose_at(s) for s in np.interp(clock, times, along)]
    return min(
        float(signed_distance(xy[None], outline_in_scene(tuning.vehicle, pose))[0]) - 0.25
        for xy, pose in zip(places, poses, strict=True)
    )


def run(task):
    os.environ["AVOIDKIT_OPEN_DATA"] = str(open_data_folder())
    tuning = tuning_named("baseline")
    scene, gap = yard(task["seed"], tuning)
    row = {"gap_m": round(gap, 3)}
    for name, more in (("kit", {}), ("echoes", {"decide": decide_by_echoes})):
        recording = run_drive(scene, tuning, task["seed"], duration_s=DURATION_S, **more)
        found = drive_row(recording)
        row |= {f"{name}_{key}": found[key] for key in ("halts", "brakes", "contacts_moving", "reached_end")}
        row[f"{name}_why"] = found["first_halt_why"]
        row[f"{name}_lost_s"] = round(lost_time(recording.rows, found["reached_end_s"], scene, tuning), 2)
    return row


def conclude(frame):
    out = {"least distance of the walkers, m": spread(frame["gap_m"])}
    for name in ("kit", "echoes"):
        out[f"{name}: drives with a halt"] = rate_words(int((frame[f"{name}_halts"] > 0).sum()), len(frame))
        out[f"{name}: time lost, s"] = spread(frame[f"{name}_lost_s"], 2)
        out[f"{name}: drives with a contact while moving"] = rate_words(
            int((frame[f"{name}_contacts_moving"] > 0).sum()), len(frame)
        )
    return out
