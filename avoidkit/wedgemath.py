"""The compiled loops of blind wedges and of a cycle's end: what stays, what fades, where somebody may have got to."""

import math

import numpy as np

from avoidkit.gridmath import NEVER_S
from avoidkit.jit import compiled


@compiled
def mark_blind(
    blind, corner_x, corner_y, cell_m, pose, front_m, rear_m, half_m, wedge_m, strip_m, mounts, half_view_rad, near_m
):
    """Mark the cells within `wedge_m` of the outline that no radar can see because of how it is mounted.

    `pose` is (x, y, yaw) of the vehicle, `mounts` (n, 3) in its frame. Codes: 0 elsewhere, 1 blind,
    2 under the outline; within `strip_m` of the outline 3 where blind and 4 where seen.

    Returns the rows and columns written: first row, past the last, first col, past the last.
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
                beside = rear_m - strip_m <= x <= front_m + strip_m and abs(y) <= half_m + strip_m
                if _in_a_field(x, y, mounts, cos_yaw, sin_yaw, least, near_m):
                    code = 4 if beside else 0
                else:
                    code = 3 if beside else 1
            blind[row, col] = code
    return r0, r1, c0, c1


@compiled
def _in_a_field(x, y, mounts, cos_yaw, sin_yaw, least, near_m):
    """Whether a place in the vehicle's frame lies in the field of view of a radar; `least`: cosine of half of it."""
    for k in range(len(mounts)):
        u, v = x - mounts[k, 0], y - mounts[k, 1]
        r2 = u * u + v * v
        ahead = cos_yaw[k] * u + sin_yaw[k] * v
        if least >= 0.0:  # ahead >= least * r, without the root where the field of view is below half a turn
            inside = ahead >= 0.0 and ahead * ahead >= least * least * r2
        else:
            inside = ahead >= least * math.sqrt(r2)
        if inside and r2 >= near_m * near_m:
            return True
    return False


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
    for row in range(log_odds.shape[0]):
        for col in range(log_odds.shape[1]):  # without branches, so that several cells are worked on at once
            step, doubt, code = change[row, col], veil[row, col], blind[row, col]
            value = log_odds[row, col]
            value = min(max(value + step, least), most) if step != 0.0 else value
            outside, under, until_s = code == 0 or code == 4, code == 2, doubt_until_s[row, col]
            in_wedge = not outside and not under
            until_s = now_s + doubt_s if doubt > 0.0 and in_wedge else until_s
            value = min(0.0, value + doubt) if doubt > 0.0 and not in_wedge and value < 0.0 else value
            looked_at = now_s - last_seen_s[row, col] <= unseen_after_s
            value = max(value, 0.0) if code == 0 and until_s > now_s else value
            value = value * fade if outside and not looked_at else value
            until_s = NEVER_S if under or code == 0 or looked_at else until_s
            seen_s = now_s if under else last_seen_s[row, col]
            log_odds[row, col] = least if under else value
            last_seen_s[row, col], doubt_until_s[row, col] = seen_s, until_s
            declared[row, col] = 0 if seen_s > NEVER_S else declared[row, col]
            held[row, col] = 0 if seen_s > NEVER_S or outside else held[row, col]
            change[row, col], veil[row, col] = 0.0, 0.0


@compiled
def spread_doubt(
    log_odds, last_seen_s, blind, held, doubt_until_s, window, free_below, occupied_above, now_s, seen_since_s,
    doubt_s, across, steps,
):  # fmt: skip
    """Let whoever may be in unseen cells walk into blind ones: `steps` cells in every direction.

    A person is a square of `across` x `across` cells that moves one cell a step, diagonals included. It may be
    wherever all its cells are unknown and not looked at (whoever is looked at is seen, and tracked), goes wherever
    they are so or blind, and stays unseen in blind cells for at most `doubt_s`; occupied cells, cells just looked
    at, and cells held by the operator's declaration stop it. `doubt_until_s` says until when it may be in a
    cell, and is written in place. `window` is (first row, past the last, first col, past the last).
    """
    r0, r1, c0, c1 = window
    r0, c0 = max(0, r0 - across), max(0, c0 - across)
    r1, c1 = min(log_odds.shape[0], r1 + across), min(log_odds.shape[1], c1 + across)
    rows, cols = r1 - r0, c1 - c0
    if rows < across or cols < across:
        return
    not_here, not_open, free = _summed(
        log_odds, last_seen_s, blind, held, doubt_until_s, r0, c0, rows, cols, free_below, occupied_above, now_s,
        seen_since_s,
    )  # fmt: skip
    until_s = np.full((rows - across + 1, cols - across + 1), NEVER_S)  # of a person whose low corner is here
    for i in range(until_s.shape[0]):
        for j in range(until_s.shape[1]):
            if _sum(not_here, i, j, across) == 0:
                until_s[i, j] = now_s + doubt_s
                if _sum(free, i, j, across) > 0:
                    known_s = _least_doubt(log_odds, doubt_until_s, free_below, r0 + i, c0 + j, across)
                    until_s[i, j] = min(until_s[i, j], known_s)
    for _ in range(steps):
        _step_out(until_s, not_open, across, now_s)
    for i in range(until_s.shape[0]):
        for j in range(until_s.shape[1]):
            if until_s[i, j] > now_s and _sum(free, i, j, across) > 0:
                for row in range(r0 + i, r0 + i + across):
                    for col in range(c0 + j, c0 + j + across):
                        if log_odds[row, col] <= free_below:
                            doubt_until_s[row, col] = max(doubt_until_s[row, col], until_s[i, j])


@compiled
def _summed(
    log_odds, last_seen_s, blind, held, doubt_until_s, r0, c0, rows, cols, free_below, occupied_above, now_s,
    seen_since_s,
):  # fmt: skip
    """Three tables of cells summed up from a window's corner: nobody can be there now, nobody can go, known free."""
    size = (rows + 1, cols + 1)
    not_here, not_open, free = np.zeros(size, np.int32), np.zeros(size, np.int32), np.zeros(size, np.int32)
    for i in range(rows):
        sum_here, sum_open, sum_free = 0, 0, 0
        for j in range(cols):
            row, col = r0 + i, c0 + j
            code, odds = blind[row, col], log_odds[row, col]
            maybe = odds < occupied_above and held[row, col] == 0 and last_seen_s[row, col] < seen_since_s
            unseen = maybe and (code == 1 or code == 3)
            here = maybe and (odds > free_below or (unseen and doubt_until_s[row, col] > now_s))
            sum_here += 0 if here else 1
            sum_open += 0 if here or unseen else 1
            sum_free += 1 if odds <= free_below else 0
            not_here[i + 1, j + 1] = not_here[i, j + 1] + sum_here
            not_open[i + 1, j + 1] = not_open[i, j + 1] + sum_open
            free[i + 1, j + 1] = free[i, j + 1] + sum_free
    return not_here, not_open, free


@compiled
def _sum(summed, i, j, across):
    """What a table of sums from the corner holds for the square of `across` x `across` cells from [i, j] on."""
    return summed[i + across, j + across] - summed[i, j + across] - summed[i + across, j] + summed[i, j]


@compiled
def _least_doubt(log_odds, doubt_until_s, free_below, row, col, across):
    """The least doubt of the known free cells of a square; inf where it has none."""
    least_s = math.inf
    for i in range(row, row + across):
        for j in range(col, col + across):
            if log_odds[i, j] <= free_below:
                least_s = min(least_s, doubt_until_s[i, j])
    return least_s


@compiled
def _step_out(until_s, not_open, across, now_s):
    """Everybody may go one cell in every direction where all cells of the person are open."""
    rows, cols = until_s.shape
    before = until_s.copy()
    for i in range(rows):
        for j in range(cols):
            if _sum(not_open, i, j, across) != 0:
                continue
            best = before[i, j]
            for k in range(max(0, i - 1), min(rows, i + 2)):
                for m in range(max(0, j - 1), min(cols, j + 2)):
                    best = max(best, before[k, m])
            if best > now_s and best > before[i, j]:
                until_s[i, j] = best


@compiled
def compose_record(log_odds, doubt_until_s, blind, declared, held, now_s, free_below):
    """What a record shows: log-odds with doubtful cells unknown, and the masks declared, exposed and vouched."""
    shape = log_odds.shape
    shown, by_word = np.empty(shape, np.float32), np.empty(shape, np.bool_)
    exposed, vouched = np.empty(shape, np.bool_), np.empty(shape, np.bool_)
    for row in range(shape[0]):
        for col in range(shape[1]):
            odds, code = log_odds[row, col], blind[row, col]
            free = not odds > free_below
            doubtful = free and doubt_until_s[row, col] > now_s
            vouched[row, col] = not free and held[row, col] == 1
            by_word[row, col] = free and declared[row, col] == 1
            exposed[row, col] = doubtful and code >= 3
            shown[row, col] = 0.0 if doubtful and code < 3 else odds
    return shown, by_word, exposed, vouched
