"""What could be done, by the truth: slow and plain, to judge the kit's decision by.

It knows where everybody stands and every thing is. It rolls the bicycle model out over a fine set of ways (when
to leave the reference path, on which side, how far, how steeply, when to come back), always within steering angle
and rate, and measures the outline's distance from bodies and things at every 0.1 m with exact polygons. Nothing of the
kit's own search, caps or formulas is used: reach and stop are derived here once more.

A way keeps, from everybody's middle, the larger of two distances (design, section 7): body, reach at the end of a stop
from creep speed and clearance (rule 1); body, the measured 95 % radius of somebody who stands and clearance (rule 2).
From things it keeps the static clearance. What is left over on top of these is `spare_m`.
"""

import functools
import math
from dataclasses import dataclass

import numpy as np
import shapely

STEP_M = 0.05  # of the roll-out; every second pose is measured
MEASURED_EVERY, COARSE = 2, 10
SETTLED_M, SETTLED_RAD = 0.03, 0.015  # so near to the reference a way is back on it
OFFSET_GAIN, ANGLE_GAIN = 0.3, 1.1  # 1/m^2, 1/m: what is left of an offset and an angle is steered out
BEYOND_M = np.concatenate([np.arange(0.0, 0.6, 0.05), np.arange(0.6, 1.61, 0.1)])  # beside somebody, beyond the need
EARLIER_M = np.concatenate([np.arange(-1.0, 5.1, 0.4), [6.0, 8.0, 99.0]])  # the front leaves before it would pass
LATER_M = (-1.5, -0.8, -0.3, 0.3, 1.0, 2.0)  # after the rear has passed
STEEP = tuple((share, angle) for angle in (0.07, 0.11, 0.17, 0.25, 0.35, 0.5, 0.8) for share in (1.0, 0.5))
# share of the greatest curvature, greatest angle to the reference in rad


@dataclass(frozen=True, eq=False)
class Truth:
    """The true state: vehicle on its path, who stands where, what stands where.

    `people` is (n, 2), m; `things` shapely geometries; `offset_m`, `angle_rad` where the rear axle is beside the path
    and how it points, in the frame of travel.
    """

    path: object
    tuning: object
    people: np.ndarray
    things: tuple = ()
    along_m: float = 0.0
    steering_rad: float = 0.0
    offset_m: float = 0.0
    angle_rad: float = 0.0


@dataclass(frozen=True, eq=False)
class Found:
    """The oracle's answer; a spare below 0 means that it cannot be done by that much, -inf that no way exists.

    `way` is (k, 3) poses of the way with the most to spare, `side` +1 left or -1 right in the direction of travel.
    """

    continue_spare_m: float
    detour_spare_m: float
    way: np.ndarray | None = None
    side: int = 0

    @property
    def can_continue(self):
        return self.continue_spare_m >= 0

    @property
    def can_detour(self):
        return self.detour_spare_m >= 0


def stop_s(vehicle, speed_mps, steps=20_000):
    """Time, s, from the order to brake until the vehicle stands, by adding up small steps."""
    dt = 2.0 / steps
    t = (np.arange(steps) + 0.5) * dt
    built = np.clip((t - vehicle.latency_s) / max(vehicle.brake_build_up_s, 1e-9), 0.0, 1.0)
    lost = np.cumsum(built * vehicle.brake_mps2) * dt
    return float(t[np.argmax(lost >= speed_mps)] + 0.5 * dt)


def needs_m(tuning, *, age_s=None, sigma_m=0.02, sigma_mps=0.02):
    """(rule 1, rule 2): distances from the middle of somebody who stands to the outline, at creep speed."""
    people, vehicle = tuning.people, tuning.vehicle
    age_s = tuning.radar.latency_s if age_s is None else age_s
    t = tuning.cycle_s + stop_s(vehicle, vehicle.creep_mps)
    accel = max(people.standing_accel_mps2, people.walking_accel_mps2)
    starts_s = people.top_speed_mps / accel
    since = t + age_s
    runs = 0.5 * accel * min(since, starts_s) ** 2 + people.top_speed_mps * max(since - starts_s, 0.0)
    doubt = people.k_sigma * math.hypot(sigma_m, min(sigma_mps, people.standing_sigma_mps) * t)
    keep = people.body_radius_m + tuning.decision.clearance_m
    return keep + runs + doubt, keep + people.likely_standing_m


def ask(truth, *, lookahead_m=None):
    """Whether the vehicle can go on as it is, and with how much to spare it can go round; `Found`.

    Ways out are tried first, each held at its offset; the best one to each offset is then driven with every way back.
    """
    ref = _reference(truth)
    ahead = truth.tuning.detour.lookahead_m if lookahead_m is None else lookahead_m
    straight = _roll(truth, ref, np.array([[1e9, 0.0, 1e9, 1.0, 0.35, 1.0, 0.35]]))
    upto = int(min(ahead, ref["s"][-1]) / STEP_M) + 1
    keeps_on = float(_spare(truth, straight["poses"][:, :upto], np.array([upto]))[0])
    found = Found(keeps_on, -math.inf)
    for side in (1, -1):
        outs = _ways_out(truth, ref, side)
        plans = _ways_back(outs, truth, ref)
        if len(plans) == 0:
            continue
        rolled = _roll(truth, ref, plans)
        good = np.flatnonzero(rolled["settled"])
        if len(good) == 0:
            continue
        best, spare = _best(truth, rolled["poses"][good], rolled["upto"][good])
        if spare > found.detour_spare_m:
            way = rolled["poses"][good[best], : rolled["upto"][good[best]]]
            found = Found(keeps_on, spare, way, side)
    return found


def _reference(truth):
    """The rest of the leg, in the frame of travel, every `STEP_M`."""
    path, along = truth.path, truth.along_m
    end = path.leg_end_after(along)
    s = np.arange(along, end + 1e-9, STEP_M)
    way = path.direction_at(along)
    x, y, yaw = path.poses_at(s).T
    return {
        "s": s - along, "x": x, "y": y, "way": way, "heading": np.unwrap(yaw) + (0.0 if way > 0 else math.pi),
        "curvature": path.curvature_at(s) * way,
    }  # fmt: skip


def _shape(tuning, way):
    """(front, rear, half) of the outline in the frame of travel."""
    v = tuning.vehicle
    front, rear = v.length_m - v.rear_overhang_m, -v.rear_overhang_m
    return (front, rear, v.width_m / 2) if way > 0 else (-rear, -front, v.width_m / 2)


def _ways_out(truth, ref, side):
    """Plans (m, 7), the best way out to each offset on one side of each thing in the way, judged up to its rear."""
    tuning, best = truth.tuning, []
    front, rear, half = _shape(tuning, ref["way"])
    for at, across, need in _in_the_way(truth, ref):
        begins = np.unique(np.maximum(max(at - front, 0.0) - EARLIER_M, 0.0))
        offsets = across + side * (need + half + BEYOND_M)
        offsets = offsets[np.abs(offsets) <= tuning.detour.greatest_offset_m]
        short = {name: values[: int((at - rear) / STEP_M) + 1] for name, values in ref.items() if name != "way"}
        short["way"] = ref["way"]
        for offset in offsets:
            plans = np.array([(b, offset, 1e9, *steep, 1.0, 0.35) for b in begins for steep in STEEP])
            rolled = _roll(truth, short, plans)
            k, spare = _best(truth, rolled["poses"], np.full(len(plans), len(short["s"])))
            best.append((spare, at - rear, plans[k]))
    return best


def _ways_back(outs, truth, ref):
    """(n, 7): begin, offset, come back from, share and angle of the way out, of the way back."""
    rows = []
    for _, passed, plan in outs:
        for later in LATER_M:
            rows += [(plan[0], plan[1], passed + later, plan[3], plan[4], *steep) for steep in STEEP]
    return np.array(rows, dtype=float).reshape(-1, 7)


def _in_the_way(truth, ref):
    """(distance ahead, offset, need) of people and of the corners of things that the way might have to pass."""
    tuning = truth.tuning
    need = max(needs_m(tuning))
    points = [(x, y, need) for x, y in truth.people]
    for thing in truth.things:
        if _meets(thing, truth, ref):
            points += [(x, y, tuning.decision.static_clearance_m) for x, y in _corners(thing)]
    out = []
    for x, y, keep in points:
        k = int(np.argmin((ref["x"] - x) ** 2 + (ref["y"] - y) ** 2))
        across = -(x - ref["x"][k]) * math.sin(ref["heading"][k]) + (y - ref["y"][k]) * math.cos(ref["heading"][k])
        if abs(across) < 4.0:
            out.append((float(ref["s"][k]), float(across), keep))
    return out


def _meets(thing, truth, ref):
    half = truth.tuning.vehicle.width_m / 2 + truth.tuning.decision.static_clearance_m
    return shapely.distance(thing, shapely.LineString(np.column_stack([ref["x"], ref["y"]]))) < half


def _corners(thing):
    return shapely.get_coordinates(shapely.convex_hull(thing))


@dataclass(frozen=True, eq=False)
class _Shifts:
    """(n,) shifts aside, each a turn, a straight piece and the turn back: curvature grows and falls at `rate`."""

    sign: np.ndarray
    peak: np.ndarray
    turn_m: np.ndarray
    straight_m: np.ndarray
    rate: float

    @property
    def length_m(self):
        return 2 * self.turn_m + self.straight_m

    def curvature(self, u):
        """Curvature after `u` m, 1/m; 0 before the beginning and after the end."""
        return self.sign * (self._turn(u) - self._turn(u - self.turn_m - self.straight_m))

    def _turn(self, u):
        return np.clip(np.minimum(u, self.turn_m - u) * self.rate, 0.0, self.peak)


@functools.lru_cache(maxsize=256)
def _table(most, rate, steepest):
    """Angles and how far across the two turns of a shift lead with that angle between them."""
    angles = np.linspace(0.0, 1.0, 401)[1:] * steepest
    peak = np.minimum(most, np.sqrt(angles * rate))
    turn = angles / peak + peak / rate
    across, heading = np.zeros_like(angles), np.zeros_like(angles)
    for u in (np.arange(200) + 0.5) / 200:
        bend = np.minimum(np.minimum(u, 1 - u) * turn * rate, peak)
        across += np.sin(heading + 0.5 * bend * turn / 200) * turn / 200
        heading += bend * turn / 200
    return angles, 2 * across  # a turn and its counter-turn cover as much: their chords have the same heading


def shifts(aside_m, most, rate, steepest):
    """The shortest shifts by `aside_m` within a curvature, its change per metre and an angle; all (n,) but `rate`."""
    wanted, angle, rest = np.abs(aside_m), np.empty(len(aside_m)), np.zeros(len(aside_m))
    for kind in set(zip(most.tolist(), steepest.tolist(), strict=True)):
        mine = (most == kind[0]) & (steepest == kind[1])
        angles, across = _table(kind[0], rate, kind[1])
        angle[mine] = np.interp(wanted[mine], np.append(0.0, across), np.append(1e-6, angles))
        rest[mine] = np.maximum(wanted[mine] - across[-1], 0.0) / math.sin(kind[1])
    peak = np.minimum(most, np.sqrt(angle * rate))
    return _Shifts(np.sign(aside_m), peak, angle / peak + peak / rate, rest, rate)


def _roll(truth, ref, plans):
    """All plans driven by the bicycle model; poses (n, k, 3) of the vehicle, how many count, and who came back.

    A way is two shifts, out and back, each within angle and rate of the wheels; what is left of an offset,
    an angle or a steered wheel at the start, and of the reference's own curves, is steered out under the same limits.
    """
    vehicle = truth.tuning.vehicle
    tightest = math.tan(math.radians(vehicle.steering_max_deg)) / vehicle.wheelbase_m
    rate = math.radians(vehicle.steering_rate_max_deg_per_s) / truth.tuning.detour.speed_mps / vehicle.wheelbase_m
    out = shifts(plans[:, 1], plans[:, 3] * tightest, rate, plans[:, 4])
    home = shifts(plans[:, 1], plans[:, 5] * tightest, rate, plans[:, 6])
    n, steps, way = len(plans), len(ref["s"]), ref["way"]
    h0 = ref["heading"][0]
    bend = np.full(n, math.tan(truth.steering_rad) / vehicle.wheelbase_m * way)
    heading = np.full(n, h0 + truth.angle_rad)
    x = np.full(n, ref["x"][0] - truth.offset_m * math.sin(h0))
    y = np.full(n, ref["y"][0] + truth.offset_m * math.cos(h0))
    plan_offset, plan_angle, plan_bend = np.zeros(n), np.zeros(n), np.zeros(n)
    begun, left, s = np.full(n, math.inf), np.full(n, math.inf), np.zeros(n)
    poses, back = np.empty((n, steps, 3)), np.full(n, steps)
    gone_m = 0.0
    for i in range(steps):
        k = np.clip((s / STEP_M).round().astype(int), 0, steps - 1)
        rx, ry, rh, rk = ref["x"][k], ref["y"][k], ref["heading"][k], ref["curvature"][k]
        s = s + (x - rx) * np.cos(rh) + (y - ry) * np.sin(rh) - (s - ref["s"][k])
        offset = -(x - rx) * np.sin(rh) + (y - ry) * np.cos(rh)
        angle = heading - rh
        poses[:, i] = np.column_stack([x, y, heading if way > 0 else heading - math.pi])
        begun = np.where(np.isinf(begun) & (s >= plans[:, 0]), gone_m, begun)
        ready = np.isinf(left) & (s >= plans[:, 2]) & (gone_m - begun >= out.length_m)
        left = np.where(ready, gone_m, left)
        over = gone_m - left >= home.length_m
        settled = over & (np.abs(offset) < SETTLED_M) & (np.abs(angle) < SETTLED_RAD) & (back == steps)
        back[settled] = i + 1
        new_plan = out.curvature(gone_m + STEP_M - begun) - home.curvature(gone_m + STEP_M - left)
        scale = 1 - rk * offset
        goal = new_plan + rk / scale - OFFSET_GAIN * (offset - plan_offset) - ANGLE_GAIN * (angle - plan_angle)
        new = bend + np.clip(np.clip(goal, -tightest, tightest) - bend, -rate * STEP_M, rate * STEP_M)
        turn, plan_turn = 0.5 * (bend + new) * STEP_M, 0.5 * (plan_bend + new_plan) * STEP_M
        middle = heading + 0.5 * turn
        x, y = x + STEP_M * np.cos(middle), y + STEP_M * np.sin(middle)
        plan_offset = plan_offset + STEP_M * np.sin(plan_angle + 0.5 * plan_turn)
        heading, bend, plan_angle, plan_bend = heading + turn, new, plan_angle + plan_turn, new_plan
        gone_m += STEP_M
    return {"poses": poses, "upto": back, "settled": back < steps}


def outlines(poses, tuning):
    """Shapely polygons of the outline at (k, 3) poses."""
    v = tuning.vehicle
    front, rear, half = v.length_m - v.rear_overhang_m, -v.rear_overhang_m, v.width_m / 2
    corners = np.array([[rear, -half], [front, -half], [front, half], [rear, half]])
    cos, sin = np.cos(poses[:, 2])[:, None], np.sin(poses[:, 2])[:, None]
    x = poses[:, 0, None] + cos * corners[:, 0] - sin * corners[:, 1]
    y = poses[:, 1, None] + sin * corners[:, 0] + cos * corners[:, 1]
    return shapely.polygons(np.stack([x, y], axis=-1))


def _people_spare(truth, poses, upto):
    """(n,) least distance beside people beyond what they need; who is nearer already may not be neared."""
    out = np.full(len(poses), math.inf)
    if len(truth.people) == 0:
        return out
    reach, likely = needs_m(truth.tuning)
    v = truth.tuning.vehicle
    front, rear, half = v.length_m - v.rear_overhang_m, -v.rear_overhang_m, v.width_m / 2
    counted = np.arange(poses.shape[1])[None, ::MEASURED_EVERY] < upto[:, None]
    some = poses[:, ::MEASURED_EVERY]
    cos, sin = np.cos(some[..., 2]), np.sin(some[..., 2])
    for px, py in truth.people:
        dx, dy = px - some[..., 0], py - some[..., 1]
        ahead, left = cos * dx + sin * dy, cos * dy - sin * dx
        gap = np.hypot(np.maximum(np.maximum(ahead - front, rear - ahead), 0), np.maximum(np.abs(left) - half, 0))
        need = max(reach, min(likely, float(gap[:, 0].min())))
        out = np.minimum(out, np.where(counted, gap - need, math.inf).min(axis=1))
    return out


def _things_spare(truth, poses, upto, every=MEASURED_EVERY):
    """(n,) least distance from things beyond the static clearance, by exact polygons at every so many poses."""
    near = _near_things(truth)
    if near is None:
        return np.full(len(poses), math.inf)
    some = poses[:, ::every]
    counted = np.arange(poses.shape[1])[None, ::every] < upto[:, None]
    apart = np.full(counted.shape, math.inf)
    apart[counted] = shapely.distance(near, outlines(some[counted], truth.tuning))
    return apart.min(axis=1) - truth.tuning.decision.static_clearance_m


def _near_things(truth):
    if not truth.things:
        return None
    near = shapely.union_all(list(truth.things))
    shapely.prepare(near)
    return near


def _spare(truth, poses, upto):
    return np.minimum(_people_spare(truth, poses, upto), _things_spare(truth, poses, upto))


def _best(truth, poses, upto):
    """The way with the most to spare and how much that is: a coarse look at things ranks, an exact one decides."""
    people = _people_spare(truth, poses, upto)
    if not truth.things:
        best = int(np.argmax(people))
        return best, float(people[best])
    hopeful = np.flatnonzero(people > people.max() - 2.0)
    coarse = np.full(len(poses), -math.inf)
    coarse[hopeful] = np.minimum(people[hopeful], _things_spare(truth, poses[hopeful], upto[hopeful], COARSE))
    best, spare = 0, -math.inf
    for k in np.argsort(-coarse, kind="stable"):
        if coarse[k] <= spare:
            break
        exact = min(people[k], _things_spare(truth, poses[k : k + 1], upto[k : k + 1])[0])
        if exact > spare:
            best, spare = int(k), float(exact)
    return best, spare
