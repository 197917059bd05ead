"""The compiled loops that say what hides what from a radar: returns by bins of azimuth, and rays through the grid.

Both leave out whatever cannot change the answer, pairs of returns or steps of a ray, and give the same numbers to the
last bit as the plain loops in `tests/slow_loops.py`.
"""

import math

import numpy as np

from avoidkit.jit import compiled


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
    _shade_by_chords(limit, x, y, bearing, cos, sin, half_view_rad, width, link_m)
    rim = min(bins, math.ceil(blur_rad / width))
    for k in range(rim - 2, -1, -1):
        limit[k] = min(limit[k], limit[k + 1])
        limit[bins - 1 - k] = min(limit[bins - 1 - k], limit[bins - 2 - k])
    return limit


@compiled
def _shade_by_chords(limit, x, y, bearing, cos, sin, half_view_rad, width, link_m):
    """Lower `limit` to the chords between returns closer than `link_m`, each taken up at its nearer end.

    A chord that cannot lower a limit is not divided out: its range is cross product over cross product, and the
    bound by multiplication is wider than rounding.
    """
    r = np.empty(len(x))
    for i in range(len(x)):
        r[i] = math.sqrt(x[i] * x[i] + y[i] * y[i])
    order, start, rows, cols, at = by_bucket(x, y, link_m)
    for a in range(len(x)):
        if _no_chord_counts(limit, bearing[a] + half_view_rad, r[a], width, link_m):
            continue
        for row in range(max(0, at[a] // cols - 1), min(rows, at[a] // cols + 2)):
            low, high = max(0, at[a] % cols - 1), min(cols, at[a] % cols + 2)
            for b in order[start[row * cols + low] : start[row * cols + high]]:
                dx, dy = x[b] - x[a], y[b] - y[a]
                if r[b] < r[a] or (r[b] == r[a] and b <= a) or dx * dx + dy * dy > link_m * link_m:
                    continue
                i, j = (a, b) if bearing[b] > bearing[a] else (b, a)
                if not 0.0 < bearing[j] - bearing[i] < 0.9 * math.pi:
                    continue
                dx, dy = x[j] - x[i], y[j] - y[i]
                first = max(0, math.ceil((bearing[i] + half_view_rad) / width - 0.5))
                last = min(len(limit) - 1, math.floor((bearing[j] + half_view_rad) / width - 0.5))
                height = x[i] * dy - y[i] * dx
                for k in range(first, last + 1):
                    cross = cos[k] * dy - sin[k] * dx
                    if cross > 1e-12 and height < limit[k] * cross * (1.0 + 1e-9):
                        limit[k] = min(limit[k], height / cross)


@compiled
def _no_chord_counts(limit, from_rim_rad, r, width, link_m):
    """Whether no chord of at most `link_m` to a return farther off than `r` can lower any limit that it may shade.

    Its least range is that of the middle of a chord of a circle; 0.2 % is far more than rounding near a slant.
    """
    if r <= link_m:
        return False
    least, half = 0.998 * math.sqrt(r * r - 0.25 * link_m * link_m), math.asin(link_m / r)
    most, first = 0.0, max(0, math.floor((from_rim_rad - half) / width) - 1)
    for k in range(first, min(len(limit), math.floor((from_rim_rad + half) / width) + 2)):
        most = max(most, limit[k])
        if most > least:
            break
    return most <= least


MOST_BUCKETS = 200  # along either side; what lies beyond shares the last


@compiled
def by_bucket(x, y, edge_m):
    """Points sorted into squares of `edge_m`: points no farther apart than that lie in the same or adjoining squares.

    Returns
    -------
    order : (n,) int array
        The points, square by square.
    start : (rows cols + 1,) int array
        Where in `order` each square begins.
    rows, cols : int
    at : (n,) int array
        Square of each point: row times `cols` plus column.
    """
    n, edge = len(x), max(edge_m, 0.1)
    low_x, low_y, rows, cols = np.inf, np.inf, 1, 1
    for i in range(n):
        low_x, low_y = min(low_x, x[i]), min(low_y, y[i])
    at, order = np.empty(n, np.int64), np.empty(n, np.int64)
    for i in range(n):
        cols = max(cols, int(min((x[i] - low_x) / edge, MOST_BUCKETS - 1)) + 1)
        rows = max(rows, int(min((y[i] - low_y) / edge, MOST_BUCKETS - 1)) + 1)
    start = np.zeros(rows * cols + 2, np.int64)
    for i in range(n):
        col, row = int(min((x[i] - low_x) / edge, cols - 1)), int(min((y[i] - low_y) / edge, rows - 1))
        at[i] = row * cols + col
        start[at[i] + 2] += 1
    for k in range(2, len(start)):
        start[k] += start[k - 1]
    for i in range(n):
        order[start[at[i] + 1]] = i
        start[at[i] + 1] += 1
    return order, start, rows, cols, at


TILE = 8  # cells along an edge of a tile in the map of how far things are


@compiled
def tiles_to_things(log_odds, occupied_above):
    """How many tiles it is from each tile of `TILE` x `TILE` cells to the nearest with an occupied cell.

    Steps go to all eight neighbours; 0 where the tile itself holds one, a large number where no tile does.
    """
    rows, cols = (log_odds.shape[0] + TILE - 1) // TILE, (log_odds.shape[1] + TILE - 1) // TILE
    out = np.full((rows, cols), rows + cols)
    most = np.empty(log_odds.shape[1], np.float32)
    for i in range(rows):
        most[:] = -np.inf
        for row in range(i * TILE, min((i + 1) * TILE, log_odds.shape[0])):
            for col in range(log_odds.shape[1]):
                most[col] = log_odds[row, col] if log_odds[row, col] > most[col] else most[col]
        for col in range(log_odds.shape[1]):
            if most[col] >= occupied_above:
                out[i, col // TILE] = 0
    for i in range(rows):  # forth over the neighbours before, and back over those behind
        for j in range(cols):
            _nearer(out, i, j, -1)
    for i in range(rows - 1, -1, -1):
        for j in range(cols - 1, -1, -1):
            _nearer(out, i, j, 1)
    return out


@compiled
def _nearer(out, i, j, step):
    """Lower a tile's number to one more than that of its four neighbours on one side."""
    rows, cols = out.shape
    least = out[i, j] - 1
    if 0 <= j + step < cols:
        least = min(least, out[i, j + step])
    if 0 <= i + step < rows:
        for k in range(max(0, j - 1), min(cols, j + 2)):
            least = min(least, out[i + step, k])
    out[i, j] = least + 1


@compiled
def occupied_in_bins(
    log_odds, tiles, occupied_above, corner_x, corner_y, cell_m, x, y, yaw, half_view_rad, bins, far_m
):
    """Range at which a ray down the middle of each bin first meets an occupied cell, m; inf where none.

    `tiles` are the `tiles_to_things` of the same grid: where the nearest thing is two tiles away, a tile's worth of
    steps is left out.
    """
    rows, cols = log_odds.shape
    out = np.full(bins, np.inf)
    width = 2.0 * half_view_rad / bins
    steps = int(far_m / cell_m)
    u, v = (x - corner_x) / cell_m, (y - corner_y) / cell_m
    for k in range(bins):
        angle = yaw + (k + 0.5) * width - half_view_rad
        du, dv = math.cos(angle), math.sin(angle)
        step = 1
        while step <= steps:
            at_u, at_v = u + step * du, v + step * dv
            if at_u < 0.0 or at_v < 0.0 or at_u >= cols or at_v >= rows:
                break
            col, row = int(at_u), int(at_v)
            if log_odds[row, col] >= occupied_above:
                out[k] = step * cell_m
                break
            step += max(1, (tiles[row // TILE, col // TILE] - 1) * TILE)
    return out
