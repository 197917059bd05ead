"""One scan of one corner radar: what its scatterers return, after detection, merging and noise."""

import functools
import math
from dataclasses import dataclass

import numpy as np

from avoidkit.frames import Pose, compose, to_local
from avoidkit.sensing.equation import (
    budget,
    from_db,
    range_rate_cell,
    range_rate_limit,
    to_db,
)
from avoidkit.sensing.kernels import add_up, report
from avoidkit.sensing.scatter import FENCE, KERB
from avoidkit.vehicle import box

RADARS = ("front_left", "front_right", "rear_left", "rear_right")
BUMPER_M = 0.30  # a radar looks through so much of its own bumper, no deeper into the body; our placeholder
RETURN_FIELDS = ("range_m", "azimuth_rad", "range_rate_mps", "snr")


@dataclass(frozen=True, eq=False, slots=True)
class Returns:
    """What one scan holds before it is stamped: (n,) arrays; snr is a ratio."""

    range_m: np.ndarray
    azimuth_rad: np.ndarray
    range_rate_mps: np.ndarray
    snr: np.ndarray

    def __len__(self):
        return len(self.range_m)


def no_returns():
    zero = np.zeros(0)
    return Returns(zero, zero, zero, zero)


def join_returns(*several):
    """One record of several."""
    return Returns(*(np.concatenate([getattr(r, name) for r in several]) for name in RETURN_FIELDS))


def sensor_motion(ego, mount):
    """Pose of a mount in the scene and its velocity in the scene, from the vehicle's motion."""
    local = Pose(mount.x_m, mount.y_m, math.radians(mount.yaw_deg))
    pose = compose(ego.pose, local)
    vx, vy = ego.speed_mps - ego.yaw_rate_radps * mount.y_m, ego.yaw_rate_radps * mount.x_m
    cos, sin = math.cos(ego.pose.yaw_rad), math.sin(ego.pose.yaw_rad)
    return pose, np.array([cos * vx - sin * vy, sin * vx + cos * vy])


def still_range_rate(speed_mps, yaw_rate_radps, mount, azimuth_rad):
    """Range rate, m/s, that something standing shows at an azimuth from a mount's boresight.

    The mount moves with (v - w y, w x) in the vehicle's frame; Kellner et al. 2013 (idea).

    Examples
    --------
    >>> from avoidkit.tuning import Mount
    >>> round(float(still_range_rate(1.0, 0.2, Mount(x_m=3.6, y_m=0.8, yaw_deg=45.0), 0.0)), 4)
    -1.1031
    """
    vx, vy = speed_mps - yaw_rate_radps * mount.y_m, yaw_rate_radps * mount.x_m
    angle = np.asarray(azimuth_rad) + math.radians(mount.yaw_deg)
    return -(vx * np.cos(angle) + vy * np.sin(angle))


def polar_from(pose, velocity, xy, velocities):
    """Range, azimuth from boresight and range rate of moving points seen from a moving sensor."""
    local = to_local(xy, pose)
    range_m = np.hypot(local[:, 0], local[:, 1])
    azimuth = np.arctan2(local[:, 1], local[:, 0])
    away = (xy - np.array([pose.x_m, pose.y_m])) / np.maximum(range_m, 1e-9)[:, None]
    return range_m, azimuth, ((velocities - velocity) * away).sum(axis=1)


def passing_shares(edges, radar):
    """Share of power that passes each edge, (m,) for high scatterers and for low ones."""
    kind = np.asarray(edges.kind)
    shares = np.where(kind == KERB, 1.0, np.where(kind == FENCE, float(from_db(-radar.fence_loss_db)), 0.0))
    # an open vehicle is crossed at two of its edges: each takes half of the loss
    under = float(from_db(-radar.under_loss_db / 2)) if radar.see_under else 0.0
    low = np.where(np.asarray(edges.open_below, dtype=bool), np.maximum(shares, under), shares)
    return shares, low


def behind_own_body(mount, vehicle, azimuth_rad):
    """Whether a ray at an azimuth from boresight runs through the vehicle's own body, deeper than the bumper."""
    front, rear, half = box(vehicle)
    angle = np.asarray(azimuth_rad) + math.radians(mount.yaw_deg)
    cos, sin = np.cos(angle), np.sin(angle)
    with np.errstate(divide="ignore", invalid="ignore"):
        out_x = np.where(cos > 0, (front - mount.x_m) / cos, np.where(cos < 0, (rear - mount.x_m) / cos, np.inf))
        out_y = np.where(sin > 0, (half - mount.y_m) / sin, np.where(sin < 0, (-half - mount.y_m) / sin, np.inf))
    return np.minimum(out_x, out_y) > BUMPER_M


def detect(range_m, azimuth_rad, rate_mps, snr, amplitude, receiver, noise_level, radar):
    """From mean signal to noise and draws to the returns above the threshold.

    Parameters
    ----------
    range_m, azimuth_rad, rate_mps, snr : (n,) arrays
        True place of each scatterer and its mean signal to noise, a ratio.
    amplitude : (2, n) array
        Standard normal: the complex fluctuation of each. Without `fluctuation` only its phase counts.
    receiver : (5, n) array
        Standard normal: noise in the cell (two), errors of range, azimuth and range rate.
    noise_level : float or (n,) array
        The noise in units of the quiet noise; above 1 under interference and with the echo of the ground.

    Notes
    -----
    Power in a cell is |sum of amplitudes + noise|^2, detected above -ln(Pfa) times the noise (the threshold
    follows the noise when it rises). For one fluctuating scatterer this gives Pfa^(1/(1+S)).
    """
    if not len(range_m):
        return no_returns()
    signal = np.sqrt(snr / noise_level / 2.0) * amplitude
    if not radar.fluctuation:
        signal = np.sqrt(snr / noise_level) * amplitude / np.maximum(np.hypot(*amplitude), 1e-12)
    signal = np.ascontiguousarray(signal)  # one layout, so that loops are compiled once
    order = NOT_MERGED
    if radar.merging:
        order = np.argsort(-(signal[0] ** 2 + signal[1] ** 2), kind="stable")
    cells, floors, limits = _widths(radar)
    noise, draws = np.ascontiguousarray(receiver[:2]) / math.sqrt(2), np.ascontiguousarray(receiver[2:])
    leader, power, places = add_up(
        np.stack([range_m, azimuth_rad, rate_mps]), signal, noise, order, cells, 2 * limits[3], radar.glint
    )
    least = -math.log(radar.false_alarm_probability)
    return Returns(*report(places, power, draws, leader, least, cells, floors, limits, float(radar.noise)))


NOT_MERGED = np.zeros(0, np.int64)


@functools.lru_cache(maxsize=64)
def _widths(radar):
    """Resolution cells and floors of the accuracy, each in range, azimuth, range rate; what `report` is limited by."""
    cells = radar.range_cell_m, math.radians(radar.azimuth_cell_deg), range_rate_cell(radar)
    floors = radar.range_floor_m, math.radians(radar.azimuth_floor_deg), radar.range_rate_floor_mps
    view = math.radians(radar.field_of_view_deg) / 2
    limits = radar.range_min_m, radar.range_max_m, view, range_rate_limit(radar)
    return np.array(cells), np.array(floors), np.array(limits)


def ground_level(range_m, azimuth_rad, rate_mps, still_mps, radar):
    """The noise with the echo of the ground, in units of the quiet noise, (n,).

    The ground of one resolution cell, range cell x range x azimuth cell, returns `ground_db` per square
    metre, at the range rate of what stands still; what moves by a range-rate cell or more is apart from it.
    """
    if radar.ground_db <= -80.0:
        return np.ones(len(range_m))
    area = radar.range_cell_m * range_m * math.radians(radar.azimuth_cell_deg)
    echo = budget(azimuth_rad, radar) * float(from_db(radar.ground_db)) * area / range_m**4
    return 1.0 + np.where(np.abs(rate_mps - still_mps) < range_rate_cell(radar), echo, 0.0)


def false_alarms(generator, rate, radar):
    """Returns of nothing: Poisson in number, even over range, azimuth and range rate, just over the threshold."""
    n = generator.poisson(rate)
    half = math.radians(radar.field_of_view_deg) / 2
    limit = range_rate_limit(radar)
    return Returns(
        generator.uniform(radar.range_min_m, radar.range_max_m, n),
        generator.uniform(-half, half, n),
        generator.uniform(-limit, limit, n),
        -math.log(radar.false_alarm_probability) + generator.exponential(size=n),
    )


def stamp(name, returns, taken_s, arrives_s, health):
    """The scan that arrives: float32, decibels."""
    from avoidkit.sensing.records import Scan

    return Scan(
        name,
        taken_s,
        arrives_s,
        returns.range_m,
        returns.azimuth_rad,
        returns.range_rate_mps,
        to_db(np.maximum(returns.snr, 1e-3)),
        health,
    )
