"""What is added to a filter's covariance, and what is taken from it, before a track is handed out."""

import numpy as np
import pytest

from avoidkit.tracking.doubt import reported
from avoidkit.tracking.records import Stage

FILTERS = np.diag([0.04, 0.04, 0.25, 0.25])  # variances of 0.2 m and 0.5 m/s


def one(tuning, speed_mps, standing, stage=Stage.CONFIRMED, at_edge=0.0, before=False, covariance=FILTERS):
    state = np.array([[5.0, 1.0, speed_mps, 0.0]])
    given = np.array([at_edge]), np.array([before]), tuning.tracking
    return reported(covariance[None], state, np.array([standing]), np.array([stage], np.int8), *given)[0]


def test_of_who_surely_walks_a_share_is_left_and_the_walkers_own_errors_are_added(tuning):
    now = one(tuning, 1.4, 0.0)  # by hand: 0.8 of 0.04 and 0.16 of 0.25, and the squares of 0.01 m and 0.03 m/s
    assert now.diagonal() == pytest.approx([0.0321, 0.0321, 0.0409, 0.0409])


def test_who_stands_keeps_the_filters_variances_and_more_at_an_edge_and_before_a_bumper(tuning):
    assert one(tuning, 0.0, 1.0).diagonal() == pytest.approx([0.0416, 0.0416, 0.2536, 0.2536])
    assert one(tuning, 0.0, 1.0, at_edge=1.0)[0, 0] == pytest.approx(0.0416 + 0.3**2)
    assert one(tuning, 0.0, 1.0, before=True)[0, 0] == pytest.approx(0.0416 + 0.25**2)


def test_nothing_is_taken_from_tracks_that_are_not_confirmed_nor_from_who_may_stand(tuning):
    for stage in (Stage.TENTATIVE, Stage.COASTING, Stage.POSSIBLE):
        assert (one(tuning, 1.4, 0.0, stage).diagonal() > FILTERS.diagonal()).all()
    assert (one(tuning, 1.4, 0.2).diagonal() > FILTERS.diagonal()).all()
    assert one(tuning, 1.4, 0.1)[2, 2] == pytest.approx((1 - 0.5 * 0.84) * 0.25 + 0.1 * 0.06**2 + 0.9 * 0.03**2)


def test_slow_walkers_are_known_less_well_without_a_step_at_any_speed(tuning):
    speeds = np.linspace(0.0, 1.5, 151)
    place = np.array([one(tuning, v, 0.0)[0, 0] for v in speeds])
    assert place[0] == pytest.approx(0.032 + 0.08**2)
    assert (np.diff(place) <= 1e-12).all()
    assert np.abs(np.diff(place)).max() < 3e-4


def test_correlations_stay_and_the_result_is_a_covariance(tuning):
    rng = np.random.default_rng(5)
    for _ in range(200):
        half = rng.normal(size=(4, 4))
        now = one(tuning, rng.uniform(0, 2), rng.uniform(0, 1), covariance=half @ half.T + 1e-6 * np.eye(4))
        np.testing.assert_allclose(now, now.T, rtol=1e-12)
        assert np.linalg.eigvalsh(now).min() > 0
