"""Loops over candidate detours: their shape from a plan, steering and people along them, cells under them.

A plan is (begin, length, plateau, leave, length back), m along the reference ahead; `start` is what the vehicle
has now: offset, slope, second derivative, length over which these fade, offset they fade to.
"""

import math

import numpy as np

from avoidkit.clearway import FREE, first_blocked
from avoidkit.jit import compiled

RAMP = 0.11  # share of a shift's length over which the steering goes to its plateau
PEAK = 2.0 / (0.5 - RAMP)  # second derivative on the plateau of a unit shift
OK, STEERING, PEOPLE, GRID, RETURN = 0, 1, 2, 3, 4


LOOK_FIRST = 8  # every so many poses are looked at before all of them


@compiled
def unit_shift(u):
    """Offset, slope and second derivative of the unit shift at share `u` of its length; held outside (0, 1)."""
    if u <= 0.0:
        return 0.0, 0.0, 0.0
    if u >= 1.0:
        return 1.0, 0.0, 0.0
    w = u if u <= 0.5 else 1.0 - u
    if w < RAMP:
        d0, d1, d2 = PEAK * w**3 / (6 * RAMP), PEAK * w * w / (2 * RAMP), PEAK * w / RAMP
    elif w <= 0.5 - RAMP:
        v = w - RAMP
        d0, d1, d2 = PEAK * (RAMP * RAMP / 6 + v * RAMP / 2 + v * v / 2), PEAK * (RAMP / 2 + v), PEAK
    else:
        v, h = w - (0.5 - RAMP), 0.5 - 2 * RAMP
        before = PEAK * (RAMP * RAMP / 6 + h * RAMP / 2 + h * h / 2)
        slope = PEAK * (RAMP / 2 + h)
        d0 = before + slope * v + PEAK * (v * v / 2 - v**3 / (6 * RAMP))
        d1, d2 = slope + PEAK * (v - v * v / (2 * RAMP)), PEAK * (1 - v / RAMP)
    return (d0, d1, d2) if u <= 0.5 else (1.0 - d0, d1, -d2)


@compiled
def lateral(s, plan, start):
    """Offset and its two derivatives after `s` m: the present state fading out, the shift out, the shift back.

    plan: (shift begins, shift length, plateau offset, return begins, return length); start: (offset, slope,
    second derivative, length over which they fade, offset where they fade to).
    """
    d0, d1, d2 = start[4], 0.0, 0.0
    length = start[3]
    if s < length:
        # quintic from (start[0], start[1], start[2]) to (start[4], 0, 0)
        u, gap = s / length, start[4] - start[0]
        v, a = start[1] * length, start[2] * length * length
        c3, c4, c5 = 10 * gap - 6 * v - 1.5 * a, -15 * gap + 8 * v + 1.5 * a, 6 * gap - 3 * v - 0.5 * a
        d0 = start[0] + v * u + 0.5 * a * u**2 + c3 * u**3 + c4 * u**4 + c5 * u**5
        d1 = (v + a * u + 3 * c3 * u**2 + 4 * c4 * u**3 + 5 * c5 * u**4) / length
        d2 = (a + 6 * c3 * u + 12 * c4 * u**2 + 20 * c5 * u**3) / length**2
    o0, o1, o2 = unit_shift((s - plan[0]) / plan[1])
    b0, b1, b2 = unit_shift((s - plan[3]) / plan[4])
    out, back = plan[2] - start[4], -plan[2]
    d0 += out * o0 + back * b0
    d1 += out * o1 / plan[1] + back * b1 / plan[4]
    d2 += out * o2 / plan[1] ** 2 + back * b2 / plan[4] ** 2
    return d0, d1, d2


@compiled
def turns_of(ref):
    """Sine and cosine of the travel heading in each row of a reference, (m, 2)."""
    out = np.empty((ref.shape[0], 2))
    for i in range(ref.shape[0]):
        out[i, 0], out[i, 1] = math.sin(ref[i, 3]), math.cos(ref[i, 3])
    return out


@compiled
def candidate_poses(plan, start, ref, turns, limits, count, out):
    """Poses (x, y, travel heading), curvature in the frame of travel and length of one candidate.

    ref: (m, 6) columns distance, x, y, travel heading, travel curvature, its derivative, evenly spaced; turns: its
    `turns_of`; limits: (greatest curvature, greatest change of it from row to row), inf for none. Fills rows of
    out (m, 5): x, y, heading, curvature, length so far. False, and the rest not filled, where the offset passes the
    centre of the reference's own curve or the curvature passes a limit.
    """
    length = 0.0
    for i in range(count):
        d0, d1, d2 = lateral(ref[i, 0] - ref[0, 0], plan, start)
        k, dk = ref[i, 4], ref[i, 5]
        scale = 1.0 - k * d0
        if scale < 0.2:
            return False
        angle = math.atan2(d1, scale)
        cos, tan = math.cos(angle), d1 / scale
        out[i, 0] = ref[i, 1] - d0 * turns[i, 0]
        out[i, 1] = ref[i, 2] + d0 * turns[i, 1]
        out[i, 2] = ref[i, 3] + angle
        out[i, 3] = ((d2 + (dk * d0 + k * d1) * tan) * cos * cos / scale + k) * cos / scale
        if abs(out[i, 3]) > limits[0] or (i > 0 and abs(out[i, 3] - out[i - 1, 3]) > limits[1]):
            return False
        if i > 0:
            length += math.hypot(out[i, 0] - out[i - 1, 0], out[i, 1] - out[i - 1, 1])
        out[i, 4] = length
    return True


@compiled
def examine(plans, start, ref, ends, limits, shape, speed, bodies, sign):
    """Steering and people, for every plan: reason code, least slack beside people, extra length.

    limits: (greatest curvature, greatest change of it per metre); shape: (front, rear, half);
    bodies: (p, 7) x, y, vx, vy, needed at rest, growth per second, predicted for s; `ends` (n,) points to examine.
    """
    n, m = plans.shape[0], ref.shape[0]
    code, slack, extra = np.zeros(n, np.int64), np.full(n, math.inf), np.zeros(n)
    out, turns = np.empty((m, 5)), turns_of(ref)
    steering = np.array([limits[0], limits[1] * (ref[1, 0] - ref[0, 0])])
    for k in range(n):
        count = ends[k]
        if not candidate_poses(plans[k], start, ref, turns, steering, count, out):
            code[k] = STEERING
            continue
        extra[k] = out[count - 1, 4] - (ref[count - 1, 0] - ref[0, 0])
        for every in (LOOK_FIRST, 1):
            for i in range(0, count, every):
                if code[k] == OK:
                    slack[k] = _least_gap(out[i], shape, speed, bodies, sign, slack[k])
                    if slack[k] < 0.0:
                        code[k] = PEOPLE
    return code, slack, extra


@compiled
def _least_gap(pose, shape, speed, bodies, sign, least):
    """The smaller of `least` and the distance that one pose leaves beyond what likely places at its time need.

    Who is so far off that they cannot lower `least` is left out by the distance from the rear axle alone.
    """
    radius = math.hypot(max(shape[0], -shape[1]), shape[2])
    cos, sin = sign * math.cos(pose[2]), sign * math.sin(pose[2])
    for p in range(bodies.shape[0]):
        t = min(pose[4] / speed, bodies[p, 6])
        dx = bodies[p, 0] + bodies[p, 2] * t - pose[0]
        dy = bodies[p, 1] + bodies[p, 3] * t - pose[1]
        needed = bodies[p, 4] + bodies[p, 5] * min(t, 2.0)
        far = least + radius + needed
        if dx * dx + dy * dy >= far * far:
            continue
        ahead, left = cos * dx + sin * dy, cos * dy - sin * dx
        out_x = max(ahead - shape[0], shape[1] - ahead, 0.0)
        out_y = max(abs(left) - shape[2], 0.0)
        least = min(least, math.sqrt(out_x * out_x + out_y * out_y) - needed)
    return least


@compiled
def any_blocked(
    plans,
    ends,
    start,
    ref,
    flip,
    points,
    state,
    x_m,
    y_m,
    cell_m,
    front,
    rear,
    half,
    lenient_from,
    eyes,
    sight_m,
    shading,
):
    """For every plan whether `first_blocked` finds something along it, over the poses of `ref` up to its end."""
    n, turns, limits = plans.shape[0], turns_of(ref), np.array([math.inf, math.inf])
    blocked, out = np.zeros(n, np.bool_), np.empty((ref.shape[0], 5))
    for k in range(n):
        candidate_poses(plans[k], start, ref, turns, limits, ends[k], out)
        for i in range(ends[k]):
            out[i, 2] += flip
        _, _, _, found = first_blocked(
            out[: ends[k]], points, state, x_m, y_m, cell_m, front, rear, half, lenient_from, eyes, sight_m, shading
        )
        blocked[k] = found != FREE
    return blocked
