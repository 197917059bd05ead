"""Where no radar looks because of how it is mounted: the wedges beside the flanks and before the bumpers."""

import functools
import math

import numpy as np

from avoidkit.frames import to_local
from avoidkit.jit import compiled
from avoidkit.vehicle import box

NEAR_M = 4.5  # farther than this from the outline there are no wedges


def blind(points, pose, tuning, awake=None):
    """Which scene points, (n, 2) m, near the vehicle no radar looks at because of how it is mounted, (n,) bool.

    With `awake`, a bool for each mount, only radars that look at all count.

    Examples
    --------
    >>> from avoidkit.frames import Pose
    >>> from avoidkit.tuning import Tuning
    >>> blind([(1.45, 1.5), (8.0, 0.0)], Pose(0.0, 0.0, 0.0), Tuning()).tolist()
    [True, False]
    """
    local = to_local(np.asarray(points, dtype=float).reshape(-1, 2), pose)
    front, rear, half = box(tuning.vehicle)
    half_view = math.radians(tuning.radar.field_of_view_deg) / 2
    mounts = _mounts(tuning.radar) if awake is None or awake.all() else _mounts(tuning.radar)[awake]
    return unseen(local, front, rear, half, mounts, half_view, tuning.radar.range_min_m)


@compiled
def unseen(local, front_m, rear_m, half_m, mounts, half_view_rad, range_min_m):
    """Which points of the vehicle's frame, (n, 2) m, near its outline no field of view of `mounts` holds, (n,) bool."""
    out = np.zeros(len(local), np.bool_)
    for i in range(len(local)):
        x, y = local[i, 0], local[i, 1]
        out_x = max(max(x - front_m, rear_m - x), 0.0)
        if math.hypot(out_x, max(abs(y) - half_m, 0.0)) > NEAR_M:
            continue
        out[i] = True
        for k in range(len(mounts)):
            off_x, off_y = x - mounts[k, 0], y - mounts[k, 1]
            angle = math.atan2(off_y, off_x) - mounts[k, 2]
            angle = abs((angle + math.pi) % (2 * math.pi) - math.pi)
            if angle <= half_view_rad and math.hypot(off_x, off_y) >= range_min_m:
                out[i] = False
                break
    return out


@functools.lru_cache(maxsize=16)
def _mounts(radar):
    """x and y, m, and boresight, rad, of each radar, (4, 3)."""
    mounts = [getattr(radar.mounts, name) for name in type(radar.mounts).model_fields]
    return np.array([(m.x_m, m.y_m, math.radians(m.yaw_deg)) for m in mounts])
