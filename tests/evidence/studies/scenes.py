"""Every scene that travels with the kit, over many seeds."""

from avoidkit import shipped
from tests.evidence.studies._drives import count, drive_row, run_drive, scene_named, spread, tuning_named

ABOUT = "every shipped scene, seeds 0 to 19: actions in order, contacts, nearest gap, end reached"
SEEDS = range(20)


def tasks():
    names = sorted(file.stem for file in shipped("scenes").glob("*.toml"))
    return [{"scene": name, "tuning": "baseline", "seed": seed} for name in names for seed in SEEDS]


def run(task):
    return drive_row(run_drive(scene_named(task["scene"]), tuning_named(task["tuning"]), task["seed"]))


def conclude(frame):
    by_scene = {}
    for name, rows in frame.groupby("scene"):
        sequences = rows["sequence"].value_counts()
        by_scene[name] = {
            "end reached": count(rows["reached_end"]),
            "drives with a contact while moving": count(rows["contacts_moving"] > 0),
            "drives with a contact at rest": count(rows["contacts_at_rest"] > 0),
            "nearest gap while moving, m": spread(rows["nearest_gap_moving_m"]),
            "commonest sequence": f"{sequences.index[0]} ({sequences.iloc[0]} of {len(rows)})",
        }
    return {"drives with a contact while moving": count(frame["contacts_moving"] > 0), "by scene": by_scene}
