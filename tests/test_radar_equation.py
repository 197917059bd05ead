"""Radar equation, detection and accuracy against published values."""

import math

import numpy as np
import pytest

from avoidkit.checks import InputError
from avoidkit.sensing.equation import (
    LIGHT_MPS,
    accuracy,
    beam,
    budget,
    detection_probability,
    from_db,
    range_at_probability,
    range_rate_cell,
    range_rate_limit,
    signal_to_noise,
    snr_needed,
    to_db,
)
from avoidkit.sensing.kernels import folded
from avoidkit.sensing.radar import detect
from avoidkit.sensing.scatter import person_reflectivity
from avoidkit.tuning import Tuning
from tests.sensing_yard import PLAIN, QUIET

RADAR = Tuning().radar


def pulsed(range_m=150e3, reflectivity_m2=10.0):
    return signal_to_noise(
        10e3, 10**3.6, LIGHT_MPS / 10e9, reflectivity_m2, range_m, coherent_s=10 * 0.18 / 24591.9, noise_factor=10**0.5
    )


def test_signal_to_noise_matches_a_published_worked_case():
    # Test of an open tracking library, printed with three decimals: 10 pulses, time-bandwidth 0.18,
    # bandwidth 24591.9 Hz, noise figure 5 dB, 10 GHz, 36 dB, 10 kW, 290 K, 10 m^2, 150 km.
    assert pulsed() == pytest.approx(8.197, abs=0.0005)


def test_twice_the_range_costs_twelve_decibels_and_ten_times_the_reflectivity_reaches_1_778_times_as_far():
    assert to_db(pulsed(300e3) / pulsed(150e3)) == pytest.approx(-12.04, abs=0.005)
    one, ten = (range_at_probability(0.9, level, RADAR) for level in (-10.0, 0.0))
    assert ten / one == pytest.approx(1.778, abs=0.0005)


@pytest.mark.parametrize(
    ("snr_db", "false_alarm", "printed"),
    [(10, 1e-6, 0.2848), (13, 1e-6, 0.5172), (20, 1e-6, 0.8722), (10, 1e-4, 0.4329)],
)
def test_detection_of_a_fluctuating_target_matches_the_printed_values(snr_db, false_alarm, printed):
    # Swerling 1, one look: Mahafza, Radar Systems Analysis and Design, eq. 2.75; Richards, sec. 6.3.3.
    assert detection_probability(from_db(snr_db), false_alarm) == pytest.approx(printed, abs=0.00005)


def test_the_signal_needed_is_the_inverse_of_the_detection_probability():
    assert to_db(snr_needed(0.9, 1e-6)) == pytest.approx(21.14, abs=0.005)
    assert detection_probability(snr_needed(0.7, 1e-5), 1e-5) == pytest.approx(0.7, abs=1e-12)


def test_a_steady_target_needs_13_18_db_for_nine_of_ten():
    # Albersheim's value is 13.11 dB, the exact one 13.18 dB (Richards); 40,000 draws, standard error 0.0015.
    n = 40_000
    plain = Tuning().replace(PLAIN | {"radar.merging": False}).radar
    drawn = np.random.default_rng(3).standard_normal((7, n))
    places = np.full(n, 10.0), np.zeros(n), np.zeros(n)
    seen = detect(*places, np.full(n, from_db(13.18)), drawn[:2], drawn[2:], 1.0, plain)
    assert len(seen) / n == pytest.approx(0.9, abs=3 * math.sqrt(0.09 / n))


def test_resolutions_follow_from_wavelength_bandwidth_and_times():
    # textbooks: c/2B at 1 GHz 0.1499 m; 3.9 mm over 10 ms 0.195 m/s; 3.9 mm and chirps of 78 us: 12.5 m/s
    assert pytest.approx(LIGHT_MPS / 2e9, abs=0.0005) == RADAR.range_cell_m
    assert range_rate_cell(RADAR) == pytest.approx(0.195, abs=0.0005)
    assert range_rate_limit(RADAR) == pytest.approx(12.5, abs=0.05)


def test_range_rates_beyond_the_limit_fold_over():
    limit = range_rate_limit(RADAR)
    found = [folded(rate, limit) for rate in (14.0, -14.0, 3.0)]
    np.testing.assert_allclose(found, [14.0 - 2 * limit, 2 * limit - 14.0, 3.0])


def test_azimuth_is_twice_as_uncertain_at_60_degrees_and_never_better_than_the_bound_of_eight_elements():
    # Bound for 8 elements half a wavelength apart at 20 dB each (29 dB in all): 0.199 deg ahead, 0.398 at
    # 60 deg; single-tone bound, from memory, checked by simulation.
    snr = 8 * from_db(20.0)
    ahead, aside = (math.degrees(float(accuracy(snr, math.radians(a), RADAR)[1])) for a in (0.0, 60.0))
    assert aside / ahead == pytest.approx(2.0, rel=1e-12)
    assert 0.199 < ahead < 1.0
    assert 0.398 < aside < 2.0


def test_errors_are_resolution_by_root_of_twice_the_signal_to_noise_with_a_floor():
    in_range, in_azimuth, in_rate = accuracy(50.0, 0.0, RADAR)  # sqrt(2 * 50) = 10
    assert in_range == pytest.approx(math.hypot(0.015, 0.02))
    assert math.degrees(in_azimuth) == pytest.approx(math.hypot(1.2, 0.5))
    assert in_rate == pytest.approx(math.hypot(0.0195, 0.02))


def test_the_beam_has_half_its_power_at_half_its_width():
    assert beam(math.radians(60.0), RADAR) == pytest.approx(0.5)
    assert to_db(budget(math.radians(60.0), RADAR) / budget(0.0, RADAR)) == pytest.approx(-6.02, abs=0.005)


def test_an_adult_is_seen_nine_times_in_ten_up_to_about_twenty_metres():
    assert 18.0 < range_at_probability(0.9, -8.0, RADAR) < 22.0
    assert range_at_probability(0.9, -13.0, RADAR) < 16.0  # a child


def test_single_measurements_of_many_adults_fill_the_published_band():
    # Published near 77 GHz: median -11.1 dBsm, 90 % within -20.7 to -4.8. Means drawn here, fluctuation on top.
    means = person_reflectivity(("adult",) * 4000, 5, RADAR)
    single = to_db(means * np.random.default_rng(6).exponential(size=4000))
    low, median, high = np.percentile(single, [5, 50, 95])
    assert median == pytest.approx(-11.1, abs=0.7)
    assert high == pytest.approx(-4.8, abs=0.7)
    assert low == pytest.approx(-20.7, abs=2.2)


def test_children_return_less():
    radar = Tuning().replace(QUIET).radar
    ratio = person_reflectivity(("child",) * 9, 1, radar) / person_reflectivity(("adult",) * 9, 1, radar)
    np.testing.assert_allclose(to_db(ratio), -radar.child_below_db)


def test_a_range_of_zero_is_refused():
    with pytest.raises(InputError, match=r"^range_m must be above 0 everywhere, got 0\.0$"):
        pulsed(0.0)
