"""The compiled loops of the free-space grid: small pure functions over arrays, no records in sight.

Grids are indexed [row, col]; row grows with y, col with x; `corner_x`, `corner_y` is the outer corner of
cell [0, 0] and a cell's middle lies half a cell further. Evidence is a change of log-odds: above 0 for
occupied, below 0 for free.
"""

import math

import numpy as np

from avoidkit.jit import compiled
from avoidkit.shademath import by_bucket

NEVER_S = -1e9  # last-seen time of a cell that nobody has ever seen


SLANTS = 2048  # entries of the table over slant, which is side / (ahead + |side|), from -1 to 1 ahead of the sensor


@compiled
def bins_by_slant(bins, half_view_rad):
    """Bin of azimuth over `SLANTS` equal steps of slant: a look-up that needs no angle; -1 out of view."""
    out = np.full(SLANTS, -1)
    for k in range(SLANTS):
        slant = (k + 0.5) * 2.0 / SLANTS - 1.0
        b = math.floor((math.atan2(slant, 1.0 - abs(slant)) + half_view_rad) * bins / (2.0 * half_view_rad))
        out[k] = b if 0 <= b < bins else -1
    return out


@compiled
def by_slant(reach_m, bin_of_slant):
    """Squared reach, m^2, over the steps of slant; 0 out of view."""
    out = np.zeros(SLANTS)
    for k in range(SLANTS):
        b = bin_of_slant[k]
        if b >= 0 and reach_m[b] > 0.0:
            out[k] = reach_m[b] * reach_m[b]
    return out


@compiled
def add_free(
    change, last_seen_s, corner_x, corner_y, cell_m, x, y, yaw, bin_of_slant, reach_m, near_m, evidence, taken_s
):
    """Add free evidence to every cell whose middle lies in the field of view and nearer than its bin's reach.

    `reach_m` holds one range a bin, up to which the sensor vouches for the absence of people; cells
    nearer than `near_m` are not measured. `change` and `last_seen_s` are written in place. Which bin lies where is
    told by `bins_by_slant`; fields of view end at half a turn.
    """
    rows, cols = change.shape
    reach2, far = by_slant(reach_m, bin_of_slant), reach_m.max()
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
        low, high = max(x - span, _ahead_from(c, s * dy, x, span)), min(x + span, _ahead_to(c, s * dy, x, span))
        first_col = max(0, math.floor((low - corner_x) / cell_m))
        last_col = min(cols - 1, math.floor((high - corner_x) / cell_m))
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
def _ahead_from(c, lift, x, span):
    """From where on, along a row, cells may lie ahead of the sensor, m: c dx + lift > 0; a metre to be safe."""
    return x + max(-lift / c, -span) - 1.0 if c > 1e-6 else x - span


@compiled
def _ahead_to(c, lift, x, span):
    """Up to where, along a row, cells may lie ahead of the sensor, m."""
    return x + min(-lift / c, span) + 1.0 if c < -1e-6 else x + span


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
    if edge > 0.0:
        _add_edges(change, last_seen_s, stamp, scan, corner_x, corner_y, cell_m, points, theirs, link_m, edge, taken_s)


MANY, REDRAW = 200, 4000  # from so many returns on, and after so many edges, it is looked up where all cells are marked


@compiled
def _add_edges(change, last_seen_s, stamp, scan, corner_x, corner_y, cell_m, points, theirs, link_m, edge, taken_s):
    """Mark the cells between returns that are not `theirs` and closer than `link_m`; nothing where all are marked."""
    n, x, y = len(points), np.empty(len(points)), np.empty(len(points))
    for i in range(n):
        x[i], y[i] = points[i, 0], points[i, 1]
    order, start, rows, cols, at = by_bucket(x, y, link_m)
    bare, drawn = np.zeros((1, 1), np.int32), REDRAW
    for i in range(n):
        if n > MANY and drawn >= REDRAW:
            bare, drawn = _bare_cells(stamp, scan), 0
        if theirs[i] or (n > MANY and _none_bare(bare, corner_x, corner_y, cell_m, x[i], y[i], x[i], y[i], link_m)):
            continue
        for row in range(max(0, at[i] // cols - 1), min(rows, at[i] // cols + 2)):
            low, high = max(0, at[i] % cols - 1), min(cols, at[i] % cols + 2)
            for j in order[start[row * cols + low] : start[row * cols + high]]:
                dx, dy = x[j] - x[i], y[j] - y[i]
                length = math.sqrt(dx * dx + dy * dy)
                if j <= i or theirs[j] or length > link_m or length < 2.0 * cell_m:
                    continue
                if n > MANY and _none_bare(bare, corner_x, corner_y, cell_m, x[i], y[i], x[j], y[j], 0.0):
                    continue
                drawn += 1
                steps = math.ceil(2.0 * length / cell_m)
                for k in range(1, steps):
                    c = math.floor((x[i] + dx * k / steps - corner_x) / cell_m)
                    r = math.floor((y[i] + dy * k / steps - corner_y) / cell_m)
                    if 0 <= r < change.shape[0] and 0 <= c < change.shape[1] and stamp[r, c] != scan:
                        stamp[r, c] = scan
                        change[r, c] += edge
                        last_seen_s[r, c] = max(last_seen_s[r, c], taken_s)


@compiled
def _bare_cells(stamp, scan):
    """Number of cells that a scan has not marked yet, summed up from the corner, (rows + 1, cols + 1)."""
    out = np.zeros((stamp.shape[0] + 1, stamp.shape[1] + 1), np.int32)
    for row in range(stamp.shape[0]):
        total = 0
        for col in range(stamp.shape[1]):
            total += stamp[row, col] != scan
            out[row + 1, col + 1] = out[row, col + 1] + total
    return out


@compiled
def _none_bare(bare, corner_x, corner_y, cell_m, x0, y0, x1, y1, wider_m):
    """Whether all cells of the box round two places, wider by so much and by a cell, are marked or off the grid."""
    rows, cols = bare.shape[0] - 1, bare.shape[1] - 1
    r0 = min(max(math.floor((min(y0, y1) - wider_m - corner_y) / cell_m) - 1, 0), rows)
    r1 = min(max(math.floor((max(y0, y1) + wider_m - corner_y) / cell_m) + 2, 0), rows)
    c0 = min(max(math.floor((min(x0, x1) - wider_m - corner_x) / cell_m) - 1, 0), cols)
    c1 = min(max(math.floor((max(x0, x1) + wider_m - corner_x) / cell_m) + 2, 0), cols)
    return bare[r1, c1] - bare[r0, c1] - bare[r1, c0] + bare[r0, c0] == 0


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
