"""Two filters behind one signature: compiled loops over all tracks, and a filter library's objects one by one.

Both change a `Bank` in place: `advance(bank, taken_s, settings)` lets time go by, `update(bank, pick, clusters,
settings)` works in the measurements picked. They give the same to 1e-9; the library is the reference and about
a hundred times slower.
"""

import numpy as np

from avoidkit.checks import InputError
from avoidkit.tracking import filters
from avoidkit.tracking import settings as of
from avoidkit.tracking.border import facing
from avoidkit.tracking.life import pass_time
from avoidkit.tracking.scan import advance


class CompiledFilter:
    """The default: arrays over tracks."""

    def advance(self, bank, taken_s, settings):
        """Let time go by until `taken_s`."""
        if len(bank) and taken_s > bank.time_s:
            advance(bank.states, bank.covariances, bank.modes, bank.life, taken_s - bank.time_s, settings)
        bank.time_s = taken_s

    def update(self, bank, pick, clusters, settings):
        """Work in row `pick[i]` of the clusters for track i; -1: none."""
        limb_var, shares = filters.limbs(clusters.z, settings)
        filters.update(
            bank.states,
            bank.covariances,
            bank.modes,
            pick,
            clusters.z,
            clusters.R,
            clusters.sensor,
            limb_var,
            shares,
            settings[of.MODE_TRUST],
            settings[of.HALF_VIEW_RAD],
        )


class LibraryFilter:
    """The same with filterpy: an `IMMEstimator`'s mixing and an `ExtendedKalmanFilter` for each track and model.

    The library's estimator mixes with the weights of its last update, whatever time has gone by since; here the
    weights are made for each prediction, as the time between scans differs.
    """

    def advance(self, bank, taken_s, settings):
        """Let time go by until `taken_s`."""
        dt_s = taken_s - bank.time_s
        if len(bank) and dt_s > 0:
            pass_time(bank.life, dt_s, settings)
            chances = filters.switching(dt_s, settings[of.STOP_PER_S], settings[of.START_PER_S])
            F, Q = filters.motion_models(
                dt_s, settings[of.ACCEL_PSD], settings[of.SWAY_MPS], settings[of.STANDING_MEMORY_S]
            )
            for i in range(len(bank)):
                imm = self._estimator(bank, i, chances)
                for k, one in enumerate(imm.filters):
                    one.F, one.Q = F[k], Q[k]
                imm.predict(u=0)
                self._store(bank, i, imm.filters, imm.cbar)
        bank.time_s = taken_s

    def update(self, bank, pick, clusters, settings):
        """Work in row `pick[i]` of the clusters for track i; -1: none."""
        (limb_var, shares), sensor = filters.limbs(clusters.z, settings), clusters.sensor
        for i in np.flatnonzero(pick >= 0):
            z, weights = clusters.z[pick[i]], np.empty(2)
            models = [self._filter(bank.states[i, k], bank.covariances[i, k]) for k in range(2)]
            for k, one in enumerate(models):
                azimuth = z[1] - _residual(z, _expected(one.x, sensor))[1]
                R = facing(clusters.R[pick[i], k], z[1], azimuth, settings[of.HALF_VIEW_RAD])
                both = [self._filter(one.x, one.P) for _ in range(2)]
                logs = np.log([1 - shares[k], shares[k]])
                for b, (each, var) in enumerate(zip(both, (R, R + limb_var[pick[i]]), strict=True)):
                    logs[b] += self._log_density(each, z, var, sensor)
                    each.update(z, _derivative, _expected, np.diag(var), (sensor,), (sensor,), _residual)
                weights[k] = np.logaddexp(*logs)
                w = np.exp(logs - weights[k])
                one.x = w[0] * both[0].x + w[1] * both[1].x
                one.P = sum(w[b] * (e.P + np.outer(e.x - one.x, e.x - one.x)) for b, e in enumerate(both))
            modes = bank.modes[i] * np.exp(settings[of.MODE_TRUST] * (weights - weights.max()))
            m0 = np.clip(modes[0] / modes.sum(), filters.LEAST, 1 - filters.LEAST)
            self._store(bank, i, models, (m0, 1 - m0))

    def _estimator(self, bank, i, chances):
        from filterpy.kalman import IMMEstimator

        models = [self._filter(bank.states[i, k], bank.covariances[i, k]) for k in range(2)]
        return IMMEstimator(models, bank.modes[i].copy(), chances)

    @staticmethod
    def _filter(x, P):
        from filterpy.kalman import ExtendedKalmanFilter

        one = ExtendedKalmanFilter(dim_x=4, dim_z=3)
        one.x, one.P = x.copy(), P.copy()
        return one

    @staticmethod
    def _log_density(one, z, R, sensor):
        from scipy.stats import multivariate_normal

        H = _derivative(one.x, sensor)
        return multivariate_normal.logpdf(_residual(z, _expected(one.x, sensor)), cov=H @ one.P @ H.T + np.diag(R))

    @staticmethod
    def _store(bank, i, models, modes):
        for k, one in enumerate(models):
            bank.states[i, k], bank.covariances[i, k] = one.x, one.P
        bank.modes[i] = modes


ENGINES = {"compiled": CompiledFilter, "library": LibraryFilter}


def engine_named(name):
    """The filter of a name; `InputError` for an unknown one."""
    if name not in ENGINES:
        raise InputError(f"filter must be one of {', '.join(ENGINES)}, got {name!r}")
    return ENGINES[name]()


def _expected(x, sensor):
    return filters.expected(x, sensor)[0]


def _derivative(x, sensor):
    return filters.expected(x, sensor)[1]


def _residual(z, h):
    y = z - h
    y[1] = filters.wrapped(y[1])
    return y
