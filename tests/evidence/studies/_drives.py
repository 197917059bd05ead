"""What the studies of whole drives have in common: running one, and reading its numbers."""

import math

import numpy as np
from scipy.optimize import linear_sum_assignment

from avoidkit import Action, load_scene, load_tuning, shipped
from avoidkit.drive import drive
from avoidkit.tracking.records import Stage

NEAR_M = 2.0  # a confirmed track farther than this from everybody is a false one


def tuning_named(name):
    return load_tuning(shipped("tunings") / f"{name}.toml")


def scene_named(name):
    return load_scene(shipped("scenes") / f"{name}.toml")


def sequence(actions):
    """The actions of a drive in order, each change once, such as `wait continue halt wait continue`."""
    return " ".join(str(a) for k, a in enumerate(actions) if k == 0 or a != actions[k - 1])


def drive_row(recording):
    """The numbers of a drive that its table keeps."""
    summary = recording.summary()
    seconds = summary["seconds"]
    halts = [stop for stop in summary["stops"] if stop["halted"]]
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
    squares : list of float, m^2
    false : int
        Confirmed tracks, counted per cycle, farther than 2 m from everybody.
    """
    squares, false = [], 0
    for row in recording.rows:
        confirmed = row.tracks.where(np.isin(row.tracks.stage, (Stage.CONFIRMED, Stage.COASTING)))
        if not len(confirmed):
            continue
        if not len(row.people):
            false += len(confirmed)
            continue
        distance = np.linalg.norm(confirmed.state[:, None, :2] - row.people.xy[None], axis=2)
        mine, theirs = linear_sum_assignment(np.minimum(distance, NEAR_M))
        matched = distance[mine, theirs]
        squares += (matched[matched < NEAR_M] ** 2).tolist()
        false += int((distance.min(axis=1) >= NEAR_M).sum())
    return squares, false


def run_drive(scene, tuning, seed):
    return drive(scene, tuning, seed=seed)


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


def rms(squares):
    return math.sqrt(sum(squares) / len(squares)) if len(squares) else math.nan
