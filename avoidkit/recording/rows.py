"""One cycle of a drive as it is recorded: what was true, what was sensed, what was made of it, what was decided."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from avoidkit.checks import InputError, require_finite, require_shape

if TYPE_CHECKING:
    from avoidkit.people import People
    from avoidkit.sensing.records import Echoes, Health, Scan
    from avoidkit.tracking.records import Tracks
    from avoidkit.vehicle import Ego
    from avoidkit.verdict import Hold, Verdict

UNKNOWN, FREE, OCCUPIED = 0, 1, 2  # what a cell of a `GridPicture` holds


@dataclass(frozen=True, eq=False, slots=True)
class GridPicture:
    """The grid at one instant, as a picture: 0 unknown, 1 known free, 2 occupied.

    Attributes
    ----------
    corner_xy : (2,) array
        Scene position of the outer corner of cell [0, 0], m; rows grow with y, columns with x.
    cell_m : float
        Edge of a cell, m.
    cells : (rows, cols) uint8 array
    """

    corner_xy: np.ndarray
    cell_m: float
    cells: np.ndarray

    def __post_init__(self):
        object.__setattr__(self, "corner_xy", np.asarray(self.corner_xy, dtype=float))
        object.__setattr__(self, "cells", np.asarray(self.cells, dtype=np.uint8))
        require_shape((2,), finite=True, corner_xy=self.corner_xy)
        require_shape((None, None), cells=self.cells)


def picture_of(grid):
    """A `GridPicture` of a `Grid` of the free space stage."""
    cells = np.full(np.shape(grid.log_odds), UNKNOWN, np.uint8)
    cells[grid.known_free()] = FREE
    cells[grid.occupied()] = OCCUPIED
    return GridPicture(np.asarray(grid.corner_xy, dtype=float), float(grid.cell_m), cells)


@dataclass(frozen=True, eq=False, slots=True)
class Row:
    """One cycle. What the decision looked at is from this cycle; its memory came from the row before.

    Attributes
    ----------
    time_s : float
        The instant of the verdict.
    ego : Ego
        True own motion, which is also what the vehicle's odometry says.
    hold : Hold
        Last word of the remote device that had arrived.
    people : People
        The truth at this instant.
    scans : tuple of Scan
        Those that arrived since the row before.
    echoes : Echoes or None
        The latest round of the ultrasonic ring that had arrived.
    tracks : Tracks
    verdict : Verdict
    along_m, path : float, str
        Distance along the active path and its name, as the decision saw them.
    reference_along_m : float
        Distance along the reference path.
    sensors : dict
        For each radar (health, when its last scan was taken).
    contacts : tuple of str
        Names of the people whose body touched the outline.
    gap_m : float
        True least distance from outline to a body's edge; inf where nobody is about.
    error : str
        What a user's own stage raised or returned wrongly; else empty. The verdict of such a cycle is a halt.
    stage_ms : dict of str to float
        Computing time of each stage, ms; no part of comparisons between drives.
    grid : GridPicture or None
        Only every now and then.
    """

    time_s: float
    ego: Ego
    hold: Hold
    people: People
    scans: tuple[Scan, ...]
    echoes: Echoes | None
    tracks: Tracks
    verdict: Verdict
    along_m: float
    path: str
    reference_along_m: float
    sensors: dict[str, tuple[Health, float]]
    contacts: tuple[str, ...] = ()
    gap_m: float = math.inf
    error: str = ""
    stage_ms: dict[str, float] = field(default_factory=dict)
    grid: GridPicture | None = None

    def __post_init__(self):
        require_finite(time_s=self.time_s)
        if math.isnan(self.gap_m):
            raise InputError("gap_m must be a number or inf, got nan")
        object.__setattr__(self, "scans", tuple(self.scans))
        object.__setattr__(self, "contacts", tuple(self.contacts))
        if self.grid is not None and not isinstance(self.grid, GridPicture):
            object.__setattr__(self, "grid", picture_of(self.grid))
