"""Loops of the engine as they were before they were made fast: plain, slow, and what the fast ones must equal."""

import math

import numpy as np

from avoidkit.clearway import FREE, UNKNOWN
from avoidkit.detour import MORE, _straight_back, shortest_shift
from avoidkit.detourmath import LOOK_FIRST, OK, PEOPLE, STEERING, _least_gap, lateral
from avoidkit.gridmath import NEVER_S, SLANTS, _spot
from avoidkit.jit import compiled
from avoidkit.sensing.equation import accuracy, range_rate_cell, range_rate_limit
from avoidkit.sensing.kernels import FIRST, SECOND, facets_in_view, merge_cells, pull_by_leader, transmission
from avoidkit.sensing.look import beam_of, in_view, polar
from avoidkit.sensing.scatter import LOW, PARTS, POWER_SHARE, SIDE_M, STRIDE_M, SWING, Scatterers
from avoidkit.separation import acceleration_of, added_reach, stands_surely
from avoidkit.tracking.blind import NEAR_M
from avoidkit.tracking.doubt import SLOW_MPS, SURELY_BELOW
from avoidkit.tracking.records import Stage
from avoidkit.vehicle import box


@compiled
def nearest_in_bins(x, y, half_view_rad, bins, body_m, link_m, blur_rad):
    """Range of the nearest return that shades each bin of azimuth, m; inf where none does.

    `x`, `y` are the places of the returns in the sensor's frame, m. A return shades the angular width of a body
    of radius `body_m`. Two returns closer than `link_m` to each other are taken for points of one edge, which
    shades all bins between them along the chord. An edge may go on beyond the rim of the field of view, where a
    resolution cell of `blur_rad` is cut off: a return within that of the rim shades all bins as far as the rim.
    """
    n = len(x)
    limit = np.full(bins, np.inf)
    width = 2.0 * half_view_rad / bins
    cos, sin, bearing = np.empty(bins), np.empty(bins), np.empty(n)
    for k in range(bins):
        cos[k], sin[k] = math.cos((k + 0.5) * width - half_view_rad), math.sin((k + 0.5) * width - half_view_rad)
    for i in range(n):
        r = math.sqrt(x[i] * x[i] + y[i] * y[i])
        bearing[i] = math.atan2(y[i], x[i])
        half = math.asin(body_m / r) if r > body_m else 0.5 * math.pi
        first = max(0, math.floor((bearing[i] - half + half_view_rad) / width))
        last = min(bins - 1, math.floor((bearing[i] + half + half_view_rad) / width))
        for k in range(first, last + 1):
            limit[k] = min(limit[k], r)
    for i in range(n):
        for j in range(n):
            dx, dy = x[j] - x[i], y[j] - y[i]
            if dx * dx + dy * dy > link_m * link_m or not 0.0 < bearing[j] - bearing[i] < 0.9 * math.pi:
                continue
            first = max(0, math.ceil((bearing[i] + half_view_rad) / width - 0.5))
            last = min(bins - 1, math.floor((bearing[j] + half_view_rad) / width - 0.5))
            for k in range(first, last + 1):
                cross = cos[k] * dy - sin[k] * dx
                if cross > 1e-12:
                    limit[k] = min(limit[k], (x[i] * dy - y[i] * dx) / cross)
    rim = min(bins, math.ceil(blur_rad / width))
    for k in range(rim - 2, -1, -1):
        limit[k] = min(limit[k], limit[k + 1])
        limit[bins - 1 - k] = min(limit[bins - 1 - k], limit[bins - 2 - k])
    return limit


@compiled
def occupied_in_bins(log_odds, occupied_above, corner_x, corner_y, cell_m, x, y, yaw, half_view_rad, bins, far_m):
    """Range at which a ray down the middle of each bin first meets an occupied cell, m; inf where none."""
    rows, cols = log_odds.shape
    out = np.full(bins, np.inf)
    width = 2.0 * half_view_rad / bins
    steps = int(far_m / cell_m)
    for k in range(bins):
        angle = yaw + (k + 0.5) * width - half_view_rad
        du, dv = math.cos(angle), math.sin(angle)
        u, v = (x - corner_x) / cell_m, (y - corner_y) / cell_m
        for step in range(1, steps + 1):
            col, row = math.floor(u + step * du), math.floor(v + step * dv)
            if row < 0 or col < 0 or row >= rows or col >= cols:
                break
            if log_odds[row, col] >= occupied_above:
                out[k] = step * cell_m
                break
    return out


@compiled
def by_slant(reach_m, half_view_rad):
    """Squared reach, m^2, over `SLANTS` equal steps of slant, an angle each; 0 out of view."""
    bins = len(reach_m)
    out = np.zeros(SLANTS)
    for k in range(SLANTS):
        slant = (k + 0.5) * 2.0 / SLANTS - 1.0
        angle = math.atan2(slant, 1.0 - abs(slant))
        b = math.floor((angle + half_view_rad) * bins / (2.0 * half_view_rad))
        if 0 <= b < bins and reach_m[b] > 0.0:
            out[k] = reach_m[b] * reach_m[b]
    return out


@compiled
def add_free(
    change, last_seen_s, corner_x, corner_y, cell_m, x, y, yaw, half_view_rad, reach_m, near_m, evidence, taken_s
):
    """Add free evidence to every cell whose middle lies in the field of view and nearer than its bin's reach.

    `reach_m` holds one range a bin, up to which the sensor vouches for the absence of people; cells
    nearer than `near_m` are not measured. `change` and `last_seen_s` are written in place. Fields of view end at
    half a turn.
    """
    rows, cols = change.shape
    reach2, far = by_slant(reach_m, half_view_rad), reach_m.max()
    far2, near2, half_slants = far * far, near_m * near_m, 0.5 * SLANTS
    c, s = math.cos(yaw), math.sin(yaw)
    first_row = max(0, math.floor((y - far - corner_y) / cell_m))
    last_row = min(rows - 1, math.floor((y + far - corner_y) / cell_m))
    for row in range(first_row, last_row + 1):
        dy = corner_y + (row + 0.5) * cell_m - y
        span2 = far2 - dy * dy
        if span2 < 0.0:
            continue
        span = math.sqrt(span2)
        first_col = max(0, math.floor((x - span - corner_x) / cell_m))
        last_col = min(cols - 1, math.floor((x + span - corner_x) / cell_m))
        for col in range(first_col, last_col + 1):
            dx = corner_x + (col + 0.5) * cell_m - x
            ahead = c * dx + s * dy
            if ahead <= 0.0:
                continue
            side, r2 = c * dy - s * dx, dx * dx + dy * dy
            k = int((side / (ahead + abs(side)) + 1.0) * half_slants)
            if r2 <= reach2[min(k, SLANTS - 1)] and r2 >= near2:
                change[row, col] += evidence
                last_seen_s[row, col] = max(last_seen_s[row, col], taken_s)


@compiled
def add_returns(
    change, veil, last_seen_s, stamp, scan, corner_x, corner_y, cell_m, points, bearing_rad, across_m, share, theirs,
    body_m, link_m, occupied, edge, taken_s,
):  # fmt: skip
    """Add what the returns of one scan say: occupied there, less so between two of one edge, a veil at a track.

    `points` (n, 2) lie in the frame of the grid; `bearing_rad`, `across_m`, `share` (n,) give line of
    sight, spread, and the share of the evidence that each return deserves. A
    scan adds to a cell once at most, however many of its returns meet there: `stamp` keeps the number `scan` of
    the last scan that did. Returns that are `theirs` veil a disc of `body_m`.
    """
    for k in range(len(points)):
        if theirs[k]:
            _spot(veil, last_seen_s, stamp, -scan, corner_x, corner_y, cell_m, points[k, 0], points[k, 1], 0.0, body_m,
                  body_m, occupied, taken_s)  # fmt: skip
        else:
            _spot(change, last_seen_s, stamp, scan, corner_x, corner_y, cell_m, points[k, 0], points[k, 1],
                  bearing_rad[k], cell_m, across_m[k], occupied * share[k], taken_s)  # fmt: skip
    if edge <= 0.0:
        return
    for i in range(len(points)):
        for j in range(i + 1, len(points)):
            dx, dy = points[j, 0] - points[i, 0], points[j, 1] - points[i, 1]
            length = math.sqrt(dx * dx + dy * dy)
            if theirs[i] or theirs[j] or length > link_m or length < 2.0 * cell_m:
                continue
            steps = math.ceil(2.0 * length / cell_m)
            for k in range(1, steps):
                col = math.floor((points[i, 0] + dx * k / steps - corner_x) / cell_m)
                row = math.floor((points[i, 1] + dy * k / steps - corner_y) / cell_m)
                if 0 <= row < change.shape[0] and 0 <= col < change.shape[1] and stamp[row, col] != scan:
                    stamp[row, col] = scan
                    change[row, col] += edge
                    last_seen_s[row, col] = max(last_seen_s[row, col], taken_s)


@compiled
def settle(
    log_odds,
    change,
    veil,
    last_seen_s,
    blind,
    declared,
    held,
    doubt_until_s,
    now_s,
    least,
    most,
    unseen_after_s,
    fade,
    doubt_s,
):
    """Take a cycle's evidence into the grid, fade what nobody sees, and clear the evidence for the next cycle.

    `veil` is evidence that may take a cell back to unknown and no further (people who are tracked); in blind cells
    it is doubt for `doubt_s`. Cells that are blind because of mounting keep their state; cells under the outline
    are free, for the vehicle is there. `declared`, `held` and doubt end where a sensor has looked, `held` also
    where a cell is blind no longer; a doubtful cell beyond the strip that is blind no longer turns unknown until
    it is looked at.
    """
    rows, cols = log_odds.shape
    for row in range(rows):
        for col in range(cols):
            value = log_odds[row, col]
            step = change[row, col]
            if step != 0.0:
                value = min(max(value + step, least), most)
                change[row, col] = 0.0
            code = blind[row, col]
            if veil[row, col] > 0.0:
                if code == 1 or code == 3:
                    doubt_until_s[row, col] = now_s + doubt_s
                elif value < 0.0:
                    value = min(0.0, value + veil[row, col])
                veil[row, col] = 0.0
            if code == 2:
                value = least
                last_seen_s[row, col] = now_s
                doubt_until_s[row, col] = NEVER_S
            elif code == 0 or code == 4:
                looked_at = now_s - last_seen_s[row, col] <= unseen_after_s
                if code == 0 and doubt_until_s[row, col] > now_s:
                    value = max(value, 0.0)
                if code == 0 or looked_at:
                    doubt_until_s[row, col] = NEVER_S
                if not looked_at:
                    value *= fade
            elif now_s - last_seen_s[row, col] <= unseen_after_s:  # by ultrasonics
                doubt_until_s[row, col] = NEVER_S
            if last_seen_s[row, col] > NEVER_S:
                declared[row, col] = 0
                held[row, col] = 0
            elif code == 0 or code == 4:
                held[row, col] = 0
            log_odds[row, col] = value


@compiled
def compose_record(log_odds, doubt_until_s, blind, declared, held, now_s, free_below):
    """What a record shows: log-odds with doubtful cells unknown, and the masks declared, exposed and vouched."""
    shown = log_odds.copy()
    by_word, exposed, vouched = (
        np.zeros(shown.shape, np.bool_),
        np.zeros(shown.shape, np.bool_),
        np.zeros(shown.shape, np.bool_),
    )
    for row in range(shown.shape[0]):
        for col in range(shown.shape[1]):
            if log_odds[row, col] > free_below:
                vouched[row, col] = held[row, col] == 1
                continue
            by_word[row, col] = declared[row, col] == 1
            if doubt_until_s[row, col] > now_s:
                exposed[row, col] = blind[row, col] >= 3
                if not exposed[row, col]:
                    shown[row, col] = 0.0
    return shown, by_word, exposed, vouched


@compiled
def specks_of(state):
    """Unknown cells [row, col] with at least seven known free neighbours, (n, 2)."""
    rows, cols = state.shape
    out = np.empty((rows * cols // 8 + 1, 2), np.int64)
    n = 0
    for r in range(1, rows - 1):
        for c in range(1, cols - 1):
            if state[r, c] != UNKNOWN or n == len(out):
                continue
            free = 0
            for i in range(r - 1, r + 2):
                for j in range(c - 1, c + 2):
                    if state[i, j] == FREE:
                        free += 1
            if free >= 7:
                out[n, 0], out[n, 1] = r, c
                n += 1
    return out[:n]


def swing(phase_rad):
    """A leg's speed and place, as in the kernel."""
    speed = FIRST * np.cos(phase_rad) + SECOND * np.cos(2 * phase_rad)
    place = FIRST * np.sin(phase_rad) + SECOND / 2 * np.sin(2 * phase_rad)
    return speed, place


def of_people(people, eye_xy, reflectivity_m2, radar):
    """The scatterers of all people as seen from one place, five to a person, in the order of `PARTS`.

    The torso returns from its front, `front_of_body_m` nearer to the sensor than the middle. Without
    `limbs` the torso returns all and limbs nothing; the number of scatterers stays.
    """
    n, parts = len(people.xy), len(PARTS)
    toward = np.asarray(eye_xy) - people.xy
    toward = toward / np.maximum(np.hypot(toward[:, 0], toward[:, 1]), 1e-9)[:, None]
    ahead = np.stack([np.cos(people.heading_rad), np.sin(people.heading_rad)], axis=1)
    left = np.stack([-ahead[:, 1], ahead[:, 0]], axis=1)
    pace = np.hypot(people.velocity[:, 0], people.velocity[:, 1])
    stride = np.array([STRIDE_M * (0.7 if kind == "child" else 1.0) for kind in people.kind])
    phase = (2 * math.pi * people.walked_m / stride)[:, None] + np.where(SWING < 0, math.pi, 0.0)
    speed, place = swing(phase)
    depth = np.minimum(pace, 0.5) / 0.5  # somebody who stands has both feet under the body
    offset = np.abs(SWING) * place * (stride * depth / (2 * math.pi))[:, None]
    extra = np.abs(SWING) * speed * pace[:, None]
    front = np.where(np.arange(parts) == 0, radar.front_of_body_m, 0.6 * radar.front_of_body_m)
    xy = people.xy[:, None, :] + offset[..., None] * ahead[:, None, :] + SIDE_M[None, :, None] * left[:, None, :]
    xy = xy + front[None, :, None] * toward[:, None, :]
    velocity = people.velocity[:, None, :] + extra[..., None] * ahead[:, None, :]
    shares = POWER_SHARE if radar.limbs else np.eye(1, parts)[0]
    strength = reflectivity_m2[:, None, None] * shares[None, :, None]
    return Scatterers(
        np.concatenate([xy, velocity, strength], axis=2).reshape(-1, 5),
        np.repeat(np.arange(n), parts),
        np.full(n * parts, -1),
        np.tile(LOW, n),
        np.arange(n * parts),
    )


def stream(seed, sensor, effect, cycle):
    """The generator of a key, as numpy makes it."""
    return np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(int(sensor), int(effect), int(cycle))))


@compiled
def candidate_poses(plan, start, ref, count, out):
    """Poses (x, y, travel heading), curvature in the frame of travel and length of one candidate.

    ref: (m, 6) columns distance, x, y, travel heading, travel curvature, its derivative, evenly spaced. Fills
    rows of out (m, 5): x, y, heading, curvature, length so far. False where the offset passes the centre of
    the reference's own curve.
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
        out[i, 0] = ref[i, 1] - d0 * math.sin(ref[i, 3])
        out[i, 1] = ref[i, 2] + d0 * math.cos(ref[i, 3])
        out[i, 2] = ref[i, 3] + angle
        out[i, 3] = ((d2 + (dk * d0 + k * d1) * tan) * cos * cos / scale + k) * cos / scale
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
    out = np.empty((m, 5))
    step = ref[1, 0] - ref[0, 0]
    for k in range(n):
        count = ends[k]
        if not candidate_poses(plans[k], start, ref, count, out):
            code[k] = STEERING
            continue
        for i in range(count):
            if abs(out[i, 3]) > limits[0] or (i > 0 and abs(out[i, 3] - out[i - 1, 3]) > limits[1] * step):
                code[k] = STEERING
                break
        if code[k] != OK:
            continue
        extra[k] = out[count - 1, 4] - (ref[count - 1, 0] - ref[0, 0])
        for every in (LOOK_FIRST, 1):
            for i in range(0, count, every):
                if code[k] == OK:
                    slack[k] = _least_gap(out[i], shape, speed, bodies, sign, slack[k])
                    if slack[k] < 0.0:
                        code[k] = PEOPLE
    return code, slack, extra


def detect(range_m, azimuth_rad, rate_mps, snr, amplitude, receiver, noise_level, radar):
    """Rows range, azimuth, range rate, signal to noise of what `sensing.radar.detect` returns, in whole arrays."""
    signal = np.sqrt(snr / noise_level / 2.0) * amplitude
    if not radar.fluctuation:
        signal = np.sqrt(snr / noise_level) * amplitude / np.maximum(np.hypot(*amplitude), 1e-12)
    places, leader = np.stack([range_m, azimuth_rad, rate_mps]), np.arange(len(range_m))
    cells = radar.range_cell_m, math.radians(radar.azimuth_cell_deg), range_rate_cell(radar)
    limit = range_rate_limit(radar)
    if radar.merging:
        order = np.argsort(-(signal[0] ** 2 + signal[1] ** 2), kind="stable")
        leader = merge_cells(order, *places, *cells, 2 * limit)
    total = np.zeros_like(signal)
    np.add.at(total, (slice(None), leader), signal)
    total = total + receiver[:2] / math.sqrt(2)
    power = total[0] ** 2 + total[1] ** 2
    if radar.merging and radar.glint:
        periods = math.inf, math.inf, 2 * limit
        pulls = [
            pull_by_leader(leader, value, period, *np.ascontiguousarray(signal), *total, cell)
            for value, period, cell in zip(places, periods, cells, strict=True)
        ]
        places = places + np.stack(pulls)
    seen = np.flatnonzero((leader == np.arange(len(leader))) & (power > -math.log(radar.false_alarm_probability)))
    strength = np.maximum(power[seen] - 1.0, 1.0)
    errors = np.stack(accuracy(strength, places[1, seen], radar)) * receiver[2:, seen] * float(radar.noise)
    distance, azimuth, rate = places[:, seen] + errors
    kept = (distance >= radar.range_min_m) & (distance <= radar.range_max_m)
    kept &= np.abs(azimuth) <= math.radians(radar.field_of_view_deg) / 2
    return distance[kept], azimuth[kept], (rate[kept] + limit) % (2 * limit) - limit, strength[kept]


def see_scene(
    sight, points, body, low, xy, normal, peak, edge, corner, lobe, floor, edges, passes, passes_low, bodies, radius_m
):
    """People and facets as one list of points, then what hides each of them, then what is in view."""
    index, aspect = facets_in_view(
        sight.x, sight.y, sight.yaw, sight.half_field, sight.farthest, xy, normal, corner, lobe, floor
    )
    things = np.column_stack([xy[index], np.zeros((len(index), 2)), peak[index] * aspect])
    every = np.concatenate([points, things])
    number = np.concatenate([np.arange(len(points)), len(points) + index])
    own_edge = np.concatenate([np.full(len(points), -1), edge[index]])
    own_body = np.concatenate([body, np.full(len(index), -1)])
    eyes, ends = np.tile([sight.x, sight.y], (len(every), 1)), np.ascontiguousarray(every[:, :2])
    share = transmission(eyes, ends, own_edge, own_body, edges, passes, bodies, radius_m)
    share_low = transmission(eyes, ends, own_edge, own_body, edges, passes_low, bodies, radius_m)
    share = np.where(np.concatenate([low, np.zeros(len(index), bool)]), share_low, share)
    out = []
    for k, (x, y, vx, vy, strength) in enumerate(every):
        range_m, azimuth, rate = polar(sight, x, y, vx, vy)
        if range_m > sight.farthest or strength <= 0 or share[k] <= 0 or not in_view(sight, range_m, azimuth):
            continue
        snr = sight.budget * beam_of(sight, azimuth) ** 2 * strength * share[k] / range_m**4
        out.append((number[k], range_m, azimuth, rate, snr))
    return np.array(out).reshape(-1, 5)


def signed_distance(points, corners):
    """Distance of (n, 2) points from a convex polygon, m, below 0 inside, in whole arrays."""
    edge = np.roll(corners, -1, axis=0) - corners
    to_point = points[:, None, :] - corners
    share = np.clip(np.einsum("nmk,mk->nm", to_point, edge) / np.einsum("mk,mk->m", edge, edge), 0.0, 1.0)
    distance = np.linalg.norm(to_point - share[..., None] * edge, axis=2).min(axis=1)
    left_of = edge[:, 0] * to_point[..., 1] - edge[:, 1] * to_point[..., 0]
    return np.where((left_of >= 0).all(axis=1), -distance, distance)


def plans_for(places, start, vehicle, limits, leave_m):
    """Every plan worth examining, one after another; see `detour.plans_for`."""
    plateaus = sorted(
        {round(d + side * (needed + more), 3) for _, d, needed in places for side in (1, -1) for more in MORE}
    )
    first, last = min(s for s, _, _ in places), max(s for s, _, _ in places)
    front, rear, _ = box(vehicle)
    plans = _straight_back(start, limits)
    for plateau in plateaus:
        shortest = shortest_shift(max(abs(plateau - start[4]), 0.2), limits)
        back = shortest_shift(max(abs(plateau), 0.2), limits)
        for stretch in (0.95, 1.15, 1.5, 1.9):
            length = max(shortest * stretch, 1.5)
            latest = first - front + 1.2 - length
            for begin in sorted({max(latest - early, 0.0) for early in (0.0, 1.5, 4.0)}):
                for behind in leave_m:
                    leave = max(last - rear + behind, begin + length)
                    for wide in (1.0, 1.4):
                        plans.append((begin, length, plateau, leave, max(back * wide, 1.5)))
    return np.array(plans).reshape(-1, 5)


def reach(tracks, times_s, people):
    """Middles and radii of `separation.reach`, in whole arrays."""
    state, t = tracks.state, times_s[None, :]
    stands = stands_surely(tracks, people)
    velocity = np.where(stands[:, None], 0.0, state[:, 2:])
    centres = state[:, None, :2] + velocity[:, None, :] * t[..., None]
    sigma = sigma_at(tracks.covariance, t, stands, people.standing_sigma_mps)
    speed = np.hypot(velocity[:, 0], velocity[:, 1])[:, None]
    since = np.clip(tracks.time_s - tracks.last_seen_s, 0.0, people.unseen_s)[:, None] + t
    added = added_reach(since, acceleration_of(tracks, people)[:, None], speed, people.top_speed_mps)
    body = np.maximum(tracks.extent_m, people.body_radius_m)[:, None]
    return centres, body + people.k_sigma * sigma + added


def sigma_at(covariance, t, stands, standing_sigma_mps):
    """(n, t) largest standard deviation of place, m, carried by the velocity's own, without process noise."""
    pp, pv, vv = covariance[:, :2, :2], covariance[:, :2, 2:], covariance[:, 2:, 2:]
    pv = np.where(stands[:, None, None], 0.0, pv)
    slow = np.minimum(standing_sigma_mps**2, 0.5 * np.trace(vv, axis1=1, axis2=2))
    vv = np.where(stands[:, None, None], slow[:, None, None] * np.eye(2), vv)
    both = pv + np.swapaxes(pv, 1, 2)
    at = pp[:, None] + both[:, None] * t[..., None, None] + vv[:, None] * t[..., None, None] ** 2
    mean = 0.5 * (at[..., 0, 0] + at[..., 1, 1])
    apart = np.hypot(0.5 * (at[..., 0, 0] - at[..., 1, 1]), at[..., 0, 1])
    return np.sqrt(np.maximum(mean + apart, 0.0))


def reported(covariance, state, standing, stage, at_edge, before_bumper, tuning):
    """Covariances of `doubt.reported`, in whole arrays."""
    walking, speed = 1.0 - standing, np.hypot(state[:, 2], state[:, 3])
    slow = np.clip((SLOW_MPS[1] - speed) / (SLOW_MPS[1] - SLOW_MPS[0]), 0.0, 1.0)
    surely = np.where(stage == Stage.CONFIRMED, np.clip(1.0 - standing / SURELY_BELOW, 0.0, 1.0), 0.0)
    shares = np.array([tuning.place_share] * 2 + [tuning.velocity_share] * 2)
    kept = np.sqrt(1.0 - surely[:, None] * (1.0 - shares))
    out = covariance * kept[:, :, None] * kept[:, None, :]
    place = tuning.bias_m**2 + (at_edge * tuning.bias_edge_m) ** 2 + before_bumper * tuning.bias_bumper_m**2
    walks = tuning.bias_walking_m + slow * (tuning.bias_slow_m - tuning.bias_walking_m)
    walks_mps = tuning.bias_walking_mps + slow * (tuning.bias_slow_mps - tuning.bias_walking_mps)
    out[:, [0, 1], [0, 1]] += (standing * place + walking * walks**2)[:, None]
    out[:, [2, 3], [2, 3]] += (standing * tuning.bias_mps**2 + walking * walks_mps**2)[:, None]
    return out


def unseen(local, front_m, rear_m, half_m, mounts, half_view_rad, range_min_m):
    """Which points near the outline no radar looks at, in whole arrays; see `tracking.blind.unseen`."""
    out_x = np.maximum(np.maximum(local[:, 0] - front_m, rear_m - local[:, 0]), 0.0)
    near = np.hypot(out_x, np.maximum(np.abs(local[:, 1]) - half_m, 0.0)) <= NEAR_M
    off = local[:, None] - mounts[:, :2]
    angle = np.arctan2(off[..., 1], off[..., 0]) - mounts[:, 2]
    angle = np.abs(np.remainder(angle + math.pi, 2 * math.pi) - math.pi)
    seen = (angle <= half_view_rad) & (np.hypot(off[..., 0], off[..., 1]) >= range_min_m)
    return near & ~seen.any(axis=1)
