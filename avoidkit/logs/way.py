"""The way that a log was driven: as the reference path, and as the course of the scene that a recording needs."""

import numpy as np

from avoidkit.paths import Path

SPACING_M = 0.05
PIECE_M = 2.0  # length of a segment of the scene's course
LEAST_LEG_M = 0.25
LONGEST_TITLE = 150


def reference_of(motion, ahead_m):
    """The way driven, and `ahead_m` straight on, as the reference `Path`; and (n,) distance of each row along it."""
    step = np.hypot(np.diff(motion.x_m), np.diff(motion.y_m))
    step = np.where(step < 1e-6, 0.0, step)  # rounding of somebody who stands
    along = np.concatenate([[0.0], np.cumsum(step)])
    keep = _spaced(along)
    s, x, y = along[keep], motion.x_m[keep], motion.y_m[keep]
    yaw = np.unwrap(motion.yaw_rad)[keep]
    sign = _directions(motion, keep)
    end = np.arange(1, max(2, round(ahead_m / SPACING_M)) + 1) * SPACING_M
    s = np.concatenate([s, s[-1] + end])
    x = np.concatenate([x, x[-1] + sign[-1] * end * np.cos(yaw[-1])])
    y = np.concatenate([y, y[-1] + sign[-1] * end * np.sin(yaw[-1])])
    yaw = np.concatenate([yaw, np.full(len(end), yaw[-1])])
    sign = np.concatenate([sign, np.full(len(end), sign[-1])]).astype(np.int8)
    curvature = np.gradient(yaw, s) * sign
    return Path("reference", s, x, y, yaw, curvature, sign), along


def _spaced(along):
    """Rows that are at least a spacing apart from the one kept before, the first always."""
    keep, last = [0], 0.0
    for k, s in enumerate(along.tolist()):
        if s - last >= SPACING_M:
            keep.append(k)
            last = s
    return np.array(keep)


def _directions(motion, keep):
    """+1 or -1 at each kept row: that of the motion towards it."""
    speed = motion.speed_mps[keep]
    sign = np.where(speed < 0, -1, 1)
    if len(sign) > 1:
        sign[0] = sign[1]
    return sign


def course_of(path):
    """The legs of a scene's course that run about where a path does, as plain data."""
    changes = np.flatnonzero(np.diff(path.direction)) + 1
    legs = []
    for rows in np.split(np.arange(len(path)), changes):
        a, b = max(int(rows[0]) - 1, 0), int(rows[-1])
        if path.s_m[b] - path.s_m[a] >= LEAST_LEG_M:
            word = "forward" if path.direction[b] > 0 else "reverse"
            legs.append({"direction": word, "segments": list(_pieces(path, a, b))})
    return {"legs": legs}


def _pieces(path, a, b):
    length_m = float(path.s_m[b] - path.s_m[a])
    cuts = path.s_m[a] + np.linspace(0.0, length_m, max(1, round(length_m / PIECE_M)) + 1)
    yaw = np.degrees(np.interp(cuts, path.s_m, path.yaw_rad))
    for piece_m, turn in zip(np.diff(cuts), np.diff(yaw), strict=True):
        yield {"length_m": float(piece_m), "turn_deg": float(np.clip(turn, -360, 360))}


def title_of(file, mark):
    """One line that says where a recording comes from and what it assumes; only plain characters of the name."""
    plain = "".join(c if c.isprintable() and c.isascii() else "?" for c in file)[:60]
    return f"Read from {plain}{f' ({mark})' if mark else ''}"[: LONGEST_TITLE + 49]
