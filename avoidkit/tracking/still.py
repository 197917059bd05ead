"""Where still returns have come from: a memory in the scene frame that tells edges from small things.

A wall or a parked vehicle returns along its edges, and over some scans its returns join into something
longer than a person is wide, unless it is that only along the line of sight, as somebody with an image of theirs
behind them is. Cells of a square grid, wrapped round at its ends, remember how many scans had a
still return there, and the first and last of them; cells found to belong to something long are marked, and the
mark stays for `edge_keep_s`. Someone who walks straight across the line of sight shows no range rate either,
but leaves each cell within a second: only cells seen over `still_settle_s` are joined.

Every change of the memory can be taken back, so that a late scan leaves the same memory as one in time.
"""

import math

import numpy as np

from avoidkit.jit import compiled
from avoidkit.tracking import settings as of
from avoidkit.tracking.order import each_once

CELLS = 512  # cells along each side before the grid repeats
COUNT, FIRST_S, LAST_S, EDGE_S = 0, 1, 2, 3  # layers of the memory
NEVER_S = -1e9
MARK_CELLS = 1.2
# Ours: the image of a guest who stood, 0.95 m behind them at their bearing, spread over 1.0 m across it (one drive).
IMAGE_ACROSS_M, IMAGE_BEHIND_M = 1.3, 1.0


class StillMemory:
    """Four layers of cells (count, first, last, marked as edge) and what is needed to take changes back.

    Attributes
    ----------
    layers : (4, CELLS * CELLS)
        Cell (row, col) of the wrapped grid is number row * CELLS + col.
    """

    def __init__(self):
        self.layers = np.full((CELLS * CELLS, 4), NEVER_S).T  # the four numbers of a cell side by side in memory
        self.layers[COUNT] = 0.0
        self._undo = []  # one entry a scan: (taken_s, sensor, cells, what they held)

    def begin(self, taken_s, sensor):
        """Start the changes of one scan; scans come in the order in which they were taken."""
        self._undo.append([taken_s, sensor, [], []])

    def touch(self, cells):
        """Say that these cells are about to change."""
        if len(cells):
            self._undo[-1][2].append(cells)
            self._undo[-1][3].append(self.layers[:, cells])

    def back_to(self, taken_s, sensor):
        """Take back every scan at or after (taken_s, sensor), as if it had not come."""
        while self._undo and (self._undo[-1][0], self._undo[-1][1]) >= (taken_s, sensor):
            _, _, cells, held = self._undo.pop()
            for some, old in zip(reversed(cells), reversed(held), strict=True):
                self.layers[:, some] = old

    def forget(self, before_s):
        """Give up taking back what was taken before an instant."""
        while self._undo and self._undo[0][0] < before_s:
            del self._undo[0]

    def checkpoint(self):
        """The memory as it was before the scans that can be taken back: the cells in use and what they hold."""
        layers = self.layers.copy()
        for _, _, cells, held in reversed(self._undo):
            for some, old in zip(reversed(cells), reversed(held), strict=True):
                layers[:, some] = old
        used = np.flatnonzero((layers[COUNT] > 0) | (layers[EDGE_S] > NEVER_S))
        return {"cells": used, "layers": layers[:, used]}

    def restore(self, saved):
        """Go on from a checkpoint; the scans that could have been taken back are to be worked in again."""
        self.layers[:] = NEVER_S
        self.layers[COUNT] = 0.0
        self.layers[:, np.asarray(saved["cells"], np.int64)] = np.asarray(saved["layers"], float).reshape(4, -1)
        self._undo = []


@compiled
def cell_of(x_m, y_m, cell_m):
    """Number of the cell that holds a place."""
    return (math.floor(y_m / cell_m) % CELLS) * CELLS + math.floor(x_m / cell_m) % CELLS


@compiled
def cells_of(points, picked, cell_m):
    """Numbers, each once, of the cells that hold the picked points, (c,) int."""
    out = np.empty(len(points), np.int64)
    n = 0
    for i in range(len(points)):
        if picked[i]:
            out[n] = cell_of(points[i, 0], points[i, 1], cell_m)
            n += 1
    return each_once(out, n)


@compiled
def count_scan(layers, cells, taken_s, keep_s):
    """Count one scan in its cells; a cell not seen for `keep_s` starts anew."""
    for cell in cells:
        if taken_s - layers[LAST_S, cell] > keep_s:
            layers[COUNT, cell], layers[FIRST_S, cell] = 0.0, taken_s
        layers[COUNT, cell] += 1.0
        layers[LAST_S, cell] = taken_s


@compiled
def strength(layers, cell, taken_s, settings):
    """Scans a second in a cell, 0 where it was not seen long, often or lately enough to be joined."""
    span_s = layers[LAST_S, cell] - layers[FIRST_S, cell]
    lately = taken_s - layers[LAST_S, cell] <= settings[of.STILL_KEEP_S]
    if lately and span_s >= settings[of.STILL_SETTLE_S] and layers[COUNT, cell] >= settings[of.STILL_SCANS]:
        return layers[COUNT, cell] / span_s
    return 0.0


@compiled
def settled(layers, x_m, y_m, taken_s, settings):
    """Whether still returns have come for long from a place or a cell beside it: nobody has just walked there."""
    col0, row0 = math.floor(x_m / settings[of.STILL_CELL_M]), math.floor(y_m / settings[of.STILL_CELL_M])
    for dr in range(-1, 2):
        for dc in range(-1, 2):
            if strength(layers, ((row0 + dr) % CELLS) * CELLS + (col0 + dc) % CELLS, taken_s, settings) > 0.0:
                return True
    return False


@compiled
def marked(layers, x_m, y_m, taken_s, settings):
    """Whether a place is marked as edge: a cell whose middle is within `MARK_CELLS` cells of it."""
    cell_m = settings[of.STILL_CELL_M]
    u, v = x_m / cell_m, y_m / cell_m
    for dy in range(-1, 2):
        for dx in range(-1, 2):
            col, row = math.floor(u) + dx, math.floor(v) + dy
            away = math.sqrt((col + 0.5 - u) ** 2 + (row + 0.5 - v) ** 2)
            cell = (row % CELLS) * CELLS + col % CELLS
            if away <= MARK_CELLS and taken_s - layers[EDGE_S, cell] <= settings[of.EDGE_KEEP_S]:
                return True
    return False


@compiled
def strongest(layers, x_m, y_m, taken_s, settings):
    """Row, column and strength of the strongest cell within one cell of a place; 0.0: there is nothing."""
    col0, row0 = math.floor(x_m / settings[of.STILL_CELL_M]), math.floor(y_m / settings[of.STILL_CELL_M])
    best, row, col = 0.0, row0, col0
    for dr in range(-1, 2):
        for dc in range(-1, 2):
            here = strength(layers, ((row0 + dr) % CELLS) * CELLS + (col0 + dc) % CELLS, taken_s, settings)
            if here > best:
                best, row, col = here, row0 + dr, col0 + dc
    return row, col, best


@compiled
def is_long(rows, cols, row, col, cos, sin, settings):
    """Whether a cell is so far from one of the others that they are an edge, and no image behind somebody.

    `cos` and `sin` are those of the line of sight: an image lies along it.
    """
    cell_m = settings[of.STILL_CELL_M]
    for q in range(len(rows)):
        up, on = rows[q] - row, cols[q] - col
        length_m = cell_m * (1.0 + math.sqrt(up * up + on * on))
        across_m = cell_m * (1.0 + abs(up * cos - on * sin))
        image = across_m < IMAGE_ACROSS_M and length_m < settings[of.EDGE_M] + IMAGE_BEHIND_M
        if length_m > settings[of.EDGE_M] and not image:
            return True
    return False


@compiled
def holds(rows, cols, row, col):
    """Whether a cell is among others."""
    found = False
    for q in range(len(rows)):
        found = found or (rows[q] == row and cols[q] == col)
    return found


@compiled
def joined(layers, x_m, y_m, taken_s, sensor, settings, rows, cols):
    """Join cells around a place, from the strongest within one cell of it, over gaps of up to one cell.

    Parameters
    ----------
    rows, cols : (limit,) int
        Filled with the joined cells.

    Returns
    -------
    n : int
        How many were joined; 0: nothing there.
    long : bool
        Whether they are an edge: two of them are farther apart than `edge_m`, and not just one behind the other as
        somebody and their mirror image are, seen from `sensor`. With that the search ends.
    count, span_s : float
        Scans in the strongest cell, and over which time.
    """
    rows[0], cols[0], first = strongest(layers, x_m, y_m, taken_s, settings)
    if first == 0.0:
        return 0, False, 0.0, 0.0
    bearing = math.atan2(y_m - sensor[1], x_m - sensor[0])
    sin, cos = math.sin(bearing), math.cos(bearing)
    core = (rows[0] % CELLS) * CELLS + cols[0] % CELLS
    n, k, long, best = 1, 0, False, first
    while k < n and not long:
        stronger = False
        for dr in range(-2, 3):
            for dc in range(-2, 3):
                row, col = rows[k] + dr, cols[k] + dc
                here = strength(layers, (row % CELLS) * CELLS + col % CELLS, taken_s, settings)
                if here > best:
                    best, stronger = here, True
                full = stronger or n >= len(rows)
                if full or here <= settings[of.STILL_SHARE] * best or holds(rows[:n], cols[:n], row, col):
                    continue
                long = long or is_long(rows[:n], cols[:n], row, col, cos, sin, settings)
                rows[n], cols[n] = row, col
                n += 1
        if stronger:  # begin anew: what is weak beside something strong is weak from wherever it is looked at
            n, k, long = 1, 0, False
        else:
            k += 1
    if first <= settings[of.STILL_SHARE] * best:
        return 0, False, 0.0, 0.0
    return n, long, layers[COUNT, core], layers[LAST_S, core] - layers[FIRST_S, core]


@compiled
def look_round(xy, asked, layers, taken_s, sensor, settings):
    """Which of the still things asked for belong to something long, and which are small and seen for long.

    Parameters
    ----------
    xy : (m, 2)
        Places in the scene frame, m.
    asked : (m,) bool

    Returns
    -------
    edge, small : (m,) bool
    marks : (c,) int
        Cells newly found to belong to something long.
    """
    m = len(xy)
    edge, small = np.zeros(m, np.bool_), np.zeros(m, np.bool_)
    marks = np.empty(64 * m, np.int64)
    c = 0
    rows, cols = np.empty(64, np.int64), np.empty(64, np.int64)
    for i in range(m):
        if not asked[i]:
            continue
        if marked(layers, xy[i, 0], xy[i, 1], taken_s, settings):
            edge[i] = True
            if taken_s - layers[EDGE_S, cell_of(xy[i, 0], xy[i, 1], settings[of.STILL_CELL_M])] <= 1.0:
                continue
        n, long, count, span_s = joined(layers, xy[i, 0], xy[i, 1], taken_s, sensor, settings, rows, cols)
        if long:
            edge[i] = True
            for k in range(n):
                marks[c] = (rows[k] % CELLS) * CELLS + cols[k] % CELLS
                c += 1
        elif not edge[i]:
            small[i] = n > 0 and count >= settings[of.POSSIBLE_SCANS] and span_s >= settings[of.POSSIBLE_AFTER_S]
    return edge, small, each_once(marks, c)


@compiled
def behind_edges(xy, sensor, layers, taken_s, settings, margin_m, least_share):
    """Whether each place lies behind cells marked as edge, seen from the radar, (n,) bool.

    A cell with fewer scans than `least_share` of the strongest beside it hides nothing: it holds what was measured
    wrongly of the edge there, and whoever walks out before that edge is seen past it.
    """
    out = np.zeros(len(xy), np.bool_)
    cell_m = settings[of.STILL_CELL_M]
    for i in range(len(xy)):
        dx, dy = xy[i, 0] - sensor[0], xy[i, 1] - sensor[1]
        r = math.sqrt(dx * dx + dy * dy)
        for k in range(2, int((r - margin_m) / cell_m) + 1):
            s = k * cell_m / r
            cell = cell_of(sensor[0] + s * dx, sensor[1] + s * dy, cell_m)
            if taken_s - layers[EDGE_S, cell] <= settings[of.EDGE_KEEP_S] and not stray(layers, cell, least_share):
                out[i] = True
                break
    return out


@compiled
def stray(layers, cell, least_share):
    """Whether a cell had few scans with a still return beside the strongest one within two cells of it."""
    if least_share <= 0.0:
        return False
    row0, col0 = cell // CELLS, cell % CELLS
    most = 0.0
    for dr in range(-2, 3):
        for dc in range(-2, 3):
            most = max(most, layers[COUNT, ((row0 + dr) % CELLS) * CELLS + (col0 + dc) % CELLS])
    return layers[COUNT, cell] < least_share * most
