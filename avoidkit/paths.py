"""Paths of the rear axle: poses by distance, with curvature and direction of travel."""

import math
from dataclasses import dataclass

import numpy as np

from avoidkit.checks import InputError, require_positive, require_shape
from avoidkit.frames import Pose, wrap_angle
from avoidkit.jit import compiled

SPACING_M = 0.05
CENTRED = " centred "


def same_way(name, other):
    """Whether two names are of one path, as given or centred in a gap: distances along both agree.

    Examples
    --------
    >>> same_way("reference centred 12.10", "reference"), same_way("detour 12.10", "reference")
    (True, False)
    """
    return name.partition(CENTRED)[0] == other.partition(CENTRED)[0]


@dataclass(frozen=True, eq=False, slots=True)
class Path:
    """Where the middle of the rear axle goes.

    Attributes
    ----------
    name : str
        `reference`, `reference centred ...` where it was moved into the middle of a gap, or the
        name of a detour; unique within a drive.
    s_m : (n,) array
        Distance travelled, growing from 0, whatever the direction.
    x_m, y_m, yaw_rad : (n,) arrays
        Poses of the vehicle; yaw is its heading (also in reverse), unwrapped.
    curvature_1pm : (n,) array
        tan(steering) / wheelbase, positive to the left, whatever the direction.
    direction : (n,) int8 array
        +1 forward, -1 in reverse; a change is a stop where the gear changes.
    """

    name: str
    s_m: np.ndarray
    x_m: np.ndarray
    y_m: np.ndarray
    yaw_rad: np.ndarray
    curvature_1pm: np.ndarray
    direction: np.ndarray

    def __post_init__(self):
        n = len(self.s_m)
        if n < 2:
            raise InputError(f"s_m must hold at least 2 points, got {n}")
        arrays = {name: getattr(self, name) for name in ("s_m", "x_m", "y_m", "yaw_rad", "curvature_1pm", "direction")}
        require_shape((n,), finite=True, **arrays)
        if np.any(np.diff(self.s_m) <= 0):
            raise InputError("s_m must grow from point to point")

    def __len__(self):
        return len(self.s_m)

    @property
    def length_m(self):
        return float(self.s_m[-1])

    @property
    def end(self):
        """The last pose."""
        return Pose(float(self.x_m[-1]), float(self.y_m[-1]), float(wrap_angle(self.yaw_rad[-1])))

    def poses_at(self, s_m):
        """(n, 3) array of x, y, yaw at distances, linear between points, held at both ends."""
        s = np.ascontiguousarray(s_m, dtype=float)
        out = np.empty((*np.shape(s_m), 3))
        interpolate(self.s_m, self.x_m, self.y_m, self.yaw_rad, s.ravel(), out.reshape(-1, 3))
        return out

    def pose_at(self, s_m):
        """The `Pose` at one distance."""
        x, y, yaw = self.poses_at(s_m)
        return Pose(float(x), float(y), float(wrap_angle(yaw)))

    def curvature_at(self, s_m):
        return np.interp(s_m, self.s_m, self.curvature_1pm)

    def direction_at(self, s_m):
        """+1 or -1 at one distance; at a change of gear the direction of what comes next."""
        k = min(int(np.searchsorted(self.s_m, s_m, side="right")), len(self) - 1)
        return int(self.direction[k])

    def leg_end_after(self, s_m):
        """Distance at which the leg under way ends: the next change of gear, or the path's end."""
        return leg_end(self.s_m, self.direction, float(s_m))

    def nearest(self, x_m, y_m, *, from_m=0.0, to_m=math.inf):
        """Distance along the path of the point nearest to (x, y), m, within a stretch of it."""
        to_m = min(to_m, self.length_m)
        if from_m >= to_m:
            return float(min(max(from_m, 0.0), self.length_m))
        return float(nearest_on(self.s_m, self.x_m, self.y_m, float(x_m), float(y_m), float(from_m), float(to_m)))


@compiled
def interpolate(s, xs, ys, yaws, at, out):
    """Fill the rows of out (n, 3) with x, y, yaw at distances `at` (n,), as `numpy.interp` does, in one pass."""
    last = len(s) - 1
    for i in range(len(at)):
        k = min(max(np.searchsorted(s, at[i], side="right") - 1, 0), last)
        out[i, 0], out[i, 1], out[i, 2] = xs[k], ys[k], yaws[k]
        if math.isnan(at[i]):
            out[i] = math.nan
        elif k < last and at[i] > s[k]:
            ds, on = s[k + 1] - s[k], at[i] - s[k]
            out[i, 0] += (xs[k + 1] - xs[k]) / ds * on
            out[i, 1] += (ys[k + 1] - ys[k]) / ds * on
            out[i, 2] += (yaws[k + 1] - yaws[k]) / ds * on


@compiled
def leg_end(s, direction, at_m):
    """Distance at which the leg under way at one distance ends."""
    k = min(np.searchsorted(s, at_m, side="right"), len(s) - 1)
    for i in range(k + 1, len(s)):
        if direction[i] != direction[k]:
            return s[i - 1]
    return s[-1]


@compiled
def nearest_on(s, xs, ys, x, y, from_m, to_m):
    """Distance along a polyline of the point nearest to (x, y), over the stretch between two distances.

    Pieces of segments count, so that a stretch shorter than the spacing of the points has a nearest point, too.
    """
    first = max(np.searchsorted(s, from_m, side="right") - 1, 0)
    best, best_d2 = from_m, math.inf
    for i in range(first, len(s) - 1):
        if s[i] > to_m:
            break
        ds, dx, dy = s[i + 1] - s[i], xs[i + 1] - xs[i], ys[i + 1] - ys[i]
        share = ((x - xs[i]) * dx + (y - ys[i]) * dy) / max(dx * dx + dy * dy, 1e-300)
        share = min(max(share, (from_m - s[i]) / ds, 0.0), (to_m - s[i]) / ds, 1.0)
        d2 = (xs[i] + share * dx - x) ** 2 + (ys[i] + share * dy - y) ** 2
        if d2 < best_d2:
            best, best_d2 = s[i] + share * ds, d2
    return best


def path_from_legs(start, legs, *, name="reference", ramp=0.3):
    """A path from legs of segments, each a length and a change of heading.

    Within a segment that turns, the curvature grows over the first `ramp` share of its length, stays,
    and goes back to 0, so that the curvature is continuous along the whole path.

    Parameters
    ----------
    start : Pose
    legs : list of (direction, segments)
        direction is +1 or -1; segments is a list of (length_m, turn_rad), turn being the change of the
        vehicle's heading, positive to the left.
    ramp : float
        Share of a segment's length, in (0, 0.5].

    Returns
    -------
    Path

    Examples
    --------
    >>> path = path_from_legs(Pose(0, 0, 0), [(1, [(6.0, 0.0)]), (-1, [(4.0, math.pi / 4)])])
    >>> path.length_m, round(path.end.yaw_rad, 6)
    (10.0, 0.785398)
    """
    s, curvature, direction = [0.0], [0.0], [legs[0][0] if legs else 1]
    for sign, segments in legs:
        for length_m, turn_rad in segments:
            require_positive(length_m=length_m)
            steps = max(2, math.ceil(length_m / SPACING_M))
            share = np.arange(1, steps + 1) / steps
            shape = np.clip(np.minimum(share, 1 - share) / ramp, 0.0, 1.0)
            peak = turn_rad / (sign * length_m * float(np.mean(shape)))  # shape starts and ends at 0: mean is trapezoid
            s.extend(s[-1] + share * length_m)
            curvature.extend(peak * shape)
            direction.extend([sign] * steps)
    return integrate_path(name, start, np.array(s), np.array(curvature), np.array(direction, np.int8))


def integrate_path(name, start, s_m, curvature_1pm, direction):
    """A path by integrating curvature (trapezoid rule on heading, midpoint heading on position)."""
    ds = np.diff(s_m) * direction[1:]
    before = np.where(direction[1:] == direction[:-1], curvature_1pm[:-1], 0.0)
    turns = 0.5 * (before + curvature_1pm[1:]) * ds
    yaw = start.yaw_rad + np.concatenate([[0.0], np.cumsum(turns)])
    middle = yaw[:-1] + 0.5 * turns
    x = start.x_m + np.concatenate([[0.0], np.cumsum(ds * np.cos(middle))])
    y = start.y_m + np.concatenate([[0.0], np.cumsum(ds * np.sin(middle))])
    return Path(name, s_m, x, y, yaw, curvature_1pm, np.asarray(direction, np.int8))
