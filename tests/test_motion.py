"""The vehicle on its path: where it stops, how well it follows, and that it stands at a change of gear."""

import math

import numpy as np
import pytest

from avoidkit.frames import Pose
from avoidkit.motion import Motion, advance
from avoidkit.paths import integrate_path, path_from_legs
from avoidkit.tuning import Tuning
from avoidkit.vehicle import stop_distance, stop_time
from avoidkit.verdict import Action, Memory, Verdict

TUNING = Tuning()
VEHICLE = TUNING.vehicle
CYCLE_S = TUNING.cycle_s


def go(path, cap):
    return Verdict(Action.CONTINUE, path, cap, Memory())


def play(motion, path, cap, seconds, vehicle=VEHICLE):
    out = [motion]
    for _ in range(round(seconds / CYCLE_S)):
        out.append(advance(out[-1], go(path, cap), vehicle, CYCLE_S))
    return out


STRAIGHT = path_from_legs(Pose(0, 0, 0), [(1, [(40.0, 0.0)])])


def test_the_speed_cap_is_reached_and_not_exceeded():
    motions = play(Motion(Pose(0, 0, 0), path_name="reference"), STRAIGHT, 0.7, 3.0)
    speeds = np.array([m.speed_mps for m in motions])
    assert speeds.max() == pytest.approx(0.7)
    assert np.all(np.diff(speeds) <= VEHICLE.accel_mps2 * CYCLE_S + 1e-9)


@pytest.mark.parametrize("speed", [0.3, 0.6, 1.2])
@pytest.mark.parametrize("brakes", [(0.15, 0.10, 4.0), (0.30, 0.20, 2.0)])
def test_a_full_stop_takes_the_distance_and_time_of_the_closed_form(speed, brakes):
    vehicle = VEHICLE.model_copy(update=dict(zip(("latency_s", "brake_build_up_s", "brake_mps2"), brakes, strict=True)))
    motion = Motion(Pose(0, 0, 0), speed_mps=speed, path_name="reference", along_m=0.0)
    motions = play(motion, STRAIGHT, 0.0, 2.0, vehicle)
    assert motions[-1].speed_mps == 0.0
    # the plant goes in steps of 5 ms: tolerance one step at that speed
    assert motions[-1].pose.x_m == pytest.approx(float(stop_distance(speed, *brakes)), abs=0.005 * speed + 0.001)
    standing = next(k for k, m in enumerate(motions) if m.speed_mps == 0.0) * CYCLE_S
    assert standing - CYCLE_S <= float(stop_time(speed, *brakes)) + 0.005 <= standing + 0.011


@pytest.mark.parametrize("direction", [1, -1])
def test_a_bent_path_is_followed_within_three_centimetres(direction):
    path = path_from_legs(Pose(0, 0, 0), [(direction, [(4.0, 0.0), (8.0, 1.2), (8.0, -1.0), (4.0, 0.0)])])
    motion = Motion(Pose(0, 0, 0), direction=direction, path_name="reference")
    worst = 0.0
    for m in play(motion, path, 0.8, 40.0):
        x, y, _ = path.poses_at(m.along_m)
        worst = max(worst, math.hypot(m.pose.x_m - x, m.pose.y_m - y))
    assert worst < 0.03
    assert m.along_m == pytest.approx(path.length_m, abs=0.02)
    assert m.speed_mps == 0.0


@pytest.mark.parametrize("direction", [1, -1])
def test_an_offset_dies_out_without_swinging_over(direction):
    path = path_from_legs(Pose(0, 0, 0), [(direction, [(30.0, 0.0)])])
    motions = play(Motion(Pose(0, 0.3, 0.0), direction=direction, path_name="reference"), path, 0.8, 25.0)
    offsets = np.array([m.pose.y_m for m in motions])
    assert abs(offsets[-1]) < 0.01
    assert offsets.min() > -0.06


def test_the_vehicle_stands_where_the_gear_changes_and_then_goes_the_other_way():
    path = path_from_legs(Pose(0, 0, 0), [(1, [(5.0, 0.0)]), (-1, [(5.0, 0.6)])])
    motions = play(Motion(Pose(0, 0, 0), path_name="reference"), path, 0.8, 30.0)
    forward = [m for m in motions if m.direction > 0]
    assert forward[-1].pose.x_m == pytest.approx(5.0, abs=0.02)
    change = next(k for k, m in enumerate(motions) if m.direction < 0)
    assert motions[change - 1].speed_mps < 0.05
    end = motions[-1]
    assert math.hypot(end.pose.x_m - path.end.x_m, end.pose.y_m - path.end.y_m) < 0.04


def test_wheels_turn_no_faster_than_their_limit():
    path = path_from_legs(Pose(0, 0, 0), [(1, [(6.0, 1.2), (6.0, -1.2)])])
    steering = np.array([m.steering_rad for m in play(Motion(Pose(0, 0, 0), path_name="reference"), path, 1.0, 15.0)])
    most = math.radians(VEHICLE.steering_rate_max_deg_per_s) * CYCLE_S
    assert np.abs(np.diff(steering)).max() <= most + 1e-9
    assert np.abs(steering).max() <= math.radians(VEHICLE.steering_max_deg) + 1e-9


@pytest.mark.parametrize("spacing_m", [0.03, 0.0583, 0.11])
def test_a_path_is_followed_whatever_the_spacing_of_its_points(spacing_m):
    s = np.arange(0.0, 12.0, spacing_m)
    path = integrate_path("bent", Pose(0, 0, 0), s, 0.15 * np.sin(s / 2), np.ones(len(s), np.int8))
    motions = play(Motion(Pose(0, 0, 0), path_name="bent"), path, 1.2, 15.0)
    for m in motions:
        on_path = path.pose_at(m.along_m)
        assert math.hypot(m.pose.x_m - on_path.x_m, m.pose.y_m - on_path.y_m) < 0.05
    assert path.length_m - motions[-1].along_m < 0.05
