"""The yard with nobody in it: does anything that is not there stop the vehicle?"""

from tests.evidence.studies._drives import count, drive_row, run_drive, scene_named, spread, track_errors, tuning_named

ABOUT = "the empty yard, 20 drives of 60 s: halts for nothing, end reached, false tracks"
SCENE = "nobody_there"


def tasks():
    return [{"scene": SCENE, "seed": seed} for seed in range(20)]


def run(task):
    scene = scene_named(task["scene"]).without_guests().replace({"duration_s": 60.0})
    recording = run_drive(scene, tuning_named("baseline"), task["seed"], stop_at_end=False)
    tracks = track_errors(recording)
    return {**drive_row(recording), "false_track_cycles": tracks["false_cycles"], "cycles": len(recording)}


def conclude(frame):
    return {
        "halts in all": int(frame["halts"].sum()),
        "drives with a halt": count(frame["halts"] > 0),
        "end reached": count(frame["reached_end"]),
        "time to the end, s": spread(frame["reached_end_s"]),
        "false confirmed tracks, share of cycles": round(
            float((frame["false_track_cycles"] / frame["cycles"]).mean()), 4
        ),
    }
