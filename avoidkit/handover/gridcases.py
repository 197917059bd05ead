"""Cycles for the vectors of the grid update: returns and echoes spread evenly, and instants just beside each limit.

Nothing is drawn by chance: `_even` spreads numbers by the golden ratio, so that the vectors are the same everywhere.
"""

import math
from dataclasses import replace

import numpy as np

from avoidkit.frames import Pose
from avoidkit.handover.limits import SIDES
from avoidkit.handover.records import echoes_out, ego_out, scan_out, tracks_out
from avoidkit.handover.wire import plain
from avoidkit.sensing.records import Echoes, Health, Scan
from avoidkit.tracking.records import Stage, exact_tracks, no_tracks
from avoidkit.vehicle import Ego, box

RADARS = ("front_left", "front_right", "rear_left", "rear_right")
GOLDEN = (math.sqrt(5.0) - 1.0) / 2.0
RETURNS = 14  # of a scan


def beside_limits(tuning):
    """Rows of cycles as {name: input}; the tuning is the one of the vectors, with its coarse grid."""
    out = {f"returns all round, {k}": {"cycles": _sensed(tuning, k)} for k in range(6)}
    for side, factor in SIDES.items():
        out |= {f"{side} {name}": {"cycles": cycles} for name, cycles in _at_limits(tuning, factor).items()}
    return out


def _at_limits(tuning, factor):
    space = tuning.freespace
    return {
        "how long a scan is fresh": _late(tuning, factor * tuning.decision.data_timeout_s),
        "how long a place counts as seen": _again(tuning, factor * space.unseen_after_s),
        "how long somebody may be in a wedge": _doubtful(tuning, factor * space.doubt_s),
        "how far the vehicle goes before the grid moves": _moved(tuning, factor * space.recentre_m),
        "the strip that is free at the start": [_cycle(_ego(0.0, y_m=_beside(tuning, factor * space.start_clear_m)))],
        "the strip to creep along": _doubtful(tuning, 0.1, y_m=_beside(tuning, factor * space.strip_m)),
        "an echo near enough to mark its arc": _arc(tuning, factor * space.echo_arc_m),
    }


def _even(k, low, high):
    """The k-th of numbers that fill a range evenly."""
    return low + (high - low) * ((k * GOLDEN) % 1.0)


def _ego(time_s, x_m=0.0, y_m=0.0, yaw_rad=0.0, speed_mps=0.0):
    return Ego(time_s, Pose(x_m, y_m, yaw_rad), speed_mps, 0.0, 0.0)


def _cycle(ego, scans=(), echoes=None, tracks=None):
    tracks = no_tracks(ego.time_s) if tracks is None else tracks
    return plain({"ego": ego_out(ego), "scans": [scan_out(scan) for scan in scans],
                  "echoes": echoes_out(echoes), "tracks": tracks_out(tracks)})  # fmt: skip


def _scan(sensor, taken_s, now_s, first, tuning, returns=RETURNS):
    k = first + np.arange(returns)
    half = math.radians(tuning.radar.field_of_view_deg) / 2
    arrays = _even(k, 0.25, 6.5), _even(k * 7 + 3, -0.98 * half, 0.98 * half), _even(k * 3, -1.0, 1.0)
    return Scan(sensor, taken_s, now_s, *(a.astype(np.float32) for a in arrays),
                _even(k * 5, 10.0, 35.0).astype(np.float32), Health.OK)  # fmt: skip


def _scans(taken_s, now_s, first, tuning, returns=RETURNS):
    return [_scan(name, taken_s, now_s, first + 40 * n, tuning, returns) for n, name in enumerate(RADARS)]


def _echoes(time_s, first):
    metres = _even(first + np.arange(12), 0.35, 4.3)
    return Echoes(time_s, time_s, np.where(metres > 4.0, np.inf, metres))


def _sensed(tuning, k):
    """Cycles with returns and echoes from everywhere, at a pose askew to the grid; scans just too old to be kept."""
    step_s = tuning.freespace.remember_s * (1.005 if k % 2 else 0.995)
    out = []
    for n in range(4):
        t = n * step_s
        ego = _ego(t, 0.11 * k + 0.05 * n, 0.07 * k, 0.3 * k, 0.05 / step_s)
        out.append(_cycle(ego, _scans(t, t, 1000 * k + 200 * n, tuning), _echoes(t, 50 * k + 12 * n)))
    return out


def _late(tuning, late_s):
    """A scan and a round of echoes that come so late."""
    start = _cycle(_ego(0.0), _scans(0.0, 0.0, 5, tuning))
    return [start, _cycle(_ego(late_s), _scans(0.0 + 1e-4, late_s, 900, tuning), _echoes(1e-4, 3))]


def _again(tuning, after_s):
    """Everything is looked at once, and again nothing is heard so long after."""
    return [_cycle(_ego(0.0), _scans(0.0, 0.0, 5, tuning, 3)), _cycle(_ego(after_s))]


def _doubtful(tuning, after_s, y_m=0.0):
    """Somebody lost in the wedge at the flank, and nothing heard so long after."""
    ego = _ego(1.0, y_m=y_m)
    front, rear, half = box(tuning.vehicle)
    at = [[0.5 * (front + rear), y_m + half + 0.35], [0.5 * (front + rear), y_m - half - 0.35]]
    lost = exact_tracks(1.0, at, np.zeros((2, 2)), seen_ago_s=0.9)
    lost = replace(lost, stage=np.full(2, Stage.COASTING, np.int8), extent_m=np.full(2, 0.25))
    return [_cycle(ego), _cycle(replace(ego, time_s=1.05), tracks=replace(lost, time_s=1.05)),
            _cycle(replace(ego, time_s=1.05 + after_s))]  # fmt: skip


def _moved(tuning, by_m):
    """The vehicle is somewhere else: the grid comes along, or does not yet."""
    front, rear, _ = box(tuning.vehicle)
    cell = tuning.freespace.cell_m
    start_m = round(0.5 * (front + rear) / cell) * cell - 0.5 * (front + rear)
    return [_cycle(_ego(0.0, start_m)), _cycle(_ego(0.5, start_m + by_m))]


def _arc(tuning, first_m):
    """Ground looked at by radars, and then echoes at just that distance all round."""
    seen = [_cycle(_ego(0.1 * k), _scans(0.1 * k, 0.1 * k, 5, tuning, 0)) for k in range(3)]
    return [*seen, _cycle(_ego(0.3), echoes=Echoes(0.3, 0.3, np.full(12, first_m)))]


def _beside(tuning, strip_m):
    """Where to stand so that the middles of a row of cells lie so far beside the outline."""
    cell = tuning.freespace.cell_m
    edge_m = box(tuning.vehicle)[2] + strip_m
    return (math.floor(edge_m / cell) + 0.5) * cell - edge_m
