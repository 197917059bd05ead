"""The reference path moved into the middle of a gap that was measured, between parked vehicles, walls or posts.

Where things were seen on both sides, with no more than `corridor_m` a side to spare, a line is fitted to each of them.
The path ahead is bent onto the line between them by two humps of curvature, so that it stays continuous in curvature
and as long as it was; behind the vehicle it stays what it was. Whether it may be driven is rule 1's to say.
"""

import math
from dataclasses import dataclass

import numpy as np

from avoidkit.clearway import FREE, OCCUPIED, free_along
from avoidkit.frames import Pose
from avoidkit.jit import compiled
from avoidkit.latest import latest
from avoidkit.paths import SPACING_M, Path, integrate_path
from avoidkit.vehicle import box, greatest_curvature
from avoidkit.verdict import at_least

STATION_M = 0.1  # distance of the places at which both sides are looked at
SHORTEST_GAP_M = 1.5  # both sides of a shorter stretch are no gap: a body and a post
BEYOND_M = 0.6  # sides so far beyond the body at the path's end still tell which way a gap runs
PASSED = 0.7  # so much of `corridor_m`, where the gap is only passed: who drives on does not swerve for a wide one
HOLE_M = 0.6  # so much of a gap may lack a side
STRIP_M = 0.35  # unknown cells so deep before what was seen belong to it
OFF_M, OFF_RAD = 0.04, math.radians(0.6)  # nearer to the middle than this is the middle
STEEPEST = math.tan(math.radians(10.0))  # a side more askew than this is not the side of a gap
SHORTEST_BEND_M = 1.0
STRAIGHT_1PM = 0.01
LENGTHS_M = (0.0, 0.7, 1.5, 2.5, 4.0)  # a bend that is too tight is tried longer by so much
KNOWN_M = 4.0  # a new path is known to be free as far as the old one, up to here
SHARES = (1.0, 0.75, 0.5)  # where the steering does not suffice, so much of the correction


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch of a path with things on both sides, and the line midway between them.

    `from_m`, `to_m` along the path (the end may lie beyond the path's own); a point of the line and its direction of
    travel in the scene; `width_m` between the sides.
    """

    from_m: float
    to_m: float
    x_m: float
    y_m: float
    heading_rad: float
    width_m: float

    def offset(self, x_m, y_m):
        """How far left of the line a point lies, m."""
        return -(x_m - self.x_m) * math.sin(self.heading_rad) + (y_m - self.y_m) * math.cos(self.heading_rad)


@compiled
def sides_of(line, state, x_m, y_m, cell_m, reach_m, strip_m):
    """Distance to the first occupied cell to the left and right of each (x, y, heading) of `line`, (m, 2) in m.

    NaN where nothing occupied lies within `reach_m`, or where more than `strip_m` that is not known to be free lies
    before it.
    """
    rows, cols = state.shape
    step = 0.25 * cell_m
    out = np.full((line.shape[0], 2), math.nan)
    for i in range(line.shape[0]):
        sin, cos = math.sin(line[i, 2]), math.cos(line[i, 2])
        for k in range(2):
            sign, unseen = 1.0 - 2.0 * k, 0.0
            for j in range(int(reach_m / step) + 1):
                d = j * step
                row = math.floor((line[i, 1] + sign * d * cos - y_m) / cell_m)
                col = math.floor((line[i, 0] - sign * d * sin - x_m) / cell_m)
                if not (0 <= row < rows and 0 <= col < cols):
                    break
                if state[row, col] == OCCUPIED:
                    if j > 0:
                        out[i, k] = d
                    break
                unseen = 0.0 if state[row, col] == FREE else unseen + step
                if unseen > strip_m:
                    break
    return out


@latest
def gap_ahead(path, along_m, cells, tuning):
    """The first `Gap` of the leg under way ahead of a vehicle at `along_m`, or None."""
    vehicle = tuning.vehicle
    lead, tail = _overhangs(path, along_m, vehicle)
    half = 0.5 * vehicle.width_m
    begin, end = _beside_from(path, along_m, tail), path.leg_end_after(along_m)
    s = np.arange(begin, min(end, along_m + tuning.detour.lookahead_m) + 1e-9, STATION_M)
    line = path.poses_at(s)
    line[:, 2] += 0.0 if path.direction_at(along_m) > 0 else math.pi
    if s[-1] > end - STATION_M:  # the body reaches beyond the end of the path
        more = np.arange(STATION_M, lead + BEYOND_M, STATION_M)
        x, y, heading = line[-1]
        beyond = np.column_stack(
            [x + more * math.cos(heading), y + more * math.sin(heading), np.full(len(more), heading)]
        )
        s, line = np.concatenate([s, s[-1] + more]), np.concatenate([line, beyond])
    reach = half + 2 * tuning.detour.corridor_m
    sides = sides_of(
        np.ascontiguousarray(line), cells.state, cells.x_m, cells.y_m, cells.cell_m, reach, STRIP_M
    )  # fmt: skip
    run = _first_run(s, np.isfinite(sides).all(axis=1), along_m)
    gap = None if run is None else _fitted(s, line, sides, run)
    return gap if gap is not None and gap.width_m <= vehicle.width_m + 2 * tuning.detour.corridor_m else None


def _beside_from(path, along_m, tail_m):
    """Where the body begins behind a vehicle at `along_m`, within the leg under way: its sides lie in the gap too."""
    k = min(int(np.searchsorted(path.s_m, along_m, side="right")), len(path) - 1)
    other = np.flatnonzero(path.direction[: k + 1] != path.direction[k])
    return max(float(path.s_m[other[-1]]) if len(other) else 0.0, along_m - tail_m)


def _first_run(s, both, along_m):
    """Indices of the first stretch with both sides that is not passed yet, holes up to `HOLE_M` allowed.

    None where none is `SHORTEST_GAP_M` long.
    """
    found = np.flatnonzero(both)
    if len(found) == 0:
        return None
    for run in np.split(found, np.flatnonzero(np.diff(s[found]) > HOLE_M) + 1):
        if s[run[-1]] > along_m and s[run[-1]] - s[run[0]] >= SHORTEST_GAP_M:
            return run
    return None


def _fitted(s, line, sides, run):
    """The `Gap` of a stretch: a straight line through each side, seen from the stretch's middle; None if askew."""
    x0, y0, heading = line[run[len(run) // 2]]
    sin, cos = math.sin(heading), math.cos(heading)
    lines = []
    for k, sign in ((0, 1.0), (1, -1.0)):
        x = line[run, 0] - sign * sides[run, k] * np.sin(line[run, 2]) - x0
        y = line[run, 1] + sign * sides[run, k] * np.cos(line[run, 2]) - y0
        lines.append(_straight(cos * x + sin * y, cos * y - sin * x))
    (left, left_slope), (right, right_slope) = lines
    slope = 0.5 * (left_slope + right_slope)
    if max(abs(left_slope), abs(right_slope)) > STEEPEST or not left > right:
        return None
    middle = 0.5 * (left + right)
    return Gap(
        float(s[run[0]]), float(s[run[-1]]), float(x0 - middle * sin), float(y0 + middle * cos),
        float(heading + math.atan(slope)), float((left - right) * math.cos(math.atan(slope))),
    )  # fmt: skip


def _straight(u, v):
    """Offset at 0 and slope of a straight line through points, robust: the median slope of pairs far apart.

    After Theil (1950) and Sen (1968); pairs nearer than half of the whole length are left out, their slopes are noise.
    """
    length = np.ptp(u)
    if length < SHORTEST_GAP_M:
        return _middle(v), 0.0
    slope = _middle(slopes_of(u, v, 0.5 * length))
    return _middle(v - slope * u), slope


@compiled
def slopes_of(u, v, apart):
    """Slopes of the lines through all pairs of points farther apart than `apart` along u, (n,)."""
    out, n = np.empty(len(u) * (len(u) - 1) // 2), 0
    for i in range(len(u)):
        for j in range(i + 1, len(u)):
            run = u[j] - u[i]
            if abs(run) > apart:
                out[n] = (v[j] - v[i]) / run
                n += 1
    return out[:n]


def _middle(values):
    """The median of finite values, as `numpy.median`, which takes longer to make sure that it may."""
    ordered, half = np.sort(values), len(values) // 2
    return float(ordered[half]) if len(values) % 2 else 0.5 * float(ordered[half - 1] + ordered[half])


def centred(path, along_m, cells, tuning, *, name):
    """The path with what lies ahead moved into the middle of the next gap, and what was measured.

    Parameters
    ----------
    path : Path
        The reference, or one already centred.
    along_m : float
    cells : Cells
    tuning : Tuning
    name : str
        Of the new path.

    Returns
    -------
    (Path, tuple of Check)
        The same path where there is no gap, it is in the middle already, the steering does not suffice for at least
        half of the way, or the new one would meet something, or what is not known to be free, sooner.
    """
    gap = gap_ahead(path, along_m, cells, tuning)
    if gap is None:
        return path, ()
    checks = (
        at_least("width of gap", gap.width_m, tuning.vehicle.width_m + 2 * tuning.decision.static_clearance_m, "m"),
    )
    roomy = gap.width_m > tuning.vehicle.width_m + 2 * PASSED * tuning.detour.corridor_m
    if (roomy and not _stays(path, along_m, gap, tuning)) or _is_middle(path, along_m, gap, tuning.vehicle):
        return path, checks
    clear_m, known_m = _clear_m(path, along_m, cells, tuning)
    for new in _moved(path, along_m, gap, tuning, name):
        new_clear_m, new_known_m = _clear_m(new, along_m, cells, tuning)
        if new_clear_m >= clear_m - 0.05 and new_known_m >= known_m - 0.05:
            return new, checks
    return path, checks


def _stays(path, along_m, gap, tuning):
    """Whether the vehicle is to end in the gap, or the gap goes on farther than one looks."""
    lead, tail = _overhangs(path, along_m, tuning.vehicle)
    end = path.leg_end_after(along_m)
    inside_m = min(gap.to_m, end + lead) - max(gap.from_m, end - tail)
    goes_on = gap.to_m >= along_m + tuning.detour.lookahead_m - 2 * STATION_M
    return end >= path.length_m - 1e-6 and (inside_m >= SHORTEST_GAP_M or goes_on)


def _is_middle(path, along_m, gap, vehicle):
    """Whether the path runs along the line where the body is in the gap."""
    lead, _ = _overhangs(path, along_m, vehicle)
    last = min(gap.to_m, path.leg_end_after(along_m))
    first = min(max(gap.from_m - lead, along_m + SHORTEST_BEND_M, _straight_from(path, along_m, last)), last)
    off, turned = _off_line(path, np.array([first, last]), gap)
    return bool(np.abs(off).max() <= OFF_M and np.abs(turned).max() <= OFF_RAD)


def _straight_from(path, from_m, to_m):
    """From where on a path is straight up to a distance, m; that distance itself if it turns there."""
    turns = path.s_m[(path.s_m >= from_m) & (path.s_m <= to_m) & (np.abs(path.curvature_1pm) > STRAIGHT_1PM)]
    return min(float(turns[-1]) + SPACING_M, to_m) if len(turns) else from_m


def _overhangs(path, along_m, vehicle):
    """How far the body reaches beyond the rear axle ahead and behind, in the direction of travel."""
    front, rear, _ = box(vehicle)
    return (front, -rear) if path.direction_at(along_m) > 0 else (-rear, front)


def _off_line(path, s_m, gap):
    """Offsets from the line, m, and angles to it, rad, of the path at distances."""
    x, y, yaw = path.poses_at(s_m).T
    flip = math.pi if path.direction_at(float(s_m[0]) - 1e-6) < 0 else 0.0
    turned = np.remainder(yaw + flip - gap.heading_rad + math.pi, 2 * math.pi) - math.pi
    return gap.offset(x, y), turned


def _moved(path, along_m, gap, tuning, name):
    """Paths bent onto the line of the gap and, unless they end in there, back: those that the steering allows."""
    lead, tail = _overhangs(path, along_m, tuning.vehicle)
    end, stays = path.leg_end_after(along_m), _stays(path, along_m, gap, tuning)
    latest = min(end - 0.1, gap.to_m) if stays else gap.to_m - SHORTEST_GAP_M
    limits = _limits(path, tuning)
    begin = along_m + 0.1
    first = max(gap.from_m - lead, begin + SHORTEST_BEND_M, _straight_from(path, begin, min(gap.to_m, end)))
    for share in SHARES:
        for longer in LENGTHS_M:
            to = first + longer
            if to > latest:
                break
            new = bent(path, begin, to, (gap.x_m, gap.y_m, gap.heading_rad), share, name)
            if new is not None and not stays:
                new = _back(path, new, gap.to_m + tail, end, limits, name)
            if new is not None and _steerable(new, along_m, limits):
                yield new


def _back(path, new, from_m, end, limits, name):
    """`new` bent back onto `path` after a gap, or None where too little of the leg is left."""
    for length in (3.0, 5.0, 8.0):
        if from_m + length > end - 0.1:
            return None
        x, y, yaw = path.poses_at(from_m + length)
        flip = math.pi if path.direction_at(from_m) < 0 else 0.0
        again = bent(new, from_m, from_m + length, (float(x), float(y), float(yaw) + flip), 1.0, name)
        if again is not None and _steerable(again, from_m, limits):
            return again
    return None


def _limits(path, tuning):
    """Greatest curvature and its greatest change per metre: the steering's, or the path's own where that asks more."""
    vehicle, detour = tuning.vehicle, tuning.detour
    rate = math.radians(vehicle.steering_rate_max_deg_per_s) / (vehicle.wheelbase_m * detour.speed_mps)
    own = np.abs(path.curvature_1pm).max()
    own_rate = np.abs(np.diff(path.curvature_1pm) / np.diff(path.s_m)).max()
    return min(max(detour.steering_share * greatest_curvature(vehicle), own), greatest_curvature(vehicle)), max(
        rate, own_rate
    )


def _steerable(path, from_m, limits):
    ahead = path.s_m >= from_m
    curvature, s = path.curvature_1pm[ahead], path.s_m[ahead]
    rate = np.abs(np.diff(curvature) / np.diff(s))
    return bool(np.abs(curvature).max() <= limits[0] + 1e-9 and rate.max() <= limits[1] + 1e-9)


def bent(path, from_m, to_m, line, share, name, rounds=6):
    """The path with two humps of curvature added between two distances, so that it meets a line at the second.

    Parameters
    ----------
    path : Path
    from_m, to_m : float
        Along it, within one leg.
    line : (x, y, heading)
        In the scene; heading is that of travel.
    share : float
        Of the correction, in (0, 1]: how much of offset and angle is taken away.
    name : str

    Returns
    -------
    Path or None
        As long as the old one and the same up to `from_m`; None if no such humps are found.

    Notes
    -----
    Two unknowns, the heights of the humps (squared sines), and two equations, offset and angle at `to_m`: Newton's
    method with differences.
    """
    s = path.s_m
    middle = 0.5 * (from_m + to_m)
    humps = np.stack([_hump(s, from_m, middle), _hump(s, middle, to_m)])
    gap = Gap(from_m, to_m, *line, 0.0)
    before = np.array([float(v[0]) for v in _off_line(path, np.array([to_m]), gap)])
    wanted, height, new = (1.0 - share) * before, np.zeros(2), path
    for _ in range(rounds):
        found = np.array([float(v[0]) for v in _off_line(new, np.array([to_m]), gap)])
        if np.abs(found - wanted).max() < 1e-4:
            return new if new is not path else None
        slopes = np.empty((2, 2))
        for k in range(2):
            nudged = height.copy()
            nudged[k] += 1e-3
            there = _with_humps(path, humps, nudged, from_m, name)
            slopes[:, k] = (np.array([float(v[0]) for v in _off_line(there, np.array([to_m]), gap)]) - found) / 1e-3
        if abs(np.linalg.det(slopes)) < 1e-9:
            return None
        height = height - np.linalg.solve(slopes, found - wanted)
        if np.abs(height).max() > 1.0:
            return None
        new = _with_humps(path, humps, height, from_m, name)
    return None


def _hump(s, from_m, to_m):
    """A squared sine between two distances, 0 outside."""
    share = np.clip((s - from_m) / (to_m - from_m), 0.0, 1.0)
    return np.sin(math.pi * share) ** 2


def _with_humps(path, humps, height, from_m, name):
    """The path with its curvature changed; what lies before `from_m` is kept to the last bit."""
    k = max(int(np.searchsorted(path.s_m, from_m)) - 1, 0)
    start = Pose(float(path.x_m[k]), float(path.y_m[k]), float(path.yaw_rad[k]))
    curvature = path.curvature_1pm + height @ humps
    rest = integrate_path(name, start, path.s_m[k:], curvature[k:], path.direction[k:])
    kept = slice(0, k)
    return Path(
        name, path.s_m, np.concatenate([path.x_m[kept], rest.x_m]), np.concatenate([path.y_m[kept], rest.y_m]),
        np.concatenate([path.yaw_rad[kept], rest.yaw_rad]), curvature, path.direction,
    )  # fmt: skip


def _clear_m(path, along_m, cells, tuning):
    """How far the leg is clear of occupied cells, and known to be free as far as the next seconds need it."""
    s = np.arange(along_m, max(path.leg_end_after(along_m), along_m + 0.2), 0.1)
    poses, clearance_m = np.ascontiguousarray(path.poses_at(s)), tuning.decision.static_clearance_m
    clear, known = (
        free_along(poses, s - along_m, cells, tuning.vehicle, clearance_m, unknown_blocks=unknown).free_m
        for unknown in (False, True)
    )
    return clear, min(known, KNOWN_M)
