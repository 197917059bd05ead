"""One instant as plain numbers for the page: what `plan.js` draws, for the bench and for recorded demos alike.

Everything here is data; the page turns it into pixels and text. Numbers are rounded to what can be seen.
Non-finite numbers are the strings `nan`, `inf` and `-inf`.
"""

import math

import numpy as np

from avoidkit.recording.rows import GridPicture, picture_of
from avoidkit.vehicle import box
from avoidkit.views.figures import returns_in_scene, yard_window
from avoidkit.views.plots import ellipse_axes
from avoidkit.views.tables import settling

PATH_STEP_M = 0.25
K_SIGMA = 2.5
SHOWN = 6  # digits of numbers that the page rounds to two: rounded twice they would differ from the words beside them


def number(value, digits=3):
    """A number for JSON: rounded, or the name of what it is instead.

    Examples
    --------
    >>> number(1 / 3), number(float("nan")), number(-math.inf)
    (0.333, 'nan', '-inf')
    """
    value = float(value)
    if math.isfinite(value):
        return round(value, digits)
    return "nan" if math.isnan(value) else "inf" if value > 0 else "-inf"


def rounded(array, digits=3):
    """A finite array as nested lists of rounded numbers."""
    return np.round(np.asarray(array, float), digits).tolist()


def yard_of(scene, tuning, *, movable=True):
    """What does not change during a drive: things, reference path, vehicle, fields of view, what is seen of it.

    Without `movable` trolleys and parked vehicles are left out: the bench draws them where they are dragged.
    """
    front, rear, half = box(tuning.vehicle)
    things = [
        {
            "kind": kind,
            "name": thing.name,
            "rings": [rounded(ring.coords) for ring in (shape.exterior, *shape.interiors)],
        }
        for (kind, thing), shape in zip(scene.things, scene.polygons, strict=True)
        if movable or kind not in ("trolley", "parked")
    ]
    width = math.radians(tuning.radar.field_of_view_deg)
    mounts = [getattr(tuning.radar.mounts, name) for name in type(tuning.radar.mounts).model_fields]
    return {
        "title": scene.title or scene.name,
        "window": rounded(yard_window(scene)),
        "things": things,
        "reference": way_of(scene.reference),
        "vehicle": {"front": front, "rear": rear, "half": half, "wheelbase": tuning.vehicle.wheelbase_m},
        "fields": rounded([[m.x_m, m.y_m, math.radians(m.yaw_deg), width, 4.0] for m in mounts]),
    }


def way_of(path, from_m=0.0):
    """A path from one distance on, as [[x, y, yaw], ...]."""
    steps = np.append(np.arange(min(from_m, path.length_m), path.length_m, PATH_STEP_M), path.length_m)
    return rounded(path.poses_at(steps))


def frame_of(moment, verdict, tuning, *, people=None, reach=None):
    """All of one instant but its grid: vehicle, verdict with checks, people, tracks, reach, returns."""
    ego, active = moment.ego, moment.path if isinstance(moment.path, str) else moment.path.name
    from_m = moment.along_m if active == verdict.path.name else 0.0
    scans = getattr(moment, "scans", ())
    return answer_of(verdict) | {
        "t": number(moment.time_s),
        "ego": rounded([ego.pose.x_m, ego.pose.y_m, ego.pose.yaw_rad, ego.steering_rad, ego.speed_mps]),
        "path": way_of(verdict.path, from_m),
        "candidates": [way_of(path) for path in verdict.candidates],
        "people": [] if people is None else people_of(people),
        "tracks": tracks_of(moment.tracks),
        "reach": [] if reach is None else rounded(np.column_stack(reach)),
        "returns": rounded(returns_in_scene(scans, tuning, ego.pose), 2),
        "gap": number(getattr(moment, "gap_m", math.nan)),
        "error": getattr(moment, "error", ""),
    }


def answer_of(verdict):
    """A verdict in words and numbers; each check is [name, about, needed, found, unit, holds, at_most]."""
    checks = [
        [c.name, c.about, number(c.needed, SHOWN), number(c.found, SHOWN), c.unit, int(c.holds), int(c.at_most)]
        for c in verdict.checks
    ]
    return {
        "action": str(verdict.action),
        "cap": number(verdict.speed_cap_mps, SHOWN),
        "why": verdict.why,
        "settled": settling(verdict),
        "checks": checks,
        "turn": turn_of(verdict.turn),
    }


def turn_of(turn):
    """What would turn a verdict, as [quantity, unit, now, then, action it becomes]; None where there is nothing."""
    return turn and [turn.quantity, turn.unit, number(turn.now), number(turn.then), str(turn.becomes)]


def people_of(people):
    """Each person as [x, y, vx, vy, heading, child, operator, contact, name]."""
    numbers = rounded(np.column_stack([people.xy, people.velocity, people.heading_rad]))
    return [
        [*row, int(people.kind[k] == "child"), int(people.is_operator[k]), int(people.contact[k]), people.names[k]]
        for k, row in enumerate(numbers)
    ]


def tracks_of(tracks):
    """Each track as [id, stage, x, y, vx, vy, extent, half axes and angle of its ellipse, standing probability]."""
    if not len(tracks):
        return []
    axes, angles = ellipse_axes(tracks.covariance[:, :2, :2], K_SIGMA)
    ids = np.column_stack([tracks.ids, tracks.stage])
    rest = np.column_stack([tracks.state, tracks.extent_m, axes / 2, np.radians(angles), tracks.standing])
    if not np.isfinite(rest).all():
        return []
    return [[int(a), int(b), *row] for (a, b), row in zip(ids, rounded(rest), strict=True)]


def grid_of(grid):
    """(place, bytes) of a grid: where it lies, and row by row a byte a cell: 0 unknown, 1 known free, 2 occupied."""
    picture = grid if isinstance(grid, GridPicture) else picture_of(grid)
    rows, cols = picture.cells.shape
    place = {"x": float(picture.corner_xy[0]), "y": float(picture.corner_xy[1]), "cell": float(picture.cell_m)}
    return place | {"rows": rows, "cols": cols}, picture.cells.tobytes()


def packed_grid_of(grid):
    """As `grid_of`, but four cells in a byte, the first in its lowest two bits: less goes over the wire."""
    place, cells = grid_of(grid)
    return place, packed(cells)


def packed(cells):
    """Cells of 0 to 3 as bytes of four, the first in the lowest two bits; the last byte is filled with zeros.

    Examples
    --------
    >>> list(packed(bytes([1, 2, 0, 1, 2])))
    [73, 2]
    """
    values = np.frombuffer(cells, np.uint8)
    fours = np.pad(values, (0, -len(values) % 4)).reshape(-1, 4)
    return (fours << np.array([0, 2, 4, 6], np.uint8)).sum(axis=1, dtype=np.uint8).tobytes()


def runs_of(cells):
    """Bytes of cells as runs [value, length, value, length, ...]: short where large areas are alike.

    Examples
    --------
    >>> runs_of(bytes([0, 0, 0, 2, 1, 1]))
    [0, 3, 2, 1, 1, 2]
    """
    values = np.frombuffer(cells, np.uint8)
    if not len(values):
        return []
    starts = np.concatenate([[0], np.flatnonzero(np.diff(values)) + 1])
    lengths = np.diff(np.append(starts, len(values)))
    return np.column_stack([values[starts], lengths]).ravel().tolist()
