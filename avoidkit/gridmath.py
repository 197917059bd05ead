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
def fast_angle(y, x):
    """The angle of (x, y), rad, within 1.2e-5: Abramowitz and Stegun 4.4.49, folded over the octants."""
    ax, ay = abs(x), abs(y)
    if ax == 0.0 and ay == 0.0:
        return 0.0
    z = min(ax, ay) / max(ax, ay)
    q = z * z
    a = z * (0.9998660 + q * (-0.3302995 + q * (0.1801410 + q * (-0.0851330 + q * 0.0208351))))
    if ay > ax:
        a = 0.5 * math.pi - a
    if x < 0.0:
        a = math.pi - a
    return -a if y < 0.0 else a


@compiled
def nearest_in_bins(range_m, azimuth_rad, half_view_rad, bins, body_m, link_m):
    """Range of the nearest return that shades each bin of azimuth, m; inf where none does.

    A return shades the angular width of a body of radius `body_m`. Two returns closer than `link_m` to
    each other are taken for points of one edge, which shades all bins between them along the chord.
    """
    limit = np.full(bins, np.inf)
    width = 2.0 * half_view_rad / bins
    for i in range(len(range_m)):
        r, a = range_m[i], azimuth_rad[i]
        half = math.asin(body_m / r) if r > body_m else 0.5 * math.pi
        first = max(0, math.floor((a - half + half_view_rad) / width))
        last = min(bins - 1, math.floor((a + half + half_view_rad) / width))
        for k in range(first, last + 1):
            limit[k] = min(limit[k], r)
    for i in range(len(range_m)):
        xi, yi = range_m[i] * math.cos(azimuth_rad[i]), range_m[i] * math.sin(azimuth_rad[i])
        for j in range(len(range_m)):
            if azimuth_rad[j] <= azimuth_rad[i] or azimuth_rad[j] - azimuth_rad[i] > 0.9 * math.pi:
                continue
            dx, dy = range_m[j] * math.cos(azimuth_rad[j]) - xi, range_m[j] * math.sin(azimuth_rad[j]) - yi
            if dx * dx + dy * dy > link_m * link_m:
                continue
            first = max(0, math.ceil((azimuth_rad[i] + half_view_rad) / width - 0.5))
            last = min(bins - 1, math.floor((azimuth_rad[j] + half_view_rad) / width - 0.5))
            for k in range(first, last + 1):
                angle = (k + 0.5) * width - half_view_rad
                c, s = math.cos(angle), math.sin(angle)
                cross = c * dy - s * dx
                if cross > 1e-12:
                    limit[k] = min(limit[k], (xi * dy - yi * dx) / cross)
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
def add_free(
    change, last_seen_s, corner_x, corner_y, cell_m, x, y, yaw, half_view_rad, reach_m, near_m, evidence, taken_s
):
    """Add free evidence to every cell whose middle lies in the field of view and nearer than its bin's reach.

    `reach_m` holds one range a bin, up to which the sensor vouches for the absence of people; cells
    nearer than `near_m` are not measured. `change` and `last_seen_s` are written in place.
    """
    rows, cols = change.shape
    bins = len(reach_m)
    per_rad = bins / (2.0 * half_view_rad)
    reach2 = np.empty(bins)
    far = 0.0
    for k in range(bins):
        reach2[k] = reach_m[k] * reach_m[k] if reach_m[k] > 0.0 else 0.0
        far = max(far, reach_m[k])
    far2, near2 = far * far, near_m * near_m
    c, s = math.cos(yaw), math.sin(yaw)
    least = math.cos(half_view_rad)  # of the ahead part, as a share of the range
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
            r2 = dx * dx + dy * dy
            ahead = c * dx + s * dy
            if r2 > far2 or r2 < near2 or (ahead < 0.0 and least >= 0.0):
                continue
            k = math.floor((fast_angle(c * dy - s * dx, ahead) + half_view_rad) * per_rad)
            if k < 0 or k >= bins or r2 > reach2[k]:
                continue
            change[row, col] += evidence
            last_seen_s[row, col] = max(last_seen_s[row, col], taken_s)


@compiled
def add_spot(change, last_seen_s, corner_x, corner_y, cell_m, x, y, bearing_rad, along_m, across_m, evidence, taken_s):
    """Add evidence to the cells of an ellipse round a return: half-axes along and across the line of sight."""
    rows, cols = change.shape
    c, s = math.cos(bearing_rad), math.sin(bearing_rad)
    reach = max(along_m, across_m)
    own_row, own_col = math.floor((y - corner_y) / cell_m), math.floor((x - corner_x) / cell_m)
    extra = math.ceil(reach / cell_m)
    for row in range(max(0, own_row - extra), min(rows - 1, own_row + extra) + 1):
        for col in range(max(0, own_col - extra), min(cols - 1, own_col + extra) + 1):
            dx, dy = corner_x + (col + 0.5) * cell_m - x, corner_y + (row + 0.5) * cell_m - y
            a, b = (c * dx + s * dy) / along_m, (c * dy - s * dx) / across_m
            if a * a + b * b <= 1.0 or (row == own_row and col == own_col):
                change[row, col] += evidence
                last_seen_s[row, col] = max(last_seen_s[row, col], taken_s)


@compiled
def add_chords(change, last_seen_s, corner_x, corner_y, cell_m, points, link_m, evidence, taken_s):
    """Add evidence once to each cell on the chords between (n, 2) points closer than `link_m` to each other."""
    rows, cols = change.shape
    n = len(points)
    for i in range(n):
        for j in range(i + 1, n):
            dx, dy = points[j, 0] - points[i, 0], points[j, 1] - points[i, 1]
            length = math.sqrt(dx * dx + dy * dy)
            if length > link_m or length < 2.0 * cell_m:
                continue
            steps = math.ceil(2.0 * length / cell_m)
            last_row, last_col = -1, -1
            for k in range(1, steps):
                col = math.floor((points[i, 0] + dx * k / steps - corner_x) / cell_m)
                row = math.floor((points[i, 1] + dy * k / steps - corner_y) / cell_m)
                if row < 0 or col < 0 or row >= rows or col >= cols or (row == last_row and col == last_col):
                    continue
                last_row, last_col = row, col
                change[row, col] += evidence
                last_seen_s[row, col] = max(last_seen_s[row, col], taken_s)


@compiled
def add_cones(
    change, last_seen_s, corner_x, corner_y, cell_m, mounts, half_beam_rad, clear_m, echo_m, free, arc, taken_s
):
    """Add what one round of first echoes says: free up to `clear_m` of any cone, a weak arc at `echo_m`.

    `mounts` is (n, 3) of x, y, yaw in the frame of the grid. A cell gets free evidence once a round, however
    many cones clear it, and arc evidence only where no cone clears it: an echo has no bearing.
    """
    rows, cols = change.shape
    n = len(mounts)
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
                if r > far or math.cos(mounts[k, 2]) * dx + math.sin(mounts[k, 2]) * dy < least * r:
                    continue
                if r <= clear_m[k]:
                    cleared = True
                    break
                if abs(r - echo_m[k]) <= cell_m:
                    heard = True
            if cleared:
                change[row, col] += free
            elif heard:
                change[row, col] += arc
            if cleared or heard:
                last_seen_s[row, col] = max(last_seen_s[row, col], taken_s)


@compiled
def mark_blind(
    blind, corner_x, corner_y, cell_m, pose, front_m, rear_m, half_m, wedge_m, mounts, half_view_rad, near_m
):
    """Mark the cells within `wedge_m` of the outline that no radar can see because of how it is mounted.

    `pose` is (x, y, yaw) of the vehicle, `mounts` (n, 3) in its frame. Codes: 0 elsewhere, 1 blind,
    2 under the outline. Returns the rows and columns written: first row, past the last, first col, past the last.
    """
    rows, cols = blind.shape
    c, s = math.cos(pose[2]), math.sin(pose[2])
    front, rear, half = front_m + wedge_m, rear_m - wedge_m, half_m + wedge_m
    mid_x, mid_y = pose[0] + c * 0.5 * (front + rear), pose[1] + s * 0.5 * (front + rear)
    reach_x = abs(c) * 0.5 * (front - rear) + abs(s) * half
    reach_y = abs(s) * 0.5 * (front - rear) + abs(c) * half
    r0, r1 = (
        max(0, int((mid_y - reach_y - corner_y) / cell_m)),
        min(rows, int((mid_y + reach_y - corner_y) / cell_m) + 1),
    )
    c0, c1 = (
        max(0, int((mid_x - reach_x - corner_x) / cell_m)),
        min(cols, int((mid_x + reach_x - corner_x) / cell_m) + 1),
    )
    n = len(mounts)
    cos_yaw, sin_yaw = np.cos(mounts[:, 2]), np.sin(mounts[:, 2])
    least = math.cos(half_view_rad)
    for row in range(r0, r1):
        dy = corner_y + (row + 0.5) * cell_m - pose[1]
        for col in range(c0, c1):
            dx = corner_x + (col + 0.5) * cell_m - pose[0]
            x, y = c * dx + s * dy, c * dy - s * dx
            code = 0
            if rear_m <= x <= front_m and -half_m <= y <= half_m:
                code = 2
            elif rear <= x <= front and -half <= y <= half:
                code = 1
                for k in range(n):
                    u, v = x - mounts[k, 0], y - mounts[k, 1]
                    r2 = u * u + v * v
                    ahead = cos_yaw[k] * u + sin_yaw[k] * v
                    # ahead >= least * r, without the root where the field of view is below half a turn
                    inside = (
                        ahead >= 0.0 and ahead * ahead >= least * least * r2
                        if least >= 0.0
                        else ahead >= least * math.sqrt(r2)
                    )
                    if inside and r2 >= near_m * near_m:
                        code = 0
                        break
            blind[row, col] = code
    return r0, r1, c0, c1


@compiled
def settle(log_odds, change, veil, last_seen_s, blind, declared, held, now_s, least, most, unseen_after_s, fade):
    """Take a cycle's evidence into the grid, fade what nobody sees, and clear the evidence for the next cycle.

    `veil` is evidence that may take a cell back to unknown and no further (people who are tracked). Cells that
    are blind because of mounting keep their state; cells under the outline are free, for the vehicle is
    there. `declared` and `held` end where a sensor has looked; `held` also where a cell is blind no longer.
    """
    rows, cols = log_odds.shape
    for row in range(rows):
        for col in range(cols):
            value = log_odds[row, col]
            step = change[row, col]
            if step != 0.0:
                value = min(max(value + step, least), most)
                change[row, col] = 0.0
            if veil[row, col] > 0.0:
                if value < 0.0:
                    value = min(0.0, value + veil[row, col])
                veil[row, col] = 0.0
            code = blind[row, col]
            if code == 2:
                value = least
                last_seen_s[row, col] = now_s
            elif code == 0 and now_s - last_seen_s[row, col] > unseen_after_s:
                value *= fade
            if last_seen_s[row, col] > NEVER_S:
                declared[row, col] = 0
                held[row, col] = 0
            elif code == 0:
                held[row, col] = 0
            log_odds[row, col] = value


@compiled
def grow_unknown(log_odds, last_seen_s, blind, held, window, free_below, occupied_above, seen_since_s, across, steps):
    """Let whoever may be in unseen cells walk into blind ones: `steps` cells in every direction.

    A person is a square of `across` x `across` cells that moves one cell a step, diagonals included. It may be
    wherever all its cells are unknown, and goes wherever they are unknown or blind and unseen; occupied cells, cells
    just seen free, and cells held by the operator's declaration stop it. Blind cells it reaches turn
    unknown. Returns how many did. `window` is (first row, past the last, first col, past the last).
    """
    r0, r1, c0, c1 = window
    r0, c0 = max(0, r0 - across), max(0, c0 - across)
    r1, c1 = min(log_odds.shape[0], r1 + across), min(log_odds.shape[1], c1 + across)
    rows, cols = r1 - r0, c1 - c0
    if rows < across or cols < across:
        return 0
    not_unknown = np.zeros((rows + 1, cols + 1), np.int32)
    not_open = np.zeros((rows + 1, cols + 1), np.int32)
    for i in range(rows):
        sum_unknown, sum_open = 0, 0
        for j in range(cols):
            row, col = r0 + i, c0 + j
            value = log_odds[row, col]
            unknown = free_below < value < occupied_above and held[row, col] == 0
            open_ = unknown
            if value <= free_below and blind[row, col] == 1 and held[row, col] == 0:
                open_ = last_seen_s[row, col] < seen_since_s
            sum_unknown += 0 if unknown else 1
            sum_open += 0 if open_ else 1
            not_unknown[i + 1, j + 1] = not_unknown[i, j + 1] + sum_unknown
            not_open[i + 1, j + 1] = not_open[i, j + 1] + sum_open
    places_r, places_c = rows - across + 1, cols - across + 1
    here = np.zeros((places_r, places_c), np.uint8)  # 0 cannot stand here, 1 could, 2 may be here
    for i in range(places_r):
        for j in range(places_c):
            a = across
            if not_open[i + a, j + a] - not_open[i, j + a] - not_open[i + a, j] + not_open[i, j] == 0:
                known = not_unknown[i + a, j + a] - not_unknown[i, j + a] - not_unknown[i + a, j] + not_unknown[i, j]
                here[i, j] = 2 if known == 0 else 1
    turned = 0
    for step in range(steps):
        reached = np.uint8(3 + step)
        for i in range(places_r):
            for j in range(places_c):
                if here[i, j] != 1:
                    continue
                for di in range(-1, 2):
                    for dj in range(-1, 2):
                        a, b = i + di, j + dj
                        if 0 <= a < places_r and 0 <= b < places_c and 2 <= here[a, b] < reached:
                            here[i, j] = reached
        for i in range(places_r):
            for j in range(places_c):
                if here[i, j] != reached:
                    continue
                for row in range(r0 + i, r0 + i + across):
                    for col in range(c0 + j, c0 + j + across):
                        if log_odds[row, col] <= free_below:
                            log_odds[row, col] = 0.0
                            turned += 1
    return turned
