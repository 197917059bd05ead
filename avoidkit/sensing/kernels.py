"""The hot loops of sensing: what a point sees of another, and returns that share a resolution cell."""

import math

import numpy as np

from avoidkit.jit import compiled

FIRST, SECOND = 1.5, 0.5  # of a leg's swing: relative speed / walking speed = 1.5 cos p + 0.5 cos 2p


@compiled
def swing(phase_rad):
    """A leg relative to the body in units of walking speed, and its place in units of stride / 2 pi.

    On the ground's frame the leg goes from rest to three times the walking speed.
    """
    speed = FIRST * math.cos(phase_rad) + SECOND * math.cos(2 * phase_rad)
    place = FIRST * math.sin(phase_rad) + SECOND / 2 * math.sin(2 * phase_rad)
    return speed, place


@compiled
def bodies_with_limbs(xy, velocity, heading, walked, stride, eye_x, eye_y, reflectivity, shares, front, side, swings):
    """Rows x, y, vx, vy, mean reflectivity of all parts of all people, (n parts, 5), as seen from one place.

    `shares`, `front`, `side`, `swings` (parts,): of the reflectivity, how much nearer to the eye, how far to the
    left, and the share of a leg's swing with its sign.
    """
    parts = len(shares)
    out = np.empty((len(xy) * parts, 5))
    for i in range(len(xy)):
        toward_x, toward_y = eye_x - xy[i, 0], eye_y - xy[i, 1]
        gap = max(math.hypot(toward_x, toward_y), 1e-9)
        toward_x, toward_y = toward_x / gap, toward_y / gap
        cos, sin = math.cos(heading[i]), math.sin(heading[i])
        pace = math.hypot(velocity[i, 0], velocity[i, 1])
        depth = min(pace, 0.5) / 0.5  # somebody who stands has both feet under the body
        reach = stride[i] * depth / (2 * math.pi)
        for k in range(parts):
            phase = 2 * math.pi * walked[i] / stride[i] + (math.pi if swings[k] < 0 else 0.0)
            speed, place = swing(phase)
            offset, extra, row = abs(swings[k]) * place * reach, abs(swings[k]) * speed * pace, i * parts + k
            out[row, 0] = xy[i, 0] + offset * cos + side[k] * -sin + front[k] * toward_x
            out[row, 1] = xy[i, 1] + offset * sin + side[k] * cos + front[k] * toward_y
            out[row, 2], out[row, 3] = velocity[i, 0] + extra * cos, velocity[i, 1] + extra * sin
            out[row, 4] = reflectivity[i] * shares[k]
    return out


@compiled
def passed(eye, there, own_edge, own_body, edges, passes, bodies, radius_m):
    """Share of power, 0 to 1, that gets from an eye to a point past edges and bodies; see `transmission`."""
    dx, dy = there[0] - eye[0], there[1] - eye[1]
    length = math.sqrt(dx * dx + dy * dy)
    if length <= 0.0:
        return 1.0
    for b in range(bodies.shape[0]):
        if b == own_body:
            continue
        bx, by = bodies[b, 0] - eye[0], bodies[b, 1] - eye[1]
        along = (bx * dx + by * dy) / length
        aside = (bx * dy - by * dx) / length
        if along > 0.0 and along < length - radius_m and abs(aside) < radius_m:
            return 0.0
    low_x, high_x = min(eye[0], there[0]), max(eye[0], there[0])
    low_y, high_y = min(eye[1], there[1]), max(eye[1], there[1])
    share = 1.0
    for k in range(edges.shape[0]):
        if k == own_edge or passes[k] >= 1.0:
            continue
        ax, ay, bx, by = edges[k, 0], edges[k, 1], edges[k, 2], edges[k, 3]
        if max(ax, bx) < low_x or min(ax, bx) > high_x or max(ay, by) < low_y or min(ay, by) > high_y:
            continue
        ex, ey = bx - ax, by - ay
        den = dx * ey - dy * ex
        if den == 0.0:
            continue
        wx, wy = ax - eye[0], ay - eye[1]
        t = (wx * ey - wy * ex) / den
        u = (wx * dy - wy * dx) / den
        if t * length > 1e-3 and (1.0 - t) * length > 1e-3 and u >= 0.0 and u <= 1.0:
            share *= passes[k]
            if share <= 0.0:
                return 0.0
    return share


@compiled
def transmission(eyes, points, own_edge, own_body, edges, passes, bodies, radius_m):
    """Share of power, 0 to 1, that gets from each eye to its point past edges and bodies.

    Parameters
    ----------
    eyes, points : (n, 2) arrays
        Both ends of each ray, m, scene frame.
    own_edge, own_body : (n,) int arrays
        The edge and the body that an end belongs to, which do not hide it; -1: none.
    edges : (m, 4) array
        x0, y0, x1, y1 of each edge.
    passes : (m,) array
        Share that passes an edge: 0 hides.
    bodies : (p, 2) array
        Middles of bodies that hide what is behind them.
    radius_m : float

    Returns
    -------
    (n,) array
    """
    out = np.empty(points.shape[0])
    for i in range(points.shape[0]):
        eye, there = (eyes[i, 0], eyes[i, 1]), (points[i, 0], points[i, 1])
        out[i] = passed(eye, there, own_edge[i], own_body[i], edges, passes, bodies, radius_m)
    return out


@compiled
def facets_in_view(eye_x, eye_y, yaw, half_field, farthest, xy, normal, corner, lobe, floor):
    """The facets within a sensor's field of view and range, and how much of their peak each returns that way.

    Parameters
    ----------
    eye_x, eye_y, yaw : float
        Pose of the sensor.
    half_field : float
        Half the width of the field of view, rad.
    xy, normal : (n, 2) arrays
    corner : (n,) bool array
        Corners return alike in all directions.
    lobe : float
        Angle from normal incidence at which the lobe has fallen to 1/e, rad.
    floor : float
        Share that a facet still returns at a slant, times the cosine.

    Returns
    -------
    index : (k,) int array
    aspect : (k,) array
    """
    n = xy.shape[0]
    index, aspect = np.empty(n, np.int64), np.empty(n)
    count = 0
    for i in range(n):
        dx, dy = xy[i, 0] - eye_x, xy[i, 1] - eye_y
        distance = math.sqrt(dx * dx + dy * dy)
        if distance > farthest or distance < 1e-6:
            continue
        off = math.atan2(dy, dx) - yaw
        off -= 2 * math.pi * math.floor((off + math.pi) / (2 * math.pi))
        if abs(off) > half_field:
            continue
        index[count] = i
        if corner[i]:
            aspect[count] = 1.0
        else:
            cosine = min(abs(dx * normal[i, 0] + dy * normal[i, 1]) / distance, 1.0)
            slant = math.acos(cosine) / lobe
            aspect[count] = (1.0 - floor) * math.exp(-slant * slant) + floor * cosine
        count += 1
    return index[:count], aspect[:count]


@compiled
def merge_cells(order, range_m, azimuth_rad, rate_mps, range_cell, azimuth_cell, rate_cell, rate_period):
    """For each point the index of the stronger point in whose resolution cell it falls; itself where it leads.

    Points are taken from the strongest down (`order`); one joins the first stronger leader that is less
    than a cell away in range, azimuth and (folded) range rate alike. Leaders are kept by range bin, so
    that the work grows with the number of points.
    """
    n = order.shape[0]
    leader = np.empty(n, np.int64)
    if n == 0:
        return leader
    bins = int(range_m.max() / range_cell) + 3
    head = np.full(bins, -1, np.int64)
    following = np.full(n, -1, np.int64)
    for i in order:
        own_bin = int(range_m[i] / range_cell) + 1
        leader[i] = i
        for b in range(own_bin - 1, own_bin + 2):
            j = head[b] if b < bins else -1
            while j >= 0:
                rate_gap = abs(rate_mps[i] - rate_mps[j])
                rate_gap = min(rate_gap, rate_period - rate_gap)
                near = abs(range_m[i] - range_m[j]) < range_cell and rate_gap < rate_cell
                if near and abs(azimuth_rad[i] - azimuth_rad[j]) < azimuth_cell:
                    leader[i] = j
                    break
                j = following[j]
            if leader[i] != i:
                break
        if leader[i] == i:
            following[i] = head[own_bin]
            head[own_bin] = i
    return leader


@compiled
def add_by_leader(leader, real, imag):
    """Sum of the complex amplitudes of all points that share a leader, at the leader's place."""
    out_real, out_imag = np.zeros(leader.shape[0]), np.zeros(leader.shape[0])
    for i in range(leader.shape[0]):
        out_real[leader[i]] += real[i]
        out_imag[leader[i]] += imag[i]
    return out_real, out_imag


@compiled
def pull_by_leader(leader, value, period, real, imag, sum_real, sum_imag, limit):
    """How far the points of one cell pull a coordinate away from their leader's: glint.

    The coordinate that is measured is the real part of sum(amplitude * value) / (sum(amplitude) + noise), as
    in comparing the phases of two antennas: it runs away where amplitudes cancel, here up to `limit`.

    Parameters
    ----------
    value : (n,) array
        The coordinate of each point.
    period : float
        At which the coordinate folds over; inf: it does not.
    sum_real, sum_imag : (n,) arrays
        Amplitude of the cell with noise, at the leader's place.
    """
    out = np.zeros(leader.shape[0])
    for i in range(leader.shape[0]):
        k = leader[i]
        gap = value[i] - value[k]
        if gap > period / 2:
            gap -= period
        elif gap < -period / 2:
            gap += period
        power = sum_real[k] * sum_real[k] + sum_imag[k] * sum_imag[k]
        if power > 0.0:
            out[k] += gap * (real[i] * sum_real[k] + imag[i] * sum_imag[k]) / power
    return np.minimum(np.maximum(out, -limit), limit)


@compiled
def add_up(places, signal, noise, order, cells, rate_period, glint):
    """What every resolution cell holds, with noise, and what it measures.

    Parameters
    ----------
    places : (3, n) array
        Range, azimuth, range rate of each point.
    signal, noise : (2, n) arrays
        Real and imaginary amplitude of each point, and of the noise in its cell.
    order : (n,) or (0,) int array
        Points from the strongest down; empty: each has a cell to itself.
    cells : (3,) array
        Width of a resolution cell in each coordinate; range rates fold over at `rate_period`.
    glint : bool
        Points of one cell pull what is measured away from their leader.

    Returns
    -------
    leader : (n,) int array
    power : (n,) array
        Of the cell that each point leads; that of others means nothing.
    measured : (3, n) array
    """
    n, measured = places.shape[1], places.copy()
    leader = np.arange(n)
    if len(order):
        leader = merge_cells(order, places[0], places[1], places[2], cells[0], cells[1], cells[2], rate_period)
    real, imag = add_by_leader(leader, signal[0], signal[1])
    for i in range(n):
        real[i], imag[i] = real[i] + noise[0, i], imag[i] + noise[1, i]
    if glint and len(order):
        for c in range(3):
            period = rate_period if c == 2 else math.inf
            pull = pull_by_leader(leader, places[c], period, signal[0], signal[1], real, imag, cells[c])
            for i in range(n):
                measured[c, i] = places[c, i] + pull[i]
    return leader, real * real + imag * imag, measured


@compiled
def folded(range_rate_mps, limit_mps):
    """The range rate that a radar reports, folded into its unambiguous band from -limit to limit."""
    return (range_rate_mps + limit_mps) % (2 * limit_mps) - limit_mps


@compiled
def report(places, power, draws, leader, threshold, cells, floors, limits, noisy):
    """Rows range, azimuth, range rate, signal to noise of the cells that a radar reports, (4, k).

    A cell counts at its leader, above the power `threshold`. Errors are `draws` (3, n) times the accuracy of
    `equation.accuracy`, with `floors` (3,); `limits` are the least and greatest range, half the field of view, and
    the range rate at which these fold over.
    """
    out, count = np.empty((4, len(power))), 0
    steepest = math.cos(math.radians(85))
    for i in range(len(power)):
        if leader[i] != i or not power[i] > threshold:
            continue
        snr = max(power[i] - 1.0, 1.0)
        loss, slant = 1.0 / math.sqrt(2.0 * snr), max(math.cos(places[1, i]), steepest)
        range_m = places[0, i] + math.hypot(cells[0] * loss, floors[0]) * draws[0, i] * noisy
        azimuth = places[1, i] + math.hypot(cells[1] * loss, floors[1]) / slant * draws[1, i] * noisy
        rate = places[2, i] + math.hypot(cells[2] * loss, floors[2]) * draws[2, i] * noisy
        if limits[0] <= range_m <= limits[1] and abs(azimuth) <= limits[2]:
            out[0, count], out[1, count], out[3, count] = range_m, azimuth, snr
            out[2, count] = folded(rate, limits[3])
            count += 1
    return out[:, :count].copy()


@compiled
def bounce_pairs(eye_x, eye_y, points, walls, farthest):
    """Every way from an eye by a wall to a point, by the mirror image of the point in the wall.

    Parameters
    ----------
    eye_x, eye_y : float
    points : (n, 2) array
    walls : (w, 4) array
        x0, y0, x1, y1.
    farthest : float
        Images farther from the eye are left out.

    Returns
    -------
    (k, 8) array
        Index of the point, of the wall; where the way meets the wall (x, y); the image (x, y); the wall's normal.
        There is none where eye and point are on different sides, or beyond the ends of the wall.
    """
    out = np.empty((points.shape[0] * walls.shape[0], 8))
    count = 0
    for w in range(walls.shape[0]):
        ax, ay = walls[w, 0], walls[w, 1]
        along_x, along_y = walls[w, 2] - ax, walls[w, 3] - ay
        length = math.sqrt(along_x * along_x + along_y * along_y)
        if length <= 0.0:
            continue
        normal_x, normal_y = -along_y / length, along_x / length
        eye_height = (eye_x - ax) * normal_x + (eye_y - ay) * normal_y
        for p in range(points.shape[0]):
            height = (points[p, 0] - ax) * normal_x + (points[p, 1] - ay) * normal_y
            if eye_height * height <= 1e-6:
                continue
            image_x, image_y = points[p, 0] - 2 * height * normal_x, points[p, 1] - 2 * height * normal_y
            dx, dy = image_x - eye_x, image_y - eye_y
            share = eye_height / (eye_height + height)
            place_x, place_y = eye_x + share * dx, eye_y + share * dy
            position = ((place_x - ax) * along_x + (place_y - ay) * along_y) / (length * length)
            if position < 0.0 or position > 1.0 or math.sqrt(dx * dx + dy * dy) > farthest:
                continue
            out[count, 0], out[count, 1] = p, w
            out[count, 2], out[count, 3] = place_x, place_y
            out[count, 4], out[count, 5] = image_x, image_y
            out[count, 6], out[count, 7] = normal_x, normal_y
            count += 1
    return out[:count]
