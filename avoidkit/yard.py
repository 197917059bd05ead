"""What stands in the yard, and the path through it, as checked models.

Places are m in the scene frame; angles in the file are degrees and say so.
"""

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Annotated, ClassVar, Literal

import numpy as np
from pydantic import AfterValidator, Field, field_validator
from pydantic_core import InitErrorDetails, PydanticCustomError, ValidationError

from avoidkit.checks import require_shape
from avoidkit.tuning import Model, degrees, metres, switch

FAR_M = 1000.0
KINDS = ("wall", "parked", "trolley", "pillar", "kerb", "fence")  # the index is the kind code of an edge
# our placeholders, but that of a car: about 10 dBsm at 77 GHz, published class medians, from memory
REFLECTIVITY_DBSM = {"wall": 5.0, "parked": 10.0, "trolley": 0.0, "pillar": 0.0, "kerb": -15.0, "fence": -5.0}
LISTS = {
    "walls": "wall",
    "parked": "parked",
    "trolleys": "trolley",
    "pillars": "pillar",
    "kerbs": "kerb",
    "fences": "fence",
}
HIDES = {"wall": True, "parked": True, "trolley": True, "pillar": True, "kerb": False, "fence": False}

Number = Annotated[float, Field(ge=-FAR_M, le=FAR_M)]
Point = tuple[Number, Number]


def many(*, doc):
    """A field for a list in the file, kept as a tuple; lists are taken as well; nothing where it is left out."""
    return Field(default=(), strict=False, description=doc)


def some(least, *, doc):
    """A field for such a list that has to hold at least `least`; goes with `at_least`."""
    return Field(strict=False, description=doc, json_schema_extra={"minItems": least})


def at_least(least):
    """A check of a list's length that speaks only when its items are in order."""

    def check(items):
        if items is not None and len(items) < least:
            raise ValueError(f"at least {least} {'was' if least == 1 else 'were'} wanted, got {len(items)}")
        return items

    return AfterValidator(check)


def complain(wrongs):
    """Raise one pydantic error from (location, message, got) triples; nothing where there are none."""
    if wrongs:
        lines = [
            InitErrorDetails(type=PydanticCustomError("scene", "{text}", {"text": text}), loc=tuple(where), input=got)
            for where, text, got in wrongs
        ]
        raise ValidationError.from_exception_data("scene", lines)


class Thing(Model):
    """Something that stands in the yard for the whole drive."""

    name: str = Field(default="", max_length=80, description="what messages call it")
    reflectivity_dbsm: float | None = Field(
        default=None, ge=-40, le=40, description="radar reflectivity [dBsm], else that of the kind"
    )


class Line(Thing):
    """A thing along a line of corners."""

    corners_m: Annotated[tuple[Point, ...], at_least(2)] = some(2, doc="corners (x, y) of its middle line [m]")
    thickness_m: float = metres(0.01, 3.0, 0.20, doc="thickness")

    @field_validator("corners_m")
    @classmethod
    def _corners_differ(cls, corners):
        for k, (a, b) in enumerate(pairwise(corners)):
            if math.dist(a, b) < 0.01:
                complain([((k + 1,), f"a corner at least 0.01 m from the one before was wanted, got {b}", {})])
        return corners

    def polygon(self):
        """Its shape seen from above, a shapely polygon."""
        import shapely

        closed = len(self.corners_m) > 3 and self.corners_m[0] == self.corners_m[-1]
        middle = shapely.LinearRing(self.corners_m) if closed else shapely.LineString(self.corners_m)
        return middle.buffer(self.thickness_m / 2, cap_style="flat", join_style="mitre")


class Block(Thing):
    """A rectangular thing; x and y are its middle."""

    x_m: Number
    y_m: Number
    yaw_deg: float = degrees(-360, 360, 0.0, doc="direction of its length, counter-clockwise from x")
    length_m: float = metres(0.1, 20.0, 4.5, doc="length")
    width_m: float = metres(0.1, 5.0, 1.8, doc="width")
    open_below: bool = switch(False, doc="a radar may see under it")

    def polygon(self):
        """Its shape seen from above, a shapely polygon."""
        import shapely

        half = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * [self.length_m / 2, self.width_m / 2]
        yaw = math.radians(self.yaw_deg)
        turn = np.array([[math.cos(yaw), -math.sin(yaw)], [math.sin(yaw), math.cos(yaw)]])
        return shapely.Polygon(half @ turn.T + [self.x_m, self.y_m])


class Wall(Line):
    """A wall of stone or a house front."""

    SAID: ClassVar[str] = "a wall"


class Kerb(Line):
    """A kerb: people step over it, it hides nobody, the vehicle keeps off it."""

    SAID: ClassVar[str] = "a kerb"

    thickness_m: float = metres(0.01, 3.0, 0.15, doc="thickness")


class Fence(Line):
    """A wire fence: it stops people and the vehicle, and hides nobody."""

    SAID: ClassVar[str] = "a fence"

    thickness_m: float = metres(0.01, 3.0, 0.05, doc="thickness")


class Parked(Block):
    """A parked vehicle, crooked or straight."""

    SAID: ClassVar[str] = "a parked vehicle"

    open_below: bool = switch(True, doc="a radar may see under it")


class Trolley(Block):
    """A delivery trolley."""

    SAID: ClassVar[str] = "a trolley"

    length_m: float = metres(0.1, 20.0, 1.1, doc="length")
    width_m: float = metres(0.1, 5.0, 0.7, doc="width")


class Pillar(Thing):
    """A round pillar; x and y are its middle."""

    SAID: ClassVar[str] = "a pillar"

    x_m: Number
    y_m: Number
    diameter_m: float = metres(0.05, 3.0, 0.30, doc="diameter")

    def polygon(self):
        """Its shape seen from above, an octagon through its circle."""
        import shapely

        angle = np.radians(np.arange(8) * 45 + 22.5)
        return shapely.Polygon(self.diameter_m / 2 * np.stack([np.cos(angle), np.sin(angle)], 1) + [self.x_m, self.y_m])


class Start(Model):
    """Where the vehicle stands at first: the middle of its rear axle, on the ground."""

    x_m: Number = 0.0
    y_m: Number = 0.0
    yaw_deg: float = degrees(-360, 360, 0.0, doc="heading, counter-clockwise from x")


class Segment(Model):
    """A piece of a leg: so long, with such a change of heading, positive to the left."""

    length_m: float = metres(0.2, 200.0, doc="length along the path")
    turn_deg: float = degrees(-360, 360, 0.0, doc="change of the vehicle's heading, positive to the left")


class Leg(Model):
    """A stretch in one direction of travel."""

    direction: Literal["forward", "reverse"]
    segments: Annotated[tuple[Segment, ...], at_least(1)] = some(1, doc="pieces, driven one after the other")


class Course(Model):
    """The reference path, from the start on."""

    legs: Annotated[tuple[Leg, ...], at_least(1)] = some(1, doc="legs, each forward or reverse")


@dataclass(frozen=True, eq=False, slots=True)
class Edges:
    """The visible edges of everything that stands in the yard, seen from above; the first axis counts edges.

    Attributes
    ----------
    xy : (m, 4) array
        Ends x0, y0, x1, y1, m, scene frame.
    reflectivity_dbsm : (m,) array
    open_below : (m,) bool array
        A radar may see under it.
    owner : (m,) int array
        Which thing, as an index into `scene.things` and `scene.polygons`.
    kind : (m,) int array
        Index into `KINDS`.
    hides : (m,) bool array
        What is behind it cannot be seen, unless under it; kerbs and wire fences hide nothing.
    """

    xy: np.ndarray
    reflectivity_dbsm: np.ndarray
    open_below: np.ndarray
    owner: np.ndarray
    kind: np.ndarray
    hides: np.ndarray

    def __post_init__(self):
        n = len(self.xy)
        require_shape((n, 4), finite=True, xy=self.xy)
        require_shape((n,), finite=True, reflectivity_dbsm=self.reflectivity_dbsm)
        require_shape((n,), open_below=self.open_below, owner=self.owner, kind=self.kind, hides=self.hides)

    def __len__(self):
        return len(self.xy)


def edges_of(things, *, sees_under=True):
    """The `Edges` of (kind, model) pairs; with `sees_under` off no radar sees under anything."""
    parts = []
    for owner, (kind, thing) in enumerate(things):
        polygon = thing.polygon()
        rings = [np.array(ring.coords) for ring in (polygon.exterior, *polygon.interiors)]
        xy = np.vstack([np.hstack([ring[:-1], ring[1:]]) for ring in rings])
        own = thing.reflectivity_dbsm
        strength = REFLECTIVITY_DBSM[kind] if own is None else own
        under = sees_under and getattr(thing, "open_below", False)
        same = (strength, under, owner, KINDS.index(kind), HIDES[kind])
        parts.append((xy, *(np.full(len(xy), value) for value in same)))
    if not parts:
        nothing = np.zeros(0)
        return Edges(
            np.zeros((0, 4)),
            nothing,
            nothing.astype(bool),
            nothing.astype(int),
            nothing.astype(int),
            nothing.astype(bool),
        )
    return Edges(*(np.concatenate(column) for column in zip(*parts, strict=True)))
