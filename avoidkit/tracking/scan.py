"""What one scan does to the tracks: predict, pair, update, weigh, let be born and end."""

import math

import numpy as np

from avoidkit.jit import compiled
from avoidkit.tracking import life as lives
from avoidkit.tracking import settings as of
from avoidkit.tracking import still as stills
from avoidkit.tracking.association import NEVER, log_likelihoods
from avoidkit.tracking.bank import BELIEVED, HITS, MOVED, OBSERVABLE, SEEN_S, STILL_BORN
from avoidkit.tracking.filters import limbs, mix, motion_models, predict, switching
from avoidkit.tracking.order import ascending
from avoidkit.tracking.standing import remember

FIRST_REACH_M = 0.5  # a track of one measurement takes its second only within this distance
UNRESOLVED_M = 0.8  # nearer to each other than this, one of two tracks may go without a measurement
HIDING_M = 0.25  # a nearer return hides what lies within this distance behind it
IMAGE_M = 0.45  # and so far beside it nothing new is believed: a mirror image lies behind its original
RIGHT_BEHIND_M = 0.15  # an image that comes by way of somebody has his bearing: about one sigma of azimuth at 5 m
BEHIND_M = 0.25  # and nothing new this far behind an edge, nearer than where somebody known is taken to be hidden
STRAY_SHARE = 1 / 6  # ours: cells beside a van's corner had 0.03 to 0.1 of its scans, the edge itself 0.4 and more
# The next three are ours: least swaps of two people side by side, seeds 0 to 99 of the study `kept_identities`.
LEAST_IN_VIEW = 0.15  # chance that somebody is in view whose likely places are all out of it
BESIDE_M = 1.5  # people nearer to each other than this may be taken for one another
FURTHER_RETURNS = 3.0  # weight of somebody in view among the other sources of a measurement: arms and legs near them
LIMB_M, LIMB_PER_MPS = 0.3, 0.5  # spread of arms and legs about a person, and their density in range rate; ours
HELD_M = 0.4  # somebody who stands at an edge is held in sight by still returns this near, though they are the edge's


def take_in(tracker, entry):
    """Work one scan into the tracks of `tracker`, at the time it was taken."""
    settings, clusters, bank, layers = tracker.settings, entry.clusters, tracker.bank, tracker.still.layers
    tracker.filter.advance(bank, entry.taken_s, settings)
    tracker.still.begin(entry.taken_s, entry.sensor)
    edge, small, marks = stills.look_round(
        clusters.xy, clusters.still, layers, entry.taken_s, clusters.sensor, settings
    )
    if len(marks):
        tracker.still.touch(marks)
        layers[stills.EDGE_S, marks] = entry.taken_s
    xy, visible, share, hidden, merged, held, chance, log_g, ratio, other = score(
        bank.states, bank.covariances, bank.modes, bank.life, clusters.z, clusters.R, clusters.xy, clusters.still, edge,
        clusters.sensor, tracker.open_to[entry.sensor], clusters.points, layers, entry.taken_s, settings,
    )  # fmt: skip
    pick = picked(tracker.pair(ratio))
    tracker.filter.update(bank, pick, clusters, settings)
    behind = hidden | behind_somebody(
        pick, clusters.xy, xy, bank.life, clusters.points, clusters.sensor, tracker.open_to[entry.sensor], settings
    )
    if not entry.sees:
        visible[:] = False  # a radar that says that it is blind, or whose scan is nearly empty, misses nobody
    ended = conclude(
        bank.states, bank.covariances, bank.modes, bank.life, pick, xy, visible, share, hidden, behind, merged, held,
        chance, log_g, other, clusters.z, clusters.snr_db, clusters.width_m, clusters.still, edge, layers,
        entry.taken_s, tracker.radars[entry.sensor], settings,
    )  # fmt: skip
    bank.keep(~ended)
    bear(tracker, entry, pick, small)
    remember_still(tracker, entry)


@compiled
def picked(weights):
    """Row of the measurement of each track, -1: none: the one that is likelier than all else together.

    Weights above a half leave each measurement to one track, whether they are hard or probabilities.
    """
    out = np.full(len(weights), -1)
    for i in range(len(weights)):
        for j in range(weights.shape[1]):
            if weights[i, j] > 0.5:
                out[i] = j
                break
    return out


@compiled
def advance(states, covariances, modes, life, dt_s, settings):
    """Let `dt_s` go by for all tracks: existence, mixing of the models, prediction; in place."""
    lives.pass_time(life, dt_s, settings)
    mix(states, covariances, modes, switching(dt_s, settings[of.STOP_PER_S], settings[of.START_PER_S]))
    F, Q = motion_models(dt_s, settings[of.ACCEL_PSD], settings[of.SWAY_MPS], settings[of.STANDING_MEMORY_S])
    predict(states, covariances, F, Q)


@compiled
def score(
    states, covariances, modes, life, z, R, at, still, edge, sensor, open_to, points, layers, taken_s, settings
):  # fmt: skip
    """All that a pairing needs: place, visibility and chance of each track, log likelihood and log ratio of each pair.

    `other` (m,) is the density of other sources at each cluster: false alarms, small still things, edges. `held` (n,)
    says who stands beside an edge within `HELD_M` of a still return: their own and the edge's are one.
    """
    n, m = len(states), len(z)
    xy = lives.places(states, modes)
    visible = lives.in_view(xy, sensor, open_to, points, HIDING_M, settings)
    share = lives.share_in_view(xy, covariances, modes, visible, sensor, open_to, points, HIDING_M, settings)
    hidden = stills.behind_edges(xy, sensor, layers, taken_s, settings, 0.7, 0.0)
    chance = lives.detection_chance(life, xy, sensor, settings)
    limb_var, limb_shares = limbs(z, settings)
    log_g = log_likelihoods(states, covariances, modes, z, R, sensor, limb_var, limb_shares, settings[of.GATE_D2])
    ratio, other, merged = np.full((n, m), NEVER), np.empty(m), np.empty(n, np.bool_)
    for j in range(m):
        other[j] = settings[of.FALSE_ALARM_DENSITY]
        if still[j]:
            other[j] = settings[of.EDGE_DENSITY] if edge[j] else settings[of.STILL_DENSITY]
    held = np.zeros(n, np.bool_)
    for i in range(n):
        merged[i] = stills.marked(layers, xy[i, 0], xy[i, 1], taken_s, settings)  # beside an edge a miss says nothing
        visible[i] = visible[i] and not hidden[i] and not merged[i]
        seen = chance[i] * life[i, OBSERVABLE]
        for j in range(m):
            away = math.sqrt((xy[i, 0] - at[j, 0]) ** 2 + (xy[i, 1] - at[j, 1]) ** 2)
            held[i] = held[i] or (merged[i] and modes[i, 0] > 0.5 and still[j] and away < HELD_M)
            too_far = life[i, HITS] < 2.0 and away > FIRST_REACH_M
            if log_g[i, j] > NEVER and not too_far:
                ratio[i, j] = log_g[i, j] - math.log(other[j]) + math.log(seen / (1.0 - seen))
    disown(ratio, log_g, other, xy, life, share, at, z)
    return xy, visible, share, hidden, merged, held, chance, log_g, ratio, other


@compiled
def disown(ratio, log_g, other, xy, life, share, at, z):
    """Where people are beside each other, count what may be another's arm or leg among the other sources; in place.

    A track of `ratio` (n, m) that waits out of view for its own measurement is paired only if it may be in view
    (`share` (n,)) and nobody else in view explains the measurement, so that it does not leap to the person beside it.
    """
    n, m = ratio.shape
    for i in range(n):
        beside = False
        for k in range(n):
            near = (xy[i, 0] - xy[k, 0]) ** 2 + (xy[i, 1] - xy[k, 1]) ** 2 < BESIDE_M**2
            beside = beside or (k != i and life[k, BELIEVED] > 0.5 and near)
        if not beside:
            continue
        for j in range(m):
            if ratio[i, j] == NEVER:
                continue
            more = 0.0
            for k in range(n):
                if k != i and life[k, BELIEVED] > 0.5:
                    d2 = (xy[k, 0] - at[j, 0]) ** 2 + (xy[k, 1] - at[j, 1]) ** 2
                    limb = LIMB_PER_MPS * z[j, 0] * math.exp(-0.5 * d2 / LIMB_M**2) / (2.0 * math.pi * LIMB_M**2)
                    more += share[k] * max(limb, math.exp(min(log_g[k, j], 50.0)))
            ratio[i, j] += math.log(max(share[i], LEAST_IN_VIEW))
            ratio[i, j] -= math.log(1.0 + (1.0 - share[i]) * FURTHER_RETURNS * more / other[j])


@compiled
def behind_somebody(pick, at, xy, life, points, sensor, open_to, settings):
    """Tracks not yet believed whose measurement lies right behind a nearer return or person, (n,) bool.

    So does the image that comes by way of a wall to somebody and from there, at his own bearing, to the radar. Nothing
    is born there; what another radar's chance return began in the open must not live on such measurements either.
    """
    out = np.zeros(len(pick), np.bool_)
    places, rows, n = np.empty((len(pick), 2)), np.empty(len(pick), np.int64), 0
    for i in range(len(pick)):
        if pick[i] >= 0 and life[i, BELIEVED] < 0.5:
            rows[n], places[n, 0], places[n, 1] = i, at[pick[i], 0], at[pick[i], 1]
            n += 1
    if n > 0:
        looked_at = lives.in_view(places[:n], sensor, open_to, points[:0], RIGHT_BEHIND_M, settings)
        seen = lives.in_view(places[:n], sensor, open_to, all_that_hides(points, xy, life), RIGHT_BEHIND_M, settings)
        for k in range(n):
            out[rows[k]] = looked_at[k] and not seen[k]
    return out


@compiled
def conclude(
    states, covariances, modes, life, pick, xy, visible, share, hidden, behind, merged, held, chance, log_g, other, z,
    snr_db, width_m, still, edge, layers, taken_s, radar, settings,
):  # fmt: skip
    """Existence, what is remembered of each track, and which have ended, (n,) bool."""
    n = len(life)
    hit, evidence = np.zeros(n, np.bool_), np.ones(n)
    for i in range(n):
        if pick[i] >= 0:
            hit[i] = True
            feeble = still[pick[i]] and life[i, STILL_BORN] < 0.5 and (life[i, BELIEVED] < 0.5 or lives.clings(life[i]))
            if edge[pick[i]] or feeble:  # neither for nor against: something still would have returned anyway
                evidence[i] = 1.0 / chance[i]
            else:
                evidence[i] = math.exp(min(max(log_g[i, pick[i]] - math.log(other[pick[i]]), 0.0), 25.0))
    beside, could_see = lives.beside_a_hit(xy, hit, UNRESOLVED_M), np.empty(n, np.bool_)
    for i in range(n):
        could_see[i] = visible[i] and not beside[i]
    lives.weigh(life, hit, evidence, chance, could_see)
    lives.note_hits(
        life, modes, pick, taken_s, radar, z, snr_db, width_m, still, edge, visible, behind, merged, settings
    )
    for i in range(n):
        if held[i]:
            life[i, SEEN_S] = taken_s
    remember(life, modes, taken_s, settings[of.STANDING_PROBABILITY], settings[of.COASTING_S])
    fresh = np.zeros(n, np.bool_)
    for i in range(n):
        if life[i, MOVED] < 0.5 and hit[i] and z[pick[i], 0] <= settings[of.POSSIBLE_RANGE_M]:
            fresh[i] = not stills.settled(layers, states[i, 1, 0], states[i, 1, 1], taken_s, settings)
    lives.judge(life, states, covariances, modes, fresh, settings)
    ended = lives.over(life, states, covariances, modes, hidden, taken_s, settings)
    same = lives.doubles(life, lives.places(states, modes), states, share, settings[of.SAME_M], settings[of.SAME_MPS])
    for i in range(n):
        ended[i] = ended[i] or same[i]
    return ended


def bear(tracker, entry, pick, small):
    """Start tracks from clusters that no track took: what moves anywhere, what is still if small and long seen.

    Nothing is born behind an edge or behind a nearer return: nobody there could be seen, so what seems to be there
    is a mirror image.
    """
    tuning, clusters, bank = tracker.tuning.tracking, entry.clusters, tracker.bank
    chosen, moving = chosen_to_be_born(
        clusters.z, clusters.R, clusters.xy, clusters.still, clusters.snr_db, pick, small, clusters.points,
        clusters.sensor, tracker.open_to[entry.sensor], bank.states, bank.modes, bank.life, tracker.still.layers,
        entry.taken_s, tuning.most_births, tracker.settings,
    )  # fmt: skip
    if len(chosen):
        existence = np.where(moving, tuning.birth_existence, 0.5)
        radar = tracker.radars[entry.sensor]
        bank.append(*lives.births(clusters, chosen, entry.taken_s, radar, moving, existence, tuning))


@compiled
def chosen_to_be_born(
    z, R, at, still, snr_db, pick, small, points, sensor, open_to, states, modes, life, layers, taken_s, most, settings
):  # fmt: skip
    """Clusters that start a track, from the strongest down, (k,) int, and whether each moves, (k,) bool."""
    taken = np.zeros(len(z), np.bool_)
    for j in pick:
        if j >= 0:
            taken[j] = True
    xy = lives.places(states, modes)
    moving, quiet = can_be_born(z, R, at, still, taken, small, xy, settings)
    able, places = picked_places(moving, quiet, at)
    if len(able) == 0:
        return able, moving[:0]
    seen = lives.in_view(places, sensor, open_to, all_that_hides(points, xy, life), IMAGE_M, settings)
    hidden = stills.behind_edges(places, sensor, layers, taken_s, settings, BEHIND_M, STRAY_SHARE)
    weakness, kept = np.empty(len(able)), 0
    for k in range(len(able)):
        if seen[k] and not hidden[k]:
            able[kept], weakness[kept] = able[k], -snr_db[able[k]]
            kept += 1
    order = ascending(weakness[:kept])[: 4 * most]
    candidates, moves = np.empty(len(order), np.int64), np.empty(most, np.bool_)
    for k in range(len(order)):
        candidates[k] = able[order[k]]
    chosen = apart_from_each_other(candidates, at, most, settings)
    for k in range(len(chosen)):
        moves[k] = moving[chosen[k]]
    return chosen, moves[: len(chosen)]


@compiled
def picked_places(moving, quiet, at):
    """Rows where either mask holds, (k,) int, and their places, (k, 2) m."""
    able, places, k = np.empty(len(at), np.int64), np.empty((len(at), 2)), 0
    for j in range(len(at)):
        if moving[j] or quiet[j]:
            able[k], places[k, 0], places[k, 1] = j, at[j, 0], at[j, 1]
            k += 1
    return able[:k], places[:k]


@compiled
def all_that_hides(points, xy, life):
    """Returns of a scan and tracks of five measurements, seen in this scan or not, (c, 2) m."""
    out, c = np.empty((len(points) + len(xy), 2)), len(points)
    for k in range(len(points)):
        out[k, 0], out[k, 1] = points[k, 0], points[k, 1]
    for i in range(len(xy)):
        if life[i, HITS] >= 5.0:
            out[c, 0], out[c, 1] = xy[i, 0], xy[i, 1]
            c += 1
    return out[:c]


@compiled
def can_be_born(z, R, at, still, taken, small, xy, settings):
    """Which clusters may start a moving track and which a still one, (m,) bool each; none `apart_m` from a track.

    `xy` (n, 2) are the places of tracks.
    """
    m = len(z)
    moving, quiet = np.zeros(m, np.bool_), np.zeros(m, np.bool_)
    for j in range(m):
        speed = abs(z[j, 2])
        moves = not still[j] and settings[of.MOVING_FROM_MPS] < speed < settings[of.MOVING_TO_MPS]
        stays = small[j] and math.sqrt(R[j, 0, 1]) * z[j, 0] <= settings[of.STILL_SIGMA_M]
        if taken[j] or not (moves or stays):
            continue
        free = True
        for i in range(len(xy)):
            free = free and (xy[i, 0] - at[j, 0]) ** 2 + (xy[i, 1] - at[j, 1]) ** 2 > settings[of.APART_M] ** 2
        moving[j], quiet[j] = free and moves, free and stays
    return moving, quiet


@compiled
def apart_from_each_other(candidates, at, most, settings):
    """The first of the candidates and each further one `apart_m` from all before it, (k,) int; at most `most`."""
    kept, n = np.empty(most, np.int64), 0
    for j in candidates:
        far = n < most
        for q in range(n):
            k = kept[q]
            dx, dy = at[j, 0] - at[k, 0], at[j, 1] - at[k, 1]
            far = far and math.sqrt(dx * dx + dy * dy) > settings[of.APART_M]
        if far:
            kept[n] = j
            n += 1
    return kept[:n]


def remember_still(tracker, entry):
    """Count the scan's still returns, but those of people; end what never moved and turns out to be part of an edge."""
    clusters, bank, settings, layers = entry.clusters, tracker.bank, tracker.settings, tracker.still.layers
    cells = still_cells(
        clusters.points,
        clusters.points_still,
        clusters.points_sigma_m,
        bank.states,
        bank.modes,
        bank.life,
        layers,
        entry.taken_s,
        settings,
    )
    tracker.still.touch(cells)
    stills.count_scan(layers, cells, entry.taken_s, settings[of.STILL_KEEP_S])
    quiet = (bank.life[:, STILL_BORN] > 0.5) & (bank.life[:, MOVED] < 0.5)
    if quiet.any():
        bank.keep(~edges_among(bank.states, quiet, layers, entry.taken_s, clusters.sensor, settings))


@compiled
def still_cells(points, still, sigma_m, states, modes, life, layers, taken_s, settings):
    """Cells of the accurate still returns that are not those of somebody who moved, (c,) int."""
    used = np.zeros(len(points), np.bool_)
    xy = lives.places(states, modes)
    for k in range(len(points)):
        used[k] = still[k] and sigma_m[k] <= settings[of.STILL_SIGMA_M]
        if not used[k]:
            continue
        for i in range(len(xy)):
            near = (xy[i, 0] - points[k, 0]) ** 2 + (xy[i, 1] - points[k, 1]) ** 2 < settings[of.APART_M] ** 2
            if (
                near
                and life[i, MOVED] > 0.5
                and not stills.marked(layers, points[k, 0], points[k, 1], taken_s, settings)
            ):
                used[k] = False
    return stills.cells_of(points, used, settings[of.STILL_CELL_M])


@compiled
def edges_among(states, quiet, layers, taken_s, sensor, settings):
    """Which of the tracks `quiet` lie on something long, (n,) bool."""
    xy = np.empty((len(states), 2))  # laid out as clusters are, so that `look_round` is compiled once
    for i in range(len(states)):
        xy[i, 0], xy[i, 1] = states[i, 0, 0], states[i, 0, 1]
    edge, _, _ = stills.look_round(xy, quiet, layers, taken_s, sensor, settings)
    return edge
