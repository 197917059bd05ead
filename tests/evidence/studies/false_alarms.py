"""The empty yard at 0.5 false returns a scan, 20 drives of 60 s, with and without bursts of interference: halts."""

from avoidkit.studies.statistics import rate_words
from tests.evidence.studies._drives import drive_row, run_drive, scene_named, tuning_named

ABOUT = "20 empty drives of 60 s at 0.5 false returns a scan, with and without interference bursts: halts"


def tasks():
    return [{"bursts": bursts, "seed": seed} for seed in range(20) for bursts in (False, True)]


def run(task):
    changes = {"radar.false_alarms_per_scan": 0.5, "radar.interference_per_minute": 6.0 if task["bursts"] else 0.0}
    scene = scene_named("nobody_there").without_guests().replace({"duration_s": 60.0})
    return drive_row(run_drive(scene, tuning_named("baseline").replace(changes), task["seed"], stop_at_end=False))


def conclude(frame):
    out = {}
    for bursts, rows in frame.groupby("bursts"):
        word = "with bursts" if bursts else "without bursts"
        out[f"{word}: halts in all"] = int(rows["halts"].sum())
        out[f"{word}: end reached"] = rate_words(int(rows["reached_end"].sum()), len(rows))
        out[f"{word}: brakes in all"] = int(rows["brakes"].sum())
    return out
