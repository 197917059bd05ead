"""From when on other verdicts would have led the vehicle elsewhere: the same vehicle follows both rows of verdicts."""

import math
from dataclasses import replace

from avoidkit.motion import Motion, advance
from avoidkit.paths import same_way

APART_M, APART_RAD = 1e-3, 1e-3  # nearer than this counts as the same place
FOLLOWED_M = 0.05  # a recorded vehicle farther from its verdicts than this was led by something else


class Elsewhere:
    """Two vehicles, one led by the recorded verdicts and one by the new ones, from the recording's first row on.

    Attributes
    ----------
    at_s : float
        First row at which the two stand in different places; inf: none so far.
    off_m : float
        Greatest distance so far between the first vehicle and the recorded one: small where the recording
        is a drive of the kit, large where somebody else drove.
    """

    def __init__(self, recording):
        self._vehicle = recording.scene.true_vehicle_of(recording.tuning)
        self._cycle_s = recording.tuning.cycle_s
        self._reference = recording.paths.get("reference") or recording.scene.reference
        self._was = self._new = None
        self.at_s, self.off_m = math.inf, 0.0

    def step(self, row, verdict):
        """Take in one recorded row and the new verdict on it."""
        if math.isfinite(self.at_s):
            return
        if self._was is None:
            self._was = self._new = _start(row)
        self.off_m = max(self.off_m, _apart_m(self._was[0].pose, row.ego.pose))
        if self._new is not self._was and _differ(self._was[0].pose, self._new[0].pose):
            self.at_s = row.time_s
            return
        together = self._new is self._was and _same_order(row.verdict, verdict)
        before = self._new
        self._was = self._led(self._was, row, row.verdict)
        self._new = self._was if together else self._led(before, row, verdict)

    def _led(self, at, row, verdict):
        motion, along = at
        obeyed = verdict if row.hold.pressed else replace(verdict, speed_cap_mps=0.0)
        about = along if same_way(verdict.path.name, self._reference.name) else 0.0
        motion = advance(motion, obeyed, self._vehicle, self._cycle_s, along_m=about)
        return motion, self._along(motion, along)

    def _along(self, motion, before):
        if same_way(motion.path_name, self._reference.name):
            return motion.along_m
        ahead = min(before + 0.5, self._reference.leg_end_after(before))
        return self._reference.nearest(motion.pose.x_m, motion.pose.y_m, from_m=max(before - 0.2, 0.0), to_m=ahead)


def _start(row):
    ego = row.ego
    direction = -1 if ego.speed_mps < 0 else 1
    if ego.speed_mps == 0:
        direction = row.verdict.path.direction_at(row.along_m) if row.path == row.verdict.path.name else 1
    motion = Motion(ego.pose, abs(ego.speed_mps), direction, ego.steering_rad, math.nan, row.path, row.along_m)
    return motion, row.reference_along_m


def _same_order(a, b):
    return a.speed_cap_mps == b.speed_cap_mps and a.path is b.path


def _apart_m(a, b):
    return math.hypot(a.x_m - b.x_m, a.y_m - b.y_m)


def _differ(a, b):
    turned = abs(math.remainder(a.yaw_rad - b.yaw_rad, 2 * math.pi))
    return _apart_m(a, b) > APART_M or turned > APART_RAD
