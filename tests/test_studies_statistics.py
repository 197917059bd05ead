"""Exact bounds, drives needed, bootstrap intervals, Sobol indices: against printed values and closed forms."""

import math

import numpy as np
import pandas as pd
import pytest

from avoidkit import InputError
from avoidkit.studies.statistics import (
    drives_needed,
    median_interval,
    pareto_front,
    rank_correlations,
    rate_bound,
    rate_interval,
    rate_words,
    sign_test,
    sobol_indices,
    sobol_points,
)


def test_the_exact_interval_of_four_in_twenty_is_the_handbooks():
    # NIST/SEMATECH e-Handbook of Statistical Methods, section 7.2.4.1, 4 defectives of 20, two-sided 90 %:
    # 0.071354 and 0.401029, found there by a solver, so that the sixth decimal may be one off; from memory.
    assert rate_interval(4, 20, level=0.90) == pytest.approx((0.071354, 0.401029), abs=1.1e-6)


def test_the_bounds_are_where_the_binomial_tails_hold_half_of_what_is_left():
    # the definition of Clopper and Pearson (1934), Biometrika 26, with the tails added up term by term
    low, high = rate_interval(3, 17)
    at_least_3 = sum(math.comb(17, i) * low**i * (1 - low) ** (17 - i) for i in range(3, 18))
    at_most_3 = sum(math.comb(17, i) * high**i * (1 - high) ** (17 - i) for i in range(4))
    assert (at_least_3, at_most_3) == pytest.approx((0.025, 0.025), rel=1e-9)


def test_no_event_in_a_hundred_drives_rules_out_three_per_cent():
    # Hanley and Lippman-Hand (1983), JAMA 249, "rule of three": 3/n at 95 %, exact for n = 100: 2.95 %; from memory
    assert rate_bound(0, 100) == pytest.approx(0.0295, abs=5e-5)
    assert rate_bound(0, 1000) == pytest.approx(3 / 1000, rel=0.01)


@pytest.mark.parametrize(
    ("rate", "confidence", "drives"),
    [(0.10, 0.90, 22), (0.05, 0.95, 59), (0.01, 0.95, 299), (0.10, 0.95, 29), (0.01, 0.99, 459)],
)
def test_drives_without_an_event_are_those_of_the_success_run_table(rate, confidence, drives):
    # sample sizes of Wilks (1941) and of the success-run tables of reliability handbooks, from memory
    assert drives_needed(rate, confidence=confidence) == drives


def test_drives_with_one_event_are_those_of_the_tolerance_tables():
    # Wilks's sample sizes for 95 % content with 95 % confidence, by rank: 59, 93, 124 (from memory)
    assert [drives_needed(0.05, events=k) for k in (0, 1, 2)] == [59, 93, 124]


def test_a_printed_rate_carries_its_number_of_drives_and_its_bound():
    assert rate_words(0, 299) == "0 of 299 (below 1 % with 95 % confidence)"
    assert rate_words(0, 0) == "0 of 0 (nothing is known)"
    assert rate_words(5, 5).startswith("5 of 5 (95 % interval 47.8 to 100.0 %)")  # lower end 0.025^(1/5) = 0.478


def test_counts_that_cannot_be_are_refused():
    with pytest.raises(InputError, match=r"^k must lie from 0 to n = 4, got 5$"):
        rate_interval(5, 4)
    with pytest.raises(InputError, match=r"^k and n must be whole numbers, got 1\.5 and 3$"):
        rate_interval(1.5, 3)
    with pytest.raises(InputError, match=r"^k and n must be whole numbers, got 1 and nan$"):
        rate_bound(1, math.nan)
    with pytest.raises(InputError, match=r"^the level must lie between 0 and 1, got 95$"):
        rate_bound(1, 4, confidence=95)
    with pytest.raises(InputError, match=r"^rate must lie between 0 and 1, got 0$"):
        drives_needed(0)


def test_the_interval_of_a_median_covers_it_about_as_often_as_it_says():
    rng = np.random.default_rng(5)
    covered = 0
    for run in range(200):
        found = median_interval(rng.exponential(1.0, 40), seed=run, resamples=400)
        covered += found["low"] <= math.log(2) <= found["high"]
    assert 180 <= covered <= 199  # 95 % of 200 is 190, two-sided 99.9 % of a binomial: 179 to 199


def test_a_median_of_nothing_is_not_a_number():
    found = median_interval([math.nan, math.inf])
    assert found["n"] == 0
    assert math.isnan(found["median"])
    assert median_interval([2.0, 2.0, 2.0]) == {"n": 3, "median": 2.0, "low": 2.0, "high": 2.0}


def test_nine_of_ten_pairs_on_one_side_are_significant_by_the_sign_test():
    # (1 + 10) / 2^10 on each side: 22 / 1024
    assert sign_test([1, 1, 1, 1, 1, 1, 1, 1, 1, -1, 0]) == (9, 1, pytest.approx(22 / 1024))


def test_sobol_indices_of_the_ishigami_function_are_its_own():
    # f = sin x1 + 7 sin^2 x2 + 0.1 x3^4 sin x1 on (-pi, pi)^3; Ishigami and Homma (1990), indices as printed in
    # Saltelli and others (2008), Global Sensitivity Analysis: S 0.3139, 0.4424, 0; T 0.5576, 0.4424, 0.2437 (memory)
    points = sobol_points([(-math.pi, math.pi)] * 3, 16384, seed=1)
    x1, x2, x3 = points.T
    table = sobol_indices(np.sin(x1) + 7 * np.sin(x2) ** 2 + 0.1 * x3**4 * np.sin(x1), ["x1", "x2", "x3"])
    assert table["first"].to_numpy() == pytest.approx([0.3139, 0.4424, 0.0], abs=0.01)
    assert table["total"].to_numpy() == pytest.approx([0.5576, 0.4424, 0.2437], abs=0.01)


def test_a_function_that_never_varies_has_no_indices():
    assert sobol_indices(np.ones(4 * 3), ["one"])["total"].isna().all()


def test_an_input_that_orders_an_output_correlates_by_rank():
    frame = pd.DataFrame({"a": [1.0, 2.0, 3.0, 4.0], "b": [1.0, 1.0, 1.0, 1.0], "y": [9.0, 4.0, 1.0, 0.5]})
    table = rank_correlations(frame, ["a", "b"], ["y"])
    assert table["rho"].tolist()[0] == pytest.approx(-1.0)
    assert math.isnan(table["rho"].tolist()[1])


def test_the_front_holds_what_nothing_beats_in_both():
    first, second = [1.0, 1.0, 2.0, math.nan, 0.5], [2.0, 3.0, 1.0, 0.0, 9.0]
    assert pareto_front(first, second).tolist() == [True, False, True, False, True]
