"""Backing off a little to make room: where nothing fits ahead, but something would from farther back.

An option, off by default (`detour.pull_back_m` 0). The way behind is the way come, driven back, so that
nothing new has to be planned; whether it may be driven is rule 1's to say, with the sensors that look there.
"""

from dataclasses import replace

import numpy as np

from avoidkit.detour import find_detour
from avoidkit.paths import Path
from avoidkit.verdict import at_least

STEPS_M = 0.5  # how far back is tried, in steps


def behind(way, along_m, back_m, name):
    """The last `back_m` of the way up to `along_m`, driven the other way, as a `Path` within one leg.

    Examples
    --------
    >>> from avoidkit.frames import Pose
    >>> from avoidkit.paths import path_from_legs
    >>> back = behind(path_from_legs(Pose(0, 0, 0), [(1, [(6.0, 0.0)])]), 4.0, 1.0, "pull back")
    >>> round(back.length_m, 6), back.end.x_m, back.direction_at(0.0)
    (1.0, 3.0, -1)
    """
    along = along_m - np.arange(0.0, back_m + 1e-9, back_m / max(round(back_m / 0.05), 1))
    x, y, yaw = way.poses_at(along).T
    direction = np.full(len(along), -way.direction_at(along_m - 0.5 * back_m), np.int8)
    return Path(name, along_m - along, x, y, yaw, way.curvature_at(along), direction)


def pull_back(situation, cells, blockers, tuning, *, name, sides):
    """The shortest way back from which a detour would fit, and what that was found to be; None where there is none.

    Parameters
    ----------
    situation : Situation
        Of a standing vehicle on its reference path.
    cells : Cells
    blockers : list of (x_m, y_m, needed_m)
        As for `find_detour`.
    tuning : Tuning
    name : str
    sides : tuple of +1, -1

    Returns
    -------
    (Path, Check) or None
    """
    way, along = situation.path, situation.reference_along_m
    room = along - _leg_begin(way, along)
    for back_m in np.arange(STEPS_M, min(tuning.detour.pull_back_m, room) + 1e-9, STEPS_M):
        there = float(along - back_m)
        pose = way.pose_at(there)
        steering = float(np.arctan(way.curvature_at(there) * tuning.vehicle.wheelbase_m))
        ego = replace(situation.ego, pose=pose, steering_rad=steering, speed_mps=0.0, yaw_rate_radps=0.0)
        farther = replace(situation, ego=ego, along_m=there, reference_along_m=there)
        found = find_detour(farther, cells, blockers, tuning, name=name, sides=sides)
        if found.path is not None:
            fits = at_least("detours that fit from farther back", found.counts["fits"], 1.0, "1", f"{back_m:.1f} m")
            return behind(way, along, float(back_m), name), fits
    return None


def _leg_begin(way, along_m):
    """Distance at which the leg under way begins."""
    k = int(np.searchsorted(way.s_m, along_m, side="right")) - 1
    other = np.flatnonzero(way.direction[: k + 1] != way.direction_at(along_m))
    other = other[other > 0]
    return float(way.s_m[other[-1]]) if len(other) else 0.0
