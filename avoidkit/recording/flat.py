"""A recording as a flat table."""

import math

import numpy as np


def flat_frame(rows):
    """A pandas DataFrame, one line a cycle: scalars, records by their parts, counts and nearest ones of lists."""
    import pandas as pd

    return pd.DataFrame([_line(row) for row in rows])


def _line(row):
    ego, verdict = row.ego, row.verdict
    spots = row.tracks.state[:, :2]
    return {
        "time_s": row.time_s,
        "x_m": ego.pose.x_m,
        "y_m": ego.pose.y_m,
        "yaw_rad": ego.pose.yaw_rad,
        "speed_mps": ego.speed_mps,
        "steering_rad": ego.steering_rad,
        "yaw_rate_radps": ego.yaw_rate_radps,
        "path": row.path,
        "along_m": row.along_m,
        "reference_along_m": row.reference_along_m,
        "action": str(verdict.action),
        "verdict_path": verdict.path.name if verdict.path is not None else "",
        "speed_cap_mps": verdict.speed_cap_mps,
        "settled_by": verdict.settled_by,
        "why": verdict.why,
        "hold_pressed": row.hold.pressed,
        "hold_sent_s": row.hold.sent_s,
        "operator_distance_m": row.hold.distance_m,
        "ready": verdict.memory.ready,
        "scans": len(row.scans),
        "returns": sum(len(scan) for scan in row.scans),
        "tracks": len(row.tracks),
        "nearest_track_m": float(np.hypot(*(spots - [ego.pose.x_m, ego.pose.y_m]).T).min()) if len(spots) else math.inf,
        "nearest_echo_m": float(row.echoes.first_m.min()) if row.echoes is not None else math.inf,
        "people": len(row.people.names),
        "gap_m": row.gap_m,
        "contacts": ", ".join(row.contacts),
        "error": row.error,
        "stages_ms": sum(row.stage_ms.values()),
    }


RETURN = np.dtype(
    [("time_s", "f8"), ("sensor", "U16"), ("taken_s", "f8"), ("range_m", "f4"), ("azimuth_rad", "f4"),
     ("range_rate_mps", "f4"), ("snr_db", "f4")]
)  # fmt: skip
TRACK = np.dtype(
    [("time_s", "f8"), ("id", "i8"), ("stage", "i1"), ("x_m", "f8"), ("y_m", "f8"), ("vx_mps", "f8"),
     ("vy_mps", "f8"), ("existence", "f8"), ("standing", "f8"), ("extent_m", "f8"), ("last_seen_s", "f8")]
)  # fmt: skip
NUMBERS = (
    "time_s", "x_m", "y_m", "yaw_rad", "speed_mps", "steering_rad", "yaw_rate_radps", "along_m", "reference_along_m",
    "speed_cap_mps", "hold_pressed", "operator_distance_m", "nearest_track_m", "nearest_echo_m", "gap_m",
)  # fmt: skip


def arrays_of(rows):
    """A recording as NumPy arrays by name, SI units.

    Returns
    -------
    dict
        One (n,) array a cycle for each of `NUMBERS` and for `action` (text), and two structured arrays, one
        entry per return and per track: `returns` of kind `RETURN`, `tracks` of kind `TRACK`; their `time_s`
        is that of the cycle in which the scan arrived, or of which the track speaks.
    """
    lines = [_line(row) for row in rows]
    out = {name: np.array([line[name] for line in lines], dtype=float) for name in NUMBERS}
    out["action"] = np.array([line["action"] for line in lines], dtype=str)
    out["returns"] = np.array([entry for row in rows for entry in _returns(row)], dtype=RETURN)
    out["tracks"] = np.array([entry for row in rows for entry in _tracks(row)], dtype=TRACK)
    return out


def _returns(row):
    for scan in row.scans:
        columns = (scan.range_m, scan.azimuth_rad, scan.range_rate_mps, scan.snr_db)
        for values in zip(*columns, strict=True):
            yield row.time_s, scan.sensor, scan.taken_s, *values


def _tracks(row):
    tracks = row.tracks
    rest = (tracks.existence, tracks.standing, tracks.extent_m, tracks.last_seen_s)
    for i, state in enumerate(tracks.state):
        yield row.time_s, tracks.ids[i], tracks.stage[i], *state, *(values[i] for values in rest)
