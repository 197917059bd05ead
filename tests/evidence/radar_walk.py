"""One real walker before one open radar, beside the same walk before a simulated one: kinds of behaviour.

The open recording (repository nesl/RadHAR, BSD-3-Clause) is from a consumer sensor at 0.6 to 2.8 m, with range
cells of 4.4 cm and range-rate steps of 0.615 m/s; it has no reference track. Run
`python -m tests.evidence.radar_walk PICTURE.png` to draw both.
"""

import math
import re
import sys
from pathlib import Path

import numpy as np

from avoidkit.frames import Pose
from avoidkit.sensing.corner import CornerRadar, surroundings_of
from avoidkit.tuning import Tuning
from avoidkit.vehicle import Ego
from tests.conftest import open_data_folder
from tests.sensing_yard import edges, people

FILE = "radar_walk.txt"
FRAME_S = 1 / 30
STEP_MPS = 0.615  # of range rate, in the recording
FIXED_M = ((0.0, 0.3), (1.34, 1.52), (2.95, 9.0))  # ranges at which something stands for the whole recording
KEYS = ("secs", "nsecs", "point_id", "range", "velocity", "bearing")


def read_returns(file):
    """Returns of the recording, an (n, 4) array of frame, range m, range rate m/s, azimuth rad, and blocks skipped."""
    rows, skipped, frame = [], 0, -1
    for block in Path(file).read_text(encoding="utf-8").split("---\n"):
        found = [re.search(rf"^\s*{key}: +(\S+)", block, re.MULTILINE) for key in KEYS]
        if not block.strip():
            continue
        if not all(found):
            skipped += 1
            continue
        _, _, number, range_m, rate, bearing = (float(match.group(1)) for match in found)
        frame += number == 0
        rows.append((frame, range_m, rate, math.radians(bearing)))
    return np.array(rows), skipped


def moving(returns):
    """Only the returns whose range rate falls into a step other than that of what stands."""
    return returns[np.abs(np.round(returns[:, 2] / STEP_MPS)) >= 1]


def walk_of(returns):
    """Where the walker was in each frame, (frames, 2) m: medians, moving returns first, smoothed over half a second."""
    frames = int(returns[-1, 0]) + 1
    apart = np.all([(returns[:, 1] < low) | (returns[:, 1] > high) for low, high in FIXED_M], axis=0)
    goes = np.abs(returns[:, 2]) > 0.3
    place = np.full((frames, 2), np.nan)
    for k in range(frames):
        here = returns[:, 0] == k
        chosen = returns[here & goes] if (here & goes).any() else returns[here & apart]
        if len(chosen):
            r, a = np.median(chosen[:, 1]), np.median(chosen[:, 3])
            place[k] = r * math.cos(a), r * math.sin(a)
    known = np.flatnonzero(np.isfinite(place[:, 0]))
    filled = np.stack([np.interp(np.arange(frames), known, place[known, c]) for c in range(2)], axis=1)
    padded = np.pad(filled, ((15, 15), (0, 0)), mode="edge")
    window = np.hanning(31) / np.hanning(31).sum()
    return np.stack([np.convolve(padded[:, c], window, "valid") for c in range(2)], axis=1)


def simulated_tuning(changes=None):
    """The kit's radar with the cells and the cycle of the recording's sensor.

    Losses and noise are set so that, while the walker comes or goes, as many frames hold a moving return as
    in the recording; nothing else is fitted.
    """
    coherent_s = 0.0039 / (2 * STEP_MPS)
    same = {
        "radar.mounts.front_left.yaw_deg": 0.0,
        "radar.cycle_s": FRAME_S,
        "radar.coherent_s": coherent_s,
        "radar.chirp_s": 0.0039 / (4 * 8 * STEP_MPS),
        "radar.range_cell_m": 0.0436,
        "radar.range_min_m": 0.04,
        "radar.range_max_m": 6.0,
        "radar.azimuth_cell_deg": 15.0,
        "radar.field_of_view_deg": 120.0,
        "radar.half_power_beam_deg": 60.0,
        "radar.losses_db": 40.0,
        "radar.noise_figure_db": 14.0,
        "radar.false_alarms_per_scan": 0.0,
        "radar.interference_per_minute": 0.0,
    }
    return Tuning().replace(same | (changes or {}))


def simulate(walk, seed, changes=None):
    """Returns of the simulated radar for the same walk, as `read_returns` gives them."""
    tuning = simulated_tuning(changes)
    mount = tuning.radar.mounts.front_left
    wall = (mount.x_m + 3.05, mount.y_m - 3.0, mount.x_m + 3.05, mount.y_m + 3.0, "wall", -5.0)
    radar = CornerRadar(0, surroundings_of(edges(wall), tuning.radar), tuning, seed)
    velocity = np.gradient(walk, FRAME_S, axis=0)
    walked = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(walk, axis=0).T))])
    ego, rows = Ego(0.0, Pose(0.0, 0.0, 0.0), 0.0, 0.0, 0.0), []
    for k, (place, speed) in enumerate(zip(walk, velocity, strict=True)):
        group = people((mount.x_m + place[0], mount.y_m + place[1], *speed), walked_m=walked[k])
        seen = radar.returns(k, FRAME_S * k, group, ego)
        rows += [(k, *row) for row in zip(seen.range_m, seen.range_rate_mps, seen.azimuth_rad, strict=True)]
    return np.array(rows).reshape(-1, 4)


def runs(missed):
    """Lengths of runs of True."""
    edges_of = np.diff(np.concatenate([[0], np.asarray(missed, dtype=int), [0]]))
    return np.flatnonzero(edges_of == -1) - np.flatnonzero(edges_of == 1)


def kinds(returns, walk):
    """Numbers that tell kinds of behaviour apart; of moving returns only, and while the walker comes or goes.

    share, share_walking : frames with a moving return, of all and of those with more than 0.35 m/s of range rate
    longest_miss, longest_miss_walking : frames in a row without
    per_frame : mean number of moving returns in frames that have any
    range_spread_m : mean of greatest minus least range in frames that have several
    azimuth_off_deg, azimuth_far_deg : median and 95 % of the distance from the walker's bearing
    rates : number of different range-rate steps
    """
    frames = len(walk)
    goes = moving(returns)
    own = np.hypot(*walk.T)
    walking = np.abs(np.gradient(own, FRAME_S)) > 0.35
    number = np.bincount(goes[:, 0].astype(int), minlength=frames)
    spread = [np.ptp(goes[goes[:, 0] == k, 1]) for k in np.flatnonzero(number > 1)]
    bearing = np.arctan2(walk[:, 1], walk[:, 0])
    off = np.degrees(np.abs(goes[:, 3] - bearing[goes[:, 0].astype(int)]))
    return {
        "share": float((number > 0).mean()),
        "share_walking": float((number[walking] > 0).mean()),
        "longest_miss": int(max(runs(number == 0), default=0)),
        "longest_miss_walking": int(max(runs((number == 0) & walking), default=0)),
        "per_frame": float(number[number > 0].mean()) if (number > 0).any() else 0.0,
        "range_spread_m": float(np.mean(spread)) if spread else 0.0,
        "azimuth_off_deg": float(np.median(off)) if len(off) else 0.0,
        "azimuth_far_deg": float(np.percentile(off, 95)) if len(off) else 0.0,
        "rates": len(np.unique(np.round(goes[:, 2] / STEP_MPS))),
    }


def draw(figure, real, walk, simulated):
    """Range and range rate over frames, runs of misses and azimuth: recording left, simulation right."""
    axes = figure.subplots(3, 2, sharex="row", sharey="row")
    for column, (name, returns) in enumerate((("open recording", real), ("simulated", simulated))):
        goes = moving(returns)
        frames = len(walk)
        top, middle, low = axes[:, column]
        top.plot(returns[:, 0], returns[:, 1], ",", color="#8a8f98")
        top.plot(np.hypot(*walk.T), color="#000000", linewidth=0.8, linestyle="--")
        top.plot(goes[:, 0], goes[:, 1], ".", markersize=3, color="#0072b2")
        top.set(title=name, ylim=(0, 3.6), xlabel="frame")
        middle.plot(goes[:, 0], np.degrees(goes[:, 3]), ".", markersize=3, color="#009e73")
        middle.plot(np.degrees(np.arctan2(walk[:, 1], walk[:, 0])), color="#000000", linewidth=0.8, linestyle="--")
        middle.set(ylim=(-70, 70), xlabel="frame")
        found = runs(np.bincount(goes[:, 0].astype(int), minlength=frames) == 0)
        low.step(np.sort(found)[::-1], np.arange(1, len(found) + 1), where="post", color="#d55e00")
        low.set(xscale="log", yscale="log", xlabel="frames in a row without a moving return, at least")
    axes[0, 0].set_ylabel("range, m")
    axes[1, 0].set_ylabel("azimuth, deg")
    axes[2, 0].set_ylabel("number of runs")
    return axes


def main(picture):
    from matplotlib.figure import Figure

    folder = open_data_folder()
    if folder is None:
        sys.exit("open data not found: set AVOIDKIT_OPEN_DATA to its folder")
    real, skipped = read_returns(folder / FILE)
    walk = walk_of(real)
    print(f"{len(real)} returns, {skipped} broken blocks skipped, {len(walk)} frames")
    print("recording:", kinds(real, walk))
    for seed in range(3):
        print(f"simulated, seed {seed}:", kinds(simulate(walk, seed), walk))
    figure = Figure(figsize=(11, 8), layout="constrained")
    draw(figure, real, walk, simulate(walk, 0))
    figure.savefig(picture, dpi=110)


if __name__ == "__main__":
    main(sys.argv[1])
