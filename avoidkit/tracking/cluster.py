"""One scan to measurements: own motion out of range rate, returns clustered, each cluster one measurement.

The front of a body reflects, about a decimetre nearer than its middle; `body_offset_m` is added to range,
so that everything after this module speaks of the middle of the body.
"""

import math
from dataclasses import dataclass

import numpy as np

from avoidkit.frames import Pose, wrap_angle
from avoidkit.jit import compiled
from avoidkit.tracking import settings as of
from avoidkit.tracking.order import ascending, by_owner


@dataclass(frozen=True, eq=False, slots=True)
class Clusters:
    """The measurements of one scan, arrays over clusters; m = 0 is fine.

    Attributes
    ----------
    sensor : (3,)
        x, y in m and boresight in rad of the radar, scene frame, when the scan was taken.
    z : (m, 3)
        Range to the middle of a body, azimuth, range rate without own motion: m, rad, m/s.
    R : (m, 2, 3)
        Variances of `z` if a body stands, and if it walks.
    xy : (m, 2)
        Place in the scene frame, m, of the middle of a body.
    snr_db, width_m, rate_spread_mps : (m,)
        Strongest return; greatest distance of two of its returns; greatest difference of range rates.
    count : (m,) int
    still : (m,) bool
        Range rate within `still_sigmas` of zero.
    points : (k, 2)
        Place of every return of the scan, scene frame, m, without the body offset.
    points_still : (k,) bool
    points_sigma_m : (k,)
        Standard deviation across the line of sight of each return, m.
    """

    sensor: np.ndarray
    z: np.ndarray
    R: np.ndarray
    xy: np.ndarray
    snr_db: np.ndarray
    width_m: np.ndarray
    rate_spread_mps: np.ndarray
    count: np.ndarray
    still: np.ndarray
    points: np.ndarray
    points_still: np.ndarray
    points_sigma_m: np.ndarray

    def __len__(self):
        return len(self.z)


def sensor_pose(ego, mount):
    """Pose of a radar in the scene frame, from the vehicle's `Ego` and the `Mount`."""
    pose = ego.pose
    cos, sin = math.cos(pose.yaw_rad), math.sin(pose.yaw_rad)
    return Pose(
        pose.x_m + cos * mount.x_m - sin * mount.y_m,
        pose.y_m + sin * mount.x_m + cos * mount.y_m,
        wrap_angle(pose.yaw_rad + math.radians(mount.yaw_deg)),
    )


def sensor_velocity(ego, mount):
    """Velocity of a radar over the ground along and across its own boresight, (2,) m/s.

    The rigid body turns about the rear axle: (v - w y, w x) in the vehicle frame, then into the sensor's frame
    (the idea of Kellner et al. 2013).
    """
    vx = ego.speed_mps - ego.yaw_rate_radps * mount.y_m
    vy = ego.yaw_rate_radps * mount.x_m
    cos, sin = math.cos(math.radians(mount.yaw_deg)), math.sin(math.radians(mount.yaw_deg))
    return np.array([cos * vx + sin * vy, -sin * vx + cos * vy])


def own_motion_rate(azimuth_rad, velocity):
    """Range rate, m/s, that something standing still shows at an azimuth because the radar moves at `velocity`.

    Examples
    --------
    The worked case of a standing object seen from a moving, yawing vehicle: v 1 m/s, w 0.2 rad/s,
    sensor at (3.6, 0.8) looking forward, 45 degrees: -1.1031 m/s.

    >>> v = np.array([1.0 - 0.2 * 0.8, 0.2 * 3.6])
    >>> round(float(own_motion_rate(math.radians(45), v)), 4)
    -1.1031
    """
    return -(velocity[0] * np.cos(azimuth_rad) + velocity[1] * np.sin(azimuth_rad))


def measure(scan, ego, mount, noise, settings):
    """Clusters of one scan.

    Parameters
    ----------
    scan : Scan
    ego : Ego
        Own motion at `scan.taken_s`.
    mount : Mount
    noise : (6,)
        From `accuracy_of`.
    settings : Settings

    Returns
    -------
    Clusters
    """
    pose, velocity = sensor_pose(ego, mount), sensor_velocity(ego, mount)
    sensor = np.array([pose.x_m, pose.y_m, pose.yaw_rad])
    polar = np.empty((len(scan), 4))
    for column, array in enumerate((scan.range_m, scan.azimuth_rad, scan.range_rate_mps, scan.snr_db)):
        polar[:, column] = array
    return Clusters(sensor, *cluster_returns(polar, sensor, velocity, noise, settings))


def accuracy_of(radar):
    """Resolution and floor of range, azimuth and range rate, (6,) m, rad and m/s, for `sigmas`."""
    rate_cell = radar.wavelength_m / (2 * radar.coherent_s)
    angles = math.radians(radar.azimuth_cell_deg), math.radians(radar.azimuth_floor_deg)
    return np.array([radar.range_cell_m, radar.range_floor_m, *angles, rate_cell, radar.range_rate_floor_mps])


@compiled
def sigmas(azimuth_rad, snr_db, noise):
    """Standard deviations (range, azimuth, range rate) of one return: resolution / sqrt(2 SNR) and a floor.

    Azimuth is worse off boresight by 1/cos, held at that of 85 degrees. `noise` from `accuracy_of`.
    """
    half = 0.5 / 10.0 ** (0.1 * snr_db)
    off = max(math.cos(azimuth_rad), math.cos(math.radians(85.0)))
    in_range = math.sqrt(noise[0] ** 2 * half + noise[1] ** 2)
    in_azimuth = math.sqrt(noise[2] ** 2 * half + noise[3] ** 2) / off
    return in_range, in_azimuth, math.sqrt(noise[4] ** 2 * half + noise[5] ** 2)


@compiled
def cluster_returns(polar, sensor, velocity, noise, settings):
    """The compiled part of `measure`: the strongest return that is left takes those near it in place and range rate."""
    k = len(polar)
    points, rate, sigma, still = np.empty((k, 2)), np.empty(k), np.empty(k), np.zeros(k, np.bool_)
    rate_sigma = np.empty(k)
    speed = math.sqrt(velocity[0] ** 2 + velocity[1] ** 2)
    for i in range(k):
        r, azimuth = polar[i, 0], polar[i, 1]
        points[i, 0] = sensor[0] + r * math.cos(sensor[2] + azimuth)
        points[i, 1] = sensor[1] + r * math.sin(sensor[2] + azimuth)
        own = -(velocity[0] * math.cos(azimuth) + velocity[1] * math.sin(azimuth))
        rate[i] = polar[i, 2] - own
        _, angle, one = sigmas(azimuth, polar[i, 3], noise)
        sigma[i] = angle * r
        slope = -velocity[0] * math.sin(azimuth) + velocity[1] * math.cos(azimuth)
        rate_sigma[i] = math.sqrt(one**2 + (slope * angle) ** 2 + (0.01 * speed) ** 2)
        still[i] = abs(rate[i]) < settings[of.STILL_SIGMAS] * rate_sigma[i]
    owner, leaders = gather(ascending(-polar[:, 3]), points, rate, still, settings)
    k = len(leaders)
    z, R, xy = np.empty((k, 3)), np.empty((k, 2, 3)), np.empty((k, 2))
    snr, width, spread = np.empty(k), np.empty(k), np.empty(k)
    count, quiet = np.empty(k, np.int64), np.empty(k, np.bool_)
    members, start = by_owner(owner, k)
    for m in range(k):
        first, mine = leaders[m], members[start[m] : start[m + 1]]
        join(mine, first, m, polar, points, rate, rate_sigma, sensor, noise, settings, z, R, xy)
        snr[m], count[m] = polar[first, 3], len(mine)
        width[m], spread[m] = widest(mine, points, rate)
        quiet[m] = abs(z[m, 2]) < settings[of.STILL_SIGMAS] * math.sqrt(R[m, 0, 2])
    return z, R, xy, snr, width, spread, count, quiet, points, still, sigma


@compiled
def gather(order, points, rate, still, settings):
    """Leaders from the strongest return down, and the nearest leader of each return: (k,) and (m,) int.

    A return leads if no stronger leader is near and alike. A foot on the ground is still and joins the body that
    moves over it; what moves never joins something still and stronger, such as the wall that it passes.
    """
    k = len(order)
    leaders, m = np.empty(k, np.int64), 0
    owner, best = np.full(k, -1), np.full(k, 1e18)
    for i in order:
        for q in range(m):
            j = leaders[q]
            if may_join(i, j, points, rate, still, settings):
                owner[i] = q
                break
        if owner[i] < 0:
            leaders[m] = i
            m += 1
    for i in range(k):
        for q in range(m):
            j = leaders[q]
            d2 = (points[i, 0] - points[j, 0]) ** 2 + (points[i, 1] - points[j, 1]) ** 2
            if d2 < best[i] and (i == j or may_join(i, j, points, rate, still, settings)):
                owner[i], best[i] = q, d2
    return owner, leaders[:m]


@compiled
def may_join(i, leader, points, rate, still, settings):
    """Whether return i is near enough to a leader and like it."""
    dx, dy = points[i, 0] - points[leader, 0], points[i, 1] - points[leader, 1]
    near = dx * dx + dy * dy <= settings[of.CLUSTER_M] ** 2
    alike = abs(rate[i] - rate[leader]) <= settings[of.CLUSTER_RATE_MPS] and (still[i] or not still[leader])
    return near and alike


@compiled
def join(mine, first, m, polar, points, rate, rate_sigma, sensor, noise, settings, z, R, xy):
    """Fill row m: range, azimuth weighted by signal to noise, the median range rate, and their variances."""
    weight, x, y = 0.0, 0.0, 0.0
    for i in mine:
        w = 10.0 ** (0.1 * (polar[i, 3] - polar[first, 3]))
        x, y, weight = x + w * points[i, 0], y + w * points[i, 1], weight + w
    x, y = x / weight - sensor[0], y / weight - sensor[1]
    r = math.sqrt(x * x + y * y)
    azimuth = -((math.pi - (math.atan2(y, x) - sensor[2])) % (2.0 * math.pi) - math.pi)
    z[m, 0], z[m, 1], z[m, 2] = r + settings[of.BODY_OFFSET_M], azimuth, weighted_median(mine, rate, polar)
    along, angle, _ = sigmas(azimuth, polar[first, 3], noise)
    across = settings[of.BODY_SIGMA_M] / max(z[m, 0], 0.3)
    for model in range(2):
        R[m, model, 0] = along**2 + settings[of.BODY_SIGMA_M] ** 2
        R[m, model, 1] = angle**2 + across**2
        R[m, model, 2] = rate_sigma[first] ** 2 + (settings[of.TORSO_RATE_MPS] ** 2 if model == 1 else 0.0)
    heading = sensor[2] + azimuth
    xy[m, 0] = sensor[0] + z[m, 0] * math.cos(heading)
    xy[m, 1] = sensor[1] + z[m, 0] * math.sin(heading)


@compiled
def weighted_median(mine, rate, polar):
    """The range rate below which half of the power of the picked returns lies; a strong one outweighs many weak."""
    if len(mine) == 1:
        return rate[mine[0]]
    values, power, top_db, total = np.empty(len(mine)), np.empty(len(mine)), -np.inf, 0.0
    for i in mine:
        top_db = max(top_db, polar[i, 3])
    for k in range(len(mine)):
        values[k], power[k] = rate[mine[k]], 10.0 ** (0.1 * (polar[mine[k], 3] - top_db))
        total += power[k]
    order, so_far = ascending(values), 0.0
    for i in order:
        so_far += power[i]
        if so_far >= 0.5 * total:
            return values[i]
    return values[order[-1]]


@compiled
def widest(mine, points, rate):
    """Greatest distance between two of the picked points, m, and greatest difference of their range rates, m/s."""
    out, spread = 0.0, 0.0
    for a in mine:
        for b in mine:
            dx, dy = points[a, 0] - points[b, 0], points[a, 1] - points[b, 1]
            out, spread = max(out, dx * dx + dy * dy), max(spread, rate[a] - rate[b])
    return math.sqrt(out), spread
