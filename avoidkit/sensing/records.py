"""What sensors hand out: one radar scan, one round of the ultrasonic ring."""

import math
from dataclasses import dataclass
from enum import StrEnum
from numbers import Real

import numpy as np

from avoidkit.checks import InputError, require_finite, require_shape

CLOCK_S = 0.005  # ours: later than now by more, a time stamp is of a wrong clock; less is jitter, 8 mm of a walk


class Health(StrEnum):
    """What a sensor says of itself; it can be wrong."""

    OK = "ok"
    DEGRADED = "degraded"
    BLIND = "blind"


def age(now_s, made_s):
    """How old something is, s; infinite where it is of later than now, as by a wrong clock, or of no time at all.

    Examples
    --------
    >>> age(2.0, 1.75), age(2.0, 2.05), age(2.0, float("nan")), age(2.0, None)
    (0.25, inf, inf, inf)
    """
    known = isinstance(made_s, Real) and made_s <= now_s + CLOCK_S
    return max(now_s - made_s, 0.0) if known else math.inf


@dataclass(frozen=True, eq=False, slots=True)
class Scan:
    """The returns of one radar at one instant, in the sensor's own polar frame.

    Attributes
    ----------
    sensor : str
        Name of the mount, such as `front_left`.
    taken_s, arrives_s : float
        When the scan was taken, and when the rest of the vehicle gets it.
    range_m, azimuth_rad, range_rate_mps, snr_db : (n,) float32 arrays
        As a bus quantises. Azimuth counter-clockwise from boresight; range rate is positive when the
        distance grows and still contains the vehicle's own motion.
    health : Health
    """

    sensor: str
    taken_s: float
    arrives_s: float
    range_m: np.ndarray
    azimuth_rad: np.ndarray
    range_rate_mps: np.ndarray
    snr_db: np.ndarray
    health: Health = Health.OK

    def __post_init__(self):
        require_finite(taken_s=self.taken_s, arrives_s=self.arrives_s)
        n = len(self.range_m)
        for name in ("range_m", "azimuth_rad", "range_rate_mps", "snr_db"):
            array = np.asarray(getattr(self, name), dtype=np.float32)
            require_shape((n,), finite=True, **{name: array})
            object.__setattr__(self, name, array)
        if n and float(self.range_m.min()) < 0:
            raise InputError(f"range_m must be at least 0, got {float(self.range_m.min())}")

    def __len__(self):
        return len(self.range_m)


@dataclass(frozen=True, eq=False, slots=True)
class Echoes:
    """First echoes of the twelve ultrasonic sensors, m; inf where nothing came back.

    The order is that of `tuning.ultrasonic`: six in front from left to right, six behind from left to right.
    """

    taken_s: float
    arrives_s: float
    first_m: np.ndarray
    health: Health = Health.OK

    def __post_init__(self):
        require_finite(taken_s=self.taken_s, arrives_s=self.arrives_s)
        first = np.asarray(self.first_m, dtype=np.float32)
        require_shape((12,), first_m=first)
        if np.isnan(first).any() or (first < 0).any():
            raise InputError("first_m must be at least 0 or inf everywhere")
        object.__setattr__(self, "first_m", first)
