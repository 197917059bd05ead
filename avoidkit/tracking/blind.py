"""Where no radar looks because of how it is mounted: the wedges beside the flanks and before the bumpers."""

import functools
import math

import numpy as np

from avoidkit.frames import to_local
from avoidkit.vehicle import box

NEAR_M = 4.5  # farther than this from the outline there are no wedges


def blind(points, pose, tuning):
    """Which scene points, (n, 2) m, near the vehicle no radar looks at because of how it is mounted, (n,) bool.

    Examples
    --------
    >>> from avoidkit.frames import Pose
    >>> from avoidkit.tuning import Tuning
    >>> blind([(1.45, 1.5), (8.0, 0.0)], Pose(0.0, 0.0, 0.0), Tuning()).tolist()
    [True, False]
    """
    local = to_local(np.asarray(points, dtype=float).reshape(-1, 2), pose)
    front, rear, half = box(tuning.vehicle)
    out_x = np.maximum(np.maximum(local[:, 0] - front, rear - local[:, 0]), 0.0)
    near = np.hypot(out_x, np.maximum(np.abs(local[:, 1]) - half, 0.0)) <= NEAR_M
    mounts = _mounts(tuning.radar)
    off = local[:, None] - mounts[:, :2]
    angle = np.arctan2(off[..., 1], off[..., 0]) - mounts[:, 2]
    angle = np.abs(np.remainder(angle + math.pi, 2 * math.pi) - math.pi)
    half_view = math.radians(tuning.radar.field_of_view_deg) / 2
    seen = (angle <= half_view) & (np.hypot(off[..., 0], off[..., 1]) >= tuning.radar.range_min_m)
    return near & ~seen.any(axis=1)


@functools.lru_cache(maxsize=16)
def _mounts(radar):
    """x and y, m, and boresight, rad, of each radar, (4, 3)."""
    mounts = [getattr(radar.mounts, name) for name in type(radar.mounts).model_fields]
    return np.array([(m.x_m, m.y_m, math.radians(m.yaw_deg)) for m in mounts])
