"""From birth to end: existence, what could have been seen, when a track is believed and when it is over.

Existence is a Markov chain of three states: there and observable, there and unobservable (turned edge-on,
faded, cancelled as if it were furniture), not there. A miss speaks against the first only, so a row of misses
ends in "unobservable" for some seconds and in "not there" after that; without the middle state a person
who fades for two seconds would be lost. After the integrated probabilistic data association of Musicki, Evans and
Stankovic (1994), whose second Markov chain this is; from memory.
"""

import math

import numpy as np

from avoidkit.jit import compiled
from avoidkit.tracking.bank import (
    BELIEVED,
    BORN_S,
    FROM_X,
    FROM_Y,
    HIT_RADAR,
    HITS,
    KEY,
    LIFE,
    MISSES,
    MOVED,
    MOVING_HITS,
    OBSERVABLE,
    SEEN_S,
    STANDS_SINCE_S,
    STOOD_S,
    STRENGTH_DB,
    UNOBSERVABLE,
    WALKS_SINCE_S,
    WIDTH_M,
)  # fmt: skip

GONE_BELOW = 0.03  # existence at which a believed track ends


@compiled
def pass_time(life, dt_s, fade_per_s, return_per_s, leave_per_s):
    """Let `dt_s` go by: observable tracks fade, unobservable ones return, both leave; in place."""
    stay = math.exp(-leave_per_s * dt_s)
    total = fade_per_s + return_per_s
    moved = 0.0 if total <= 0.0 else (1.0 - math.exp(-total * dt_s)) / total
    for i in range(len(life)):
        o, u = life[i, OBSERVABLE], life[i, UNOBSERVABLE]
        flow = moved * (fade_per_s * o - return_per_s * u)
        life[i, OBSERVABLE] = stay * (o - flow)
        life[i, UNOBSERVABLE] = stay * (u + flow)


@compiled
def detection_chance(life, range_m, false_alarm_probability, fallback_db):
    """Chance that one scan shows each track if it is in view, (n,): Swerling 1, Pfa^(1/(1+SNR)).

    Signal to noise is the track's own running mean, by the fourth power of range (Richards, Fundamentals of
    Radar Signal Processing, section 6.3.3); two decibels are taken off, since what was missed is not in the mean.
    """
    out = np.empty(len(life))
    for i in range(len(life)):
        strength = life[i, STRENGTH_DB] if life[i, HITS] >= 3 else fallback_db
        snr = 10.0 ** (0.1 * (strength - 2.0 - 40.0 * math.log10(max(range_m[i], 0.3))))
        out[i] = min(max(false_alarm_probability ** (1.0 / (1.0 + snr)), 0.02), 0.98)
    return out


@compiled
def in_view(xy, sensor, half_field_rad, near_m, far_m, points, body_m):
    """Which places one scan could have shown, (n,) bool: in the field of view, in range, not behind a nearer return."""
    n = len(xy)
    out = np.zeros(n, np.bool_)
    for i in range(n):
        dx, dy = xy[i, 0] - sensor[0], xy[i, 1] - sensor[1]
        r = math.sqrt(dx * dx + dy * dy)
        off = abs(-((math.pi - (math.atan2(dy, dx) - sensor[2])) % (2.0 * math.pi) - math.pi))
        if r < near_m or r > far_m or off > half_field_rad:
            continue
        out[i] = True
        ux, uy = dx / max(r, 1e-6), dy / max(r, 1e-6)
        for k in range(len(points)):
            px, py = points[k, 0] - sensor[0], points[k, 1] - sensor[1]
            along = px * ux + py * uy
            if 0.2 < along < r - 0.7 and abs(px * uy - py * ux) < body_m:
                out[i] = False
                break
    return out


@compiled
def weigh(life, hit, ratio, chance, visible):
    """Existence after one scan, in place.

    Parameters
    ----------
    hit : (n,) bool
        Whether a measurement was taken in.
    ratio : (n,)
        Its likelihood over the density of other sources, without detection probability.
    chance : (n,)
        Detection probability if observable.
    visible : (n,) bool
        Whether the scan could have shown the track.
    """
    for i in range(len(life)):
        o, u = life[i, OBSERVABLE], life[i, UNOBSERVABLE]
        gone = max(1.0 - o - u, 0.0)
        if hit[i]:
            o, u = o * chance[i] * min(ratio[i], 1e12), u * 1e-3
        elif visible[i]:
            o *= 1.0 - chance[i]
        total = o + u + gone
        life[i, OBSERVABLE] = min(o / total, 0.9999)
        life[i, UNOBSERVABLE] = u / total


@compiled
def note_hits(life, pick, taken_s, radar, z, snr_db, width_m, rate_sigma, visible):
    """Remember of each track what its measurement showed, in place."""
    for i in range(len(life)):
        j = pick[i]
        if j < 0:
            if visible[i]:
                life[i, MISSES] += 1.0
            continue
        life[i, HITS] += 1.0
        life[i, MISSES] = 0.0
        life[i, SEEN_S] = taken_s
        life[i, HIT_RADAR] = radar
        share = max(1.0 / life[i, HITS], 0.05)
        strength = snr_db[j] + 40.0 * math.log10(max(z[j, 0], 0.3))
        life[i, STRENGTH_DB] += share * (strength - life[i, STRENGTH_DB])
        life[i, WIDTH_M] += share * (width_m[j] - life[i, WIDTH_M])
        moving = abs(z[j, 2]) > max(3.0 * rate_sigma[j], 0.3)
        life[i, MOVING_HITS] = 0.9 * life[i, MOVING_HITS] + (1.0 if moving else 0.0)


@compiled
def judge(life, states, covariances, modes, believe_at, least_hits):
    """Set MOVED and BELIEVED of each track, in place."""
    for i in range(len(life)):
        if life[i, MOVED] < 0.5:
            dx, dy = states[i, 1, 0] - life[i, FROM_X], states[i, 1, 1] - life[i, FROM_Y]
            sigma = math.sqrt(covariances[i, 1, 0, 0] + covariances[i, 1, 1, 1])
            far = math.sqrt(dx * dx + dy * dy) > max(0.6, 5.0 * sigma)
            if life[i, MOVING_HITS] >= 2.5 or (far and modes[i, 0] < 0.1):
                life[i, MOVED] = 1.0
        enough = life[i, OBSERVABLE] + life[i, UNOBSERVABLE] >= believe_at and life[i, HITS] >= least_hits
        if enough and life[i, MOVED] > 0.5:
            life[i, BELIEVED] = 1.0


@compiled
def over(life, states, covariances, modes, now_s, tentative_s, possible_s, sigma_max_m):
    """Which tracks have ended, (n,) bool."""
    out = np.zeros(len(life), np.bool_)
    for i in range(len(life)):
        existence = life[i, OBSERVABLE] + life[i, UNOBSERVABLE]
        unseen_s = now_s - life[i, SEEN_S]
        if life[i, BELIEVED] > 0.5:
            variance = 0.0
            for k in range(2):
                variance += modes[i, k] * (covariances[i, k, 0, 0] + covariances[i, k, 1, 1])
            sigma = math.sqrt(variance)
            out[i] = existence < GONE_BELOW or (sigma > sigma_max_m and existence < 0.6) or sigma > 2.0 * sigma_max_m
        elif life[i, MOVED] > 0.5:
            out[i] = unseen_s > tentative_s * (1.0 if life[i, HITS] < 3.0 else 3.0)
        else:
            out[i] = unseen_s > possible_s and existence < 0.3
    return out


def births(clusters, picked, taken_s, radar, moving, existence, across_mps, sway_mps):
    """States, covariances, modes and life of new tracks from the clusters that the index array `picked` names.

    Range rate gives the velocity along the line of sight; across it nothing is known but that people walk. `moving`
    (len(picked),) says for each whether its range rate is beyond noise.
    """
    n = len(picked)
    states, covariances = np.zeros((n, 2, 4)), np.zeros((n, 2, 4, 4))
    modes, life = np.empty((n, 2)), np.zeros((n, LIFE))
    for i, j in enumerate(picked):
        heading = clusters.sensor[2] + clusters.z[j, 1]
        u = np.array([math.cos(heading), math.sin(heading)])
        turn = np.array([[u[0], -u[1]], [u[1], u[0]]])
        for k in range(2):
            var = clusters.R[j, k]
            place = np.diag([var[0], var[1] * clusters.z[j, 0] ** 2])
            motion = np.diag([sway_mps**2, sway_mps**2]) if k == 0 else np.diag([var[2], across_mps**2])
            states[i, k, :2] = clusters.xy[j]
            states[i, k, 2:] = 0.0 if k == 0 else clusters.z[j, 2] * u
            covariances[i, k, :2, :2] = turn @ place @ turn.T
            covariances[i, k, 2:, 2:] = turn @ motion @ turn.T
        modes[i] = (0.05, 0.95) if moving[i] else (0.6, 0.4)
        life[i, KEY] = round(taken_s * 1000) * 1000 + radar * 100 + min(j, 99)
        life[i, [BORN_S, SEEN_S]] = taken_s
        life[i, HITS], life[i, HIT_RADAR] = 1, radar
        life[i, OBSERVABLE] = existence[i]
        life[i, WIDTH_M] = clusters.width_m[j]
        life[i, MOVED] = float(moving[i])
        life[i, STANDS_SINCE_S], life[i, WALKS_SINCE_S], life[i, STOOD_S] = np.inf, np.inf, -np.inf
        life[i, [FROM_X, FROM_Y]] = clusters.xy[j]
        life[i, STRENGTH_DB] = clusters.snr_db[j] + 40 * math.log10(max(clusters.z[j, 0], 0.3))
    return states, covariances, modes, life
