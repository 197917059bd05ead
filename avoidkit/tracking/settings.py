"""The numbers of a tuning that compiled loops need, in one named tuple of floats."""

from typing import NamedTuple


class Settings(NamedTuple):
    """One field of `TrackingTuning` (or of `radar`, where it says so) each; see there for units and meaning."""

    body_offset_m: float
    body_sigma_m: float
    torso_rate_mps: float
    limb_rate_mps: float
    limb_share: float
    limb_reach_m: float
    still_sigmas: float
    cluster_m: float
    cluster_rate_mps: float
    accel_psd: float
    sway_mps: float
    standing_memory_s: float
    stop_per_s: float
    start_per_s: float
    mode_trust: float
    fade_per_s: float
    return_per_s: float
    leave_per_s: float
    believe_at: float
    believe_hits: float
    false_alarm_density: float
    still_density: float
    edge_density: float
    person_strength_db: float
    tentative_s: float
    possible_scans: float
    possible_after_s: float
    possible_s: float
    coasting_s: float
    sigma_max_m: float
    still_cell_m: float
    still_keep_s: float
    still_settle_s: float
    still_sigma_m: float
    still_scans: float
    still_share: float
    edge_m: float
    edge_keep_s: float
    apart_m: float
    same_m: float
    same_mps: float
    moving_from_mps: float
    moving_to_mps: float
    false_alarm_probability: float  # of the radar
    range_min_m: float  # of the radar
    range_max_m: float  # of the radar
    standing_probability: float  # of the people
    gate_d2: float  # chi-square at `gate_probability`, three components


def settings_of(tuning, gate_d2):
    """The `Settings` of a whole `Tuning`."""
    sections = (tuning.tracking, tuning.radar, tuning.people)
    values = {"gate_d2": float(gate_d2)}
    for name in Settings._fields:
        for section in sections:
            if name not in values and name in type(section).model_fields:
                values[name] = float(getattr(section, name))
    return Settings(**values)
