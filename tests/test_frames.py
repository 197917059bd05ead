"""Poses and frames, checked by hand-worked points, symmetry and round trips."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from avoidkit.checks import InputError
from avoidkit.frames import Pose, compose, rotation, to_local, to_scene, wrap_angle

metres = st.floats(-100, 100)
angles = st.floats(-10, 10)
poses = st.builds(Pose, metres, metres, angles)


def test_a_quarter_turn_puts_what_is_ahead_to_the_left():
    # ISO 8855 (from memory): x forward, y left, yaw counter-clockwise
    np.testing.assert_allclose(to_scene([2.0, 0.0], Pose(0, 0, math.pi / 2)), [0.0, 2.0], atol=1e-15)
    np.testing.assert_allclose(to_scene([0.0, 1.0], Pose(0, 0, math.pi / 2)), [-1.0, 0.0], atol=1e-15)


def test_points_of_any_leading_shape_keep_it():
    assert to_scene(np.zeros((3, 4, 2)), Pose(1, 2, 3)).shape == (3, 4, 2)
    assert to_local(np.zeros((0, 2)), Pose(1, 2, 3)).shape == (0, 2)


@given(poses, metres, metres)
def test_there_and_back_is_where_it_was(pose, x, y):
    np.testing.assert_allclose(to_local(to_scene([x, y], pose), pose), [x, y], atol=1e-11)


@given(poses, poses, metres, metres)
def test_composed_poses_move_points_as_one_after_the_other(outer, inner, x, y):
    once = to_scene([x, y], compose(outer, inner))
    np.testing.assert_allclose(once, to_scene(to_scene([x, y], inner), outer), atol=1e-10)


@given(angles)
def test_a_turn_keeps_lengths_and_orientation(yaw):
    turn = rotation(yaw)
    np.testing.assert_allclose(turn @ turn.T, np.eye(2), atol=1e-15)
    assert np.linalg.det(turn) == pytest.approx(1.0)


@given(st.floats(-1000, 1000))
def test_a_wrapped_angle_points_the_same_way(angle):
    wrapped = wrap_angle(angle)
    assert -math.pi <= wrapped <= math.pi  # the open end is met to rounding only
    assert math.cos(wrapped) == pytest.approx(math.cos(angle), abs=1e-10)
    assert math.sin(wrapped) == pytest.approx(math.sin(angle), abs=1e-10)


def test_half_a_turn_wraps_to_plus_pi_from_either_side():
    assert wrap_angle(math.pi) == math.pi
    assert wrap_angle(-math.pi) == math.pi
    np.testing.assert_allclose(
        wrap_angle(np.array([0.0, 2 * math.pi, -1.5 * math.pi])), [0, 0, math.pi / 2], atol=1e-12
    )


@pytest.mark.parametrize("field", ["x_m", "y_m", "yaw_rad"])
def test_a_pose_that_is_not_finite_cannot_be_made(field):
    with pytest.raises(InputError, match=f"^{field} must be finite, got nan$"):
        Pose(**{"x_m": 0.0, "y_m": 0.0, "yaw_rad": 0.0, field: math.nan})


def test_a_pose_cannot_be_changed():
    with pytest.raises(AttributeError):
        Pose(0, 0, 0).x_m = 1.0
