"""Figures of how good tracks are, against published cases and a general tracking library."""

import numpy as np
import pytest

from avoidkit.checks import InputError
from avoidkit.tracking.diagnostics import (
    Truth,
    chi_square_band,
    diagnose,
    held_share,
    identity_switches,
    nees,
    pairs_over_time,
    rms,
    time_to_confirm,
    tracked_share,
    whiteness,
)  # fmt: skip
from avoidkit.tracking.records import Stage, exact_tracks
from avoidkit.tracking.setmetrics import gospa, ospa


def test_ospa_equals_published_cases():
    # Schuhmacher, Vo and Vo 2008 define it; the first case is in the tests of a general tracking library
    five = np.arange(10.0).reshape(5, 2)
    assert ospa(five, five + np.array([0.5, 0.0]), cutoff_m=10.0, order=1.0).total_m == pytest.approx(0.5)
    assert ospa([(0, 0), (10, 0)], [(0, 0)], cutoff_m=10.0, order=1.0).total_m == pytest.approx(5.0)
    assert ospa([(0, 0), (10, 0)], [(0, 0)], cutoff_m=10.0, order=2.0).total_m == pytest.approx(7.0711, abs=5e-5)


def test_gospa_equals_published_cases():
    # Rahmathullah, Garcia-Fernandez and Svensson 2017, alpha 2
    five = np.arange(10.0).reshape(5, 2) * 3
    assert gospa(five, five + np.array([0.5, 0.0]), cutoff_m=10.0, order=1.0).total_m == pytest.approx(2.5)
    assert gospa(np.zeros((10, 2)), np.zeros((0, 2)), cutoff_m=10.0, order=1.0).total_m == pytest.approx(50.0)
    worked = gospa([(1,), (2,), (3,)], [(2,), (1,), (100,)], cutoff_m=2.0, order=2.0)
    assert (worked.total_m, worked.localisation, worked.missed, worked.false) == (2.0, 0.0, 2.0, 2.0)


def test_nobody_true_and_nobody_estimated_is_no_distance():
    nobody = np.zeros((0, 2))
    assert ospa(nobody, nobody, cutoff_m=1.0).total_m == 0.0
    assert gospa(nobody, nobody, cutoff_m=1.0).total_m == 0.0


def test_ospa_and_gospa_equal_a_general_tracking_library_on_500_random_cases():
    pytest.importorskip("stonesoup")
    from stonesoup.metricgenerator.ospametric import GOSPAMetric, OSPAMetric
    from stonesoup.types.array import StateVector
    from stonesoup.types.state import State

    rng = np.random.default_rng(3)

    def states(points):
        return [State(StateVector(point.reshape(-1, 1))) for point in points]

    for _ in range(500):
        n, m = int(rng.integers(0, 6)), int(rng.integers(0, 6))
        if n + m == 0:
            continue  # the library needs a time stamp, and takes it from a state
        truth, estimate = rng.uniform(0, 6, (n, 2)), rng.uniform(0, 6, (m, 2))
        order, cutoff_m = float(rng.integers(1, 3)), float(rng.uniform(0.5, 4.0))
        ours = ospa(truth, estimate, cutoff_m=cutoff_m, order=order).total_m
        theirs = OSPAMetric(c=cutoff_m, p=order).compute_OSPA_distance(states(estimate), states(truth)).value
        # the library pairs by distance, not by its power: exact at order 1, at order 2 never below the least
        assert ours == pytest.approx(float(theirs), abs=1e-9) if order == 1.0 else ours <= float(theirs) + 1e-9
        metric, _ = GOSPAMetric(c=cutoff_m, p=order).compute_gospa_metric(states(estimate), states(truth))
        whole = gospa(truth, estimate, cutoff_m=cutoff_m, order=order)
        assert whole.total_m == pytest.approx(float(metric.value["distance"]), abs=1e-9)
        assert whole.localisation == pytest.approx(float(metric.value["localisation"]), abs=1e-9)
        assert whole.missed == pytest.approx(float(metric.value["missed"]), abs=1e-9)
        assert whole.false == pytest.approx(float(metric.value["false"]), abs=1e-9)


def test_nees_bands_are_the_printed_ones():
    # Bar-Shalom, Li and Kirubarajan 2001 print 1.5 and 2.6 for 50 runs of two states (from memory); the rest follows
    assert chi_square_band(50, 2) == pytest.approx((1.484, 2.591), abs=5e-4)
    assert chi_square_band(50, 4) == pytest.approx((3.255, 4.821), abs=5e-4)


def test_nees_of_errors_drawn_from_their_covariance_lies_in_the_band():
    rng = np.random.default_rng(1)
    root = np.array([[0.3, 0.0], [0.1, 0.2]])
    errors = rng.normal(size=(400, 2)) @ root.T
    values = nees(errors, np.tile(root @ root.T, (400, 1, 1)))
    low, high = chi_square_band(400, 2)
    assert low < values.mean() < high
    assert 0.92 < held_share(errors, np.tile(root @ root.T, (400, 1, 1))) < 0.98
    assert nees(2 * errors, np.tile(root @ root.T, (400, 1, 1))).mean() > high  # overconfidence shows


def test_white_innovations_stay_below_the_bound_and_a_random_walk_does_not():
    rng = np.random.default_rng(2)
    white, bound = whiteness(rng.normal(size=2000), lags=20)
    assert np.mean(np.abs(white) < bound) >= 0.85
    walk, _ = whiteness(np.cumsum(rng.normal(size=2000)), lags=5)
    assert walk.min() > 0.9


def story(ids):
    """Two people who stand still and the tracks of six instants: `ids` are the numbers of their two tracks."""
    xy = np.array([[0.0, 0.0], [5.0, 0.0]])
    truths, tracks = [], []
    for k, pair in enumerate(ids):
        truths.append(Truth(0.05 * k, ("a", "b"), xy, np.zeros((2, 2)), np.array([True, k > 0])))
        found = [n for n, number in enumerate(pair) if number]
        now = exact_tracks(0.05 * k, xy[found] + np.array([0.03, 0.04]), np.zeros((len(found), 2)))
        now.ids[:] = [pair[n] for n in found]
        tracks.append(now)
    return truths, tracks


def test_a_swap_counts_for_both_and_a_gap_for_nobody():
    truths, tracks = story([(1, 2), (1, 0), (1, 2), (2, 1), (2, 1), (2, 1)])
    pairs = pairs_over_time(truths, tracks)
    assert identity_switches(pairs, tracks) == {"a": 1, "b": 1}
    assert tracked_share(truths, pairs) == {"a": 1.0, "b": 0.8}  # b counts in five instants and is missed in one


def test_a_place_held_under_a_negative_number_stands_for_nobody():
    truths, tracks = story([(1, 2), (1, -1), (1, -1), (1, 2), (1, 2), (1, 2)])
    pairs = pairs_over_time(truths, tracks)
    assert [sorted(now) for now in pairs] == [["a", "b"], ["a"], ["a"], ["a", "b"], ["a", "b"], ["a", "b"]]
    assert identity_switches(pairs, tracks) == {"a": 0, "b": 0}


def test_time_to_confirm_runs_from_the_second_measurement():
    truths, tracks = story([(1, 2)] * 4)
    for k, now in enumerate(tracks):
        now.stage[:] = [Stage.TENTATIVE if k < 2 else Stage.CONFIRMED, Stage.POSSIBLE]
        now.hits[:] = k + 1
    assert time_to_confirm(tracks) == {1: pytest.approx(0.05)}
    assert pairs_over_time(truths, tracks)[0] == {}  # nobody is believed yet


def test_all_figures_of_a_drive_in_one_dict():
    truths, tracks = story([(1, 2)] * 6)
    figures = diagnose(truths, tracks)
    assert figures["position_rms_m"] == pytest.approx(0.05)
    assert figures["tracked_share"] == 1.0
    assert figures["switches_per_minute"] == 0.0
    # at the first instant b does not count, and b's track is left out: one error of 0.05 m; then two
    assert figures["gospa_m"] == pytest.approx((0.05 + 5 * np.sqrt(2 * 0.0025)) / 6)


def test_rms_of_nothing_is_not_a_number():
    assert np.isnan(rms(np.zeros((0, 2))))


def test_wrong_input_is_named():
    with pytest.raises(InputError, match=r"^order must be at least 1, got 0.5$"):
        ospa(np.zeros((1, 2)), np.zeros((1, 2)), cutoff_m=1.0, order=0.5)
    with pytest.raises(InputError, match=r"^estimate must be finite everywhere$"):
        gospa(np.zeros((1, 2)), np.full((1, 2), np.nan), cutoff_m=1.0)
    with pytest.raises(InputError, match=r"^tracks must have the length of truths, 0, got 1$"):
        pairs_over_time([], [exact_tracks(0.0, np.zeros((0, 2)), np.zeros((0, 2)))])
