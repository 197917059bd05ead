"""Helpers of the free-space tests: radars that look at given points, exactly."""

import math

import numpy as np

from avoidkit.frames import Pose
from avoidkit.sensing.records import Health, Scan
from avoidkit.tracking.records import no_tracks
from avoidkit.tuning import Tuning
from avoidkit.vehicle import Ego

TUNING = Tuning()
NAMES = ("front_left", "front_right", "rear_left", "rear_right")
CYCLE_S = 0.05


def ego_at(time_s, x_m=0.0, y_m=0.0, yaw_rad=0.0, speed_mps=0.0):
    return Ego(time_s, Pose(x_m, y_m, yaw_rad), speed_mps, 0.0, 0.0)


def scan_of(sensor, taken_s, points_scene=(), *, ego=None, tuning=TUNING, snr_db=20.0, health=Health.OK):
    """A scan of one radar that holds exactly the given scene points, seen or not."""
    pose = Pose(0.0, 0.0, 0.0) if ego is None else ego.pose
    mount = getattr(tuning.radar.mounts, sensor)
    c, s = math.cos(pose.yaw_rad), math.sin(pose.yaw_rad)
    x, y = pose.x_m + c * mount.x_m - s * mount.y_m, pose.y_m + s * mount.x_m + c * mount.y_m
    yaw = pose.yaw_rad + math.radians(mount.yaw_deg)
    points = np.asarray(points_scene, dtype=float).reshape(-1, 2) - [x, y]
    bearing = (np.arctan2(points[:, 1], points[:, 0]) - yaw + math.pi) % (2 * math.pi) - math.pi
    seen = np.abs(bearing) <= math.radians(tuning.radar.field_of_view_deg) / 2
    ranges = np.hypot(*points.T)[seen]
    return Scan(sensor, taken_s, taken_s, ranges, bearing[seen], 0 * ranges, np.full(len(ranges), snr_db), health)


def watch(space, seconds, points=(), *, start_s=0.0, ego=None, names=NAMES, tracks=None, **more):
    """Let the radars look at the same points for a while; return the last grid."""
    grid = None
    for k in range(round(seconds / CYCLE_S)):
        now = start_s + k * CYCLE_S
        here = ego_at(now) if ego is None else ego(now)
        scans = [scan_of(name, now, points, ego=here, **more) for name in names]
        grid = space.step(scans, None, no_tracks(now) if tracks is None else tracks(now), here)
    return grid


def value_at(grid, x, y):
    cells, inside = grid.index_of([[x, y]])
    assert inside[0]
    return float(grid.log_odds[tuple(cells[0])])


def wall(x0, y0, x1, y1, spacing=0.4):
    n = round(math.hypot(x1 - x0, y1 - y0) / spacing) + 1
    return np.linspace([x0, y0], [x1, y1], n)
