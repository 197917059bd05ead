"""What many scans show together: detection rate, false alarms, errors, resolution; fixed seeds, stated errors."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from avoidkit.frames import Pose
from avoidkit.sensing.equation import accuracy, boresight_budget, detection_probability, from_db, range_rate_cell
from avoidkit.sensing.kernels import add_by_leader, merge_cells
from avoidkit.sensing.radar import detect, false_alarms, ground_level
from avoidkit.sensing.streams import Drift, Effect, stream
from avoidkit.tuning import Tuning
from avoidkit.vehicle import Ego
from tests.sensing_yard import PLAIN, QUIET, STILL, ahead_of, people, radar

RANGES_M = (8.0, 12.0, 16.0, 20.0, 24.0)


def detected(snr, n, seed, tuning):
    """Number of n independent scatterers of one mean signal to noise that are seen."""
    drawn = np.random.default_rng(seed).standard_normal((7, n))
    places = np.full(n, 10.0), np.zeros(n), np.zeros(n)
    return len(detect(*places, np.full(n, snr), drawn[:2], drawn[2:], 1.0, tuning.radar))


@pytest.mark.parametrize("range_m", RANGES_M)
def test_detection_follows_the_formula_over_20000_draws(range_m):
    # Pfa^(1/(1+S)): Mahafza eq. 2.75. The draw is by complex amplitudes and a threshold, not by the formula.
    tuning = Tuning().replace(QUIET | {"radar.merging": False, "radar.noise": False})
    n, snr = 20_000, from_db(21.14 - 40 * math.log10(range_m / 19.5))
    expected = float(detection_probability(snr, tuning.radar.false_alarm_probability))
    seen = detected(snr, n, int(range_m), tuning) / n
    assert seen == pytest.approx(expected, abs=3 * math.sqrt(expected * (1 - expected) / n))


def rate_over_scans(range_m, scans):
    """Share of scans with a return of somebody ahead of the radar, and the share that the formula expects."""
    changes = QUIET | {
        "radar.limbs": False,
        "radar.front_of_body_m": 0.0,
        "radar.standing_memory_s": 0.0,
        "radar.ground_db": -80.0,
        "radar.adult_low_dbsm": -8.1,
        "radar.noise": False,
    }
    one, tuning = radar(changes)
    somebody = people(ahead_of("front_left", range_m))
    seen = sum(len(one.returns(k, 0.05 * k, somebody, STILL)) > 0 for k in range(scans))
    snr = boresight_budget(tuning.radar) * from_db(-8.1) / range_m**4
    return seen / scans, float(detection_probability(snr, tuning.radar.false_alarm_probability))


def test_whole_scans_detect_at_the_rate_of_the_formula():
    seen, expected = rate_over_scans(18.0, 1500)
    assert seen == pytest.approx(expected, abs=3 * math.sqrt(expected * (1 - expected) / 1500))


@pytest.mark.slow
@pytest.mark.parametrize("range_m", RANGES_M)
def test_20000_whole_scans_detect_at_the_rate_of_the_formula(range_m):
    seen, expected = rate_over_scans(range_m, 20_000)
    assert seen == pytest.approx(expected, abs=3 * math.sqrt(expected * (1 - expected) / 20_000))


def test_false_alarms_are_poisson_at_the_set_rate_and_even_over_the_ranges():
    tuning = Tuning().radar
    n, rate = 20_000, 0.5
    drawn = [false_alarms(stream(4, 0, Effect.FALSE_ALARMS, k), rate, tuning) for k in range(n)]
    counts = np.array([len(d) for d in drawn])
    assert counts.mean() == pytest.approx(rate, abs=3 * math.sqrt(rate / n))
    # variance of a Poisson sample variance: (rate + 2 rate^2) / n, about
    assert counts.var() == pytest.approx(rate, abs=3 * math.sqrt((rate + 2 * rate**2) / n))
    assert (counts == 0).mean() == pytest.approx(math.exp(-rate), abs=3 * math.sqrt(0.24 / n))
    ranges = np.concatenate([d.range_m for d in drawn])
    middle = (tuning.range_min_m + tuning.range_max_m) / 2
    width = tuning.range_max_m - tuning.range_min_m
    assert ranges.mean() == pytest.approx(middle, abs=3 * width / math.sqrt(12 * len(ranges)))


@pytest.mark.parametrize("azimuth_deg", [0.0, 60.0])
def test_errors_over_5000_returns_have_the_stated_deviations(azimuth_deg):
    tuning = Tuning().replace(QUIET | {"radar.merging": False, "radar.fluctuation": False})
    n = 5000
    drawn = np.random.default_rng(8).standard_normal((7, n))
    places = np.full(n, 10.0), np.full(n, math.radians(azimuth_deg)), np.full(n, 1.0)
    seen = detect(*places, np.full(n, from_db(20.0)), drawn[:2], drawn[2:], 1.0, tuning.radar)
    assert len(seen) > 0.99 * n
    stated = accuracy(seen.snr, math.radians(azimuth_deg), tuning.radar)
    for found, true, sigma in zip(
        (seen.range_m, seen.azimuth_rad, seen.range_rate_mps), (10.0, places[1][0], 1.0), stated, strict=True
    ):
        normal = (found - true) / sigma
        assert normal.std() == pytest.approx(1.0, rel=0.05)  # standard error 0.01
        assert normal.mean() == pytest.approx(0.0, abs=0.05)


def seen_of_two(gap_range_m=0.0, gap_azimuth_deg=0.0, gap_rate_mps=0.0):
    """Number of returns of two strong steady points with gaps between them."""
    tuning = Tuning().replace(PLAIN)
    drawn = np.random.default_rng(1).standard_normal((7, 2))
    places = np.array([8.0, 8.0 + gap_range_m]), np.radians([0.0, gap_azimuth_deg]), np.array([0.0, gap_rate_mps])
    return len(detect(*places, np.full(2, 1e4), drawn[:2], drawn[2:], 1.0, tuning.radar))


CELL_MPS = range_rate_cell(Tuning().radar)


@pytest.mark.parametrize(
    ("gap", "cell"), [("gap_range_m", 0.15), ("gap_azimuth_deg", 12.0), ("gap_rate_mps", CELL_MPS)]
)
def test_two_points_within_a_cell_are_one_return_and_two_cells_apart_two(gap, cell):
    assert seen_of_two(**{gap: 0.9 * cell}) == 1
    assert seen_of_two(**{gap: 2.1 * cell}) == 2


def test_range_rates_at_both_ends_of_the_band_are_neighbours():
    limit = 12.5
    assert seen_of_two(gap_rate_mps=2 * limit - 0.1) == 1


def merged_slowly(order, range_m, azimuth, rate, cells, period):
    """The same as `merge_cells` by comparing all pairs."""
    leader, leaders = {}, []
    for i in order:
        near = [
            j
            for j in leaders
            if abs(range_m[i] - range_m[j]) < cells[0]
            and abs(azimuth[i] - azimuth[j]) < cells[1]
            and min(abs(rate[i] - rate[j]), period - abs(rate[i] - rate[j])) < cells[2]
        ]
        leader[i] = near[0] if near else i
        leaders += [] if near else [i]
    return leader, set(leaders)


@given(st.integers(0, 60), st.integers(0, 10**6))
def test_merging_by_bins_finds_the_leaders_that_comparing_all_pairs_finds(n, seed):
    rng = np.random.default_rng(seed)
    range_m, azimuth, rate = rng.uniform(0, 2, n), rng.uniform(-1, 1, n), rng.uniform(-1, 1, n)
    order, cells, period = rng.permutation(n), (0.15, 0.2, 0.3), 2.0
    found = merge_cells(order, range_m, azimuth, rate, *cells, period)
    _, leaders = merged_slowly(order, range_m, azimuth, rate, cells, period)
    assert {i for i in range(n) if found[i] == i} == leaders
    real, imag = add_by_leader(found, np.ones(n), np.zeros(n))
    assert real.sum() == pytest.approx(n)
    assert not imag.any()


def test_a_drifting_draw_is_standard_normal_at_every_instant_and_forgets():
    drift = Drift(5, 0, Effect.FLUCTUATION, 0.1)
    times = np.arange(0.0, 2.0, 0.025)
    values = np.array([drift.at(t, (500,), 0) for t in times])
    assert values.std(axis=1) == pytest.approx(1.0, abs=0.13)  # 4 standard errors of 500

    def together(steps):
        return float(np.mean(values[:-steps] * values[steps:]))

    assert together(1) > 0.8
    assert together(2) > 0.4
    assert abs(together(8)) < 0.03


def test_a_scan_is_the_same_whenever_it_is_asked_for():
    somebody = people(ahead_of("front_left", 20.0))
    one, _ = radar()
    backwards = {k: one.returns(k, 0.05 * k, somebody, STILL) for k in reversed(range(20))}
    other, _ = radar()
    for k in range(20):
        again = other.returns(k, 0.05 * k, somebody, STILL)
        for name in ("range_m", "azimuth_rad", "range_rate_mps", "snr"):
            assert getattr(again, name).tobytes() == getattr(backwards[k], name).tobytes()


def test_merged_points_glint_most_where_their_echoes_cancel():
    # Two equal points 8 degrees apart in one cell: mean in the middle on the whole, far out where they fade.
    tuning = Tuning().replace(PLAIN | {"radar.glint": True, "radar.fluctuation": True})
    rng, seen = np.random.default_rng(2), []
    for _ in range(3000):
        drawn = rng.standard_normal((7, 2))
        places = np.array([8.0, 8.0]), np.radians([-4.0, 4.0]), np.zeros(2)
        found = detect(*places, np.full(2, 1e4), drawn[:2], drawn[2:], 1.0, tuning.radar)
        seen += list(zip(np.degrees(found.azimuth_rad), found.snr, strict=True))
    assert len(seen) > 2980  # now and then both cancel altogether
    azimuth, snr = np.array(seen).T
    weak = snr < np.percentile(snr, 10)
    assert np.median(azimuth) == pytest.approx(0.0, abs=0.4)
    assert np.abs(azimuth).max() <= 4.0 + 12.0
    assert np.abs(azimuth[weak]).mean() > 2 * np.abs(azimuth[~weak]).mean()


def test_the_ground_is_noise_for_what_stands_and_not_for_what_moves():
    tuning = Tuning().replace(QUIET | {"radar.ground_db": -30.0})
    range_m, rate = np.array([10.0, 10.0]), np.array([0.0, 0.3])
    standing, moving = ground_level(range_m, np.zeros(2), rate, np.zeros(2), tuning.radar)
    # 0.15 m x 10 m x 12 deg = 0.314 m^2 at -30 dB: -35.0 dBsm before the quiet noise
    echo = boresight_budget(tuning.radar) * from_db(-35.03) / 10.0**4
    assert standing - 1.0 == pytest.approx(echo, rel=0.01)
    assert moving == 1.0


def test_somebody_who_stands_is_lost_before_a_rough_ground_more_often_than_one_who_walks():
    one, _ = radar(QUIET | {"radar.ground_db": -22.0, "radar.limbs": False})
    x, y = ahead_of("front_left", 10.0)
    away = 1.2 * np.array([math.cos(math.radians(50)), math.sin(math.radians(50))])
    counts = []
    for group in (people((x, y)), people((x, y, *away))):
        counts.append(sum(len(one.returns(k, 0.5 * k, group, STILL)) > 0 for k in range(400)))
    assert counts[0] < 0.95 * counts[1]


def test_a_walker_is_lost_for_several_scans_in_a_row_more_often_than_by_chance():
    # With memory 0.1 s and scans every 0.05 s a miss is more likely after a miss.
    one, _ = radar(QUIET | {"radar.limbs": False})
    somebody = people((*ahead_of("front_left", 20.0), 0.5, 0.5))
    ego = Ego(0.0, Pose(0.0, 0.0, 0.0), 0.0, 0.0, 0.0)
    seen = np.array([len(one.returns(k, 0.05 * k, somebody, ego)) > 0 for k in range(1500)])
    miss = ~seen
    after_miss = (miss[1:] & miss[:-1]).sum() / miss[:-1].sum()
    assert 0.05 < miss.mean() < 0.95
    assert after_miss > miss.mean() + 0.1
