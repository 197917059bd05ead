"""The ultrasonic ring: twelve cones, first echoes only, no bearing."""

import functools
import math
from dataclasses import dataclass

import numpy as np

from avoidkit.checks import InputError, require_finite, require_positive
from avoidkit.frames import to_scene
from avoidkit.sensing.kernels import transmission
from avoidkit.sensing.scatter import FENCE, KERB, PILLAR
from avoidkit.vehicle import box

SENSORS = 12
FRONT_FAN_DEG = (75.0, 25.0, 5.0, -5.0, -25.0, -75.0)  # six in front, from left to right; our placeholder
LATERAL_SHARE = (1.0, 0.72, 0.28, -0.28, -0.72, -1.0)  # of the half width
HIDDEN_DB = -200.0
CORNER_BACK_M = 0.25  # the outermost two of each end sit on the flank, so far from the bumper


def speed_of_sound(temperature_deg_c):
    """Speed of sound in air, m/s: 331.3 sqrt(1 + T / 273.15).

    Examples
    --------
    >>> [round(float(speed_of_sound(t)), 2) for t in (-20.0, 0.0, 20.0, 40.0)]
    [318.94, 331.3, 343.21, 354.73]
    """
    require_finite(temperature_deg_c=temperature_deg_c)
    if temperature_deg_c <= -273.15:
        raise InputError(f"temperature_deg_c must be above -273.15, got {temperature_deg_c}")
    return 331.3 * math.sqrt(1.0 + temperature_deg_c / 273.15)


def laterate(first_m, second_m, apart_m):
    """Where two sensors `apart_m` from each other see one thing: (x, y) from their middle, y away from them.

    x is toward the second sensor's side, negative toward the first. NaN where the two circles do not meet.

    Examples
    --------
    >>> [round(v, 4) for v in laterate(1.1, 1.0, 0.5)]
    [0.21, 0.9992]
    """
    require_positive(first_m=first_m, second_m=second_m, apart_m=apart_m)
    x = (first_m**2 - second_m**2) / (2 * apart_m)
    square = first_m**2 - (x + apart_m / 2) ** 2
    return x, math.sqrt(square) if square >= 0 else math.nan


def ultrasonic_mounts(tuning):
    """Where the twelve sit: (12, 3) x m, y m, yaw rad; six in front from left to right, then six behind likewise.

    Examples
    --------
    >>> from avoidkit.tuning import Tuning
    >>> ultrasonic_mounts(Tuning()).shape
    (12, 3)
    """
    return np.array(_ring_of(*box(tuning.vehicle)))


@functools.lru_cache(maxsize=64)
def _ring_of(front, rear, half):
    """The rows of `ultrasonic_mounts`."""
    rows = []
    for end, sign in ((front, 1.0), (rear, -1.0)):
        for k, (fan, share) in enumerate(zip(FRONT_FAN_DEG, LATERAL_SHARE, strict=True)):
            x = end - sign * (CORNER_BACK_M if k in (0, 5) else 0.0)
            yaw = math.radians(fan) if sign > 0 else math.pi - math.radians(fan)
            rows.append((x, share * half, math.atan2(math.sin(yaw), math.cos(yaw))))
    return tuple(rows)


def nearest_on_edges(eye_xy, edges):
    """Nearest point of each edge to (..., 2) places, (..., m, 2), and whether the ray meets it square, (..., m)."""
    a, b = edges[:, :2], edges[:, 2:]
    along = b - a
    length2 = np.maximum((along**2).sum(axis=1), 1e-12)
    share = ((eye_xy[..., None, :] - a) * along).sum(axis=-1) / length2
    return a + np.clip(share, 0.0, 1.0)[..., None] * along, (share > 0) & (share < 1)


@dataclass(frozen=True, eq=False, slots=True)
class RingThings:
    """What the ring hears of the yard: edges (m, 4), how much less each returns than a wall, what passes it."""

    edges: np.ndarray
    loss_db: np.ndarray
    passes: np.ndarray


def ring_things(edges, ultrasonic):
    """`RingThings` from the `Edges` of a scene: kerbs and fences return less and hide nothing."""
    kind = np.asarray(edges.kind, dtype=int)
    loss = np.zeros(len(kind))
    for code, less in (
        (KERB, ultrasonic.kerb_loss_db),
        (FENCE, ultrasonic.fence_loss_db),
        (PILLAR, ultrasonic.pillar_loss_db),
    ):
        loss[kind == code] = less
    passes = np.isin(kind, (KERB, FENCE)).astype(float)
    return RingThings(np.ascontiguousarray(edges.xy, dtype=float).reshape(-1, 4), loss, passes)


def echo_paths(mounts, pose, things, people, softness_db, ultrasonic):
    """Distances and levels of all things seen by all sensors.

    Parameters
    ----------
    mounts : (12, 3) array
        Of `ultrasonic_mounts`.
    pose : Pose
        Of the vehicle.
    things : RingThings
    people : People
    softness_db : (n,) array
        How much less each person returns than a wall.
    ultrasonic : UltrasonicTuning

    Returns
    -------
    distance_m : (12, k) array
        From each sensor to each thing (edges first, then people), true, m.
    level_db : (12, k) array
        How far each echo, heard by the sensor that sent it, is above the threshold.
    half_level_db : (12, k) array
        What one of the two ways (sending or hearing) adds to it.
    """
    eyes, edges = to_scene(mounts[:, :2], pose), things.edges
    points, square = nearest_on_edges(eyes, edges)
    to_people = people.xy - eyes[:, None]
    places = np.concatenate([points, np.broadcast_to(people.xy, to_people.shape)], axis=1)
    to_places = places - eyes[:, None]
    surface = np.maximum(np.hypot(to_people[..., 0], to_people[..., 1]) - ultrasonic.body_radius_m, 0.01)
    reach = np.maximum(np.hypot(to_places[:, : len(edges), 0], to_places[:, : len(edges), 1]), 0.01)
    distance = np.concatenate([reach, surface], axis=1)
    bearing = np.arctan2(to_places[..., 1], to_places[..., 0]) - (mounts[:, 2] + pose.yaw_rad)[:, None]
    off = np.abs((bearing + math.pi) % (2 * math.pi) - math.pi)
    hidden = np.where(_open_way(eyes, places, things) > 0, 0.0, HIDDEN_DB)
    half_level = _one_way_db(distance, off, ultrasonic) + hidden
    soft = np.broadcast_to(-np.asarray(softness_db, dtype=float), surface.shape)
    strength = np.concatenate([np.where(square, 0.0, -ultrasonic.corner_loss_db) - things.loss_db, soft], axis=1)
    return distance, ultrasonic.reserve_db + strength + 2 * half_level, half_level


def _open_way(eyes, places, things):
    """Share that passes the edges on the way from each eye to its places, (12, k): 0 behind something."""
    sensors, n = places.shape[:2]
    own = np.concatenate([np.arange(len(things.edges)), np.full(n - len(things.edges), -1)])
    every_eye, every_own = np.repeat(eyes, n, axis=0), np.tile(own, sensors)
    return transmission(
        every_eye, places.reshape(-1, 2), every_own, np.full(sensors * n, -1), things.edges, things.passes,
        np.zeros((0, 2)), 0.0,
    ).reshape(sensors, n)  # fmt: skip


def _one_way_db(distance, off_rad, ultrasonic):
    """Spreading, absorption and beam on one way, dB: 0 at 1 m ahead, -3 at the edge of the cone."""
    spread = -20 * np.log10(np.maximum(distance, 0.05)) - ultrasonic.absorption_db_per_m * (distance - 1.0)
    beam = -3.0 * (off_rad / math.radians(ultrasonic.beam_deg / 2)) ** 2
    return spread + np.where(off_rad > math.pi / 2, -200.0, beam)


def first_echoes(distance_m, level_db, half_level_db, generator, factor, ultrasonic):
    """The first echo of each sensor, m as the sensors report it; inf: none.

    Parameters
    ----------
    distance_m, level_db, half_level_db : (12, k) arrays
        Of `echo_paths`.
    generator : numpy Generator
    factor : float
        Assumed over true speed of sound.
    """
    fading = ultrasonic.fading_db * generator.standard_normal(distance_m.shape)
    noise = ultrasonic.noise_m * generator.standard_normal(distance_m.shape[0])
    heard = _within(distance_m, level_db + fading, factor, ultrasonic)
    first = heard.min(axis=1, initial=math.inf)
    if ultrasonic.cross_echoes:
        own, other = np.array(neighbours()).T
        across = 0.5 * (distance_m[own] + distance_m[other])
        level = level_db[own] - half_level_db[own] + half_level_db[other] + fading[own]
        np.minimum.at(first, own, _within(across, level, factor, ultrasonic).min(axis=1, initial=math.inf))
    return np.where(np.isfinite(first), np.maximum(first + noise * float(ultrasonic.noise), 0.0), math.inf)


def _within(distance_m, level_db, factor, ultrasonic):
    reported = distance_m * factor
    kept = (level_db > 0) & (reported >= ultrasonic.range_min_m) & (reported <= ultrasonic.range_max_m)
    return np.where(kept, reported, math.inf)


@functools.lru_cache(maxsize=1)
def neighbours():
    """Pairs (hears, sends) of sensors side by side on one end."""
    pairs = []
    for base in (0, 6):
        for k in range(5):
            pairs += [(base + k, base + k + 1), (base + k + 1, base + k)]
    return tuple(pairs)
