"""The filter: two motion models a track, standing and walking, in range, azimuth and range rate.

Arrays over tracks, one compiled loop each. Model 0 stands: its velocity dies away within
`standing_memory_s`, and unknown acceleration keeps it at the standard deviation of a body's sway. Model 1
walks: constant velocity with white acceleration. The two are mixed and weighed as in the interacting
multiple-model estimator (Blom and Bar-Shalom 1988; Bar-Shalom, Li and Kirubarajan 2001, section 11.6; from
memory). `reference.py` does the same with the objects of a filter library, one a track and model.

States are ordered as `records.STATE`. A measurement is (range, azimuth, range rate) as one radar sees the
middle of the body, with own motion already taken out of the range rate.
"""

import math

import numpy as np

from avoidkit.jit import compiled
from avoidkit.tracking import settings as of
from avoidkit.tracking.border import facing
from avoidkit.tracking.three import added, inverse3, widened

STANDING, WALKING = 0, 1  # order of the models
LEAST = 1e-6  # probability that a model keeps, whatever was measured
NEAREST_M = 0.05  # a state nearer to a radar is taken to be this far away, so that azimuth stays defined


@compiled
def switching(dt_s, stop_per_s, start_per_s):
    """Probabilities of being in each model after `dt_s`, (2, 2): row before, column after.

    A Markov chain in continuous time: people who walk stop at the rate `stop_per_s`, people who stand
    start at the rate `start_per_s`; two short steps equal one long step.

    Examples
    --------
    >>> switching(0.0, 0.2, 0.1).tolist()
    [[1.0, 0.0], [0.0, 1.0]]
    """
    total = stop_per_s + start_per_s
    out = np.zeros((2, 2))
    out[0, 0] = out[1, 1] = 1.0
    if total > 0.0:
        moved = (1.0 - math.exp(-total * dt_s)) / total
        out[0, 1] = start_per_s * moved
        out[0, 0] = 1.0 - out[0, 1]
        out[1, 0] = stop_per_s * moved
        out[1, 1] = 1.0 - out[1, 0]
    return out


@compiled
def walking_step(dt_s, accel_psd):
    """Transition and process noise of one axis of the walking model: ((2, 2), (2, 2)), ordered position, velocity.

    White acceleration noise integrated through constant velocity: Bar-Shalom, Li and Kirubarajan (2001), section 6.2.2.

    Examples
    --------
    >>> walking_step(0.1, 1.0)[1].round(7).tolist()  # after Bar-Shalom, as in the docs of filterpy
    [[0.0003333, 0.005], [0.005, 0.1]]
    """
    F, Q = np.zeros((2, 2)), np.empty((2, 2))
    F[0, 0] = F[1, 1] = 1.0
    F[0, 1] = dt_s
    Q[0, 0], Q[1, 1] = accel_psd * (dt_s**3 / 3.0), accel_psd * dt_s
    Q[0, 1] = Q[1, 0] = accel_psd * (dt_s**2 / 2.0)
    return F, Q


@compiled
def standing_step(dt_s, sway_mps, memory_s):
    """Transition and process noise of one axis of the standing model, like `walking_step`.

    Velocity is a first-order Gauss-Markov process of standard deviation `sway_mps` and correlation time
    `memory_s` (the exact integral, as for Singer's model; from memory).
    """
    a = dt_s / memory_s
    kept = math.exp(-a)
    lost = -math.expm1(-a)
    lost_twice = -math.expm1(-2.0 * a)
    var = sway_mps * sway_mps
    F, Q = np.zeros((2, 2)), np.empty((2, 2))
    F[0, 0], F[0, 1], F[1, 1] = 1.0, memory_s * lost, kept
    pp = var * memory_s * memory_s * (2.0 * a - 4.0 * lost + lost_twice)
    pv = var * memory_s * (2.0 * lost - lost_twice)
    Q[0, 0], Q[1, 1] = max(pp, 0.0), var * lost_twice
    Q[0, 1] = Q[1, 0] = pv
    return F, Q


@compiled
def spread_to_plane(one_axis):
    """The (4, 4) matrix that does to x and y, ordered as `STATE`, what a (2, 2) matrix does to one axis."""
    out = np.zeros((4, 4))
    for a in range(2):
        for b in range(2):
            out[2 * a, 2 * b] = out[2 * a + 1, 2 * b + 1] = one_axis[a, b]
    return out


@compiled
def motion_models(dt_s, accel_psd, sway_mps, memory_s):
    """Transitions and process noises of both models, ((2, 4, 4), (2, 4, 4))."""
    F, Q = np.zeros((2, 4, 4)), np.zeros((2, 4, 4))
    steps = standing_step(dt_s, sway_mps, memory_s), walking_step(dt_s, accel_psd)
    for m in range(2):
        f, q = steps[m]
        for a in range(2):
            for b in range(2):
                F[m, 2 * a, 2 * b] = F[m, 2 * a + 1, 2 * b + 1] = f[a, b]
                Q[m, 2 * a, 2 * b] = Q[m, 2 * a + 1, 2 * b + 1] = q[a, b]
    return F, Q


@compiled
def mix(states, covariances, modes, chances):
    """Mix the two models of each track before a prediction.

    Parameters
    ----------
    states (n, 2, 4), covariances (n, 2, 4, 4), modes (n, 2)
        Changed in place; `modes` become those after the switch.
    chances : (2, 2)
        From `switching`.
    """
    x, P = np.empty((2, 4)), np.empty((2, 4, 4))
    for i in range(len(states)):
        for j in range(2):
            after = modes[i, 0] * chances[0, j] + modes[i, 1] * chances[1, j]
            w0 = modes[i, 0] * chances[0, j] / after
            w1 = modes[i, 1] * chances[1, j] / after
            for a in range(4):
                x[j, a] = w0 * states[i, 0, a] + w1 * states[i, 1, a]
            for a in range(4):
                for b in range(4):
                    d0 = (states[i, 0, a] - x[j, a]) * (states[i, 0, b] - x[j, b])
                    d1 = (states[i, 1, a] - x[j, a]) * (states[i, 1, b] - x[j, b])
                    P[j, a, b] = w0 * (covariances[i, 0, a, b] + d0) + w1 * (covariances[i, 1, a, b] + d1)
        m0 = modes[i, 0] * chances[0, 0] + modes[i, 1] * chances[1, 0]
        modes[i, 0], modes[i, 1] = m0, 1.0 - m0
        for j in range(2):
            for a in range(4):
                states[i, j, a] = x[j, a]
                for b in range(4):
                    covariances[i, j, a, b] = P[j, a, b]


@compiled
def predict(states, covariances, F, Q):
    """Move every model of every track one step on, in place; `F` and `Q` from `motion_models`."""
    T = np.empty((4, 4))
    x = np.empty(4)
    for i in range(len(states)):
        for m in range(2):
            for a in range(4):
                total = 0.0
                for b in range(4):
                    total += F[m, a, b] * states[i, m, b]
                x[a] = total
            for a in range(4):
                states[i, m, a] = x[a]
                for b in range(4):
                    total = 0.0
                    for c in range(4):
                        total += F[m, a, c] * covariances[i, m, c, b]
                    T[a, b] = total
            for a in range(4):
                for b in range(4):
                    total = Q[m, a, b]
                    for c in range(4):
                        total += T[a, c] * F[m, b, c]
                    covariances[i, m, a, b] = total


@compiled
def expected(state, sensor):
    """What a radar would measure of a state, (3,), and the derivative by the state, (3, 4).

    Parameters
    ----------
    state : (4,)
        Ordered as `STATE`.
    sensor : (3,)
        x and y in m and boresight in rad, scene frame.

    Examples
    --------
    >>> z, H = expected(np.array([3.0, 4.0, 1.0, 0.0]), np.zeros(3))
    >>> z.round(4).tolist()
    [5.0, 0.9273, 0.6]
    """
    dx, dy = state[0] - sensor[0], state[1] - sensor[1]
    r = max(math.sqrt(dx * dx + dy * dy), NEAREST_M)
    ux, uy = dx / r, dy / r
    rate = state[2] * ux + state[3] * uy
    azimuth = wrapped(math.atan2(dy, dx) - sensor[2])
    z, H = np.empty(3), np.zeros((3, 4))
    z[0], z[1], z[2] = r, azimuth, rate
    H[0, 0], H[0, 1] = ux, uy
    H[1, 0], H[1, 1] = -uy / r, ux / r
    H[2, 0], H[2, 1] = (state[2] - rate * ux) / r, (state[3] - rate * uy) / r
    H[2, 2], H[2, 3] = ux, uy
    return z, H


@compiled
def wrapped(angle_rad):
    """The same angle within (-pi, pi]."""
    return -((math.pi - angle_rad) % (2.0 * math.pi) - math.pi)


@compiled
def innovation(x, P, z, sensor):
    """What a measurement adds to what was expected: (3,), the derivative (3, 4), P H' (4, 3) and H P H' (3, 3)."""
    h, H = expected(x, sensor)
    y = np.empty(3)
    y[0], y[1], y[2] = z[0] - h[0], wrapped(z[1] - h[1]), z[2] - h[2]
    PH, HPH = np.empty((4, 3)), np.empty((3, 3))
    for a in range(4):
        for b in range(3):
            PH[a, b] = P[a, 0] * H[b, 0] + P[a, 1] * H[b, 1] + P[a, 2] * H[b, 2] + P[a, 3] * H[b, 3]
    for a in range(3):
        for b in range(3):
            HPH[a, b] = H[a, 0] * PH[0, b] + H[a, 1] * PH[1, b] + H[a, 2] * PH[2, b] + H[a, 3] * PH[3, b]
    return y, H, PH, HPH


@compiled
def log_normal(y, HPH, R):
    """Log density of an innovation with covariance HPH + diag(R), and its squared Mahalanobis distance."""
    SI, determinant = inverse3(widened(HPH, R))
    d2 = 0.0
    for a in range(3):
        for b in range(3):
            d2 += y[a] * SI[a, b] * y[b]
    return -0.5 * (d2 + math.log(determinant) + 3.0 * math.log(2.0 * math.pi)), d2


@compiled
def torso_or_limb(y, HPH, R, limb_var, limb_share):
    """Log density where the strongest return may have been a limb, the smaller distance, and the chance that it was.

    A share `limb_share` of measurements is that of an arm or a leg, with `limb_var` (3,) more variance.
    """
    torso, torso_d2 = log_normal(y, HPH, R)
    wider = added(R, limb_var)
    limb, limb_d2 = log_normal(y, HPH, wider)
    torso += math.log(1.0 - limb_share)
    limb += math.log(limb_share)
    top = max(torso, limb)
    both = top + math.log(math.exp(torso - top) + math.exp(limb - top))
    return both, min(torso_d2, limb_d2), math.exp(limb - both)


@compiled
def limbs(z, settings):
    """Variances that a limb adds to each measurement, (m, 3), and the share of limbs, standing and walking, (2,)."""
    var = np.empty((len(z), 3))
    for j in range(len(z)):
        var[j, 0] = settings[of.LIMB_REACH_M] ** 2
        var[j, 1] = (settings[of.LIMB_REACH_M] / max(z[j, 0], 0.5)) ** 2
        var[j, 2] = settings[of.LIMB_RATE_MPS] ** 2
    shares = np.empty(2)
    shares[0], shares[1] = 0.02, settings[of.LIMB_SHARE]
    return var, shares


@compiled
def gain(PH, HPH, R):
    """Kalman gain, (4, 3), for measurement variances `R` (3,)."""
    SI, _ = inverse3(widened(HPH, R))
    K = np.empty((4, 3))
    for a in range(4):
        for b in range(3):
            K[a, b] = PH[a, 0] * SI[0, b] + PH[a, 1] * SI[1, b] + PH[a, 2] * SI[2, b]
    return K


@compiled
def update_one(x, P, z, R, limb_var, limb_share, sensor, half_view_rad):
    """One extended Kalman update of one model, in place; returns the log likelihood of the measurement.

    Both answers, that of a torso's and that of a limb's range rate, are made and merged by their chances, so that
    a limb taken for a torso leaves the doubt in the covariance. `x` (4,), `P` (4, 4), `z` (3,), `R` (3,) variances,
    `sensor` (3,).
    """
    y, H, PH, HPH = innovation(x, P, z, sensor)
    R = facing(R, z[1], z[1] - y[1], half_view_rad)
    log_density, _, w = torso_or_limb(y, HPH, R, limb_var, limb_share)
    wider = added(R, limb_var)
    torso, limb = gain(PH, HPH, R), gain(PH, HPH, wider)
    P_limb = np.empty((4, 4))
    for a in range(4):
        for b in range(4):
            P_limb[a, b] = P[a, b]
    joseph(P, torso, H, R)
    joseph(P_limb, limb, H, wider)
    d = np.empty(4)
    for a in range(4):
        step = torso[a, 0] * y[0] + torso[a, 1] * y[1] + torso[a, 2] * y[2]
        d[a] = limb[a, 0] * y[0] + limb[a, 1] * y[1] + limb[a, 2] * y[2] - step
        x[a] += step + w * d[a]
    for a in range(4):
        for b in range(4):
            P[a, b] = (1.0 - w) * P[a, b] + w * P_limb[a, b] + w * (1.0 - w) * d[a] * d[b]
    return log_density


@compiled
def joseph(P, K, H, R):
    """P becomes (I - K H) P (I - K H)' + K R K', in place; `R` (3,) variances."""
    A, T = np.empty((4, 4)), np.empty((4, 4))
    for a in range(4):
        for b in range(4):
            A[a, b] = (1.0 if a == b else 0.0) - (K[a, 0] * H[0, b] + K[a, 1] * H[1, b] + K[a, 2] * H[2, b])
    for a in range(4):
        for b in range(4):
            T[a, b] = A[a, 0] * P[0, b] + A[a, 1] * P[1, b] + A[a, 2] * P[2, b] + A[a, 3] * P[3, b]
    for a in range(4):
        for b in range(a + 1):
            total = T[a, 0] * A[b, 0] + T[a, 1] * A[b, 1] + T[a, 2] * A[b, 2] + T[a, 3] * A[b, 3]
            total += K[a, 0] * R[0] * K[b, 0] + K[a, 1] * R[1] * K[b, 1] + K[a, 2] * R[2] * K[b, 2]
            P[a, b] = total
            P[b, a] = total


@compiled
def update(states, covariances, modes, pick, z, R, sensor, limb_var, limb_shares, trust, half_view_rad):
    """Update every track with the measurement picked for it, in place.

    Parameters
    ----------
    pick : (n,) int
        Row of the measurement of each track, -1: none.
    z : (m, 3)
    R : (m, 2, 3)
        Variances of the measurement under each model.
    sensor : (3,)
    limb_var : (m, 3)
        Variances that a limb adds to range, azimuth and range rate.
    limb_shares : (2,)
        Share of measurements whose range rate is a limb's, for each model.
    trust : float
        Power of the likelihoods that weigh the models: below 1, since the errors of scans in a row are alike.
    half_view_rad : float
        Where the field of view ends, off boresight.
    """
    for i in range(len(states)):
        j = pick[i]
        if j < 0:
            continue
        l0 = update_one(
            states[i, 0], covariances[i, 0], z[j], R[j, 0], limb_var[j], limb_shares[0], sensor, half_view_rad
        )
        l1 = update_one(
            states[i, 1], covariances[i, 1], z[j], R[j, 1], limb_var[j], limb_shares[1], sensor, half_view_rad
        )
        top = max(l0, l1)
        w0, w1 = modes[i, 0] * math.exp(trust * (l0 - top)), modes[i, 1] * math.exp(trust * (l1 - top))
        m0 = min(max(w0 / (w0 + w1), LEAST), 1.0 - LEAST)
        modes[i, 0], modes[i, 1] = m0, 1.0 - m0


@compiled
def combined(states, covariances, modes):
    """State (n, 4) and covariance (n, 4, 4) of the mixture of both models."""
    n = len(states)
    x, P = np.empty((n, 4)), np.empty((n, 4, 4))
    for i in range(n):
        w0, w1 = modes[i, 0], modes[i, 1]
        for a in range(4):
            x[i, a] = w0 * states[i, 0, a] + w1 * states[i, 1, a]
        for a in range(4):
            for b in range(4):
                d = (states[i, 0, a] - states[i, 1, a]) * (states[i, 0, b] - states[i, 1, b])
                P[i, a, b] = w0 * covariances[i, 0, a, b] + w1 * covariances[i, 1, a, b] + w0 * w1 * d
    return x, P
