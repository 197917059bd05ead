"""Where still returns have come from lately: a memory in the scene frame that tells edges from small things.

A wall or a parked vehicle returns along its edges, and over some scans its returns join into something
longer than a person is wide. Cells of a square grid, wrapped round at its ends, count the scans of the last
seconds with a still return in them. Counts are whole numbers and scans can be taken back, so that a late
scan leaves the same memory as one in time.
"""

import bisect
import math

import numpy as np

from avoidkit.jit import compiled

CELLS = 512  # cells along each side before the grid repeats


class StillMemory:
    """Counts of scans with a still return, a cell each; scans come in the order in which they were taken."""

    def __init__(self, cell_m, keep_s, undo_s):
        self.cell_m, self._keep_s, self._undo_s = cell_m, keep_s, undo_s
        self.counts = np.zeros((CELLS, CELLS), np.int32)
        self._entries = []  # (taken_s, sensor, cells) in order; those before _first are out of the window
        self._first = 0

    def add(self, taken_s, sensor, cells):
        """Count one scan; `cells` from `cells_of`. Scans that have grown too old are taken out."""
        self._entries.append((taken_s, sensor, cells))
        change(self.counts, cells, 1)
        entries = self._entries
        while entries[self._first][0] < taken_s - self._keep_s:
            change(self.counts, entries[self._first][2], -1)
            self._first += 1
        stale = bisect.bisect_left(entries, taken_s - self._keep_s - self._undo_s, key=lambda entry: entry[0])
        if stale > 64:
            del entries[:stale]
            self._first -= stale

    def back_to(self, taken_s, sensor):
        """Take back every scan at or after (taken_s, sensor), as if it had not come."""
        entries = self._entries
        while entries and (entries[-1][0], entries[-1][1]) >= (taken_s, sensor):
            change(self.counts, entries.pop()[2], -1)
        last_s = entries[-1][0] if entries else -math.inf
        self._first = min(self._first, len(entries))
        while self._first > 0 and entries[self._first - 1][0] >= last_s - self._keep_s:
            self._first -= 1
            change(self.counts, entries[self._first][2], 1)

    def checkpoint(self):
        """All that is needed to go on, as plain values and arrays."""
        lengths = np.array([len(cells) for _, _, cells in self._entries], np.int64)
        flat = [cells for _, _, cells in self._entries] or [np.zeros(0, np.int64)]
        return {
            "taken_s": np.array([t for t, _, _ in self._entries], float),
            "sensor": [s for _, s, _ in self._entries],
            "lengths": lengths,
            "cells": np.concatenate(flat),
            "first": self._first,
        }

    def restore(self, saved):
        """Go on from a checkpoint."""
        ends = np.cumsum(np.asarray(saved["lengths"], np.int64))
        cells = np.split(np.asarray(saved["cells"], np.int64), ends[:-1]) if len(ends) else []
        times = [float(t) for t in saved["taken_s"]]
        self._entries = list(zip(times, [str(s) for s in saved["sensor"]], cells, strict=True))
        self._first = int(saved["first"])
        self.counts[:] = 0
        for _, _, cells in self._entries[self._first :]:
            change(self.counts, cells, 1)


@compiled
def change(counts, cells, by):
    """Add `by` to the counts of the flat cell numbers."""
    flat = counts.reshape(-1)
    for cell in cells:
        flat[cell] += by


@compiled
def cells_of(points, picked, cell_m):
    """Flat numbers, each once, of the cells that hold the picked points, (c,) int."""
    out = np.empty(len(points), np.int64)
    n = 0
    for i in range(len(points)):
        if not picked[i]:
            continue
        col = math.floor(points[i, 0] / cell_m) % CELLS
        row = math.floor(points[i, 1] / cell_m) % CELLS
        cell = row * CELLS + col
        fresh = True
        for k in range(n):
            if out[k] == cell:
                fresh = False
                break
        if fresh:
            out[n] = cell
            n += 1
    return out[:n]


@compiled
def surroundings(xy, counts, cell_m, least, share, reach_cells, longest_m):
    """How far the still thing at each place extends, and how often it was seen.

    From the strongest cell within one cell of each place, cells are joined that hold at least `least` scans and
    `share` of that strongest count, over gaps of up to `reach_cells` cells.

    Parameters
    ----------
    xy : (m, 2)
        Places in the scene frame, m.

    Returns
    -------
    length_m : (m,)
        Greatest distance between joined cells, m; the search ends once it is above `longest_m`. 0: nothing there.
    seen : (m,) int
        Scans in the strongest cell.
    """
    m = len(xy)
    length, seen = np.zeros(m), np.zeros(m, np.int64)
    limit = 160
    rows, cols = np.empty(limit, np.int64), np.empty(limit, np.int64)
    for i in range(m):
        col0, row0 = math.floor(xy[i, 0] / cell_m), math.floor(xy[i, 1] / cell_m)
        best, rows[0], cols[0] = -1, row0, col0
        for dr in range(-1, 2):
            for dc in range(-1, 2):
                here = counts[(row0 + dr) % CELLS, (col0 + dc) % CELLS]
                if here > best:
                    best, rows[0], cols[0] = here, row0 + dr, col0 + dc
        seen[i] = best
        if best < least:
            continue
        enough = max(float(least), share * best)
        n, k = 1, 0
        while k < n and length[i] <= longest_m:
            for dr in range(-reach_cells, reach_cells + 1):
                for dc in range(-reach_cells, reach_cells + 1):
                    row, col = rows[k] + dr, cols[k] + dc
                    if n >= limit or counts[row % CELLS, col % CELLS] < enough:
                        continue
                    known = False
                    for q in range(n):
                        if rows[q] == row and cols[q] == col:
                            known = True
                            break
                    if known:
                        continue
                    for q in range(n):
                        d = cell_m * math.sqrt((rows[q] - row) ** 2 + (cols[q] - col) ** 2)
                        length[i] = max(length[i], d)
                    rows[n], cols[n] = row, col
                    n += 1
            k += 1
    return length, seen


@compiled
def hidden(xy, sensor, counts, cell_m, least, margin_m):
    """Whether each place lies behind cells with at least `least` still scans, seen from the radar, (n,) bool."""
    out = np.zeros(len(xy), np.bool_)
    for i in range(len(xy)):
        dx, dy = xy[i, 0] - sensor[0], xy[i, 1] - sensor[1]
        r = math.sqrt(dx * dx + dy * dy)
        steps = int((r - margin_m) / cell_m)
        for k in range(1, steps + 1):
            s = k * cell_m / r
            col = math.floor((sensor[0] + s * dx) / cell_m) % CELLS
            row = math.floor((sensor[1] + s * dy) / cell_m) % CELLS
            if counts[row, col] >= least:
                out[i] = True
                break
    return out
