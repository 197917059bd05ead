"""The radar equation, detection and accuracy: plain functions of numbers, checked against published values."""

import functools
import math

import numpy as np

from avoidkit.checks import InputError, require_positive

BOLTZMANN_J_PER_K = 1.380649e-23
LIGHT_MPS = 299_792_458.0
REFERENCE_K = 290.0


def from_db(level_db):
    """A ratio of powers from decibels."""
    return 10.0 ** (np.asarray(level_db) / 10.0)


def to_db(ratio):
    """Decibels of a ratio of powers."""
    return 10.0 * np.log10(ratio)


def signal_to_noise(power_w, gain, wavelength_m, reflectivity_m2, range_m, *, coherent_s, noise_factor, losses=1.0):
    """Signal to noise, a ratio, of a point seen by one antenna for sending and receiving.

    P G^2 lambda^2 sigma T / ((4 pi)^3 k T0 F L R^4), with T the time summed in phase. For n pulses of
    time-bandwidth product beta in a receiver of bandwidth B, T is n beta / B.

    Parameters
    ----------
    power_w, gain, wavelength_m, coherent_s, noise_factor, losses : float
        Plain ratios and SI, not decibels.
    reflectivity_m2, range_m : float or arrays
        Range above 0.

    Examples
    --------
    >>> time_s = 10 * 0.18 / 24591.9
    >>> snr = signal_to_noise(1e4, 10**3.6, LIGHT_MPS / 10e9, 10.0, 150e3, coherent_s=time_s, noise_factor=10**0.5)
    >>> round(float(snr), 3)
    8.197
    """
    require_positive(
        power_w=power_w, wavelength_m=wavelength_m, coherent_s=coherent_s, noise_factor=noise_factor, losses=losses
    )
    distance_m = np.asarray(range_m, dtype=float)
    if not np.all(distance_m > 0):
        raise InputError(
            f"range_m must be above 0 everywhere, got {distance_m.min() if distance_m.size else 'nothing'}"
        )
    above = power_w * np.asarray(gain) ** 2 * wavelength_m**2 * np.asarray(reflectivity_m2) * coherent_s
    below = (4 * math.pi) ** 3 * BOLTZMANN_J_PER_K * REFERENCE_K * noise_factor * losses
    return above / (below * distance_m**4)


def beam(azimuth_rad, radar):
    """Power that the antenna gives one way beside that at boresight, a ratio: a bell with its half-power width."""
    half_rad = math.radians(radar.half_power_beam_deg / 2)
    return np.exp(-math.log(2.0) * (np.asarray(azimuth_rad) / half_rad) ** 2)


@functools.lru_cache(maxsize=64)
def boresight_budget(radar):
    """Signal to noise, a ratio, of 1 m^2 at 1 m and at boresight."""
    snr = signal_to_noise(
        1e-3 * float(from_db(radar.power_dbm)),
        float(from_db(radar.gain_db)),
        radar.wavelength_m,
        1.0,
        1.0,
        coherent_s=radar.coherent_s,
        noise_factor=float(from_db(radar.noise_figure_db)),
        losses=float(from_db(radar.losses_db)),
    )
    return float(snr)


def budget(azimuth_rad, radar):
    """Signal to noise, a ratio, of 1 m^2 at 1 m and at an azimuth: multiply by reflectivity, divide by range^4."""
    return boresight_budget(radar) * beam(azimuth_rad, radar) ** 2


def detection_probability(snr, false_alarm_probability):
    """Probability to see a Swerling 1 target in one look: Pfa^(1/(1+S)); Mahafza eq. 2.75, Richards sec. 6.3.3.

    Examples
    --------
    >>> round(float(detection_probability(10.0, 1e-6)), 4)  # 10 dB
    0.2848
    """
    return false_alarm_probability ** (1.0 / (1.0 + np.asarray(snr, dtype=float)))


def snr_needed(probability, false_alarm_probability):
    """Signal to noise, a ratio, at which a Swerling 1 target is seen with `probability`.

    Examples
    --------
    >>> round(float(to_db(snr_needed(0.9, 1e-6))), 2)
    21.14
    """
    return math.log(false_alarm_probability) / math.log(probability) - 1.0


def range_at_probability(probability, reflectivity_dbsm, radar, azimuth_rad=0.0):
    """Range, m, at which a point of a reflectivity is seen with `probability`; the reach of a radar."""
    snr = (
        budget(azimuth_rad, radar) * from_db(reflectivity_dbsm) / snr_needed(probability, radar.false_alarm_probability)
    )
    return float(snr**0.25)


def range_rate_cell(radar):
    """Resolution in range rate, m/s: wavelength / (2 T)."""
    return radar.wavelength_m / (2 * radar.coherent_s)


def range_rate_limit(radar):
    """Range rates fold over outside plus or minus this, m/s: wavelength / (4 T_chirp)."""
    return radar.wavelength_m / (4 * radar.chirp_s)


def accuracy(snr, azimuth_rad, radar):
    """Standard deviations (range m, azimuth rad, range rate m/s) of a return.

    Each is resolution / sqrt(2 SNR), in azimuth divided by the cosine off boresight, and a floor,
    added in squares. Off boresight the cosine is held at that of 85 degrees.

    Parameters
    ----------
    snr : float or array
        A ratio, above 0.
    azimuth_rad : float or array
        From boresight.
    radar : RadarTuning
    """
    loss = 1.0 / np.sqrt(2.0 * np.asarray(snr, dtype=float))
    slant = np.maximum(np.cos(azimuth_rad), math.cos(math.radians(85)))
    in_range = np.hypot(radar.range_cell_m * loss, radar.range_floor_m)
    in_azimuth = np.hypot(math.radians(radar.azimuth_cell_deg) * loss, math.radians(radar.azimuth_floor_deg)) / slant
    in_rate = np.hypot(range_rate_cell(radar) * loss, radar.range_rate_floor_mps)
    return in_range, in_azimuth, in_rate
