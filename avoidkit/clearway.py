"""How far along a path the swept outline stays on cells that are known to be free.

Only cells that the outline newly covers count: where the vehicle already stands, it stands.
"""

import functools
import math
from dataclasses import dataclass

import numpy as np

from avoidkit.jit import compiled
from avoidkit.separation import distance_to_box
from avoidkit.vehicle import box, outline

UNKNOWN, FREE, OCCUPIED = 0, 1, 2
SPECK_M = 0.15  # ours: of larger cells one may hold a foot or a post


@dataclass(frozen=True, eq=False, slots=True)
class Cells:
    """The grid for the loops: three states, (rows, cols) uint8, corner of [0, 0] and edge length, m.

    `hides` marks cells in which somebody may stand unseen: unknown ones, but for those that the operator vouches
    for, and free ones that no sensor sees and that somebody could have reached. None: all unknown cells.
    """

    state: np.ndarray
    x_m: float
    y_m: float
    cell_m: float
    hides: np.ndarray | None = None

    def __post_init__(self):
        if self.hides is None:
            object.__setattr__(self, "hides", self.state == UNKNOWN)


def cells_of(grid):
    """The states of a `Grid`; whatever is neither known free nor occupied is unknown, but for specks.

    A speck is an unknown cell of which at least seven of the eight neighbours are known free: one or two cells, as a
    single false return leaves them, smaller than any body or thing that returns. It counts as free, up to `SPECK_M`.
    """
    return grid.worked_out("cells", _cells_of)


def _cells_of(grid):
    state = FREE * grid.known_free().view(np.uint8) + OCCUPIED * grid.occupied().view(np.uint8)  # never both
    if grid.cell_m <= SPECK_M:
        specks = specks_of(state)
        state[specks[:, 0], specks[:, 1]] = FREE
    hides = ((state == UNKNOWN) & ~grid.vouched) | grid.exposed
    return Cells(state, float(grid.corner_xy[0]), float(grid.corner_xy[1]), float(grid.cell_m), hides)


@compiled
def specks_of(state):
    """Unknown cells [row, col] with at least seven known free neighbours, (n, 2)."""
    rows, cols = state.shape
    out = np.empty((rows * cols // 8 + 1, 2), np.int64)
    n = 0
    for r in range(1, rows - 1):
        for c in range(1, cols - 1):
            if state[r, c] != UNKNOWN or n == len(out):
                continue
            others = -1  # neighbours that are not known free: the cell itself is none of them
            for i in range(r - 1, r + 2):
                for j in range(c - 1, c + 2):
                    others += state[i, j] != FREE
                if others > 1:
                    break
            if others <= 1:
                out[n, 0], out[n, 1] = r, c
                n += 1
    return out[:n]


@functools.lru_cache(maxsize=64)
def perimeter(vehicle, grown_m, spacing_m=0.08):
    """Points along the grown outline, (n, 2) m in the vehicle frame, no two neighbours farther than `spacing_m`.

    Made once and shared: not to be written to.
    """
    corners = outline(vehicle, grown_m=grown_m)
    points = []
    for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        steps = math.ceil(float(np.hypot(*(b - a))) / spacing_m)
        points.append(a + (b - a) * (np.arange(steps) / steps)[:, None])
    return np.ascontiguousarray(np.concatenate(points))


@compiled
def first_blocked(poses, points, state, x_m, y_m, cell_m, front, rear, half, lenient_from, eyes, sight_m, shading):
    """Index of the first pose whose outline covers a cell that is not free; and that point and its state.

    Parameters
    ----------
    poses : (k, 3) array
        The first is where the vehicle stands: cells within its box (front, rear, half, already grown) are exempt.
    points : (n, 2) array
        Perimeter of the grown outline, vehicle frame.
    state, x_m, y_m, cell_m
        Of `Cells`; outside the grid is unknown.
    lenient_from : int
        From this pose on an unknown cell does not block if it is out of sight for a reason that driving
        there ends: farther than `sight_m` from `eyes` (2,), outside the grid, or in the shadow of one of
        `shading` (p, 3): x, y, radius.

    Returns
    -------
    (int, float, float, int)
        `len(poses)`, 0, 0, FREE if nothing blocks.
    """
    rows, cols = state.shape
    px, py = poses[0, 0], poses[0, 1]
    c0, s0 = math.cos(poses[0, 2]), math.sin(poses[0, 2])
    for i in range(1, poses.shape[0]):
        cos, sin = math.cos(poses[i, 2]), math.sin(poses[i, 2])
        for k in range(points.shape[0]):
            x = poses[i, 0] + cos * points[k, 0] - sin * points[k, 1]
            y = poses[i, 1] + sin * points[k, 0] + cos * points[k, 1]
            row, col = math.floor((y - y_m) / cell_m), math.floor((x - x_m) / cell_m)
            inside = 0 <= row < rows and 0 <= col < cols
            found = state[row, col] if inside else UNKNOWN
            if found == FREE:
                continue
            dx, dy = x - px, y - py
            ahead, left = c0 * dx + s0 * dy, c0 * dy - s0 * dx
            if rear <= ahead <= front and abs(left) <= half:
                continue
            if found == UNKNOWN and i >= lenient_from and (not inside or _out_of_sight(x, y, eyes, sight_m, shading)):
                continue
            return i, x, y, int(found)
    return poses.shape[0], 0.0, 0.0, FREE


@compiled
def _out_of_sight(x, y, eyes, sight_m, shading):
    dx, dy = x - eyes[0], y - eyes[1]
    distance = math.hypot(dx, dy)
    if distance >= sight_m:
        return True
    for p in range(shading.shape[0]):
        bx, by = shading[p, 0] - eyes[0], shading[p, 1] - eyes[1]
        body = math.hypot(bx, by)
        along = (dx * bx + dy * by) / max(body, 1e-9)
        across = abs(dx * by - dy * bx) / max(body, 1e-9)
        if along > body - shading[p, 2] and across <= shading[p, 2] * max(along / max(body, 1e-9), 1.0):
            return True
    return False


@dataclass(frozen=True, slots=True)
class Clearway:
    """How far a sweep is free: distance, m, and the first cell in the way (x, y, state) if there is one."""

    free_m: float
    x_m: float = math.nan
    y_m: float = math.nan
    state: int = FREE

    @property
    def blocked(self):
        return self.state != FREE


def free_along(poses, distances_m, cells, vehicle, grown_m, *, unknown_blocks=True):
    """How far along (k, 3) poses at `distances_m` the grown outline covers known free cells only.

    The vehicle stands at the first pose. The distance returned is that of the last pose that is free. With
    `unknown_blocks=False` only occupied cells count: for a look ahead, never for rule 1.
    """
    front, rear, half = box(vehicle)
    points = perimeter(vehicle, grown_m)
    nobody, grown = np.zeros((0, 3)), grown_m + 1e-6
    k, x, y, state = first_blocked(
        np.ascontiguousarray(poses), points, cells.state, cells.x_m, cells.y_m, cells.cell_m,
        front + grown, rear - grown, half + grown, len(poses) if unknown_blocks else 0, np.zeros(2), 0.0, nobody,
    )  # fmt: skip
    if k == len(poses):
        return Clearway(float(distances_m[-1]))
    return Clearway(float(distances_m[k - 1]), float(x), float(y), int(state))


@compiled
def shadow_edges(state, hides, row_from, row_to, col_from, col_to, reach_cells):
    """Cells [row, col] of a window in which a person may stand unseen at the edge of what is free.

    A cell that hides somebody counts if all of its 5 x 5 neighbours do as well (a body fits) and a known free
    cell that hides nobody lies within `reach_cells` of it in its row or column, no occupied cell in between.
    """
    rows, cols = state.shape
    out = np.empty(((row_to - row_from) * (col_to - col_from), 2), np.int64)
    n = 0
    for r in range(max(row_from, 2), min(row_to, rows - 2)):
        for c in range(max(col_from, 2), min(col_to, cols - 2)):
            if not hides[r, c] or not _edge(state, hides, r, c, reach_cells):
                continue
            alone = True
            for i in range(r - 2, r + 3):
                for j in range(c - 2, c + 3):
                    if not hides[i, j]:
                        alone = False
            if alone:
                out[n, 0], out[n, 1] = r, c
                n += 1
    return out[:n]


@compiled
def _edge(state, hides, r, c, reach_cells):
    rows, cols = state.shape
    for dr, dc in ((0, 1), (0, -1), (1, 0), (-1, 0)):
        for k in range(1, reach_cells + 1):
            i, j = r + k * dr, c + k * dc
            if not (0 <= i < rows and 0 <= j < cols) or state[i, j] == OCCUPIED:
                break
            if state[i, j] == FREE and not hides[i, j]:
                return True
    return False


def shadow_places(cells, x_m, y_m, within_m):
    """(n, 2) scene points, m, at which a hidden person's middle may be, in a square window about (x, y)."""
    row, col = int((y_m - cells.y_m) / cells.cell_m), int((x_m - cells.x_m) / cells.cell_m)
    half = math.ceil(within_m / cells.cell_m)
    found = shadow_edges(cells.state, cells.hides, row - half, row + half + 1, col - half, col + half + 1, 3)
    return np.stack(
        [cells.x_m + (found[:, 1] + 0.5) * cells.cell_m, cells.y_m + (found[:, 0] + 0.5) * cells.cell_m], axis=-1
    )


@compiled
def shadow_gaps(poses, front, rear, half, places):
    """(k,) least distance, m, of the places to the outlines at poses 0..i; inf where there are none."""
    out = np.empty(poses.shape[0])
    least = math.inf
    for i in range(poses.shape[0]):
        cos, sin = math.cos(poses[i, 2]), math.sin(poses[i, 2])
        for k in range(places.shape[0]):
            gap = distance_to_box(places[k, 0], places[k, 1], poses[i, 0], poses[i, 1], cos, sin, front, rear, half)
            least = min(least, gap)
        out[i] = least
    return out


def shadow_cap(poses, table, cells, tuning):
    """The speed at which a stop still ends before somebody who steps out of a shadow gets there.

    Somebody hidden is first seen when the edge of the body shows; sensing takes `radar.latency_s` and two
    cycles to believe it, and the stop its own time; all the while they come on at `shadow_speed_mps`. The cap
    never falls below creep speed: what could still happen then is a touch by somebody who steps out right
    beside the creeping vehicle, a risk that is stated, not removed.

    Returns
    -------
    (float, float, float)
        Cap in m/s, distance found and distance needed at that cap, m.
    """
    vehicle, people = tuning.vehicle, tuning.people
    sense_s = tuning.radar.latency_s + tuning.radar.cycle_s + tuning.cycle_s
    needed = people.shadow_speed_mps * (table.time_s + sense_s) + tuning.decision.clearance_m
    front, rear, half = box(vehicle)
    middle = 0.5 * (front + rear)
    x, y = poses[0, 0] + middle * math.cos(poses[0, 2]), poses[0, 1] + middle * math.sin(poses[0, 2])
    window = math.hypot(front - middle, half) + float(needed[-1]) + float(table.distance_m[-1]) + people.body_radius_m
    places = shadow_places(cells, x, y, window)
    rows, cols = cells.state.shape
    left_m, right_m = x - cells.x_m, cells.x_m + cols * cells.cell_m - x
    beyond_m = min(left_m, right_m, y - cells.y_m, cells.y_m + rows * cells.cell_m - y)  # where nothing is known
    # a place is the middle of a 0.5 m block of unknown cells: the body's edge may be at the block's border
    found = shadow_gaps(np.ascontiguousarray(poses), front, rear, half, places) - 2.5 * cells.cell_m
    if beyond_m < window:
        found = np.minimum(found, beyond_m - math.hypot(front - middle, half) - table.distance_m)
    safe = found >= needed
    count = len(safe) - 1 if safe.all() else max(int(np.argmin(safe)) - 1, 0)
    creep = int(np.searchsorted(table.speed_mps, vehicle.creep_mps - 1e-9))
    k = max(count, creep)
    return float(table.speed_mps[k]), float(found[k]), float(needed[k])
