"""Verdict to pose: the vehicle follows its path, brakes with latency and build-up, and obeys hold-to-run."""

import math
from dataclasses import dataclass, replace

from avoidkit.frames import Pose, wrap_angle
from avoidkit.paths import same_way
from avoidkit.vehicle import Ego

SUBSTEP_S = 0.005
OFFSET_GAIN = 0.5  # 1/m^2: curvature for an offset; with the next, critically damped over distance
HEADING_GAIN = 1.4  # 1/m
SLOW_DOWN_MPS2 = 0.8  # gentle deceleration towards a stop that was planned
STEERED_RAD = math.radians(2.0)  # a standing vehicle turns its wheels this near before it moves


@dataclass(frozen=True, slots=True)
class Motion:
    """Where the true vehicle is and what its brake and wheels are doing.

    `along_m` is the distance along `path_name`; `speed_mps` is at least 0, `direction` +1 or -1.
    `brake_since_s` is how long ago the present order to brake was given (NaN: none), `brake_mps2` what it does now.
    """

    pose: Pose
    speed_mps: float = 0.0
    direction: int = 1
    steering_rad: float = 0.0
    brake_since_s: float = math.nan
    path_name: str = ""
    along_m: float = 0.0


def ego_of(motion, time_s, wheelbase_m):
    """What odometry says of this motion: an `Ego` with signed speed."""
    signed = motion.speed_mps * motion.direction
    return Ego(time_s, motion.pose, signed, motion.steering_rad, signed * math.tan(motion.steering_rad) / wheelbase_m)


def advance(motion, verdict, vehicle, dt_s, *, along_m=None):
    """The motion one cycle later under a verdict.

    The speed cap is held, not exceeded: below it the vehicle accelerates, above it an order to brake is
    given, which acts after the latency and builds up linearly. A cap of 0 is a full stop. Towards the end of a
    leg the vehicle slows down gently and stops there; a standing vehicle turns its wheels before it moves.

    Parameters
    ----------
    motion : Motion
    verdict : Verdict
    vehicle : VehicleTuning
        The true one, which may differ from what the tuning believes.
    dt_s : float
    along_m : float, optional
        About where the vehicle is on a path that it was not on before; 0 by default.

    Returns
    -------
    Motion
    """
    path = verdict.path
    if path.name != motion.path_name:
        about = 0.0 if along_m is None else along_m
        if same_way(path.name, motion.path_name):
            along = motion.along_m
        else:
            along = path.nearest(motion.pose.x_m, motion.pose.y_m, from_m=max(about - 0.5, 0.0), to_m=about + 0.5)
        motion = replace(motion, path_name=path.name, along_m=along)
    steps = max(1, round(dt_s / SUBSTEP_S))
    for _ in range(steps):
        motion = _substep(motion, path, verdict.speed_cap_mps, vehicle, dt_s / steps)
    return motion


def _substep(motion, path, cap_mps, vehicle, dt_s):
    leg_end = path.leg_end_after(motion.along_m)
    left = leg_end - motion.along_m
    if motion.speed_mps == 0.0 and left < 0.01 and leg_end < path.length_m - 1e-6:
        motion = replace(motion, along_m=leg_end + 1e-6)  # change of gear, standing
        left = path.leg_end_after(motion.along_m) - motion.along_m
    direction = path.direction_at(motion.along_m) if motion.speed_mps == 0.0 else motion.direction
    wanted = _wanted_steering(motion, path, direction, vehicle)
    most = math.radians(vehicle.steering_rate_max_deg_per_s) * dt_s
    steering = motion.steering_rad + min(max(wanted - motion.steering_rad, -most), most)
    planned = math.sqrt(2 * SLOW_DOWN_MPS2 * max(left - 0.004, 0.0))
    ready = motion.speed_mps > 0.0 or abs(wanted - motion.steering_rad) <= STEERED_RAD
    speed, since = _speed(motion, cap_mps, planned if ready else 0.0, vehicle, dt_s)
    moved = 0.5 * (motion.speed_mps + speed) * dt_s
    signed = moved * direction
    turn = signed * math.tan(0.5 * (steering + motion.steering_rad)) / vehicle.wheelbase_m
    yaw = motion.pose.yaw_rad + 0.5 * turn
    pose = Pose(
        motion.pose.x_m + signed * math.cos(yaw),
        motion.pose.y_m + signed * math.sin(yaw),
        float(wrap_angle(motion.pose.yaw_rad + turn)),
    )
    along = motion.along_m
    if moved > 0:
        ahead = min(along + moved + 0.05, leg_end)
        along = path.nearest(pose.x_m, pose.y_m, from_m=along, to_m=ahead)
    return Motion(pose, speed, direction, steering, since, motion.path_name, along)


def _wanted_steering(motion, path, direction, vehicle):
    """Steering that follows the path: its curvature a little ahead, corrected for offset and heading error."""
    x, y, yaw = path.poses_at(motion.along_m)
    heading = yaw if direction > 0 else yaw + math.pi
    offset = -(motion.pose.x_m - x) * math.sin(heading) + (motion.pose.y_m - y) * math.cos(heading)
    error = math.remainder(motion.pose.yaw_rad - yaw, 2 * math.pi)
    preview = min(motion.along_m + 0.04 + 0.1 * motion.speed_mps, path.leg_end_after(motion.along_m))
    travel = float(path.curvature_at(preview)) * direction - OFFSET_GAIN * offset - HEADING_GAIN * math.sin(error)
    most = math.radians(vehicle.steering_max_deg)
    return min(max(math.atan(travel * direction * vehicle.wheelbase_m), -most), most)


def _speed(motion, cap_mps, planned_mps, vehicle, dt_s):
    """Speed after one substep and how long the order to brake has stood."""
    speed, since = motion.speed_mps, motion.brake_since_s
    if speed > cap_mps + 1e-9:
        since = 0.0 if math.isnan(since) else since
        acting = since + 0.5 * dt_s - vehicle.latency_s
        built = 1.0 if vehicle.brake_build_up_s <= 0 else min(max(acting / vehicle.brake_build_up_s, 0.0), 1.0)
        brake = vehicle.brake_mps2 * built if acting > 0 else 0.0
        return max(speed - brake * dt_s, min(cap_mps, speed), 0.0), since + dt_s
    goal = min(cap_mps, planned_mps)
    if goal < speed:
        return max(goal, speed - 2.0 * SLOW_DOWN_MPS2 * dt_s, 0.0), math.nan
    return min(goal, speed + vehicle.accel_mps2 * dt_s), math.nan
