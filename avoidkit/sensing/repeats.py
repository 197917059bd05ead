"""Tells a radar that sends one scan again and again from one that looks."""

import math

import numpy as np

from avoidkit.frames import Pose

REPEATS = 20  # the same returns so many times in a row, in spite of noise: stuck; our placeholder
MOVED_M, TURNED_RAD = 0.02, 0.005  # own motion that must change what returns; our placeholders


class Repeats:
    """Memory of the last scan of one radar that differed from the one before.

    A scan without returns repeats nothing: an empty field looks the same twice.

    Parameters
    ----------
    noisy : bool
        Whether the radar's noise changes its returns from scan to scan, so that they differ at rest, too.

    Examples
    --------
    >>> from avoidkit.sensing.records import Scan
    >>> watch, one = Repeats(noisy=True), Scan("front_left", 0.0, 0.0, [5.0], [0.1], [0.0], [20.0])
    >>> [watch.seen(one, Pose(x, 0.0, 0.0)) for x in (0.0, 0.01, 0.06)]
    [False, False, True]
    """

    def __init__(self, noisy):
        self._noisy = noisy
        self._last = (np.zeros(0, np.float32), np.zeros(0, np.float32), Pose(0.0, 0.0, 0.0), 0)

    def seen(self, scan, pose):
        """Whether the same returns come again although the vehicle, at `pose`, moved, or too often to be true."""
        ranges, azimuths, before, times = self._last
        same = len(scan) > 0 and np.array_equal(scan.range_m, ranges) and np.array_equal(scan.azimuth_rad, azimuths)
        if not same:
            self._last = (scan.range_m, scan.azimuth_rad, pose, 0)
            return False
        self._last = (ranges, azimuths, before, times + 1)
        moved = (
            math.hypot(pose.x_m - before.x_m, pose.y_m - before.y_m) > MOVED_M
            or abs(pose.yaw_rad - before.yaw_rad) > TURNED_RAD
        )
        return moved or (self._noisy and times + 1 >= REPEATS)

    def checkpoint(self):
        """What `restore` needs, as a list of arrays and plain values."""
        ranges, azimuths, pose, times = self._last
        return [ranges.copy(), azimuths.copy(), [pose.x_m, pose.y_m, pose.yaw_rad], times]

    def restore(self, saved):
        """Take up the memory of a `checkpoint`."""
        ranges, azimuths, pose, times = saved
        ranges, azimuths = np.asarray(ranges, np.float32), np.asarray(azimuths, np.float32)
        self._last = (ranges, azimuths, Pose(*map(float, pose)), int(times))
