"""Dead reckoning: paper cases, and a circle that closes."""

import math

import numpy as np
import pytest

from avoidkit import Tuning
from avoidkit.logs.dead_reckoning import driven_m, own_motion
from avoidkit.logs.mapping import Own
from avoidkit.logs.signals import Signal

V = {"channel": "v"}


def reckoned(own, signals, to_s, dt_s=0.05):
    times = np.arange(round(to_s / dt_s) + 1) * dt_s
    return own_motion(Own.model_validate(own), signals, times, Tuning().vehicle)


def steady(value, to_s, dt_s=0.01):
    times = np.arange(round(to_s / dt_s) + 1) * dt_s
    return Signal(times, np.full(len(times), float(value)))


def test_a_circle_closes():
    signals = {"speed": steady(1.0, 20 * math.pi), "yaw_rate": steady(0.1, 20 * math.pi)}  # radius 10 m, once round
    motion = reckoned({"speed": V, "yaw_rate": V, "gap_s": 0.5}, signals, 20 * math.pi - 0.02)
    half = np.argmin(np.abs(motion.time_s - 10 * math.pi))
    assert motion.y_m[half] == pytest.approx(20.0, abs=0.01)
    assert math.hypot(motion.x_m[-1], motion.y_m[-1]) < 0.1
    assert motion.known.all()


def test_steering_turns_as_the_bicycle_model_does():
    angle = math.atan(Tuning().vehicle.wheelbase_m / 10.0)  # radius 10 m
    signals = {"speed": steady(1.0, 10.0), "steering": steady(angle, 10.0)}
    motion = reckoned({"speed": V, "steering": V}, signals, 10.0)
    assert motion.yaw_rad[-1] == pytest.approx(1.0, abs=1e-9)
    assert motion.x_m[-1] == pytest.approx(10 * math.sin(1.0), abs=1e-3)


def test_steering_is_worked_out_from_the_yaw_rate_where_the_log_has_none():
    motion = reckoned({"speed": V, "yaw_rate": V}, {"speed": steady(2.0, 2.0), "yaw_rate": steady(0.2, 2.0)}, 2.0)
    assert math.tan(motion.steering_rad[5]) / Tuning().vehicle.wheelbase_m == pytest.approx(0.1)


def test_a_linear_speed_between_sparse_samples_is_integrated_exactly():
    ramp = Signal(np.array([0.0, 1.0, 2.0]), np.array([0.0, 2.0, 0.0]))
    motion = reckoned({"speed": V, "straight": True, "gap_s": 1.5}, {"speed": ramp}, 1.8, dt_s=0.3)
    assert motion.x_m[-1] == pytest.approx(2.0 - 0.5 * 2.0 * 0.2**2)
    assert driven_m(ramp) == 2.0


def test_between_samples_too_far_apart_own_motion_is_unknown():
    sparse = Signal(np.array([0.0, 0.1, 1.0, 1.1]), np.ones(4))
    motion = reckoned({"speed": V, "straight": True, "gap_s": 0.5}, {"speed": sparse}, 1.5, dt_s=0.1)
    unknown = [round(float(t), 1) for t in motion.time_s[~motion.known]]
    assert unknown == [0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9]
    assert np.isfinite(motion.x_m).all()


def test_a_logged_pose_is_taken_as_it_is_across_half_a_turn():
    times = np.array([0.0, 0.1])
    signals = {"speed": Signal(times, np.ones(2)), "x": Signal(times, np.array([5.0, 6.0]))}
    signals |= {"y": Signal(times, np.zeros(2)), "yaw": Signal(times, np.array([3.1, -3.1]))}
    motion = reckoned({"speed": V, "x": V, "y": V, "yaw": V}, signals, 0.1)
    assert motion.x_m.tolist() == pytest.approx([5.0, 5.5, 6.0])
    assert abs(motion.yaw_rad[1]) == pytest.approx(math.pi)
    assert motion.yaw_rad[2] == -3.1
