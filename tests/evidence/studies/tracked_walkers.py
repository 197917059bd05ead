"""Recorded walkers of the open corridor data round a moving vehicle: how well the tracker keeps them."""

import os

import numpy as np
from scipy.signal import butter, sosfiltfilt
from scipy.special import chdtri

from avoidkit import Tuning
from avoidkit.tracking.diagnostics import diagnose, errors_over_time, held_share, pairs_over_time, rms, tracked_share
from tests.conftest import open_data_folder
from tests.evidence.runner import Unavailable
from tests.evidence.studies._drives import spread
from tests.tracked_drives import LooksAhead, driven, errors_ahead, first_that_fits, tracked, walkers_yard

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
    tracker = LooksAhead(tuning)
    truths, tracks = tracked(driven(scene, tuning, task["seed"]), tuning, edges=scene.edges, track=lambda _: tracker)
    pairs = pairs_over_time(truths, tracks)
    errors = errors_over_time(truths, tracks, pairs)
    figures = diagnose(truths, tracks)
    shares = [share for share in tracked_share(truths, pairs).values() if np.isfinite(share)]
    foretold = {}
    for horizon_s in LooksAhead.HORIZONS_S:
        off, covariance = errors_ahead(truths, tracks, pairs, tracker.ahead, horizon_s, tuning.cycle_s)
        foretold[f"held_95_at_{horizon_s}s"] = round(held_share(off, covariance), 4)
        foretold[f"radius_95_at_{horizon_s}s_m"] = round(radius_95(covariance), 3)
    return foretold | {
        "gospa_m": round(figures["gospa_m"], 3),
        "switches_per_minute": round(figures["switches_per_minute"], 2),
        "least_share": round(min(shares, default=float("nan")), 4),
        "mean_share": round(float(np.mean(shares)), 4) if shares else float("nan"),
        "position_rms_m": round(rms(errors.position_m), 4),
        "velocity_raw_rms_mps": round(rms(errors.velocity_mps), 4),
        "held_95": round(held_share(errors.position_m, errors.covariance[:, :2, :2]), 4),
        "radius_95_m": round(radius_95(errors.covariance[:, :2, :2]), 3),
        "velocity_rms_mps": round(rms(errors.velocity_mps + smoothing(truths, errors, tuning.cycle_s)), 4),
        "time_to_confirm_s": round(figures["time_to_confirm_s"], 3),
        "n": len(errors),
    }


def radius_95(covariance):
    """Median radius, m, of the circles as large as the ellipses that should hold 95 %; NaN for none."""
    if not len(covariance):
        return float("nan")
    return float(np.median(np.sqrt(chdtri(2, 0.05) * np.sqrt(np.linalg.det(covariance)))))


def smoothing(truths, errors, cycle_s):
    """True velocity less itself low-passed at 0.5 Hz, (k, 2) m/s, for each of the errors: what sway adds."""
    low = butter(2, 0.5 / (0.5 / cycle_s), output="sos")
    true = np.array([truth.velocity for truth in truths])
    rest, start_s = true - sosfiltfilt(low, true, axis=0), truths[0].time_s
    rows = [round((t - start_s) / cycle_s) for t in errors.time_s]
    added = [rest[k, truths[k].names.index(name)] for k, name in zip(rows, errors.name, strict=True)]
    return np.array(added).reshape(-1, 2)


NAMES = (
    "gospa_m", "switches_per_minute", "mean_share", "position_rms_m", "velocity_rms_mps", "held_95", "radius_95_m",
    "held_95_at_0.5s", "radius_95_at_0.5s_m", "held_95_at_1.0s", "radius_95_at_1.0s_m", "time_to_confirm_s",
)  # fmt: skip


def conclude(frame):
    out = {}
    for pairing, rows in frame.groupby("pairing"):
        for name in NAMES:
            out[f"{pairing}: {name}"] = spread(rows[name])
        for name in ("held_95", "held_95_at_0.5s", "held_95_at_1.0s"):
            share = float((rows[name] * rows["n"]).sum() / rows["n"].sum())
            out[f"{pairing}: {name}, of all instants of people who count"] = round(share, 4)
    return out
