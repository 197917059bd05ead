"""The filter: against its library, against printed gains, against its own covariance."""

import math

import numpy as np
import pytest
from filterpy.common import Q_continuous_white_noise

from avoidkit.tracking import filters
from avoidkit.tracking.association import gate
from avoidkit.tracking.bank import LIFE, Bank
from avoidkit.tracking.border import BORDER_RAD, facing, off_boresight
from avoidkit.tracking.cluster import Clusters
from avoidkit.tracking.diagnostics import chi_square_band, nees
from avoidkit.tracking.engines import CompiledFilter, LibraryFilter
from avoidkit.tracking.settings import settings_of
from tests.tracked_yards import TUNING

SETTINGS = settings_of(TUNING, gate(0.99, 3))
HALF_VIEW = math.pi  # no border in these


def random_bank(rng, n=6):
    """Tracks with honest random covariances, some way off the origin."""
    roots = rng.normal(size=(n, 2, 4, 4)) * 0.2
    covariances = roots @ roots.transpose(0, 1, 3, 2) + 0.01 * np.eye(4)
    states = rng.normal(size=(n, 2, 4)) + np.array([6.0, 3.0, 0.0, 0.0])
    standing = rng.uniform(0.1, 0.9, n)
    return Bank(0.0, states, covariances, np.stack([standing, 1 - standing], axis=1), np.zeros((n, LIFE)))


def random_clusters(rng, bank):
    """One measurement near each track."""
    n, sensor = len(bank), np.array([0.5, -0.4, 0.3])
    z = np.array([filters.expected(x[1], sensor)[0] for x in bank.states]) + rng.normal(size=(n, 3)) * [0.1, 0.03, 0.4]
    R = np.tile([0.01, 0.001, 0.02], (n, 2, 1))
    nothing = np.zeros(n)
    empty = (np.zeros((0, 2)), np.zeros(0, bool), np.zeros(0))
    return Clusters(sensor, z, R, np.zeros((n, 2)), nothing, nothing, nothing, nothing.astype(int), nothing > 0, *empty)


@pytest.mark.parametrize("seed", range(5))
def test_compiled_filter_equals_the_filter_library(seed):
    rng = np.random.default_rng(seed)
    ours = random_bank(rng)
    theirs, clusters = ours.copy(), random_clusters(rng, ours)
    pick = np.array([0, 1, -1, 3, 4, 5])
    for bank, engine in ((ours, CompiledFilter()), (theirs, LibraryFilter())):
        for step in (0.013, 0.05, 0.26):
            engine.advance(bank, bank.time_s + step, SETTINGS)
            engine.update(bank, pick, clusters, SETTINGS)
    for name in ("states", "covariances", "modes"):
        np.testing.assert_allclose(getattr(ours, name), getattr(theirs, name), rtol=0, atol=1e-9, err_msg=name)


def test_walking_noise_is_that_of_the_filter_library():
    F, Q = filters.walking_step(0.1, 0.7)
    np.testing.assert_allclose(Q, Q_continuous_white_noise(2, dt=0.1, spectral_density=0.7), rtol=1e-12)
    assert F.tolist() == [[1.0, 0.1], [0.0, 1.0]]


@pytest.mark.parametrize(
    "step", [lambda dt: filters.walking_step(dt, 0.5), lambda dt: filters.standing_step(dt, 0.06, 0.25)]
)
def test_two_short_steps_add_the_noise_of_one_long_step(step):
    (F, Q), (F2, Q2) = step(0.1), step(0.2)
    np.testing.assert_allclose(F @ F, F2, rtol=1e-12)
    np.testing.assert_allclose(F @ Q @ F.T + Q, Q2, rtol=1e-9)


def test_somebody_who_stands_keeps_the_velocity_spread_of_sway():
    F, Q = filters.standing_step(0.05, 0.06, 0.25)
    P = np.zeros((2, 2))
    for _ in range(200):
        P = F @ P @ F.T + Q
    assert math.sqrt(P[1, 1]) == pytest.approx(0.06, rel=1e-9)


def test_switching_twice_is_switching_once_for_twice_the_time():
    once = filters.switching(0.4, 0.2, 0.1)
    np.testing.assert_allclose(filters.switching(0.2, 0.2, 0.1) @ filters.switching(0.2, 0.2, 0.1), once, rtol=1e-12)
    np.testing.assert_allclose(once.sum(axis=1), 1.0, rtol=1e-12)
    # a walker who stops 0.2 times a second has stopped within a short dt with probability 0.2 dt
    assert filters.switching(1e-6, 0.2, 0.1)[1, 0] == pytest.approx(0.2e-6, rel=1e-5)


def test_derivative_of_a_measurement_equals_its_differences():
    state, sensor, h = np.array([3.0, -2.0, 0.8, 1.1]), np.array([0.4, 0.7, 0.9]), 1e-6
    _, H = filters.expected(state, sensor)
    for a in range(4):
        step = h * np.eye(4)[a]
        difference = (filters.expected(state + step, sensor)[0] - filters.expected(state - step, sensor)[0]) / (2 * h)
        np.testing.assert_allclose(H[:, a], difference, atol=1e-8)


@pytest.mark.parametrize(("index", "alpha", "beta"), [(1.0, 0.75, 0.5), (0.1, 0.36, 0.08), (2.0, 0.8541, 0.7639)])
def test_steady_gains_equal_those_of_kalata(index, alpha, beta):
    # Kalata 1984, tracking index T^2 sigma_a / sigma_r, piecewise constant acceleration; the formula from memory, the
    # pairs agree with the Riccati solution; four decimals where they do not end
    T, sigma_r = 0.1, 0.05
    sigma_a = index * sigma_r / T**2
    axis = sigma_a**2 * np.array([[T**4 / 4, T**3 / 2], [T**3 / 2, T**2]])
    F = np.tile(filters.spread_to_plane(np.array([[1.0, T], [0.0, 1.0]])), (2, 1, 1))
    Q = np.tile(filters.spread_to_plane(axis), (2, 1, 1))
    states, covariances = np.tile([1e4, 0.0, 0.0, 0.0], (1, 2, 1)), np.tile(np.eye(4), (1, 2, 1, 1))
    R, sensor = np.array([sigma_r**2, 1e9, 1e9]), np.zeros(3)  # so far away, range is x
    for _ in range(400):
        filters.predict(states, covariances, F, Q)
        states[:] = [1e4, 0.0, 0.0, 0.0]
        _, H, PH, HPH = filters.innovation(states[0, 1], covariances[0, 1], np.array([1e4, 0.0, 0.0]), sensor)
        K = filters.gain(PH, HPH, R)
        filters.joseph(covariances[0, 1], K, H, R)
    assert K[0, 0] == pytest.approx(alpha, abs=6e-5)
    assert K[2, 0] * T == pytest.approx(beta, abs=6e-5)


def test_errors_and_innovations_are_as_large_as_the_covariance_says():
    # 50 runs, constant velocity with matched noise, one radar; Bar-Shalom: the mean of NEES and NIS over all runs
    # lies in the band of chi-square / runs in 95 % of cases; the seed is fixed
    rng, dt, psd, runs = np.random.default_rng(11), 0.05, 0.3, 50
    F, Q = (filters.spread_to_plane(m) for m in filters.walking_step(dt, psd))
    both = np.tile(F, (2, 1, 1)), np.tile(Q, (2, 1, 1))
    R, sensor, root = np.array([0.01, 0.0004, 0.02]), np.zeros(3), np.linalg.cholesky(Q)
    P0 = np.diag([0.04, 0.04, 0.25, 0.25])
    errors, covariances_end, innovations, spreads = [], [], [], []
    for _ in range(runs):
        truth = np.array([12.0, 5.0, -1.0, 0.4])
        states = np.tile(truth + np.sqrt(np.diag(P0)) * rng.normal(size=4), (1, 2, 1))
        covariances = np.tile(P0, (1, 2, 1, 1))
        for _ in range(60):
            truth = F @ truth + root @ rng.normal(size=4)
            filters.predict(states, covariances, *both)
            z = filters.expected(truth, sensor)[0] + np.sqrt(R) * rng.normal(size=3)
            x, P = states[0, 1], covariances[0, 1]
            y, _, _, HPH = filters.innovation(x, P, z, sensor)
            filters.update_one(x, P, z, R, np.zeros(3), 1e-12, sensor, HALF_VIEW)
        errors.append(x - truth)
        covariances_end.append(P.copy())
        innovations.append(y)
        spreads.append(HPH + np.diag(R))
    low, high = chi_square_band(runs, 4)
    assert low < nees(np.array(errors), np.array(covariances_end)).mean() < high
    low, high = chi_square_band(runs, 3)
    assert low < nees(np.array(innovations), np.array(spreads)).mean() < high


def test_a_limb_taken_for_the_torso_leaves_the_doubt_in_the_covariance():
    sensor, R, limb_var = np.zeros(3), np.array([0.01, 0.001, 0.01]), np.array([0.0, 0.0, 0.81])
    state = np.array([8.0, 0.0, -1.3, 0.0])
    sure, doubtful = (np.diag([0.01, 0.01, 0.04, 0.04]) for _ in range(2))
    x, y = state.copy(), state.copy()
    filters.update_one(x, sure, np.array([8.0, 0.0, -1.3]), R, limb_var, 0.35, sensor, HALF_VIEW)
    filters.update_one(y, doubtful, np.array([8.0, 0.0, -0.8]), R, limb_var, 0.35, sensor, HALF_VIEW)
    assert -1.3 < y[2] < -0.9  # neither ignored nor believed: the torso alone would give -0.9
    assert doubtful[2, 2] > 1.5 * sure[2, 2]


def test_somebody_beyond_the_border_of_the_field_is_not_pulled_inwards_by_what_is_reported_inside():
    sensor, R, none = np.zeros(3), np.array([0.005, math.radians(4.0) ** 2, 0.001]), np.zeros(3)
    border, inside = math.radians(86.0), math.radians(68.0)
    x = np.array([1.5 * math.cos(border), 1.5 * math.sin(border), 0.0, 0.0])
    P = np.diag([0.05**2, 0.05**2, 0.06**2, 0.06**2])
    before = x.copy()
    filters.update_one(x, P, np.array([1.5, inside, 0.0]), R, none, 1e-12, sensor, HALF_VIEW)
    assert np.hypot(*(x - before)[:2]) < 0.06
    worse = off_boresight(R, math.cos(inside), math.cos(border))
    assert worse[1] == pytest.approx(R[1] * (math.cos(inside) / math.cos(math.radians(85.0))) ** 2)
    assert off_boresight(R, math.cos(border), math.cos(inside)).tolist() == R.tolist()


def test_azimuth_counts_as_twice_as_inaccurate_at_the_border_and_as_it_is_elsewhere():
    R, half = np.array([0.005, 0.0009, 0.001]), math.radians(80.0)
    for sign in (1, -1):
        inside, border = sign * (half - 1.1 * BORDER_RAD), sign * (half - 0.9 * BORDER_RAD)
        assert facing(R, inside, inside, half).tolist() == R.tolist()
        assert facing(R, border, border, half).tolist() == [R[0], 4 * R[1], R[2]]
