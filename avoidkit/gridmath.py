"""The compiled loops of the free-space grid: small pure functions over arrays, no records in sight.

Grids are indexed [row, col]; row grows with y, col with x; `corner_x`, `corner_y` is the outer corner of
cell [0, 0] and a cell's middle lies half a cell further. Evidence is a change of log-odds: above 0 for
occupied, below 0 for free.
"""

import math

import numpy as np

from avoidkit.jit import compiled

NEVER_S = -1e9  # last-seen time of a cell that nobody has ever seen


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


SLANTS = 2048  # entries of the table over slant, which is side / (ahead + |side|), from -1 to 1 ahead of the sensor


@compiled
def by_slant(reach_m, half_view_rad):
    """Squared reach, m^2, over `SLANTS` equal steps of slant: a look-up that needs no angle; 0 out of view."""
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
def add_discs(values, corner_x, corner_y, cell_m, places, radius_m, evidence):
    """Add evidence to the cells whose middle lies in one of the discs round (n, 2) places."""
    rows, cols = values.shape
    for k in range(len(places)):
        x, y, r = places[k, 0], places[k, 1], radius_m[k]
        for row in range(
            max(0, math.floor((y - r - corner_y) / cell_m)), min(rows, math.ceil((y + r - corner_y) / cell_m))
        ):
            for col in range(
                max(0, math.floor((x - r - corner_x) / cell_m)), min(cols, math.ceil((x + r - corner_x) / cell_m))
            ):
                dx, dy = corner_x + (col + 0.5) * cell_m - x, corner_y + (row + 0.5) * cell_m - y
                if dx * dx + dy * dy <= r * r:
                    values[row, col] += evidence


@compiled
def _spot(
    values,
    last_seen_s,
    stamp,
    mark,
    corner_x,
    corner_y,
    cell_m,
    x,
    y,
    bearing_rad,
    along_m,
    across_m,
    evidence,
    taken_s,
):
    """Add evidence to the cells of an ellipse round a return: half-axes along and across the line of sight."""
    rows, cols = values.shape
    c, s = math.cos(bearing_rad), math.sin(bearing_rad)
    own_row, own_col = math.floor((y - corner_y) / cell_m), math.floor((x - corner_x) / cell_m)
    extra = math.ceil(max(along_m, across_m) / cell_m)
    for row in range(max(0, own_row - extra), min(rows - 1, own_row + extra) + 1):
        for col in range(max(0, own_col - extra), min(cols - 1, own_col + extra) + 1):
            dx, dy = corner_x + (col + 0.5) * cell_m - x, corner_y + (row + 0.5) * cell_m - y
            a, b = (c * dx + s * dy) / along_m, (c * dy - s * dx) / across_m
            if stamp[row, col] != mark and (a * a + b * b <= 1.0 or (row == own_row and col == own_col)):
                stamp[row, col] = mark
                values[row, col] += evidence
                last_seen_s[row, col] = max(last_seen_s[row, col], taken_s)


@compiled
def add_cones(
    change, veil, last_seen_s, corner_x, corner_y, cell_m, mounts, half_beam_rad, clear_m, echo_m, free, arc, taken_s
):
    """Add what one round of first echoes says: free up to `clear_m` of any cone, a weak arc at `echo_m`.

    `mounts` is (n, 3) of x, y, yaw in the frame of the grid. A cell gets free evidence once a round, however
    many cones clear it. On the arc of an echo, which has no bearing, cells that no cone clears are veiled: they
    turn unknown and no more.
    """
    rows, cols = change.shape
    n = len(mounts)
    cos_yaw, sin_yaw = np.cos(mounts[:, 2]), np.sin(mounts[:, 2])
    far = 0.0
    for k in range(n):
        far = max(far, max(clear_m[k], echo_m[k] + cell_m if echo_m[k] < np.inf else 0.0))
    low_x, high_x = mounts[:, 0].min() - far, mounts[:, 0].max() + far
    low_y, high_y = mounts[:, 1].min() - far, mounts[:, 1].max() + far
    least = math.cos(half_beam_rad)
    for row in range(max(0, int((low_y - corner_y) / cell_m)), min(rows - 1, int((high_y - corner_y) / cell_m)) + 1):
        y = corner_y + (row + 0.5) * cell_m
        for col in range(
            max(0, int((low_x - corner_x) / cell_m)), min(cols - 1, int((high_x - corner_x) / cell_m)) + 1
        ):
            x = corner_x + (col + 0.5) * cell_m
            cleared, heard = False, False
            for k in range(n):
                dx, dy = x - mounts[k, 0], y - mounts[k, 1]
                r = math.sqrt(dx * dx + dy * dy)
                if r > far or cos_yaw[k] * dx + sin_yaw[k] * dy < least * r:
                    continue
                if r <= clear_m[k]:
                    cleared = True
                    break
                if abs(r - echo_m[k]) <= cell_m:
                    heard = True
            if cleared:
                change[row, col] += free
                last_seen_s[row, col] = max(last_seen_s[row, col], taken_s)
            elif heard:
                veil[row, col] += arc


@compiled
def echo_explained(log_odds, occupied_above, corner_x, corner_y, cell_m, mounts, half_beam_rad, echo_m, slack_m):
    """Whether an occupied cell lies at the distance of each echo, within the beam; (n,) bool.

    `slack_m` (n,) is how far the distances may differ. An infinite echo is not explained.
    """
    rows, cols = log_odds.shape
    n = len(mounts)
    out = np.zeros(n, np.bool_)
    least = math.cos(half_beam_rad)
    for k in range(n):
        if not echo_m[k] < np.inf:
            continue
        x, y, far = mounts[k, 0], mounts[k, 1], echo_m[k] + slack_m[k]
        c, s = math.cos(mounts[k, 2]), math.sin(mounts[k, 2])
        for row in range(
            max(0, int((y - far - corner_y) / cell_m)), min(rows - 1, int((y + far - corner_y) / cell_m)) + 1
        ):
            dy = corner_y + (row + 0.5) * cell_m - y
            for col in range(
                max(0, int((x - far - corner_x) / cell_m)), min(cols - 1, int((x + far - corner_x) / cell_m)) + 1
            ):
                if log_odds[row, col] < occupied_above:
                    continue
                dx = corner_x + (col + 0.5) * cell_m - x
                r = math.sqrt(dx * dx + dy * dy)
                if abs(r - echo_m[k]) <= slack_m[k] and c * dx + s * dy >= least * r:
                    out[k] = True
    return out
