"""Input checks that name the argument they reject.

Geometry and filter libraries can turn a NaN into "far away" or "no contact"; these checks stop it at
the door.
"""

import math

import numpy as np


class InputError(ValueError):
    """A mistake in what a user handed in: the message names file, field, value and what was wanted.

    A notebook shows the message and no traceback, since the mistake is not in the code that found it.
    """

    def _render_traceback_(self):
        return [f"{type(self).__name__}: {self}"]


def require_finite(**numbers):
    """Raise `InputError` unless every named number is finite.

    Examples
    --------
    >>> require_finite(gap_m=1.0)
    >>> require_finite(gap_m=float("nan"))
    Traceback (most recent call last):
    ...
    avoidkit.checks.InputError: gap_m must be finite, got nan
    """
    for name, number in numbers.items():
        if not math.isfinite(number):
            raise InputError(f"{name} must be finite, got {number}")


def require_positive(**numbers):
    """Raise `InputError` unless every named number is finite and above 0."""
    for name, number in numbers.items():
        if not (math.isfinite(number) and number > 0):
            raise InputError(f"{name} must be finite and above 0, got {number}")


def require_not_negative(**numbers):
    """Raise `InputError` unless every named number is finite and at least 0."""
    for name, number in numbers.items():
        if not (math.isfinite(number) and number >= 0):
            raise InputError(f"{name} must be finite and at least 0, got {number}")


def require_shape(shape, *, finite=False, **arrays):
    """Raise `InputError` unless every named array has `shape`; `None` in `shape` matches any length.

    Examples
    --------
    >>> require_shape((None, 2), points=np.zeros((5, 2)))
    >>> require_shape((12,), azimuth_rad=np.zeros(11))
    Traceback (most recent call last):
    ...
    avoidkit.checks.InputError: azimuth_rad must have shape (12,), got (11,)
    """
    for name, array in arrays.items():
        found = array.shape if isinstance(array, np.ndarray) else np.shape(array)
        if found != shape and not _fits(found, shape):
            wanted = str(tuple("n" if want is None else want for want in shape)).replace("'", "")
            raise InputError(f"{name} must have shape {wanted}, got {found}")
        if finite and not np.isfinite(array).all():
            raise InputError(
                f"{name} must be finite everywhere, got {np.count_nonzero(~np.isfinite(array))} that are not"
            )


def _fits(found, shape):
    return len(found) == len(shape) and all(want in (None, got) for want, got in zip(shape, found, strict=True))
