"""At the border of a radar's field of view azimuth is worse, and errors that lead out of it are not reported."""

import math

from avoidkit.jit import compiled

BORDER_RAD = math.radians(8.0)  # ours: 95 % ellipses hold 80 instead of 77 % there, 90 instead of 85 % just outside
FACING_LEAST = math.cos(math.radians(85.0))  # cosine off boresight below which azimuth gets no worse


@compiled
def off_boresight(R, measured_cos, expected_cos):
    """Variances for somebody expected farther off boresight than measured, where azimuth is as much worse, (3,).

    At the border of the field of view only those azimuths are reported that fell inside: taken at their own word, they
    pulled a track a decimetre or three inwards, with an accuracy of centimetres. The cosines are those of the azimuths.
    """
    worse = max(measured_cos, FACING_LEAST) / max(expected_cos, FACING_LEAST)
    if worse <= 1.0:
        return R
    out = R.copy()
    out[1] *= worse * worse
    return out


@compiled
def facing(R, measured_rad, expected_rad, half_view_rad):
    """Variances of a measurement as a filter may use them, wherever in the field of view, (3,).

    Near the border only errors inwards are reported, and only what of a body is inside: they do not average out, and
    azimuth counts as twice as inaccurate there. Beyond that see `off_boresight`.
    """
    out = off_boresight(R, math.cos(measured_rad), math.cos(expected_rad))
    if abs(measured_rad) > half_view_rad - BORDER_RAD:
        out = out.copy()
        out[1] *= 4.0
    return out
