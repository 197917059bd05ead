"""The vehicle: outline, steering limits, braking (where it stops and when), and its own motion over time."""

import bisect
import functools
import math
from dataclasses import dataclass

import numpy as np

from avoidkit.checks import InputError, require_not_negative, require_positive
from avoidkit.frames import Pose, to_scene, wrap_angle


@dataclass(frozen=True, slots=True)
class Ego:
    """What the vehicle knows of its own motion at one instant; speed is negative in reverse."""

    time_s: float
    pose: Pose
    speed_mps: float
    steering_rad: float
    yaw_rate_radps: float


class EgoHistory:
    """The last few seconds of own motion, interpolated at any instant within them.

    Before the first sample the vehicle is taken to have stood at it; after the last one the last
    speed and yaw rate go on.
    """

    def __init__(self, keep_s=3.0):
        self._keep_s = keep_s
        self._times, self._egos, self._asked = [], [], {}

    def add(self, ego):
        """Append one sample of finite numbers; time must grow."""
        for name in ("time_s", "speed_mps", "steering_rad", "yaw_rate_radps"):
            if not math.isfinite(getattr(ego, name)):
                raise InputError(f"ego.{name} must be finite, got {getattr(ego, name)}")
        if self._times and ego.time_s <= self._times[-1]:
            raise InputError(f"ego.time_s must grow, got {ego.time_s} after {self._times[-1]}")
        self._times.append(ego.time_s)
        self._egos.append(ego)
        self._asked.clear()
        while self._times[0] < ego.time_s - self._keep_s:
            del self._times[0], self._egos[0]

    def at(self, time_s):
        """The `Ego` at `time_s`, between samples by linear interpolation."""
        if time_s not in self._asked:  # several stages ask for the instant of the same scan
            self._asked[time_s] = self._at(time_s)
        return self._asked[time_s]

    def _at(self, time_s):
        if not self._times:
            raise InputError("own motion is not known yet: add an Ego first")
        k = bisect.bisect_right(self._times, time_s)
        if k == 0:
            first = self._egos[0]
            return Ego(time_s, first.pose, 0.0, first.steering_rad, 0.0)
        if k == len(self._times):
            last = self._egos[-1]
            dt_s = time_s - last.time_s
            yaw = last.pose.yaw_rad + 0.5 * last.yaw_rate_radps * dt_s
            pose = Pose(
                last.pose.x_m + last.speed_mps * dt_s * math.cos(yaw),
                last.pose.y_m + last.speed_mps * dt_s * math.sin(yaw),
                float(wrap_angle(last.pose.yaw_rad + last.yaw_rate_radps * dt_s)),
            )
            return Ego(time_s, pose, last.speed_mps, last.steering_rad, last.yaw_rate_radps)
        a, b = self._egos[k - 1], self._egos[k]
        share = (time_s - a.time_s) / (b.time_s - a.time_s)

        def between(x, y):
            return x + share * (y - x)

        yaw = a.pose.yaw_rad + share * float(wrap_angle(b.pose.yaw_rad - a.pose.yaw_rad))
        pose = Pose(between(a.pose.x_m, b.pose.x_m), between(a.pose.y_m, b.pose.y_m), float(wrap_angle(yaw)))
        return Ego(
            time_s,
            pose,
            between(a.speed_mps, b.speed_mps),
            between(a.steering_rad, b.steering_rad),
            between(a.yaw_rate_radps, b.yaw_rate_radps),
        )


def outline(vehicle, *, grown_m=0.0):
    """Corners of the vehicle's rectangle in its own frame, (4, 2) m, counter-clockwise from rear right.

    Parameters
    ----------
    vehicle : VehicleTuning
    grown_m : float
        Added on every side, m, at least 0.
    """
    require_not_negative(grown_m=grown_m)
    front, rear, half = box(vehicle)
    front, rear, half = front + grown_m, rear - grown_m, half + grown_m
    return np.array([[rear, -half], [front, -half], [front, half], [rear, half]])


def box(vehicle):
    """The outline as (front_m, rear_m, half_width_m) in the vehicle's own frame; rear is negative."""
    rear_m = -vehicle.rear_overhang_m
    return vehicle.length_m + rear_m, rear_m, vehicle.width_m / 2


def outline_in_scene(vehicle, pose, *, grown_m=0.0):
    """Corners of the outline at `pose`, (4, 2) m in the scene frame."""
    return to_scene(outline(vehicle, grown_m=grown_m), pose)


def curvature_of(steering_rad, wheelbase_m):
    """Path curvature of the rear axle, 1/m, by the kinematic bicycle model: tan(steering) / wheelbase.

    Examples
    --------
    >>> round(1 / curvature_of(math.radians(30), 2.7), 4)  # derived: 2.7 m / tan 30 deg
    4.6765
    """
    return math.tan(steering_rad) / wheelbase_m


def steering_of(curvature_1pm, wheelbase_m):
    """Steering angle, rad, that drives a curvature at the rear axle; the inverse of `curvature_of`."""
    return np.arctan(np.asarray(curvature_1pm) * wheelbase_m)


def greatest_curvature(vehicle):
    """The tightest curvature of the rear axle that the steering limit allows, 1/m."""
    return curvature_of(math.radians(vehicle.steering_max_deg), vehicle.wheelbase_m)


def stop_distance(speed_mps, latency_s, build_up_s, brake_mps2):
    """Distance, m, covered from the order to brake until the vehicle stands.

    The brake acts after `latency_s`, grows linearly to `brake_mps2` within `build_up_s` and stays.
    While the speed is at least half of brake times build-up, the distance is
    v (t_r + t_b/2) + v^2 / 2a - a t_b^2 / 24; below that the vehicle stands before the brake has fully
    built up, and the exact integral of the cubic holds: v t_r + (2/3) v sqrt(2 v t_b / a).

    Parameters
    ----------
    speed_mps : float or array
        At least 0.
    latency_s, build_up_s : float
        At least 0, s.
    brake_mps2 : float
        Above 0, m/s^2.

    Raises
    ------
    InputError
        If a number is out of these bounds or not finite.

    Examples
    --------
    >>> round(float(stop_distance(10 / 3.6, 0.3, 0.0, 3.0)), 3)  # derived: v t + v^2 / 2a
    2.119
    """
    return _kept(_stop_distance, speed_mps, latency_s, build_up_s, brake_mps2)


def _stop_distance(speed_mps, latency_s, build_up_s, brake_mps2):
    speed = _braking_inputs(speed_mps, latency_s, build_up_s, brake_mps2)
    after_build_up = speed * build_up_s / 2 + speed**2 / (2 * brake_mps2) - brake_mps2 * build_up_s**2 / 24
    within_build_up = 2 / 3 * speed * np.sqrt(2 * speed * build_up_s / brake_mps2)
    long = speed >= brake_mps2 * build_up_s / 2
    return speed * latency_s + np.where(long, after_build_up, within_build_up)


def stop_time(speed_mps, latency_s, build_up_s, brake_mps2):
    """Time, s, from the order to brake until the vehicle stands; same inputs as `stop_distance`.

    Examples
    --------
    >>> round(float(stop_time(1.0, 0.15, 0.10, 4.0)), 3)
    0.45
    """
    return _kept(_stop_time, speed_mps, latency_s, build_up_s, brake_mps2)


def _stop_time(speed_mps, latency_s, build_up_s, brake_mps2):
    speed = _braking_inputs(speed_mps, latency_s, build_up_s, brake_mps2)
    long = speed >= brake_mps2 * build_up_s / 2
    braking = np.where(long, build_up_s / 2 + speed / brake_mps2, np.sqrt(2 * speed * build_up_s / brake_mps2))
    return np.where(speed > 0, latency_s + braking, 0.0)


def _kept(function, speed_mps, *limits):
    """The function of one speed, kept from the last time; of an array, worked out: a drive asks for few, often."""
    plain = all(isinstance(number, float) for number in (speed_mps, *limits))
    return _of_one_speed(function, speed_mps, *limits) if plain else function(speed_mps, *limits)


@functools.lru_cache(maxsize=512)
def _of_one_speed(function, speed_mps, *limits):
    return float(function(speed_mps, *limits))


def _braking_inputs(speed_mps, latency_s, build_up_s, brake_mps2):
    require_not_negative(latency_s=latency_s, build_up_s=build_up_s)
    require_positive(brake_mps2=brake_mps2)
    speed = np.asarray(speed_mps, dtype=float)
    if not np.all(np.isfinite(speed)) or np.any(speed < 0):
        raise InputError(f"speed_mps must be finite and at least 0, got {speed_mps}")
    return speed
