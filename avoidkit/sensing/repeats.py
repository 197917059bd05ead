"""Tells a radar that looks from one that sends one scan again and again, and from one whose scans have thinned out."""

import math

import numpy as np

from avoidkit.frames import Pose

REPEATS = 20  # the same returns so many times in a row, in spite of noise: stuck; our placeholder
EMPTY_ODDS = 1e-9  # ours: a row of empty scans less likely than this in an empty field is a repeat
USUAL_FROM, SPARSE_SHARE = 8.0, 0.4  # with a smaller share of so many returns a scan says nothing of gaps; ours
USUAL_S, WHILE_SPARSE_S = 2.0, 30.0  # how long a usual number is remembered, and while scans are sparse; ours
MOVED_M, TURNED_RAD = 0.02, 0.005  # own motion that must change what returns; our placeholders


class Repeats:
    """Memory of the last scan of one radar that differed from the one before.

    A scan without returns repeats nothing, since an empty field looks the same twice, unless there are so many in a
    row that false alarms should have come between them; scans that stand in for a list of objects do not count.

    Parameters
    ----------
    noisy : bool
        Whether the radar's noise changes its returns from scan to scan, so that they differ at rest, too.
    false_per_scan : float
        Mean number of false alarms of a scan; with 0, empty scans are never too many.

    Examples
    --------
    >>> from avoidkit.sensing.records import Scan
    >>> watch, one = Repeats(noisy=True), Scan("front_left", 0.0, 0.0, [5.0], [0.1], [0.0], [20.0])
    >>> [watch.seen(one, Pose(x, 0.0, 0.0)) for x in (0.0, 0.01, 0.06)]
    [False, False, True]
    """

    def __init__(self, noisy, false_per_scan=0.0):
        self._noisy = noisy
        self._most_empty = math.inf
        if noisy and false_per_scan > 0.0:
            self._most_empty = max(REPEATS, math.ceil(-math.log(EMPTY_ODDS) / false_per_scan))
        self._last = (np.zeros(0, np.float32), np.zeros(0, np.float32), Pose(0.0, 0.0, 0.0), 0)

    def seen(self, scan, pose):
        """Whether the same returns come again although the vehicle, at `pose`, moved, or too often to be true."""
        ranges, azimuths, before, times = self._last
        same = np.array_equal(scan.range_m, ranges) and np.array_equal(scan.azimuth_rad, azimuths)
        if same and len(scan) == 0:
            times += scan.arrives_s > scan.taken_s  # what stands in for a list of objects arrives as it is taken
            self._last = (ranges, azimuths, before, times)
            return times >= self._most_empty
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


class Usual:
    """How many returns a radar's scans used to hold: one with far fewer may have gone blind without knowing."""

    def __init__(self):
        self.usual, self.counted_s = math.nan, -math.inf  # returns of a scan as they used to be, and up to when

    def sparse(self, returns, taken_s):
        """Whether a scan holds far fewer returns than usual; what is usual is forgotten slowly while that lasts."""
        before_s, self.counted_s = self.counted_s, max(self.counted_s, taken_s)
        if math.isnan(self.usual):
            self.usual = float(returns)
            return False
        sparse = self.usual >= USUAL_FROM and returns < SPARSE_SHARE * self.usual
        dt_s = self.counted_s - before_s
        self.usual += (returns - self.usual) * -math.expm1(-dt_s / (WHILE_SPARSE_S if sparse else USUAL_S))
        return sparse

    def checkpoint(self):
        """What `restore` needs."""
        return [self.usual, self.counted_s]

    def restore(self, saved):
        """Take up the memory of a `checkpoint`."""
        self.usual, self.counted_s = map(float, saved)
