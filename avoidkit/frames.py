"""Poses, moving points between frames, and angles.

Axes after ISO 8855: x forward, y left, yaw counter-clockwise. A vehicle's origin is on the ground under
the middle of its rear axle. The scene frame is fixed to the yard.
"""

import math
from dataclasses import dataclass

import numpy as np

from avoidkit.checks import require_finite


@dataclass(frozen=True, slots=True)
class Pose:
    """Where something is and which way it points: x and y in m, yaw in rad counter-clockwise."""

    x_m: float
    y_m: float
    yaw_rad: float

    def __post_init__(self):
        require_finite(x_m=self.x_m, y_m=self.y_m, yaw_rad=self.yaw_rad)


def wrap_angle(angle_rad):
    """The same angle within (-pi, pi]; numbers and arrays alike.

    Examples
    --------
    >>> round(float(wrap_angle(3.5 * math.pi)), 6)
    -1.570796
    """
    return -((math.pi - angle_rad) % (2 * math.pi) - math.pi)


def rotation(yaw_rad):
    """The (2, 2) matrix that turns column vectors by `yaw_rad`."""
    cos, sin = math.cos(yaw_rad), math.sin(yaw_rad)
    return np.array([[cos, -sin], [sin, cos]])


def to_scene(points_local, pose):
    """Move (..., 2) points, m, from the frame of `pose` into the frame in which `pose` is given.

    Examples
    --------
    >>> to_scene(np.array([[2.0, 0.0]]), Pose(1.0, 1.0, math.pi / 2)).round(9).tolist()
    [[1.0, 3.0]]
    """
    points = np.asarray(points_local, dtype=float)
    return points @ rotation(pose.yaw_rad).T + np.array([pose.x_m, pose.y_m])


def to_local(points_scene, pose):
    """Move (..., 2) points, m, into the frame of `pose`: the inverse of `to_scene`."""
    points = np.asarray(points_scene, dtype=float)
    return (points - np.array([pose.x_m, pose.y_m])) @ rotation(pose.yaw_rad)


def compose(outer, inner):
    """The pose `inner`, given in the frame of `outer`, seen from where `outer` is given."""
    x, y = to_scene(np.array([inner.x_m, inner.y_m]), outer)
    return Pose(float(x), float(y), float(wrap_angle(outer.yaw_rad + inner.yaw_rad)))
