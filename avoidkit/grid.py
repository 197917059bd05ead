"""The record of free space: what is known free, occupied or unknown round the vehicle."""

import copy
import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from avoidkit.checks import InputError, require_finite, require_not_negative, require_positive, require_shape
from avoidkit.gridmath import NEVER_S
from avoidkit.vehicle import box


def log_odds_of(probability):
    """ln(p / (1 - p)), the scale on which independent evidence adds up.

    Examples
    --------
    >>> round(log_odds_of(0.7), 4)  # Thrun, Burgard and Fox, Probabilistic Robotics, ch. 9
    0.8473
    """
    return math.log(probability / (1.0 - probability))


def probability_of(log_odds):
    """The probability that belongs to log-odds; the inverse of `log_odds_of`, numbers and arrays alike."""
    return 1.0 / (1.0 + np.exp(-np.asarray(log_odds, dtype=float)))


@dataclass(frozen=True, eq=False)
class Grid:
    """Free space round the vehicle at one instant; rows grow with y, columns with x of the scene frame.

    The arrays belong to this record alone: no later step of the mapper changes them.

    Attributes
    ----------
    corner_xy : (2,) array
        Scene position, m, of the outer corner of cell [0, 0].
    cell_m : float
        Edge of a cell, m.
    log_odds : (rows, cols) float32
        Log-odds of being occupied; 0 says nothing is known. NaN counts as unknown.
    last_seen_s : (rows, cols) float32
        When a sensor last looked at the cell; `NEVER_S` where none has.
    free_below, occupied_above : float
        Log-odds up to which a cell is known free, and from which on it is occupied.
    vehicle_xy : (2,) array
        Middle of the outline, m, scene frame.
    declared : (rows, cols) bool
        Cells that are free by the operator's word at the start and that no sensor has looked at since.
    exposed : (rows, cols) bool
        Known free cells beside the outline that no radar can see and that somebody from unseen surroundings could
        have reached since: free enough to creep along, not to hurry.
    vouched : (rows, cols) bool
        Unknown cells in which, by the operator's word at the start, nobody stands; there may be things.
    time_s : float
        The instant that the grid speaks of.
    """

    corner_xy: np.ndarray
    cell_m: float
    log_odds: np.ndarray
    last_seen_s: np.ndarray
    free_below: float = log_odds_of(0.12)
    occupied_above: float = log_odds_of(0.80)
    vehicle_xy: np.ndarray | None = None
    declared: np.ndarray | None = None
    exposed: np.ndarray | None = None
    vouched: np.ndarray | None = None
    time_s: float = 0.0

    def __post_init__(self):
        require_positive(cell_m=self.cell_m)
        require_finite(free_below=self.free_below, occupied_above=self.occupied_above, time_s=self.time_s)
        require_shape((None, None), log_odds=self.log_odds)
        shape = self.log_odds.shape
        corner = np.asarray(self.corner_xy, dtype=float)
        middle = corner + 0.5 * self.cell_m * np.array(shape[::-1])
        vehicle = middle if self.vehicle_xy is None else np.asarray(self.vehicle_xy, dtype=float)
        masks = {name: getattr(self, name) for name in ("declared", "exposed", "vouched")}
        masks = {k: np.zeros(shape, bool) if m is None else np.asarray(m, dtype=bool) for k, m in masks.items()}
        require_shape((2,), finite=True, corner_xy=corner, vehicle_xy=vehicle)
        require_shape(shape, last_seen_s=self.last_seen_s, **masks)
        if not self.free_below < 0 < self.occupied_above:
            raise InputError(
                f"free_below must be below 0 and occupied_above above, got {self.free_below}, {self.occupied_above}"
            )
        for name, value in {"corner_xy": corner, "vehicle_xy": vehicle, **masks}.items():
            object.__setattr__(self, name, value)

    def at(self, time_s):
        """The same cells, with the same arrays, as of another instant: for who knows that nothing has changed."""
        require_finite(time_s=time_s)
        self.__dict__.setdefault("_shared", {})
        later = copy.copy(self)
        object.__setattr__(later, "time_s", time_s)
        return later

    def worked_out(self, name, make):
        """What `make(self)` gives; worked out once for a grid of perfect knowledge and all that `at` has made of it."""
        shared = self.__dict__.get("_shared")
        if shared is None:
            return make(self)
        if name not in shared:
            shared[name] = make(self)
        return shared[name]

    @property
    def shape(self):
        """(rows, cols)."""
        return self.log_odds.shape

    @cached_property
    def _free(self):
        return (self.log_odds <= self.free_below) & (self.log_odds > -math.inf)

    def known_free(self):
        """(rows, cols) bool: cells proved free. What is no finite number is not."""
        return self._free

    def occupied(self):
        """(rows, cols) bool: cells where something is."""
        return self.log_odds >= self.occupied_above

    def unknown(self):
        """(rows, cols) bool: neither known free nor occupied."""
        return ~(self.known_free() | self.occupied())

    def index_of(self, points):
        """Cells of points.

        Parameters
        ----------
        points : (n, 2) array
            x, y in m, scene frame.

        Returns
        -------
        cells : (n, 2) int array
            [row, col]; [0, 0] for a point outside.
        inside : (n,) bool array
            Whether the point lies on the grid; a NaN point does not.

        Examples
        --------
        >>> grid = Grid(np.array([10.0, 20.0]), 0.5, np.zeros((4, 6)), np.zeros((4, 6)))
        >>> cells, inside = grid.index_of([[10.6, 21.9], [9.9, 21.0]])
        >>> cells.tolist(), inside.tolist()
        ([[3, 1], [0, 0]], [True, False])
        """
        points = np.asarray(points, dtype=float)
        require_shape((None, 2), points=points)
        at = np.floor((points[:, ::-1] - self.corner_xy[::-1]) / self.cell_m)
        inside = np.all((at >= 0) & (at < np.array(self.shape)), axis=1)
        return np.where(inside[:, None], at, 0.0).astype(np.int64), inside

    def is_free(self, points):
        """(n,) bool: whether each (x, y) point lies in a known free cell; outside the grid is not free."""
        cells, inside = self.index_of(points)
        return inside & self.known_free()[cells[:, 0], cells[:, 1]]

    def centres(self):
        """(rows, cols, 2) array: x, y of every cell's middle, m, scene frame."""
        rows, cols = self.shape
        x = self.corner_xy[0] + (np.arange(cols) + 0.5) * self.cell_m
        y = self.corner_xy[1] + (np.arange(rows) + 0.5) * self.cell_m
        return np.stack(np.broadcast_arrays(x[None, :], y[:, None]), axis=-1)

    def free_area_m2(self):
        """Area of all known free cells, m^2."""
        return float(np.count_nonzero(self.known_free()) * self.cell_m**2)

    def entropy(self):
        """Mean entropy of a cell, bit: 1 where nothing is known, towards 0 where all is certain.

        -p log2 p - (1 - p) log2 (1 - p), the mean over all cells; NaN counts as 1 bit.

        Examples
        --------
        >>> Grid(np.zeros(2), 0.1, np.zeros((3, 3)), np.zeros((3, 3))).entropy()
        1.0
        """
        p = probability_of(self.log_odds)
        with np.errstate(divide="ignore", invalid="ignore"):
            bits = -p * np.log2(p) - (1 - p) * np.log2(1 - p)
        bits = np.where(np.isnan(self.log_odds), 1.0, np.nan_to_num(bits))
        return float(bits.mean())

    def connected_free(self):
        """(rows, cols) bool: known free cells that hang together, edge to edge, with the vehicle's."""
        from scipy import ndimage

        labels, _ = ndimage.label(self.known_free())
        cells, inside = self.index_of(self.vehicle_xy[None, :])
        label = labels[tuple(cells[0])] if inside[0] else 0
        return labels == label if label else np.zeros(self.shape, bool)

    def boundary(self):
        """The known free region round the vehicle as a shapely polygon (or multipolygon), scene frame.

        Its edges run along cell edges. Empty where the vehicle stands in no known free cell.
        """
        return cells_to_polygon(self.connected_free(), self.corner_xy, self.cell_m)

    def boundary_edges(self, sight_m, *, margin_m=0.3):
        """The edges of `boundary`, by what ends the free region there.

        Parameters
        ----------
        sight_m : float
            Farther than this from the vehicle an unknown cell is out of view rather than in a shadow.
        margin_m : float
            An unknown cell so near to an occupied one belongs to it: free ends that far before what was seen.

        Returns
        -------
        dict of str to shapely geometry
            Lines, m: `seen obstacle` beside occupied cells and their margin, `shadow` beside other unknown ones,
            `end of view` beside those that are out of view or beyond the grid.
        """
        from scipy import ndimage

        require_positive(sight_m=sight_m)
        require_not_negative(margin_m=margin_m)
        free = self.connected_free()
        seen = ndimage.maximum_filter(self.occupied(), 2 * math.floor(margin_m / self.cell_m + 1e-9) + 1)
        far = np.hypot(*np.moveaxis(self.centres() - self.vehicle_xy, -1, 0)) > sight_m
        kind = np.where(seen, 0, np.where(far, 2, 1))
        kind = np.pad(kind, 1, constant_values=2)
        names = ("seen obstacle", "shadow", "end of view")
        return {name: _edges_beside(free, kind == k, self.corner_xy, self.cell_m) for k, name in enumerate(names)}

    def gap_across(self, xy, heading_rad, *, reach_m=5.0):
        """How far it is known free to the right and to the left of a place, across a heading.

        Parameters
        ----------
        xy : (2,)
            m, scene frame.
        heading_rad : float
        reach_m : float
            Looked no farther than this to either side, m.

        Returns
        -------
        (float, float)
            m to the right and to the left, to within a tenth of a cell; both 0 where the place itself is not free.
        """
        require_finite(x=xy[0], y=xy[1], heading_rad=heading_rad)
        require_positive(reach_m=reach_m)
        steps = np.arange(0.0, reach_m, 0.1 * self.cell_m)
        left = np.array([-math.sin(heading_rad), math.cos(heading_rad)])
        out = []
        for side in (-1.0, 1.0):
            free = self.is_free(np.asarray(xy, dtype=float) + side * steps[:, None] * left)
            out.append(float(reach_m if free.all() else steps[np.argmin(free)]))
        return out[0], out[1]


def cells_to_polygon(mask, corner_xy, cell_m):
    """The union of all cells of a bool (rows, cols) mask as a shapely geometry, m."""
    import shapely

    edges = np.diff(mask.astype(np.int8), axis=1, prepend=0, append=0)
    start_row, start = np.nonzero(edges == 1)
    _, stop = np.nonzero(edges == -1)
    x0, y0 = corner_xy
    runs = shapely.box(x0 + start * cell_m, y0 + start_row * cell_m, x0 + stop * cell_m, y0 + (start_row + 1) * cell_m)
    return shapely.union_all(runs, grid_size=cell_m * 1e-6)


def _edges_beside(free, kind, corner_xy, cell_m):
    """Edges of `free` cells towards cells of a `kind`, which is padded by one cell all round; shapely lines."""
    import shapely

    lines = []
    for dr, dc in ((0, 1), (0, -1), (1, 0), (-1, 0)):
        rows, cols = free.shape
        beside = kind[1 + dr : rows + 1 + dr, 1 + dc : cols + 1 + dc]
        beyond = np.pad(free, 1)[1 + dr : rows + 1 + dr, 1 + dc : cols + 1 + dc]
        row, col = np.nonzero(free & beside & ~beyond)
        y, x = row + (dr > 0), col + (dc > 0)
        ends = np.stack([np.stack([x, y], -1), np.stack([x + (dr != 0), y + (dc != 0)], -1)], axis=1)
        lines.append(np.asarray(corner_xy) + cell_m * ends)
    return shapely.line_merge(shapely.union_all(shapely.linestrings(np.concatenate(lines)), grid_size=cell_m * 1e-6))


def empty_grid(centre_xy, tuning, *, time_s=0.0):
    """A grid round `centre_xy` in which nothing is known."""
    space = tuning.freespace
    cells = round(space.size_m / space.cell_m)
    corner = (np.floor(np.asarray(centre_xy, dtype=float) / space.cell_m + 0.5) - cells // 2) * space.cell_m
    return Grid(
        corner,
        space.cell_m,
        np.zeros((cells, cells), np.float32),
        np.full((cells, cells), NEVER_S, np.float32),
        log_odds_of(space.known_free_probability),
        log_odds_of(space.known_occupied_probability),
        np.asarray(centre_xy, dtype=float),
        time_s=time_s,
    )


def free_grid(centre_xy, tuning, blocked=(), *, time_s=0.0):
    """A grid as perfect knowledge would give it: known free all over, occupied where something stands.

    Parameters
    ----------
    centre_xy : (2,)
        Middle of the grid, m, scene frame: where the vehicle is.
    tuning : Tuning
    blocked : shapely geometries
        Every cell that one of them touches is occupied.

    Examples
    --------
    >>> from avoidkit.tuning import Tuning
    >>> import shapely
    >>> grid = free_grid((0.0, 0.0), Tuning(), blocked=[shapely.box(3.0, -1.0, 4.0, 1.0)])
    >>> grid.is_free([[2.0, 0.0], [3.5, 0.0], [8.0, 0.0]]).tolist()
    [True, False, True]
    """
    import shapely

    space = tuning.freespace
    grid = empty_grid(centre_xy, tuning, time_s=time_s)
    free, occupied = log_odds_of(space.least_probability), log_odds_of(space.greatest_probability)
    log_odds = np.full(grid.shape, free, np.float32)
    x, y = np.moveaxis(grid.centres() - 0.5 * grid.cell_m, -1, 0)
    cells = None
    for thing in blocked:
        if cells is None:
            cells = shapely.box(x, y, x + grid.cell_m, y + grid.cell_m)
        shapely.prepare(thing)
        log_odds[shapely.intersects(thing, cells)] = occupied
    seen = np.full(grid.shape, time_s, np.float32)
    return Grid(
        grid.corner_xy,
        grid.cell_m,
        log_odds,
        seen,
        grid.free_below,
        grid.occupied_above,
        grid.vehicle_xy,
        time_s=time_s,
    )


def middle_of(vehicle, pose, *, ahead_m=0.0):
    """Middle of the outline, or a point so far ahead of it, (2,) m in the scene frame."""
    front, rear, _ = box(vehicle)
    ahead = 0.5 * (front + rear) + ahead_m
    return np.array([pose.x_m + ahead * math.cos(pose.yaw_rad), pose.y_m + ahead * math.sin(pose.yaw_rad)])
