"""What one scan does to the tracks: predict, pair, update, weigh, let be born and end."""

import math

import numpy as np

from avoidkit.tracking import bank as column
from avoidkit.tracking import life as lives
from avoidkit.tracking.association import NEVER, log_likelihoods, nearest
from avoidkit.tracking.filters import mix, motion_models, predict, switching, update
from avoidkit.tracking.standing import remember
from avoidkit.tracking.still import cells_of, surroundings


def take_in(tracker, entry):
    """Work one scan into the tracks of `tracker`, at the time it was taken."""
    tuning, clusters, bank = tracker.tuning.tracking, entry.clusters, tracker.bank
    dt_s = entry.taken_s - bank.time_s
    if len(bank) and dt_s > 0:
        lives.pass_time(bank.life, dt_s, tuning.fade_per_s, tuning.return_per_s, tuning.leave_per_s)
        mix(bank.states, bank.covariances, bank.modes, switching(dt_s, tuning.stop_per_s, tuning.start_per_s))
        predict(
            bank.states,
            bank.covariances,
            *motion_models(dt_s, tuning.accel_psd, tuning.sway_mps, tuning.standing_memory_s),
        )
    bank.time_s = entry.taken_s
    accurate = clusters.points_still & (clusters.points_sigma_m <= tuning.still_sigma_m)
    cells = cells_of(clusters.points, accurate, tuning.still_cell_m)
    tracker.still.add(entry.taken_s, entry.sensor, cells)
    length_m, seen = surroundings(
        clusters.xy, tracker.still.counts, tuning.still_cell_m, tuning.still_scans, tuning.still_share, 2, tuning.edge_m
    )
    edge = clusters.still & (length_m > tuning.edge_m)
    pick = pair_and_update(tracker, entry, edge)
    bear(tracker, entry, pick, edge, length_m, seen)
    remember(bank.life, bank.modes, entry.taken_s, tracker.tuning.people.standing_probability, tuning.coasting_s)
    lives.judge(bank.life, bank.states, bank.covariances, bank.modes, tuning.believe_at, tuning.believe_hits)
    ended = lives.over(
        bank.life,
        bank.states,
        bank.covariances,
        bank.modes,
        entry.taken_s,
        tuning.tentative_s,
        tuning.possible_s,
        tuning.sigma_max_m,
    )
    drop_edges(tracker, ended)
    bank.keep(~ended)


def pair_and_update(tracker, entry, edge):
    """Pair clusters with tracks and update filters and existence; row of the cluster of each track, -1: none."""
    tuning, clusters, bank = tracker.tuning.tracking, entry.clusters, tracker.bank
    life = bank.life
    n, m = len(bank), len(clusters)
    xy = np.einsum("nm,nmi->ni", bank.modes, bank.states[:, :, :2])
    range_m = np.hypot(xy[:, 0] - clusters.sensor[0], xy[:, 1] - clusters.sensor[1])
    visible = lives.in_view(
        xy, clusters.sensor, math.radians(tracker.tuning.radar.field_of_view_deg) / 2,
        tracker.tuning.radar.range_min_m, tracker.tuning.radar.range_max_m, clusters.points, 0.25,
    )  # fmt: skip
    chance = lives.detection_chance(
        life, range_m, tracker.tuning.radar.false_alarm_probability, tuning.person_strength_db
    )
    log_g = log_likelihoods(
        bank.states, bank.covariances, bank.modes, clusters.z, clusters.R, clusters.sensor, tracker.gate_d2, 4.0
    )
    other = np.where(
        edge, tuning.edge_density, np.where(clusters.still, tuning.still_density, tuning.false_alarm_density)
    )
    ratio = log_g - np.log(other)[None, :]
    ratio += np.log(chance * life[:, column.OBSERVABLE] / (1.0 - chance * life[:, column.OBSERVABLE]))[:, None]
    ratio[log_g <= NEVER] = NEVER
    forbid_jumps(ratio, life, xy, clusters)
    weights = nearest(ratio)
    pick = np.where(weights.any(axis=1), weights.argmax(axis=1), -1) if m else np.full(n, -1)
    hit = pick >= 0
    evidence = np.ones(n)
    evidence[hit] = np.exp(np.minimum(log_g[hit, pick[hit]] - np.log(other[pick[hit]]), 25.0))
    evidence[hit] = np.maximum(evidence[hit], 1.0)
    update(bank.states, bank.covariances, bank.modes, pick, clusters.z, clusters.R, clusters.sensor)
    lives.weigh(life, hit, evidence, chance, visible & ~shared(bank, xy, hit, clusters))
    rate_sigma = np.sqrt(clusters.R[:, 0, 2])
    lives.note_hits(
        life,
        pick,
        entry.taken_s,
        tracker.radars[entry.sensor],
        clusters.z,
        clusters.snr_db,
        clusters.width_m,
        rate_sigma,
        visible,
    )
    return pick


def forbid_jumps(ratio, life, xy, clusters):
    """A track of one measurement takes only what lies within 0.5 m of it."""
    young = np.nonzero(life[:, column.HITS] < 2)[0]
    if len(young) and len(clusters):
        away = np.hypot(*(xy[young, None, :] - clusters.xy[None, :, :]).transpose(2, 0, 1))
        ratio[young] = np.where(away <= 0.5, ratio[young], NEVER)


def shared(bank, xy, hit, clusters):
    """Tracks that were missed beside one that was hit, too close for the radar to tell them apart, (n,) bool."""
    out = np.zeros(len(bank), bool)
    missed, seen = np.nonzero(~hit)[0], np.nonzero(hit)[0]
    if len(missed) and len(seen):
        away = np.hypot(*(xy[missed, None, :] - xy[None, seen, :]).transpose(2, 0, 1))
        out[missed] = (away < 0.8).any(axis=1)
    return out


def bear(tracker, entry, pick, edge, length_m, seen):
    """Start tracks from clusters that no track took: what moves anywhere, what is still if small and long seen."""
    tuning, clusters, bank = tracker.tuning.tracking, entry.clusters, tracker.bank
    free = np.ones(len(clusters), bool)
    free[pick[pick >= 0]] = False
    speed = np.abs(clusters.z[:, 2])
    moving = free & ~clusters.still & (speed > tuning.moving_from_mps) & (speed < tuning.moving_to_mps)
    small = free & clusters.still & ~edge & (seen >= tuning.possible_scans) & (length_m <= tuning.edge_m)
    small &= np.sqrt(clusters.R[:, 0, 1]) * clusters.z[:, 0] <= 2 * tuning.still_sigma_m
    if len(bank) and len(clusters):
        xy = np.einsum("nm,nmi->ni", bank.modes, bank.states[:, :, :2])
        away = np.hypot(*(xy[:, None, :] - clusters.xy[None, :, :]).transpose(2, 0, 1))
        apart = (away > tuning.apart_m).all(axis=0)
        moving, small = moving & apart, small & apart
    picked = np.nonzero(moving | small)[0]
    if len(picked):
        picked = apart_from_each_other(picked[np.argsort(-clusters.snr_db[picked])], clusters.xy, tuning)
        existence = np.where(moving[picked], tuning.birth_existence, 0.5)
        radar = tracker.radars[entry.sensor]
        bank.append(
            *lives.births(
                clusters, picked, entry.taken_s, radar, moving[picked], existence, tuning.across_mps, tuning.sway_mps
            )
        )


def apart_from_each_other(picked, xy, tuning):
    """The first of `picked` and each further one that is `apart_m` from all before it; at most `most_births`."""
    kept = []
    for j in picked[: 4 * tuning.most_births]:
        if len(kept) < tuning.most_births and all(math.dist(xy[j], xy[k]) > tuning.apart_m for k in kept):
            kept.append(j)
    return np.array(kept, np.int64)


def drop_edges(tracker, ended):
    """End tracks that never moved and turn out to be part of something longer; `ended` changed in place."""
    tuning, bank = tracker.tuning.tracking, tracker.bank
    quiet = np.nonzero(bank.life[:, column.MOVED] < 0.5)[0]
    if len(quiet):
        length_m, _ = surroundings(
            bank.states[quiet, 0, :2],
            tracker.still.counts,
            tuning.still_cell_m,
            tuning.still_scans,
            tuning.still_share,
            2,
            tuning.edge_m,
        )
        ended[quiet] |= length_m > tuning.edge_m
