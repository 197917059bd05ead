"""Paths by distance, against circles worked by hand and the surveyor's reverse curve."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from avoidkit import Path, Pose
from avoidkit.checks import InputError
from avoidkit.paths import path_from_legs

START = Pose(0.0, 0.0, 0.0)


def two_arcs(offset_m, radius_m, ramp):
    """A shift to the left by an arc to the left and one to the right."""
    turn = math.acos(1 - offset_m / (2 * radius_m))
    arc_m = radius_m * turn
    return path_from_legs(START, [(1, [(arc_m, turn), (arc_m, -turn)])], ramp=ramp)


@pytest.mark.parametrize(
    ("offset_m", "radius_m", "ahead_m", "length_m"),
    [(1.0, 5.0, 4.3589, 4.5103), (2.0, 5.0, 6.0000, 6.4350)],
)
def test_a_shift_by_two_arcs_needs_the_surveyors_length(offset_m, radius_m, ahead_m, length_m):
    # reverse curve of surveying texts: Lx = sqrt(d (4R - d)); path 2 R acos(1 - d / 2R). Nearly square
    # curvature (1 % ramps on 0.05 m spacing) is within 6 mm of true arcs.
    assert ahead_m == pytest.approx(math.sqrt(offset_m * (4 * radius_m - offset_m)), abs=5e-5)
    path = two_arcs(offset_m, radius_m, ramp=0.01)
    assert path.end.x_m == pytest.approx(ahead_m, abs=0.006)
    assert path.end.y_m == pytest.approx(offset_m, abs=0.006)
    assert path.length_m == pytest.approx(length_m, abs=5e-5)
    assert path.end.yaw_rad == pytest.approx(0.0, abs=1e-12)


@given(st.floats(0.5, 20), st.floats(-1.5, 1.5), st.floats(0.01, 0.5), st.sampled_from([1, -1]))
def test_a_segment_turns_by_what_was_asked_and_is_as_long(length_m, turn_rad, ramp, direction):
    path = path_from_legs(START, [(direction, [(length_m, turn_rad)])], ramp=ramp)
    assert path.yaw_rad[-1] == pytest.approx(turn_rad, abs=1e-12)
    assert path.length_m == pytest.approx(length_m)


def test_curvature_is_continuous_and_zero_at_both_ends_of_a_segment():
    path = path_from_legs(START, [(1, [(3.0, 0.5), (4.0, -0.8), (2.0, 0.0)])])
    assert path.curvature_1pm[0] == 0.0
    assert path.curvature_at([3.0, 7.0, 9.0]) == pytest.approx([0.0, 0.0, 0.0], abs=1e-12)
    peak = 0.5 / (3.0 * 0.7)  # ramps over 30 % at both ends leave 70 % of the length's area
    assert path.curvature_at(1.5) == pytest.approx(peak, rel=1e-3)
    steepest = np.abs(np.diff(path.curvature_1pm) / np.diff(path.s_m)).max()
    assert steepest <= 0.5 / (3.0 * 0.7) / (0.3 * 3.0) * 1.01  # the shorter segment has the steeper ramp


def test_a_half_circle_in_many_short_segments_comes_out_beside_its_start():
    turns = 60
    path = path_from_legs(START, [(1, [(math.pi * 5.0 / turns, math.pi / turns)] * turns)], ramp=0.01)
    assert (path.end.x_m, path.end.y_m) == pytest.approx((0.0, 10.0), abs=0.01)


def test_reversing_goes_backwards_and_turns_the_nose_as_asked():
    path = path_from_legs(START, [(-1, [(4.0, math.pi / 4)])])
    assert path.end.x_m < -3.0
    assert path.end.y_m < 0.0  # the rear swings to the right when the nose turns left in reverse
    assert math.degrees(path.end.yaw_rad) == pytest.approx(45.0)
    assert path.curvature_1pm.min() < 0  # which takes steering to the right


def test_there_and_back_along_one_arc_ends_at_the_start():
    path = path_from_legs(START, [(1, [(4.0, 0.7)]), (-1, [(4.0, -0.7)])])
    assert (path.end.x_m, path.end.y_m, path.end.yaw_rad) == pytest.approx((0.0, 0.0, 0.0), abs=1e-9)


def test_a_change_of_gear_ends_a_leg():
    path = path_from_legs(START, [(1, [(6.0, 0.0)]), (-1, [(4.0, 0.0)])])
    assert [path.direction_at(s) for s in (0.0, 5.9, 6.0, 6.1, 10.0)] == [1, 1, -1, -1, -1]
    assert path.leg_end_after(0.0) == pytest.approx(6.0)
    assert path.leg_end_after(6.0) == pytest.approx(10.0)
    assert path.leg_end_after(10.0) == pytest.approx(10.0)
    assert path.end.x_m == pytest.approx(2.0)


def test_the_nearest_point_is_the_foot_of_the_perpendicular_within_the_stretch():
    path = path_from_legs(START, [(1, [(10.0, 0.0)])])
    assert path.nearest(3.333, 2.0) == pytest.approx(3.333)
    assert path.nearest(-1.0, 0.0) == 0.0
    assert path.nearest(99.0, 0.0) == pytest.approx(10.0)
    assert path.nearest(3.333, 2.0, from_m=5.0) == pytest.approx(5.0)
    assert path.nearest(8.0, 2.0, to_m=5.0) == pytest.approx(5.0)


@given(st.floats(0.0, 9.0), st.floats(0.001, 0.3), st.floats(-0.3, 0.3), st.floats(-0.5, 0.5))
def test_a_stretch_shorter_than_the_spacing_has_its_nearest_point_too(from_m, length_m, along, aside):
    path = path_from_legs(Pose(0, 0, 0), [(1, [(4.0, 0.8), (6.0, -1.2)])])
    pose = path.pose_at(from_m + along)
    x, y = pose.x_m - aside * math.sin(pose.yaw_rad), pose.y_m + aside * math.cos(pose.yaw_rad)
    fine = np.linspace(from_m, min(from_m + length_m, path.length_m), 2001)
    poses = path.poses_at(fine)
    slow = np.hypot(poses[:, 0] - x, poses[:, 1] - y).min()
    found = path.nearest(x, y, from_m=from_m, to_m=from_m + length_m)
    assert from_m - 1e-9 <= found <= from_m + length_m + 1e-9
    at = path.pose_at(found)
    assert math.hypot(at.x_m - x, at.y_m - y) == pytest.approx(slow, abs=2e-4)


def test_the_nearest_point_of_a_path_over_itself_stays_on_the_leg_asked_for():
    path = path_from_legs(START, [(1, [(6.0, 0.0)]), (-1, [(4.0, 0.0)])])
    assert path.nearest(4.0, 0.0, to_m=6.0) == pytest.approx(4.0)
    assert path.nearest(4.0, 0.0, from_m=6.0) == pytest.approx(8.0)


def test_poses_between_points_are_interpolated_and_held_at_the_ends():
    path = path_from_legs(Pose(1.0, 2.0, math.pi / 2), [(1, [(2.0, 0.0)])])
    np.testing.assert_allclose(
        path.poses_at([-1.0, 0.512, 9.0]),
        [[1, 2, math.pi / 2], [1, 2.512, math.pi / 2], [1, 4, math.pi / 2]],
        atol=1e-12,
    )


def _line(**changes):
    arrays = {
        "s_m": np.array([0.0, 1.0]),
        "x_m": np.array([0.0, 1.0]),
        "y_m": np.zeros(2),
        "yaw_rad": np.zeros(2),
        "curvature_1pm": np.zeros(2),
        "direction": np.ones(2, np.int8),
    }
    return Path("line", **{**arrays, **changes})


def test_a_broken_path_cannot_be_made():
    with pytest.raises(InputError, match=r"^s_m must grow from point to point$"):
        _line(s_m=np.array([0.0, 0.0]))
    with pytest.raises(InputError, match=r"^y_m must have shape \(2,\), got \(3,\)$"):
        _line(y_m=np.zeros(3))
    with pytest.raises(InputError, match=r"^x_m must be finite everywhere, got 1 that are not$"):
        _line(x_m=np.array([0.0, math.nan]))
    with pytest.raises(InputError, match=r"^s_m must hold at least 2 points, got 1$"):
        _line(s_m=np.zeros(1))
    with pytest.raises(InputError, match=r"^length_m must be finite and above 0, got 0\.0$"):
        path_from_legs(START, [(1, [(0.0, 0.0)])])
