"""Recorded walkers of the open corridor data round a moving vehicle: how well the tracker keeps them."""

import os

import numpy as np

from avoidkit import Tuning
from avoidkit.tracking.diagnostics import diagnose, errors_over_time, held_share, pairs_over_time, rms, tracked_share
from tests.conftest import open_data_folder
from tests.evidence.runner import Unavailable
from tests.evidence.studies._drives import spread
from tests.tracked_drives import driven, first_that_fits, tracked, walkers_yard

ABOUT = "24 drives of 14 s among four recorded walkers: GOSPA, identities, errors, ellipses, both pairings"
SPEAKS_OF = ("tracking", "tracking_tuning", "sensing", "sensor_tuning")
FILE = "walkers_corridor.txt"
DRIVES = 24


def tasks():
    folder = open_data_folder()
    if folder is None or not (folder / FILE).is_file():
        raise Unavailable(f"{FILE} not found: set AVOIDKIT_OPEN_DATA to the folder of the open data")
    return [{"seed": seed, "pairing": pairing} for seed in range(DRIVES) for pairing in ("nearest", "soft")]


def run(task):
    file = open_data_folder() / FILE
    os.environ.setdefault("AVOIDKIT_OPEN_DATA", str(file.parent))
    tuning = Tuning().replace({"tracking.pairing": task["pairing"]})
    first = 100 * task["seed"]
    scene = first_that_fits(lambda k: walkers_yard(file, k), range(first, first + 100))
    truths, tracks = tracked(driven(scene, tuning, task["seed"]), tuning, edges=scene.edges)
    pairs = pairs_over_time(truths, tracks)
    errors = errors_over_time(truths, tracks, pairs)
    figures = diagnose(truths, tracks)
    shares = [share for share in tracked_share(truths, pairs).values() if np.isfinite(share)]
    return {
        "gospa_m": round(figures["gospa_m"], 3),
        "switches_per_minute": round(figures["switches_per_minute"], 2),
        "least_share": round(min(shares, default=float("nan")), 4),
        "mean_share": round(float(np.mean(shares)), 4) if shares else float("nan"),
        "position_rms_m": round(rms(errors.position_m), 4),
        "velocity_raw_rms_mps": round(rms(errors.velocity_mps), 4),
        "held_95": round(held_share(errors.position_m, errors.covariance[:, :2, :2]), 4),
        "time_to_confirm_s": round(figures["time_to_confirm_s"], 3),
        "n": len(errors),
    }


def conclude(frame):
    out = {}
    for pairing, rows in frame.groupby("pairing"):
        for name in ("gospa_m", "switches_per_minute", "mean_share", "position_rms_m", "held_95", "time_to_confirm_s"):
            out[f"{pairing}: {name}"] = spread(rows[name])
    return out
