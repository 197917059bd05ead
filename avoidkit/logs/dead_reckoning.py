"""Own motion from logged speed and yaw rate: the pose at each row, and where it is not known."""

import math
from dataclasses import dataclass

import numpy as np

from avoidkit.frames import Pose, wrap_angle
from avoidkit.vehicle import Ego

STEERS_FROM_MPS = 0.3  # below this speed a yaw rate says nothing about the steering angle


@dataclass(frozen=True, eq=False, slots=True)
class OwnMotion:
    """Own motion at the rows.

    Attributes
    ----------
    time_s, x_m, y_m, yaw_rad, speed_mps, steering_rad, yaw_rate_radps : (n,) arrays
        Finite; where `known` is False, bridged in a straight line and not to be trusted.
    known : (n,) bool array
    """

    time_s: np.ndarray
    x_m: np.ndarray
    y_m: np.ndarray
    yaw_rad: np.ndarray
    speed_mps: np.ndarray
    steering_rad: np.ndarray
    yaw_rate_radps: np.ndarray
    known: np.ndarray

    def ego(self, k):
        """The `Ego` of row `k`."""
        pose = Pose(float(self.x_m[k]), float(self.y_m[k]), float(self.yaw_rad[k]))
        rest = (self.speed_mps[k], self.steering_rad[k], self.yaw_rate_radps[k])
        return Ego(float(self.time_s[k]), pose, *map(float, rest))

    def pose_at(self, time_s):
        """(x, y, yaw, speed, yaw rate) at one instant, linear between rows."""
        k = int(np.clip(np.searchsorted(self.time_s, time_s, side="right") - 1, 0, max(len(self.time_s) - 2, 0)))
        j = min(k + 1, len(self.time_s) - 1)
        span = self.time_s[j] - self.time_s[k]
        share = float(np.clip((time_s - self.time_s[k]) / span, 0.0, 1.0)) if span > 0 else 0.0
        turn = float(wrap_angle(self.yaw_rad[j] - self.yaw_rad[k]))
        columns = (self.x_m, self.y_m, self.speed_mps, self.yaw_rate_radps)
        x, y, speed, rate = (float(c[k] + share * (c[j] - c[k])) for c in columns)
        return x, y, float(self.yaw_rad[k] + share * turn), speed, rate


def driven_m(speed):
    """Integral of the amount of a speed `Signal` over its samples, trapezoid rule, m.

    Examples
    --------
    >>> from avoidkit.logs.signals import Signal
    >>> driven_m(Signal(np.array([0.0, 2.0, 3.0]), np.array([0.0, 2.0, -2.0])))
    4.0
    """
    amount, dt_s = np.abs(speed.values), np.diff(speed.time_s)
    return float((0.5 * (amount[1:] + amount[:-1]) * dt_s).sum())


def own_motion(own, signals, times_s, vehicle):
    """Own motion at the rows of a recording.

    Parameters
    ----------
    own : mapping.Own
    signals : dict
        {name of a field of `mapping.Own`: Signal}, those that the log holds.
    times_s : (n,) array
        Of the rows, growing.
    vehicle : VehicleTuning
        Wheelbase and steering limit.

    Returns
    -------
    OwnMotion

    Notes
    -----
    Speed and yaw rate are taken as linear between samples and integrated exactly; the position with the mean
    heading of each step between samples or rows.
    """
    zero = np.zeros(len(times_s))
    if own.stands:
        return OwnMotion(times_s, zero, zero, zero, zero, zero, zero, np.ones(len(times_s), bool))
    speed, known = _speed_at(own, signals, times_s)
    steering, steered = _at(signals, "steering", times_s, own.gap_s)
    rate, turns_known = _at(signals, "yaw_rate", times_s, own.gap_s)
    if "yaw_rate" not in signals:
        rate, turns_known = np.tan(steering) / vehicle.wheelbase_m * speed, steered
    if "steering" not in signals:
        steering = _steering_from(speed, rate, vehicle)
    elif "yaw_rate" in signals:
        known = known & steered
    if "x" in signals:
        (x, y, yaw), there = _logged_pose(own, signals, times_s)
        turns_known = turns_known | ("yaw_rate" not in signals)
    else:
        (x, y, yaw), there = _reckoned(own, signals, times_s, vehicle), True
    if "known" in signals:
        trusted, told = signals["known"].at(times_s, own.gap_s, hold=True)
        there = there & told & (trusted != 0)
    steering, rate = np.nan_to_num(steering), np.nan_to_num(rate)
    return OwnMotion(times_s, x, y, yaw, speed, steering, rate, known & turns_known & there)


def _at(signals, name, times_s, gap_s, **how):
    """Values of a signal at times, 0 and known where there is no such channel."""
    if name not in signals:
        return np.zeros(len(times_s)), np.ones(len(times_s), bool)
    values, known = signals[name].at(times_s, gap_s, **how)
    return np.nan_to_num(values), known


def _speed_at(own, signals, times_s):
    speed, known = _at(signals, "speed", times_s, own.gap_s)
    if "gear" in signals:
        gear, geared = signals["gear"].at(times_s, math.inf, hold=True)
        speed = np.where(np.isin(gear, own.gear.reverse), -np.abs(speed), speed)
        known = known & geared
    return speed, known


def _steering_from(speed, rate, vehicle):
    """The steering angle that goes with speed and yaw rate; 0 where it is too slow to tell."""
    fast = np.abs(speed) > STEERS_FROM_MPS
    angle = np.arctan(np.where(fast, rate / np.where(fast, speed, 1.0), 0.0) * vehicle.wheelbase_m)
    most = math.radians(vehicle.steering_max_deg)
    return np.clip(angle, -most, most)


def _logged_pose(own, signals, times_s):
    x, a = signals["x"].at(times_s, own.gap_s)
    y, b = signals["y"].at(times_s, own.gap_s)
    yaw, c = signals["yaw"].at(times_s, own.gap_s, turns=True)
    known = a & b & c
    yaw = np.where(np.abs(yaw) > math.pi, wrap_angle(np.nan_to_num(yaw)), yaw)
    return tuple(np.nan_to_num(column) for column in (x, y, yaw)), known


def _reckoned(own, signals, times_s, vehicle):
    """x, y, yaw at the rows, from (0, 0, 0) at the first."""
    moments = [signals[name].time_s for name in ("speed", "yaw_rate", "steering") if name in signals]
    inside = [t[(t > times_s[0]) & (t < times_s[-1])] for t in moments]
    fine = np.unique(np.concatenate([times_s, *inside]))
    speed, _ = _speed_at(own, signals, fine)
    rate, _ = _at(signals, "yaw_rate", fine, own.gap_s)
    if "yaw_rate" not in signals and "steering" in signals:
        rate = np.tan(_at(signals, "steering", fine, own.gap_s)[0]) / vehicle.wheelbase_m * speed
    dt_s = np.diff(fine)
    yaw = np.concatenate([[0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1]) * dt_s)])
    step = 0.5 * (speed[1:] + speed[:-1]) * dt_s
    middle = 0.5 * (yaw[1:] + yaw[:-1])
    x = np.concatenate([[0.0], np.cumsum(step * np.cos(middle))])
    y = np.concatenate([[0.0], np.cumsum(step * np.sin(middle))])
    rows = np.searchsorted(fine, times_s)
    return x[rows], y[rows], wrap_angle(yaw[rows])
