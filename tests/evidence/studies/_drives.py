"""What the studies of whole drives have in common: running one, and reading its numbers."""

import math

import numpy as np
import shapely
from scipy.optimize import linear_sum_assignment

from avoidkit import Action, load_scene, load_tuning, shipped
from avoidkit.drive import drive
from avoidkit.studies.walker import THING_M
from avoidkit.tracking.records import Stage

NEAR_M = 2.0  # a confirmed track farther than this from everybody is a false one
CLOSE_M = 8.0  # people so near to the vehicle are counted apart as well


def tuning_named(name):
    return load_tuning(shipped("tunings") / f"{name}.toml")


def scene_named(name):
    return load_scene(shipped("scenes") / f"{name}.toml")


def sequence(actions):
    """The actions of a drive in order, each change once, such as `wait continue halt wait continue`."""
    return " ".join(str(a) for k, a in enumerate(actions) if k == 0 or a != actions[k - 1])


def changes(words):
    """How often a drive changes between going on, going round and standing, from its `sequence`.

    To halt, to wait and to be allowed on again is to stand; the wait before the first press and at the way's end is not
    counted.
    """
    acts = ["stand" if word in ("halt", "wait") else word for word in str(words).split()]
    acts = [act for k, act in enumerate(acts) if k == 0 or act != acts[k - 1]]
    first = int(acts[:1] == ["stand"])
    last = len(acts) - int(acts[-1:] == ["stand"] and str(words).endswith("wait"))
    return max(last - first - 1, 0)


def drive_row(recording):
    """The numbers of a drive that its table keeps."""
    summary = recording.summary()
    seconds = summary["seconds"]
    halts = [stop for stop in summary["stops"] if stop["kind"] == "halt"]
    return {
        "sequence": sequence(list(recording.actions)),
        **{f"{action}_s": round(seconds.get(str(action), 0.0), 2) for action in Action},
        "halts": len(halts),
        "first_halt_why": halts[0]["why"] if halts else "",
        "brakes": len(summary["stops"]) - len(halts),
        "contacts_at_rest": len(summary["contacts_at_rest"]),
        "contacts_moving": len(summary["contacts_moving"]),
        "nearest_gap_moving_m": round(summary["nearest_gap_moving_m"], 3),
        "reached_end": summary["reached_end"],
        "reached_end_s": round(summary["reached_end_s"], 2),
        "errors": sum(summary["errors"].values()),
        "times_real_time": round(summary["times_real_time"], 3),
    }


def track_errors(recording):
    """How far confirmed tracks are from the people they are of, matched one to one in each cycle.

    Returns
    -------
    dict
        `square_sum_m2` and `matches`, all over, and `near_square_sum_m2` and `near_matches`, within 8 m of the
        middle of the rear axle; `false_cycles`, confirmed tracks farther than 2 m from everybody, counted per
        cycle; `left_behind_cycles`, the same for coasting tracks: who was seen there has gone.
    """
    near, far, false, left = [], [], 0, 0
    for row in recording.rows:
        away = _nearest_person_m(row.tracks, row.people) >= NEAR_M
        confirmed = row.tracks.stage == Stage.CONFIRMED
        false += int(np.count_nonzero(away & confirmed))
        left += int(np.count_nonzero(away & (row.tracks.stage == Stage.COASTING)))
        mine = row.tracks.where(confirmed)
        if not len(mine) or not len(row.people):
            continue
        distance = np.linalg.norm(mine.state[:, None, :2] - row.people.xy[None], axis=2)
        tracks, theirs = linear_sum_assignment(np.minimum(distance, NEAR_M))
        for squared, person in zip(distance[tracks, theirs] ** 2, row.people.xy[theirs], strict=True):
            if squared < NEAR_M**2:
                here = np.array([row.ego.pose.x_m, row.ego.pose.y_m])
                (near if np.linalg.norm(person - here) <= CLOSE_M else far).append(float(squared))
    return {
        "square_sum_m2": round(sum(near) + sum(far), 4),
        "matches": len(near) + len(far),
        "near_square_sum_m2": round(sum(near), 4),
        "near_matches": len(near),
        "false_cycles": false,
        "left_behind_cycles": left,
    }


def clear_of_things(places, scene):
    """Which places, (n, 2) m, somebody can be at without touching a thing of the scene, (n,) bool."""
    if scene.solid is None or not len(places):
        return np.ones(len(places), bool)
    return shapely.distance(scene.solid, shapely.points(places)) >= THING_M


def _nearest_person_m(tracks, people):
    if not len(people):
        return np.full(len(tracks), np.inf)
    return np.linalg.norm(tracks.state[:, None, :2] - people.xy[None], axis=2).min(axis=1, initial=np.inf)


def run_drive(scene, tuning, seed, *, halt_s=math.inf, **more):
    """A drive; one that Ctrl-C ended is no result. It ends early once it has halted for `halt_s` without a break."""
    since_s, given_up = math.nan, False

    def look(time_s, _duration_s, verdict):
        nonlocal since_s, given_up
        since_s = math.nan if verdict.action != Action.HALT else time_s if math.isnan(since_s) else since_s
        if time_s - since_s >= halt_s:
            given_up = True
            raise KeyboardInterrupt

    recording = drive(scene, tuning, seed=seed, progress=look, **more)
    if recording.ended == "interrupted" and not given_up:
        raise KeyboardInterrupt
    return recording


def spread(values, digits=3):
    """n, least, median and greatest of a column, NaN and inf left out of all but their count."""
    numbers = np.asarray(values, dtype=float)
    finite = numbers[np.isfinite(numbers)]
    if not len(finite):
        return {"n": 0, "without": len(numbers)}
    p5, median, p95 = np.percentile(finite, [5, 50, 95])
    return {
        "n": len(finite),
        "without": len(numbers) - len(finite),
        "least": round(float(finite.min()), digits),
        "p5": round(float(p5), digits),
        "median": round(float(median), digits),
        "p95": round(float(p95), digits),
        "greatest": round(float(finite.max()), digits),
    }


def count(mask):
    """`k of n`, with the exact two-sided 95 % interval of the share (Clopper and Pearson)."""
    from scipy.stats import beta

    k, n = int(np.sum(mask)), len(mask)
    low = 0.0 if k == 0 else float(beta.ppf(0.025, k, n - k + 1))
    high = 1.0 if k == n else float(beta.ppf(0.975, k + 1, n - k))
    return f"{k} of {n} (95 % interval {low:.3f} to {high:.3f})"


def rms(square_sum, n):
    return math.sqrt(square_sum / n) if n else math.nan
