"""Checks at the door: what is not a number, or has the wrong shape, is named and refused."""

import math
import re

import numpy as np
import pytest

from avoidkit.checks import InputError, require_finite, require_not_negative, require_positive, require_shape

NOT_FINITE = (math.nan, math.inf, -math.inf)


@pytest.mark.parametrize("bad", NOT_FINITE)
def test_what_is_not_finite_is_refused_by_name(bad):
    with pytest.raises(InputError, match=f"^{re.escape(f'gap_m must be finite, got {bad}')}$"):
        require_finite(speed_mps=1.0, gap_m=bad)


@pytest.mark.parametrize("bad", [0.0, -0.0, -1e-300, *NOT_FINITE])
def test_zero_and_less_are_not_positive(bad):
    with pytest.raises(InputError, match=f"^{re.escape(f'brake_mps2 must be finite and above 0, got {bad}')}$"):
        require_positive(brake_mps2=bad)
    require_positive(brake_mps2=5e-324)


@pytest.mark.parametrize("bad", [-5e-324, -1.0, *NOT_FINITE])
def test_less_than_zero_is_negative_and_zero_is_not(bad):
    with pytest.raises(InputError, match=f"^{re.escape(f'latency_s must be finite and at least 0, got {bad}')}$"):
        require_not_negative(latency_s=bad)
    require_not_negative(latency_s=0.0)


def test_a_wrong_shape_is_named_with_both_shapes():
    with pytest.raises(InputError, match=r"^points must have shape \(n, 2\), got \(2, 5\)$"):
        require_shape((None, 2), points=np.zeros((2, 5)))
    with pytest.raises(InputError, match=r"^azimuth_rad must have shape \(12,\), got \(11,\)$"):
        require_shape((12,), range_m=np.zeros(12), azimuth_rad=np.zeros(11))
    with pytest.raises(InputError, match=r"^gap_m must have shape \(3,\), got \(\)$"):
        require_shape((3,), gap_m=1.0)


def test_an_empty_array_fits_any_length():
    require_shape((None, 4), state=np.zeros((0, 4)))


def test_numbers_that_are_not_finite_in_an_array_are_counted():
    points = np.array([[0.0, math.nan], [math.inf, 1.0]])
    with pytest.raises(InputError, match=r"^points must be finite everywhere, got 2 that are not$"):
        require_shape((2, 2), finite=True, points=points)
    require_shape((2, 2), points=points)


def test_an_input_error_is_a_value_error():
    assert issubclass(InputError, ValueError)
