"""The numbers of a tuning that compiled loops need, in one array with a named place for each.

An array, since a compiled function takes it in a fifth of a microsecond and a named tuple of this size in nine.
Each name is that of a field of `TrackingTuning`, or of `radar` or `people` where it is not there.
"""

import numpy as np

(
    BODY_OFFSET_M,
    BODY_SIGMA_M,
    TORSO_RATE_MPS,
    LIMB_RATE_MPS,
    LIMB_SHARE,
    LIMB_REACH_M,
    STILL_SIGMAS,
    CLUSTER_M,
    CLUSTER_RATE_MPS,
    ACCEL_PSD,
    SWAY_MPS,
    STANDING_MEMORY_S,
    STOP_PER_S,
    START_PER_S,
    MODE_TRUST,
    FADE_PER_S,
    RETURN_PER_S,
    LEAVE_PER_S,
    BELIEVE_AT,
    BELIEVE_HITS,
    FALSE_ALARM_DENSITY,
    STILL_DENSITY,
    EDGE_DENSITY,
    PERSON_STRENGTH_DB,
    TENTATIVE_S,
    POSSIBLE_SCANS,
    POSSIBLE_AFTER_S,
    POSSIBLE_RANGE_M,
    POSSIBLE_S,
    COASTING_S,
    SIGMA_MAX_M,
    STILL_CELL_M,
    STILL_KEEP_S,
    STILL_SETTLE_S,
    STILL_SIGMA_M,
    STILL_SCANS,
    STILL_SHARE,
    EDGE_M,
    EDGE_KEEP_S,
    APART_M,
    SAME_M,
    SAME_MPS,
    MOVING_FROM_MPS,
    MOVING_TO_MPS,
    FALSE_ALARM_PROBABILITY,
    RANGE_MIN_M,
    RANGE_MAX_M,
    STANDING_PROBABILITY,
    GATE_D2,
    HALF_VIEW_RAD,
) = range(50)

PLACES = {name.lower(): place for name, place in globals().items() if name.isupper()}


def settings_of(tuning, gate_d2):
    """The settings of a whole `Tuning`, (50,) float; `gate_d2` is chi-square of three at `gate_probability`."""
    sections = (tuning.tracking, tuning.radar, tuning.people)
    out = np.full(len(PLACES), np.nan)
    for name, place in PLACES.items():
        for section in reversed(sections):
            if name in type(section).model_fields:
                out[place] = getattr(section, name)
    out[GATE_D2], out[HALF_VIEW_RAD] = gate_d2, np.radians(tuning.radar.field_of_view_deg / 2)
    return out
