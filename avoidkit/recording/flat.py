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
