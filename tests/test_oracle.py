"""The oracle of the tests, in cases worked by hand."""

import math

import numpy as np
import pytest
import shapely

from avoidkit import Pose, Tuning
from avoidkit.paths import path_from_legs
from tests.oracle import Truth, _reference, _roll, ask, needs_m, stop_s

TUNING = Tuning()
WAY = path_from_legs(Pose(0.0, 0.0, 0.0), [(1, [(22.0, 0.0)])])
LANE = (shapely.box(-12.0, 3.0, 34.0, 3.2), shapely.box(-12.0, -3.2, 34.0, -3.0))


def asked(x_m, y_m, things=()):
    return ask(Truth(WAY, TUNING, np.array([[x_m, y_m]]), things))


def test_a_stop_from_creep_speed_takes_what_the_integral_gives_by_hand():
    # 0.15 s; while the brake builds up 4 x 0.1 / 2 = 0.2 m/s go; the last 0.1 m/s take 0.025 s
    assert stop_s(TUNING.vehicle, 0.30) == pytest.approx(0.275, abs=3e-4)
    # 0.1 m/s are gone before the brake has built up: 0.15 + sqrt(2 x 0.1 x 0.1 / 4)
    assert stop_s(TUNING.vehicle, 0.10) == pytest.approx(0.15 + 0.0707, abs=3e-4)


def test_what_somebody_standing_needs_is_body_clearance_and_the_larger_of_reach_and_likely_place():
    reach, likely = needs_m(TUNING, age_s=0.0, sigma_m=0.0)
    # 0.30 + 0.20 + 0.5 x 2.85 x (0.05 + 0.275)^2 + 2.5 x 0.02 x 0.325
    assert reach == pytest.approx(0.50 + 0.1505 + 0.01625, abs=1e-3)
    assert likely == pytest.approx(0.85, abs=1e-12)


def test_nobody_and_nothing_in_the_way_lets_the_vehicle_go_on():
    assert ask(Truth(WAY, TUNING, np.zeros((0, 2)))).continue_spare_m == math.inf


@pytest.mark.slow
def test_somebody_in_the_middle_of_an_open_yard_can_be_passed_as_wide_as_the_tuning_allows():
    # greatest offset 3.2 m less half the width 0.93 m less the need 0.85 m = 1.42 m, offsets tried every 0.1 m
    found = asked(10.0, 0.0)
    assert not found.can_continue
    assert found.continue_spare_m == pytest.approx(-0.85, abs=1e-9)
    assert found.detour_spare_m == pytest.approx(1.4, abs=0.02)


@pytest.mark.slow
def test_nobody_in_the_middle_of_a_six_metre_lane_can_be_passed():
    # from body to wall 3.0 m: less need 0.85 m, width 1.86 m and static clearance 0.15 m there are 0.14 m, half of it
    # on either side would do for a straight way; a way there and back swings its corners wider
    found = asked(10.0, 0.0, LANE)
    assert found.detour_spare_m < 0.08


@pytest.mark.slow
def test_somebody_beside_the_wall_of_a_lane_can_be_passed_within_half_of_what_the_lane_leaves():
    found = asked(12.0, -1.5, LANE)  # from body to far wall 4.5 m: (4.5 - 0.85 - 1.86 - 0.15) / 2 = 0.82 m
    assert 0.3 < found.detour_spare_m <= 0.82 + 1e-6
    assert found.side == 1


def test_somebody_right_before_the_bumper_cannot_be_passed():
    # at full lock, 1 / 0.2505 m, a front corner 0.6 m ahead has moved aside by less than 0.1 m
    found = asked(4.5, 0.0)
    assert not found.can_continue
    assert not found.can_detour


@pytest.mark.slow
def test_a_lane_three_metres_wide_leaves_no_way_round():
    walls = (shapely.box(-12.0, 1.5, 34.0, 1.7), shapely.box(-12.0, -1.7, 34.0, -1.5))
    assert not asked(10.0, 0.3, walls).can_detour


@pytest.mark.slow
def test_somebody_near_the_end_leaves_no_room_to_come_back():
    assert not asked(21.0, 0.0).can_detour


@pytest.mark.slow
def test_a_way_of_the_oracle_keeps_the_limits_of_the_wheels_and_keeps_what_it_says():
    found = asked(9.0, -1.0, LANE)
    way, vehicle = found.way, TUNING.vehicle
    bend = np.diff(np.unwrap(way[:, 2])) / np.hypot(*np.diff(way[:, :2], axis=0).T)
    assert np.abs(bend).max() <= math.tan(math.radians(vehicle.steering_max_deg)) / vehicle.wheelbase_m + 1e-6
    angle = np.arctan(bend * vehicle.wheelbase_m)
    rate = np.abs(np.diff(angle)) / 0.05 * TUNING.detour.speed_mps
    assert rate.max() <= math.radians(vehicle.steering_rate_max_deg_per_s) + 1e-6
    corners = np.array([[-0.95, -0.93], [3.85, -0.93], [3.85, 0.93], [-0.95, 0.93]])
    least = math.inf
    for x, y, yaw in way:
        turn = np.array([[math.cos(yaw), -math.sin(yaw)], [math.sin(yaw), math.cos(yaw)]])
        outline = shapely.Polygon(corners @ turn.T + [x, y])
        beside = shapely.distance(outline, shapely.Point(9.0, -1.0)) - max(needs_m(TUNING))
        least = min(least, beside, *(shapely.distance(outline, wall) - 0.15 for wall in LANE))
    assert least == pytest.approx(found.detour_spare_m, abs=0.02)
    assert abs(way[-1, 1]) < 0.03


def test_an_offset_and_a_steered_wheel_at_the_start_are_steered_out():
    truth = Truth(WAY, TUNING, np.zeros((0, 2)), offset_m=0.2, angle_rad=0.05, steering_rad=0.1)
    poses = _roll(truth, _reference(truth), np.array([[1e9, 0.0, 1e9, 1.0, 0.35, 1.0, 0.35]]))["poses"][0]
    assert poses[0, 1] == pytest.approx(0.2)
    assert abs(poses[-1, 1]) < 0.01
