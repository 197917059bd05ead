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
from avoidkit.tracking import settings as of
from avoidkit.tracking.bank import (
    BEHIND,
    BELIEVED,
    BORN_S,
    EDGE_SHARE,
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
    OPEN_HITS,
    SEEN_S,
    STANDS_SINCE_S,
    STILL_BORN,
    STOOD_S,
    STRENGTH_DB,
    UNOBSERVABLE,
    WALKS_SINCE_S,
    WIDTH_M,
)

FAR_HITS = 15.0  # measurements before a way without range rates counts: single places jump by glint
OPEN_ENOUGH = 15.0  # measurements in the open before somebody who then stands at an edge is one who came there
GONE_BELOW = 0.03  # existence at which a believed track ends
CLINGS_BELOW = 0.5  # and one that clings to an edge, where the image of somebody in a smooth wall comes to rest
KNOWN_HITS = 80.0  # ours: images of one walker, 51 drives of the study `beside_walkers`, had 4 to 53 measurements
DOUBTED_BELOW = 0.5  # existence at which a believed track of few measurements ends, by its chance to be an image
BEHIND_S = 1.0  # out of sight behind an edge for longer somebody is no better known than anybody in that shadow


@compiled
def pass_time(life, dt_s, settings):
    """Let `dt_s` go by: observable tracks fade, unobservable ones return, both leave; in place.

    A track that has lately been fed by returns of edges alone is believed less and less, and quickly if it came
    from behind them or was hardly ever seen walking in the open: then it was the image of somebody in a smooth wall.
    Of those who fade after few measurements most were images, whose way of reflection has broken off: they are gone.
    """
    total = settings[of.FADE_PER_S] + settings[of.RETURN_PER_S]
    moved = 0.0 if total <= 0.0 else (1.0 - math.exp(-total * dt_s)) / total
    for i in range(len(life)):
        leave_per_s = settings[of.LEAVE_PER_S]
        if life[i, EDGE_SHARE] > 0.8:
            leave_per_s *= 50.0 if life[i, BEHIND] > 0.3 else 3.0
        if clings(life[i]):
            leave_per_s = max(leave_per_s, 50.0 * settings[of.LEAVE_PER_S])
        stay = math.exp(-leave_per_s * dt_s)
        o, u = life[i, OBSERVABLE], life[i, UNOBSERVABLE]
        flow = moved * (settings[of.FADE_PER_S] * o - settings[of.RETURN_PER_S] * u)
        life[i, OBSERVABLE] = stay * (o - flow)
        life[i, UNOBSERVABLE] = stay * (u + (flow * known(life[i]) if flow > 0.0 else flow))


@compiled
def known(one):
    """Chance that what fades is somebody and no image, by how often a track, a row of `life`, was measured."""
    if one[STILL_BORN] > 0.5 and one[MOVED] < 0.5:
        return 1.0
    return 1.0 - math.exp(-((one[HITS] / KNOWN_HITS) ** 2))


@compiled
def clings(one):
    """Whether a track, a row of `life`, lives on an edge and was hardly ever seen to walk away from one."""
    return one[STILL_BORN] < 0.5 and one[EDGE_SHARE] > 0.5 and one[OPEN_HITS] < OPEN_ENOUGH


@compiled
def places(states, modes):
    """Place of each track, the mean of its models, (n, 2) m."""
    out = np.empty((len(states), 2))
    for i in range(len(states)):
        for a in range(2):
            out[i, a] = modes[i, 0] * states[i, 0, a] + modes[i, 1] * states[i, 1, a]
    return out


@compiled
def detection_chance(life, xy, sensor, settings):
    """Chance that one scan shows each track if it is in view, (n,): Swerling 1, Pfa^(1/(1+SNR)).

    Signal to noise is the track's own running mean, by the fourth power of range (Richards, Fundamentals of
    Radar Signal Processing, section 6.3.3); three decibels are taken off, since what was missed is not in the mean.
    """
    out = np.empty(len(life))
    for i in range(len(life)):
        r = max(math.sqrt((xy[i, 0] - sensor[0]) ** 2 + (xy[i, 1] - sensor[1]) ** 2), 0.3)
        strength_db = life[i, STRENGTH_DB] if life[i, HITS] >= 3.0 else settings[of.PERSON_STRENGTH_DB]
        snr = 10.0 ** (0.1 * (strength_db - 3.0 - 40.0 * math.log10(r)))
        out[i] = min(max(settings[of.FALSE_ALARM_PROBABILITY] ** (1.0 / (1.0 + snr)), 0.02), 0.95)
    return out


@compiled
def in_view(xy, sensor, open_to, points, body_m, settings):
    """Which places one scan could have shown, (n,) bool: in the field of view, in range, not behind a nearer return.

    Parameters
    ----------
    open_to : (361,) bool
        Whether the radar sees past the vehicle's own body and within its field of view, by whole degree from -180.
    points : (k, 2)
        Returns of the scan, scene frame, m.
    """
    n = len(xy)
    out = np.zeros(n, np.bool_)
    for i in range(n):
        dx, dy = xy[i, 0] - sensor[0], xy[i, 1] - sensor[1]
        r = math.sqrt(dx * dx + dy * dy)
        azimuth = -((math.pi - (math.atan2(dy, dx) - sensor[2])) % (2.0 * math.pi) - math.pi)
        if (
            r < settings[of.RANGE_MIN_M] + 0.2
            or r > settings[of.RANGE_MAX_M]
            or not open_to[round(math.degrees(azimuth)) + 180]
        ):
            continue
        out[i] = True
        ux, uy = dx / r, dy / r
        for k in range(len(points)):
            px, py = points[k, 0] - sensor[0], points[k, 1] - sensor[1]
            along = px * ux + py * uy
            if 0.2 < along < r - 0.7 and abs(px * uy - py * ux) < body_m:
                out[i] = False
                break
    return out


@compiled
def share_in_view(xy, covariances, modes, visible, sensor, open_to, points, body_m, settings):
    """Chance that each track is in view, (n,): half by its place, a quarter by one sigma across the line to each side.

    `visible` (n,) bool is `in_view` of the places `xy` themselves; the other arguments as there.
    """
    n = len(xy)
    sides = np.empty((2 * n, 2))
    for i in range(n):
        dx, dy = xy[i, 0] - sensor[0], xy[i, 1] - sensor[1]
        r = max(math.sqrt(dx * dx + dy * dy), 1e-6)
        ux, uy, variance = -dy / r, dx / r, 0.0
        for k in range(2):
            P = covariances[i, k]
            variance += modes[i, k] * (ux * ux * P[0, 0] + 2.0 * ux * uy * P[0, 1] + uy * uy * P[1, 1])
        sigma = math.sqrt(max(variance, 0.0))
        sides[2 * i, 0], sides[2 * i, 1] = xy[i, 0] + sigma * ux, xy[i, 1] + sigma * uy
        sides[2 * i + 1, 0], sides[2 * i + 1, 1] = xy[i, 0] - sigma * ux, xy[i, 1] - sigma * uy
    beside, out = in_view(sides, sensor, open_to, points, body_m, settings), np.empty(n)
    for i in range(n):
        out[i] = 0.5 * visible[i] + 0.25 * beside[2 * i] + 0.25 * beside[2 * i + 1]
    return out


@compiled
def beside_a_hit(xy, hit, reach_m):
    """Tracks that were missed beside one that was hit, too close for the radar to tell them apart, (n,) bool."""
    out = np.zeros(len(xy), np.bool_)
    for i in range(len(xy)):
        for k in range(len(xy)):
            if not hit[i] and hit[k] and (xy[i, 0] - xy[k, 0]) ** 2 + (xy[i, 1] - xy[k, 1]) ** 2 < reach_m**2:
                out[i] = True
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
def note_hits(life, modes, pick, taken_s, radar, z, snr_db, width_m, still, edge, visible, hidden, merged, settings):
    """Remember of each track what its measurement showed, in place; `merged` (n,) bool: its place is marked as edge."""
    for i in range(len(life)):
        j = pick[i]
        if j < 0:
            if visible[i]:
                life[i, MISSES] += 1.0
            continue
        life[i, HITS] += 1.0
        life[i, MISSES], life[i, SEEN_S], life[i, HIT_RADAR] = 0.0, taken_s, radar
        share = max(1.0 / life[i, HITS], 0.05)
        strength = snr_db[j] + 40.0 * math.log10(max(z[j, 0], 0.3))
        life[i, STRENGTH_DB] += share * (strength - life[i, STRENGTH_DB])
        life[i, WIDTH_M] += share * (width_m[j] - life[i, WIDTH_M])
        if not edge[j]:
            life[i, BEHIND] += share * ((1.0 if hidden[i] else 0.0) - life[i, BEHIND])
        if modes[i, 0] < 0.5 and not (edge[j] or hidden[i] or merged[i]):
            life[i, OPEN_HITS] += 1.0
        life[i, EDGE_SHARE] += share * ((1.0 if edge[j] else 0.0) - life[i, EDGE_SHARE])
        moving = not still[j] and abs(z[j, 2]) > settings[of.MOVING_FROM_MPS]
        life[i, MOVING_HITS] = 0.9 * life[i, MOVING_HITS] + (1.0 if moving else 0.0)


@compiled
def judge(life, states, covariances, modes, fresh, settings):
    """Set MOVED and BELIEVED of each track, in place.

    Without a range rate it has moved once it is far from where it began, at a place where nothing was before
    (`fresh`, (n,) bool): the strongest spot of a wall wanders, too, but along the wall.
    """
    for i in range(len(life)):
        if life[i, MOVED] < 0.5:
            dx, dy = states[i, 1, 0] - life[i, FROM_X], states[i, 1, 1] - life[i, FROM_Y]
            sigma = math.sqrt(covariances[i, 1, 0, 0] + covariances[i, 1, 1, 1])
            away = math.sqrt(dx * dx + dy * dy)
            far = away > max(0.8, 5.0 * sigma) and life[i, HITS] >= FAR_HITS and fresh[i]
            far = far and modes[i, 0] < 0.1 and life[i, EDGE_SHARE] < 0.3
            left = life[i, STILL_BORN] < 0.5 or away > max(0.3, 3.0 * sigma)  # what stood has to leave its place
            if far or (life[i, MOVING_HITS] >= 1.8 and left):
                life[i, MOVED] = 1.0
        existence = life[i, OBSERVABLE] + life[i, UNOBSERVABLE]
        enough = existence >= settings[of.BELIEVE_AT] and life[i, HITS] >= settings[of.BELIEVE_HITS]
        if enough and life[i, MOVED] > 0.5 and life[i, EDGE_SHARE] < 0.5 and life[i, BEHIND] < 0.5:
            life[i, BELIEVED] = 1.0


@compiled
def over(life, states, covariances, modes, hidden, now_s, settings):
    """Which tracks have ended, (n,) bool.

    A believed one ends when it no longer exists, when nobody could say where, or when it has been `hidden`, (n,) bool,
    behind an edge for `BEHIND_S`: from then on the shadow stands for whoever is there. Left alone it would drift
    through the wall, since no scan can speak against it.
    """
    out = np.zeros(len(life), np.bool_)
    for i in range(len(life)):
        existence = life[i, OBSERVABLE] + life[i, UNOBSERVABLE]
        unseen_s = now_s - life[i, SEEN_S]
        if life[i, BELIEVED] > 0.5:
            variance = 0.0
            for k in range(2):
                variance += modes[i, k] * (covariances[i, k, 0, 0] + covariances[i, k, 1, 1])
            sigma = math.sqrt(variance)
            wide, too_wide = sigma > settings[of.SIGMA_MAX_M], sigma > 2.0 * settings[of.SIGMA_MAX_M]
            gone_below = CLINGS_BELOW if clings(life[i]) else max(GONE_BELOW, DOUBTED_BELOW * (1.0 - known(life[i])))
            out[i] = existence < gone_below or (wide and existence < 0.6) or too_wide
            out[i] = out[i] or (hidden[i] and unseen_s > BEHIND_S)
        elif life[i, STILL_BORN] > 0.5 and life[i, MOVED] < 0.5:
            out[i] = unseen_s > settings[of.POSSIBLE_S] and existence < 0.3
        else:
            lost = unseen_s > settings[of.TENTATIVE_S] * (1.0 if life[i, HITS] < 3.0 else 2.0)
            out[i] = lost or life[i, MOVING_HITS] < 0.3  # lately nothing but still returns: it has stuck to something
    return out


@compiled
def doubles(life, xy, states, share, same_m, same_mps):
    """Tracks that stand for somebody who has a better track, (n,) bool.

    Two tracks this near in place and velocity are one body, or a group that cannot be told apart. Beside a track that
    is believed, one that is not ends whatever its velocity: it lives on the other's arms and legs. Two that are
    believed are two people as long as one of them may be out of view (`share` (n,) below 1): who waits there lives
    on nobody's returns.
    """
    out = np.zeros(len(life), np.bool_)
    for i in range(len(life)):
        for k in range(len(life)):
            if i == k or out[i] or out[k]:
                continue
            away = math.sqrt((xy[i, 0] - xy[k, 0]) ** 2 + (xy[i, 1] - xy[k, 1]) ** 2)
            dv = math.sqrt((states[i, 1, 2] - states[k, 1, 2]) ** 2 + (states[i, 1, 3] - states[k, 1, 3]) ** 2)
            worse = life[i, BELIEVED] < life[k, BELIEVED]
            if life[i, BELIEVED] == life[k, BELIEVED]:
                worse = life[i, HITS] < life[k, HITS] or (life[i, HITS] == life[k, HITS] and i > k)
            if life[i, BELIEVED] == life[k, BELIEVED]:
                worse = worse and dv < same_mps and share[i] > 0.99 and share[k] > 0.99
            out[i] = worse and away < same_m
    return out


def births(clusters, picked, taken_s, radar, moving, existence, tuning):
    """States, covariances, modes and life of new tracks from the clusters that the index array `picked` names.

    Range rate gives the velocity along the line of sight; across it nothing is known but that people walk. `moving`
    (len(picked),) says for each whether its range rate is beyond noise.
    """
    n = len(picked)
    states, covariances = np.zeros((n, 2, 4)), np.zeros((n, 2, 4, 4))
    modes, life = np.empty((n, 2)), np.zeros((n, LIFE))
    limb_mps2 = tuning.limb_share * tuning.limb_rate_mps**2  # the one range rate known may be that of a limb
    for i, j in enumerate(picked):
        heading = clusters.sensor[2] + clusters.z[j, 1]
        u = np.array([math.cos(heading), math.sin(heading)])
        turn = np.array([[u[0], -u[1]], [u[1], u[0]]])
        for k in range(2):
            var = clusters.R[j, k]
            place = np.diag([var[0], var[1] * clusters.z[j, 0] ** 2])
            motion = (
                np.diag([tuning.sway_mps**2] * 2) if k == 0 else np.diag([var[2] + limb_mps2, tuning.across_mps**2])
            )
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
        life[i, STILL_BORN], life[i, MOVING_HITS] = float(not moving[i]), float(moving[i])
        life[i, STANDS_SINCE_S], life[i, WALKS_SINCE_S], life[i, STOOD_S] = np.inf, np.inf, -np.inf
        life[i, [FROM_X, FROM_Y]] = clusters.xy[j]
        life[i, STRENGTH_DB] = clusters.snr_db[j] + 40 * math.log10(max(clusters.z[j, 0], 0.3))
    return states, covariances, modes, life
