"""507 drives with simulated radars: every shipped scene, random seeds, and a random walker inside the envelope."""

import numpy as np

from avoidkit import shipped
from avoidkit.studies.statistics import rate_words
from avoidkit.studies.walker import course_bounds, course_from, scene_of
from avoidkit.tracking.diagnostics import nees
from avoidkit.tracking.records import Stage
from tests.evidence.studies._drives import drive_row, run_drive, scene_named, spread, tuning_named
from tests.evidence.studies._truth import could_go_on

ABOUT = (
    "507 drives with simulated radars, a random walker in each scene: contacts while moving, end against oracle, NEES"
)
ROUNDS, DURATION_S = 39, 40.0


def tasks():
    scenes = sorted(file.stem for file in shipped("scenes").glob("*.toml"))
    return [{"scene": name, "seed": 1000 + k} for k in range(ROUNDS) for name in scenes]


def yard(task, tuning):
    """The scene with its guests left out and one random walker instead; as it is where no walk fits."""
    scene = scene_named(task["scene"])
    bounds, rng = course_bounds(scene, tuning), np.random.default_rng(task["seed"])
    for _ in range(40):
        made = scene_of(course_from(rng.random(len(bounds)), bounds)[0], scene, tuning)
        if made is not None:
            return made
    return scene


def run(task):
    tuning = tuning_named("baseline")
    scene = yard(task, tuning)
    recording = run_drive(scene, tuning, task["seed"], duration_s=DURATION_S)
    row = drive_row(recording)
    values = nees_of(recording)
    hit = row["contacts_moving"] > 0
    could = row["reached_end"] or could_go_on(recording.rows[-1], scene, tuning)
    mean = float(np.mean(values)) if len(values) else np.nan
    return row | {
        "could": bool(could),
        "nees_mean": round(mean, 3),
        "nees_n": len(values),
        "toml": scene.to_toml() if hit else "",
    }


def nees_of(recording, every=10, within_m=8.0):
    """NEES of position, velocity of confirmed tracks, each of the person within 1 m, every so many cycles."""
    out = []
    for row in recording.rows[::every]:
        tracks, people = row.tracks.where(row.tracks.stage == Stage.CONFIRMED), row.people
        here = np.array([row.ego.pose.x_m, row.ego.pose.y_m])
        for xy, velocity in zip(people.xy, people.velocity, strict=True):
            apart = np.hypot(*(tracks.state[:, :2] - xy).T) if len(tracks) else np.zeros(0)
            if len(apart) and apart.min() < 1.0 and np.hypot(*(xy - here)) < within_m:
                k = int(apart.argmin())
                error = tracks.state[k] - np.concatenate([xy, velocity])
                out.append(float(np.ravel(nees(error[None], tracks.covariance[k][None]))[0]))
    return out


def conclude(frame):
    could, hit = frame[frame["could"].astype(bool)], frame["contacts_moving"] > 0
    weight = frame["nees_n"].sum()
    return {
        "drives with a contact while moving": rate_words(int(hit.sum()), len(frame)),
        "of these": [f"{s} {k}" for s, k in zip(frame["scene"][hit], frame["seed"][hit], strict=True)],
        "end reached where the oracle can": rate_words(int(could["reached_end"].sum()), len(could)),
        "NEES of four components, mean (4 expected)": round(
            float((frame["nees_mean"] * frame["nees_n"]).sum() / weight), 2
        ),
        "NEES, mean of a drive": spread(frame["nees_mean"]),
        "halts a drive": spread(frame["halts"], 1),
    }
