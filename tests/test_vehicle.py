"""Where the vehicle stops and where its corners go, against printed tables and step-by-step simulation."""

import csv
import math
import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from avoidkit import Pose, shipped
from avoidkit.checks import InputError
from avoidkit.tuning import VehicleTuning
from avoidkit.vehicle import (
    Ego,
    EgoHistory,
    box,
    curvature_of,
    greatest_curvature,
    outline,
    outline_in_scene,
    steering_of,
    stop_distance,
    stop_time,
)

MPH = 0.44704  # m/s, exact


def published(name):
    """The rows of a table as printed, numbers as floats."""
    lines = (shipped("published") / name).read_text(encoding="utf-8").splitlines()
    rows = csv.DictReader(line for line in lines if not line.startswith("#"))
    return [{key: float(value) for key, value in row.items()} for row in rows]


def test_stopping_distances_match_the_highway_code():
    # UK Highway Code, rule 126 (quoted). One thinking time and one deceleration fit the whole table:
    # 0.671 s and about 6.57 m/s^2. Printed in whole metres, hence 0.6 m on a sum of two rounded parts.
    for row in published("stopping_distances.csv"):
        found = float(stop_distance(row["speed_mph"] * MPH, 0.671, 0.0, 6.57))
        assert found == pytest.approx(row["together_m"], abs=0.6)


def test_stopping_sight_distances_match_the_green_book():
    # AASHTO Green Book: t 2.5 s, a 3.4 m/s^2. The print uses 0.278 for 1/3.6 and 0.039 for 1/(2 * 3.6^2),
    # which are 0.08 % and 1.1 % off; hence 0.5 m.
    for row in published("stopping_sight_distances.csv"):
        found = float(stop_distance(row["speed_kmh"] / 3.6, 2.5, 0.0, 3.4))
        assert found == pytest.approx(row["calculated_m"], abs=0.5)
        assert found < row["design_m"]


@pytest.mark.parametrize(
    ("kmh", "latency_s", "brake_mps2", "distance_m"),
    [(10, 0.3, 3.0, 2.119), (10, 0.5, 3.4, 2.524), (4, 0.3, 2.0, 0.642)],  # derived: v t + v^2 / 2a
)
def test_stop_at_constant_deceleration(kmh, latency_s, brake_mps2, distance_m):
    assert float(stop_distance(kmh / 3.6, latency_s, 0.0, brake_mps2)) == pytest.approx(distance_m, abs=0.0005)


def simulated_stop(speed_mps, latency_s, build_up_s, brake_mps2, dt_s=2e-6):
    """Distance and time by summing small steps: the independent truth for the closed form."""
    end_s = latency_s + build_up_s + speed_mps / brake_mps2 + 0.01
    time_s = np.arange(0.0, end_s, dt_s)
    share = np.clip((time_s - latency_s) / build_up_s, 0.0, 1.0) if build_up_s else (time_s >= latency_s) * 1.0
    speed = speed_mps - np.concatenate([[0.0], np.cumsum(0.5 * (share[1:] + share[:-1]) * brake_mps2 * dt_s)])
    moving = speed > 0
    return float(np.sum(speed[moving]) * dt_s), float(np.count_nonzero(moving) * dt_s)


@pytest.mark.parametrize("speed_mps", [0.02, 0.15, 0.2, 0.3, 1.2, 2.7])  # 0.2 = a t_b / 2 of the baseline
@pytest.mark.parametrize(
    ("latency_s", "build_up_s", "brake_mps2"), [(0.15, 0.10, 4.0), (0.3, 0.2, 2.0), (0.0, 0.5, 1.0)]
)
def test_stop_with_build_up_matches_a_simulation(speed_mps, latency_s, build_up_s, brake_mps2):
    distance_m, time_s = simulated_stop(speed_mps, latency_s, build_up_s, brake_mps2)
    assert float(stop_distance(speed_mps, latency_s, build_up_s, brake_mps2)) == pytest.approx(distance_m, abs=2e-5)
    assert float(stop_time(speed_mps, latency_s, build_up_s, brake_mps2)) == pytest.approx(time_s, abs=2e-5)


brakes = {"latency_s": st.floats(0, 1), "build_up_s": st.floats(0, 1), "brake_mps2": st.floats(0.5, 9)}


@given(st.floats(0, 3), st.floats(0, 3), *brakes.values())
def test_faster_never_stops_shorter_or_sooner(one, other, latency_s, build_up_s, brake_mps2):
    slow, fast = sorted((one, other))
    for stop in (stop_distance, stop_time):
        assert stop(slow, latency_s, build_up_s, brake_mps2) <= stop(fast, latency_s, build_up_s, brake_mps2) + 1e-12


def test_a_standing_vehicle_needs_no_distance_and_no_time():
    assert float(stop_distance(0.0, 0.15, 0.1, 4.0)) == 0.0
    assert float(stop_time(0.0, 0.15, 0.1, 4.0)) == 0.0


def test_the_two_forms_meet_where_the_brake_is_just_built_up():
    edge = 4.0 * 0.1 / 2
    kept = stop_time(1.0, 0.15, 0.1, 4.0)
    kept += 1.0  # a number of one's own, not the one that is kept
    assert stop_time(1.0, 0.15, 0.1, 4.0) == pytest.approx(0.45)
    below, above = stop_distance(np.array([edge - 1e-9, edge + 1e-9]), 0.15, 0.1, 4.0)
    assert above - below == pytest.approx(0.0, abs=1e-8)


def test_bad_braking_inputs_are_named():
    with pytest.raises(InputError, match=r"^speed_mps must be finite and at least 0, got nan$"):
        stop_distance(math.nan, 0.1, 0.1, 4.0)
    with pytest.raises(InputError, match=r"^speed_mps must be finite and at least 0, got -0\.1$"):
        stop_time(-0.1, 0.1, 0.1, 4.0)
    with pytest.raises(InputError, match=r"^brake_mps2 must be finite and above 0, got 0\.0$"):
        stop_distance(1.0, 0.1, 0.1, 0.0)
    with pytest.raises(InputError, match=r"^latency_s must be finite and at least 0, got nan$"):
        stop_distance(1.0, math.nan, 0.1, 4.0)


def test_bicycle_model_turning_radius():
    # derived: wheelbase 2.7 m, 30 deg: R = 2.7 / tan 30 deg = 4.6765 m, 0.21383 1/m
    curvature = curvature_of(math.radians(30), 2.7)
    assert curvature == pytest.approx(0.21383, abs=5e-6)
    assert math.degrees(float(steering_of(curvature, 2.7))) == pytest.approx(30.0)


def test_turning_radii_of_the_passenger_design_vehicle():
    # AASHTO design vehicle P (quoted; the centre-line radius 6.40 m from memory): wheelbase 3.35, width 2.13, length
    # 5.79, front overhang 0.91 m. Printed 14.4, 24 and 25.5 ft for the last three, i.e. 4.39, 7.32 and 7.77 m.
    rear_axle_m = math.sqrt(6.40**2 - 3.35**2)
    assert rear_axle_m == pytest.approx(5.453, abs=0.0005)
    vehicle = VehicleTuning(length_m=5.79, width_m=2.13, wheelbase_m=3.35, rear_overhang_m=5.79 - 3.35 - 0.91)
    steering = float(steering_of(1 / rear_axle_m, vehicle.wheelbase_m))
    centre = np.array([0.0, 1 / curvature_of(steering, vehicle.wheelbase_m)])
    corners = outline(vehicle)
    inner_wheel = np.array([0.0, vehicle.width_m / 2])
    outer_front_wheel = np.array([vehicle.wheelbase_m, -vehicle.width_m / 2])
    assert np.hypot(*(inner_wheel - centre)) == pytest.approx(4.388, abs=0.0005)
    assert np.hypot(*(outer_front_wheel - centre)) == pytest.approx(7.329, abs=0.0005)
    assert np.hypot(*(corners - centre).T).max() == pytest.approx(7.787, abs=0.0005)


def test_the_steering_limit_of_the_shuttle_gives_its_turning_radius():
    vehicle = VehicleTuning()  # 36 deg, wheelbase 2.90 m: 2.90 / tan 36 deg = 3.9915 m
    assert 1 / greatest_curvature(vehicle) == pytest.approx(3.9915, abs=0.0001)


def test_the_outline_runs_counter_clockwise_round_the_whole_body():
    vehicle = VehicleTuning()
    corners = outline(vehicle)
    x, y = corners.T
    area = 0.5 * np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)  # positive: counter-clockwise
    assert area == pytest.approx(4.80 * 1.86)
    assert box(vehicle) == pytest.approx((3.85, -0.95, 0.93))
    np.testing.assert_allclose(outline(vehicle, grown_m=0.2), corners + 0.2 * np.sign(corners))


def test_the_outline_in_the_scene_is_turned_and_moved():
    corners = outline_in_scene(VehicleTuning(), Pose(10.0, 5.0, math.pi / 2))
    np.testing.assert_allclose(corners[1], [10.93, 8.85])  # front right: ahead is +y, right is +x


def test_growing_an_outline_by_less_than_nothing_is_refused():
    with pytest.raises(InputError, match=re.escape("grown_m must be finite and at least 0, got -0.1")):
        outline(VehicleTuning(), grown_m=-0.1)


def test_own_motion_between_two_samples_is_interpolated_the_short_way_round():
    history = EgoHistory()
    history.add(Ego(1.0, Pose(0.0, 0.0, math.radians(175)), 1.0, 0.1, 0.0))
    history.add(Ego(2.0, Pose(1.0, 2.0, math.radians(-175)), 2.0, 0.3, 0.2))
    middle = history.at(1.5)
    assert (middle.pose.x_m, middle.pose.y_m) == (0.5, 1.0)
    assert math.degrees(middle.pose.yaw_rad) == pytest.approx(180.0)
    assert (middle.speed_mps, middle.steering_rad, middle.yaw_rate_radps) == pytest.approx((1.5, 0.2, 0.1))


def test_before_the_first_sample_the_vehicle_stood_there():
    history = EgoHistory()
    history.add(Ego(1.0, Pose(3.0, 0.0, 0.0), 1.0, 0.1, 0.2))
    before = history.at(0.5)
    assert (before.pose, before.speed_mps, before.yaw_rate_radps) == (Pose(3.0, 0.0, 0.0), 0.0, 0.0)


def test_after_the_last_sample_speed_and_yaw_rate_go_on():
    history = EgoHistory()
    history.add(Ego(0.0, Pose(0.0, 0.0, 0.0), 1.0, 0.1, 0.5))
    later = history.at(0.2)
    # on a circle of radius 2 m: x = 2 sin(0.1), y = 2 (1 - cos(0.1))
    assert later.pose.x_m == pytest.approx(2 * math.sin(0.1), abs=1e-4)
    assert later.pose.y_m == pytest.approx(2 * (1 - math.cos(0.1)), abs=1e-4)
    assert later.pose.yaw_rad == pytest.approx(0.1)


def test_own_motion_has_to_be_known_and_its_time_to_grow():
    history = EgoHistory()
    with pytest.raises(InputError, match=r"^own motion is not known yet: add an Ego first$"):
        history.at(0.0)
    history.add(Ego(1.0, Pose(0, 0, 0), 0.0, 0.0, 0.0))
    with pytest.raises(InputError, match=r"^ego\.time_s must grow, got 1\.0 after 1\.0$"):
        history.add(Ego(1.0, Pose(0, 0, 0), 0.0, 0.0, 0.0))


def test_own_motion_older_than_its_memory_is_dropped():
    history = EgoHistory(keep_s=1.0)
    for k in range(10):
        history.add(Ego(k * 0.25, Pose(float(k), 0, 0), 1.0, 0.0, 0.0))
    assert history.at(0.0).pose.x_m == 5.0  # the last is at 2.25 s, so that the one of 1.25 s is the oldest kept
