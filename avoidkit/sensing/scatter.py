"""What returns a radar's wave: people with swinging limbs, and the facets of walls, vehicles and things."""

import functools
import math
from dataclasses import dataclass

import numpy as np

from avoidkit.sensing.equation import from_db
from avoidkit.sensing.kernels import bodies_with_limbs
from avoidkit.sensing.streams import Effect, stream

WALL, PARKED, TROLLEY, PILLAR, KERB, FENCE = range(6)  # codes of `Edges.kind`
PARTS = ("torso", "left arm", "right arm", "left leg", "right leg")
POWER_SHARE = np.array([0.74, 0.05, 0.05, 0.08, 0.08])  # of a body's reflectivity; our placeholder
SIDE_M = np.array([0.0, 0.22, -0.22, 0.10, -0.10])  # left of the middle of the body
SWING = np.array([0.0, -0.55, 0.55, 1.0, -1.0])  # share of a leg's swing, sign: in step with the left leg or against it
LOW = np.array([False, False, False, True, True])  # legs are seen under a vehicle
STRIDE_M = 1.40  # two steps of an adult; our placeholder


@dataclass(frozen=True, eq=False, slots=True)
class Scatterers:
    """Points that return, in the scene frame; the first axis counts them.

    Attributes
    ----------
    points : (n, 5) array
        x, y, vx, vy in m and m/s, and mean reflectivity in m^2 as seen from the sensor they were made for.
    body, edge : (n,) int arrays
        Index of the person or edge that they belong to, else -1.
    low : (n,) bool array
        Near the ground, so that it may be seen under a vehicle.
    draw : (n,) int array
        Number among the draws of the sensor, which does not depend on what is in view.
    """

    points: np.ndarray
    body: np.ndarray
    edge: np.ndarray
    low: np.ndarray
    draw: np.ndarray

    def __len__(self):
        return len(self.points)

    @property
    def xy(self):
        return self.points[:, :2]

    @property
    def velocity(self):
        return self.points[:, 2:4]

    @property
    def reflectivity_m2(self):
        return self.points[:, 4]


def person_reflectivity(kinds, seed, radar):
    """Mean reflectivity of each person, m^2, drawn once a drive from the published band.

    The band of single measurements (90 % within 16 dB) is that of Swerling 1 about one mean; what is drawn
    here is the mean, evenly in dB between `adult_low_dbsm` and `adult_high_dbsm`.
    """
    drawn = [stream(seed, 255, Effect.TRAITS, k).random() for k in range(len(kinds))]
    below = np.array([radar.child_below_db if kind == "child" else 0.0 for kind in kinds])
    level = radar.adult_low_dbsm + (radar.adult_high_dbsm - radar.adult_low_dbsm) * np.array(drawn, dtype=float)
    return from_db(level - below)


def of_people(people, eye_xy, reflectivity_m2, radar):
    """The scatterers of all people as seen from one place, five to a person, in the order of `PARTS`.

    The torso returns from its front, `front_of_body_m` nearer to the sensor than the middle. Without
    `limbs` the torso returns all and limbs nothing; the number of scatterers stays.
    """
    n, parts = len(people.xy), len(PARTS)
    if n == 0:
        return _none()
    front = np.where(np.arange(parts) == 0, radar.front_of_body_m, 0.6 * radar.front_of_body_m)
    shares = POWER_SHARE if radar.limbs else np.eye(1, parts)[0]
    points = bodies_with_limbs(
        people.xy, people.velocity, people.heading_rad, people.walked_m, _strides(tuple(people.kind)),
        float(eye_xy[0]), float(eye_xy[1]), np.asarray(reflectivity_m2, dtype=float), shares, front, SIDE_M, SWING,
    )  # fmt: skip
    whole = np.arange(n * parts)
    return Scatterers(points, whole // parts, np.full(n * parts, -1), np.tile(LOW, n), whole)


@functools.lru_cache(maxsize=64)
def _strides(kinds):
    """Stride of each person by kind, (n,) m; shared, not to be written to."""
    return np.array([STRIDE_M * (0.7 if kind == "child" else 1.0) for kind in kinds])


@dataclass(frozen=True, eq=False, slots=True)
class Facets:
    """Scatterers along edges, made once a scene: place, unit normal, length, reflectivity at normal incidence, edge."""

    xy: np.ndarray
    normal: np.ndarray
    peak_m2: np.ndarray
    edge: np.ndarray
    corner: np.ndarray


def facets_of(edges, radar):
    """Facets about `facet_m` apart along every edge, and one scatterer at each corner of two edges of one thing.

    A facet of length l returns l times the edge's reflectivity (that of one metre) at normal incidence.
    """
    xy, normal, peak, edge, corner = [], [], [], [], []
    seen = set()
    for k, (x0, y0, x1, y1) in enumerate(edges.xy):
        length = math.hypot(x1 - x0, y1 - y0)
        if length <= 0:
            continue
        n = max(1, round(length / radar.facet_m))
        share = (np.arange(n) + 0.5) / n
        per_metre = float(from_db(edges.reflectivity_dbsm[k]))
        for s in share:
            xy.append((x0 + s * (x1 - x0), y0 + s * (y1 - y0)))
            normal.append(((y1 - y0) / length, -(x1 - x0) / length))
            peak.append(per_metre * length / n)
            edge.append(k)
            corner.append(False)
        for point in ((x0, y0), (x1, y1)):
            key = (round(point[0], 3), round(point[1], 3))
            if key in seen:
                continue
            seen.add(key)
            xy.append(point)
            normal.append((0.0, 0.0))
            peak.append(per_metre * float(from_db(radar.corner_db)))
            edge.append(k)
            corner.append(True)
    return Facets(
        np.array(xy, dtype=float).reshape(-1, 2),
        np.array(normal, dtype=float).reshape(-1, 2),
        np.array(peak, dtype=float),
        np.array(edge, dtype=np.int64),
        np.array(corner, dtype=bool),
    )


def _none():
    whole = np.zeros(0, np.int64)
    return Scatterers(np.zeros((0, 5)), whole, whole, np.zeros(0, bool), whole)
