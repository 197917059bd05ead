"""Free space: what is known free, and above all what is not."""

import math
from dataclasses import replace

import numpy as np
import pytest

from avoidkit.checks import InputError
from avoidkit.freespace import FreeSpace, explained, log_odds_of, probability_of
from avoidkit.grid import NEVER_S
from avoidkit.gridstate import RadarEvidence
from avoidkit.sensing.records import Health, Scan
from avoidkit.tracking.records import Stage, exact_tracks, no_tracks
from tests.watched_cells import CYCLE_S, NAMES, TUNING, ego_at, scan_of, value_at, wall, watch


def test_log_odds_match_the_printed_values():
    # Thrun, Burgard and Fox, Probabilistic Robotics, ch. 9, four digits as quoted.
    assert [round(log_odds_of(p), 4) for p in (0.7, 0.4, 0.9)] == [0.8473, -0.4055, 2.1972]


@pytest.mark.parametrize(
    ("prior", "evidence", "result"),
    [(0.5, [0.7, 0.7], 0.8448), (0.5, [0.7, 0.7, 0.4], 0.7840), (0.5, [0.4, 0.7, 0.7], 0.7840), (0.2, [0.7], 0.7000)],
)
def test_independent_evidence_adds_up_as_printed(prior, evidence, result):
    # The same source: l = l0 + sum of (l_i - l0), in any order; four digits as quoted.
    total = log_odds_of(prior) + sum(log_odds_of(p) - log_odds_of(prior) for p in evidence)
    assert float(probability_of(total)) == pytest.approx(result, abs=5e-5)


def test_the_grid_itself_adds_two_returns_as_printed():
    # 0.7, 0.7 from 0.5: 0.8448 (same source); two scans of one radar with a return in the same cell.
    space = FreeSpace(TUNING)
    point = [[8.05, 3.05]]
    space.step([scan_of("front_left", 0.0, point)], None, no_tracks(0.0), ego_at(0.0))
    grid = space.step([scan_of("front_left", 0.05, point)], None, no_tracks(0.05), ego_at(0.05))
    assert float(probability_of(value_at(grid, 8.05, 3.05))) == pytest.approx(0.8448, abs=5e-5)


def test_a_cell_is_known_free_after_a_third_of_a_second_and_not_after_two_scans():
    space = FreeSpace(TUNING)
    assert not watch(space, 0.10, names=("front_left",)).is_free([[8.0, 4.0]])[0]
    assert watch(space, 0.20, start_s=0.10, names=("front_left",)).is_free([[8.0, 4.0]])[0]


def test_cells_behind_a_wall_stay_unknown_and_the_wall_is_occupied():
    grid = watch(FreeSpace(TUNING), 1.0, wall(8.0, -6.0, 8.0, 6.0))
    centres = grid.centres()
    behind = (centres[..., 0] > 8.2) & (np.abs(centres[..., 1]) < 4.0)
    assert not (grid.known_free() & behind).any()
    ahead = (centres[..., 0] > 6.0) & (centres[..., 0] < 7.7) & (np.abs(centres[..., 1]) < 2.0)
    assert grid.known_free()[ahead].all()
    cells, _ = grid.index_of(np.column_stack([np.full(81, 8.0), np.linspace(-4, 4, 81)]))
    assert grid.occupied()[cells[:, 0], cells[:, 1]].mean() > 0.9


def test_a_return_shades_the_width_of_a_body_and_no_more():
    # One return straight ahead of the front left radar at 4 m: the radar sits at (3.75, 0.85) and looks to 50 deg.
    # A body of 0.3 m radius shades asin(0.3 / 4) = 4.30 deg to either side: 3 deg off is hidden, 6 deg is not.
    def at(range_m, off_deg):
        angle = math.radians(50 + off_deg)
        return [3.75 + range_m * math.cos(angle), 0.85 + range_m * math.sin(angle)]

    grid = watch(FreeSpace(TUNING), 0.5, [at(4.0, 0.0)], names=("front_left",))
    assert grid.is_free([at(6.0, -6.0), at(6.0, 6.0), at(3.6, 0.0)]).all()
    assert not grid.is_free([at(6.0, -3.0), at(6.0, 0.0), at(6.0, 3.0)]).any()


def test_returns_of_one_edge_shade_what_lies_between_them_and_separate_things_do_not():
    # Two returns belong to one edge while the vehicle could not pass between them: 1.86 + 2 x 0.15 = 2.16 m.
    for apart_m, hidden in ((1.0, True), (2.1, True), (2.6, False)):
        grid = watch(FreeSpace(TUNING), 0.5, [[9.0, 3 - apart_m / 2], [9.0, 3 + apart_m / 2]], names=("front_left",))
        assert grid.is_free([[10.5, 3.6]])[0] != hidden


def test_what_no_sensor_looked_at_is_unknown():
    grid = watch(FreeSpace(TUNING), 1.0, names=("front_left",))
    assert (value_at(grid, -6.0, -6.0), grid.is_free([[-6.0, -6.0]])[0]) == (0.0, False)
    # Mid-flank, 1.5 m off: outside both radars of the left side (mounts at 50 and 130 deg, fields of 160 deg).
    assert not watch(FreeSpace(TUNING), 1.0).is_free([[1.45, 0.93 + 1.5]])[0]


def test_absence_of_returns_says_nothing_where_a_weak_adult_would_be_missed():
    from avoidkit.sensing.equation import budget, detection_probability, from_db

    radar, evidence = TUNING.radar, RadarEvidence(TUNING.radar.mounts.front_left, TUNING)
    for k, azimuth in enumerate(np.radians(np.arange(-79.5, 80, 1.0))):
        snr = budget(azimuth, radar) * from_db(radar.adult_low_dbsm) / evidence.reach_m[k] ** 4
        assert detection_probability(snr, radar.false_alarm_probability) >= TUNING.freespace.evidence_probability - 1e-9
    assert evidence.reach_m.max() <= TUNING.freespace.evidence_range_m


def test_one_unrepeated_return_does_not_close_the_way_and_two_do():
    space = FreeSpace(TUNING)
    watch(space, 1.0)
    point = [[8.0, 0.0]]
    once = [scan_of("front_left", 1.0, point), *(scan_of(name, 1.0) for name in NAMES[1:])]
    assert space.step(once, None, no_tracks(1.0), ego_at(1.0)).is_free(point)[0]
    assert watch(space, 0.05, start_s=1.05).is_free(point)[0]
    assert not watch(space, 0.10, point, start_s=1.10).is_free(point)[0]
    grid = watch(space, 0.15, point, start_s=1.20)
    assert grid.occupied()[tuple(grid.index_of(point)[0][0])]


def test_something_that_has_gone_is_cleared_within_a_second():
    space = FreeSpace(TUNING)
    assert not watch(space, 2.0, wall(8.0, -0.5, 8.0, 0.5, 0.25)).is_free([[8.0, 0.0], [9.0, 0.0]]).any()
    assert watch(space, 1.0, start_s=2.0).is_free([[8.0, 0.0], [9.0, 0.0]]).all()


def test_a_scan_with_far_fewer_returns_than_usual_frees_nothing():
    things = wall(12.0, -6.0, 12.0, 6.0, 0.5)  # 25 returns
    few, half = things[::4], things[::2]  # 7 are less than 0.4 of 25, 13 are more
    for left, freed in ((few, False), (half, True)):
        space = FreeSpace(TUNING)
        watch(space, 1.0, things, names=("front_left",))
        before = space.step([], None, no_tracks(1.0), ego_at(1.0))
        grid = watch(space, 1.0, left, names=("front_left",), start_s=1.05)
        newly = grid.known_free() & ~before.known_free()
        assert bool(newly.any()) is freed


def test_a_return_a_metre_from_somebody_is_not_taken_for_theirs_however_uncertain_their_place_is():
    tracks = exact_tracks(0.0, [[8.0, 3.0]], [[0.0, 0.0]])
    spread = np.diag([0.3**2, 0.3**2, 0.1**2, 0.1**2])
    uncertain = replace(tracks, covariance=spread[None])
    at = np.array([[8.0, 3.0], [8.75, 3.0], [9.0, 3.0]])
    assert explained(at, 0.0, uncertain).tolist() == [True, True, False]
    assert explained(at, 0.0, tracks).tolist() == [True, False, False]


def test_a_tracked_walker_leaves_no_trail_and_stands_on_no_free_cell():
    space = FreeSpace(TUNING)
    watch(space, 1.0)
    for k in range(60):
        now = 1.0 + k * CYCLE_S
        place = np.array([8.0, -3.0 + 1.4 * (now - 1.0)])
        scans = [scan_of(name, now, [place - [0.12, 0.0]]) for name in NAMES]
        grid = space.step(scans, None, exact_tracks(now, [place], [[0.0, 1.4]]), ego_at(now))
        if k > 4:
            assert not grid.is_free([place - [0.12, 0.0]])[0]
    assert not grid.occupied().any()
    assert grid.is_free([[8.0, y] for y in np.arange(-3.0, place[1] - 0.9, 0.1)]).all()


def test_a_tentative_track_marks_cells_like_anything_else():
    space = FreeSpace(TUNING)
    at = [[8.0, 0.0]]

    def tentative(now):
        tracks = exact_tracks(now, at, [[0.0, 0.0]])
        tracks.stage[:] = Stage.TENTATIVE
        return tracks

    grid = watch(space, 0.5, at, tracks=tentative)
    assert grid.occupied()[tuple(grid.index_of(at)[0][0])]


@pytest.mark.parametrize("trouble", ["blind", "stuck", "stale", "future"])
def test_scans_that_cannot_be_trusted_free_nothing(trouble):
    space = FreeSpace(TUNING)
    for k in range(20):
        now = 1.0 + k * CYCLE_S
        taken = {"blind": now, "stuck": 1.0, "stale": now - 0.5, "future": now + 0.2}[trouble]
        health = Health.BLIND if trouble == "blind" else Health.OK
        scans = [scan_of(name, taken, health=health) for name in NAMES]
        grid = space.step(scans, None, no_tracks(now), ego_at(now))
    assert not grid.is_free([[8.0, 0.0], [8.0, 5.0], [-6.0, 0.0]]).any()


def test_a_radar_that_repeats_itself_while_the_vehicle_moves_frees_nothing():
    # The same returns, bit for bit, with new times, while the vehicle drives 0.04 m a cycle: stuck.
    space = FreeSpace(TUNING)
    frozen = {name: scan_of(name, 0.0, [[9.0, 6.0], [9.0, -6.0], [-8.0, 6.0], [-8.0, -6.0]]) for name in NAMES}
    for k in range(60):
        now, ego = k * CYCLE_S, ego_at(k * CYCLE_S, x_m=0.04 * k, speed_mps=0.8)
        scans = [Scan(n, now, now, s.range_m, s.azimuth_rad, s.range_rate_mps, s.snr_db) for n, s in frozen.items()]
        grid = space.step(scans, None, no_tracks(now), ego)
    assert not grid.is_free([[9.0, 0.0], [9.0, 3.0], [-5.0, 0.0]]).any()


def test_a_radar_that_repeats_itself_for_a_second_at_rest_is_stuck_unless_it_has_no_noise():
    for noise, free in ((True, False), (False, True)):
        tuning = TUNING.replace({"radar.noise": noise, "freespace.fade_s": 0.5})
        grid = watch(FreeSpace(tuning), 3.0, [[9.0, 6.0], [9.0, -6.0]])
        assert grid.is_free([[9.0, 0.0]])[0] == free


def test_a_radar_to_which_known_walls_vanish_at_once_frees_nothing_behind_them():
    # 1 s of a wall, then 2 s in which all four say they are well and return nothing.
    space = FreeSpace(TUNING)
    watch(space, 1.0, wall(7.0, -5.0, 7.0, 5.0))
    grid = watch(space, 2.0, start_s=1.0)
    assert not grid.is_free([[7.0, 0.0], [8.0, 0.0], [9.0, 3.0]]).any()
    assert not grid.is_free([[9.0, -3.0]]).any()


def test_a_degraded_radar_frees_nearby_cells_only():
    # 0.3 of the range is surely left: an adult at 0.8 is then seen to 0.3 times 19 m or less.
    near, far = [[3.75 + 3.0 * math.cos(math.radians(50)), 0.85 + 3.0 * math.sin(math.radians(50))]], [[9.0, 7.0]]
    grid = watch(FreeSpace(TUNING), 0.5, names=("front_left",), health=Health.DEGRADED)
    assert (grid.is_free(near)[0], grid.is_free(far)[0]) == (True, False)


def test_a_scan_from_a_sensor_without_a_mount_is_refused():
    scan = Scan("roof", 0.0, 0.0, [], [], [], [])
    with pytest.raises(
        InputError, match=r"^scan.sensor must be one of front_left, front_right, rear_left, rear_right, got 'roof'$"
    ):
        FreeSpace(TUNING).step([scan], None, no_tracks(0.0), ego_at(0.0))


def test_the_order_in_which_scans_arrive_in_a_cycle_does_not_matter():
    rng = np.random.default_rng(3)
    grids = []
    for order in (1, -1):
        space, rng = FreeSpace(TUNING), np.random.default_rng(3)
        for k in range(12):
            scans = [scan_of(name, k * CYCLE_S, rng.uniform(-9, 9, (15, 2))) for name in NAMES][::order]
            grid = space.step(scans, None, no_tracks(k * CYCLE_S), ego_at(k * CYCLE_S))
        grids.append(grid)
    np.testing.assert_array_equal(grids[0].log_odds, grids[1].log_odds)
    np.testing.assert_array_equal(grids[0].last_seen_s, grids[1].last_seen_s)


def test_cells_that_nobody_looks_at_fade_and_are_not_free_for_long():
    # From the least probability 0.03 to 0.12 with a time constant of 4 s: 4 ln(3.476 / 1.992) = 2.23 s, after 0.25 s.
    space = FreeSpace(TUNING)
    watch(space, 2.0)
    for k in range(100):
        now = 2.0 + k * CYCLE_S
        grid = space.step([], None, no_tracks(now), ego_at(now))
        if k == 40:
            assert grid.is_free([[9.0, 0.0]])[0]
    assert not grid.is_free([[9.0, 0.0], [9.0, 5.0], [-7.0, 0.0]]).any()


def test_scrolling_keeps_cells_at_their_scene_places():
    space = FreeSpace(TUNING)
    post = [[6.0, 5.0]]
    first = watch(space, 1.0, post)
    grid = watch(space, 7.0, post, start_s=1.0, ego=lambda now: ego_at(now, x_m=0.8 * (now - 1.0), speed_mps=0.8))
    moved = (grid.corner_xy - first.corner_xy) / 0.1
    np.testing.assert_allclose(moved, np.round(moved), atol=1e-9)
    assert moved[0] > 10
    assert grid.occupied()[tuple(grid.index_of(post)[0][0])]
    assert grid.shape == (round(TUNING.freespace.size_m / 0.1),) * 2
    # What scrolled in has not been seen before it came.
    assert (grid.last_seen_s == np.float32(NEVER_S)).any()


def test_a_grid_in_hand_does_not_change_with_later_steps():
    space = FreeSpace(TUNING)
    grid = watch(space, 0.5)
    before = grid.log_odds.copy()
    watch(space, 0.5, wall(8.0, -3, 8.0, 3), start_s=0.5)
    np.testing.assert_array_equal(grid.log_odds, before)


def test_a_restored_checkpoint_goes_on_exactly_as_the_original():
    drive = {"ego": lambda now: ego_at(now, x_m=0.8 * now, y_m=0.1 * now, yaw_rad=0.1 * now, speed_mps=0.8)}
    space, other = FreeSpace(TUNING), FreeSpace(TUNING)
    watch(space, 1.0, wall(8.0, -3, 8.0, 3), **drive)
    other.restore(space.checkpoint())
    one = watch(space, 2.0, wall(8.0, -3, 8.0, 3), start_s=1.0, **drive)
    two = watch(other, 2.0, wall(8.0, -3, 8.0, 3), start_s=1.0, **drive)
    np.testing.assert_array_equal(one.log_odds, two.log_odds)
    np.testing.assert_array_equal(one.last_seen_s, two.last_seen_s)
    np.testing.assert_array_equal(one.declared, two.declared)


def test_a_checkpoint_survives_the_recording():
    from avoidkit.recording.checkpoints import pack_checkpoint, unpack_checkpoint

    space, other = FreeSpace(TUNING), FreeSpace(TUNING)
    watch(space, 1.0, wall(8.0, -3, 8.0, 3))
    other.restore(unpack_checkpoint(pack_checkpoint(space.checkpoint())))
    one, two = (watch(s, 1.0, wall(8.0, -3, 8.0, 3), start_s=1.0) for s in (space, other))
    np.testing.assert_array_equal(one.log_odds, two.log_odds)


def test_an_empty_checkpoint_restores_the_beginning():
    space = FreeSpace(TUNING)
    space.restore(FreeSpace(TUNING).checkpoint())
    assert watch(space, 0.5).free_area_m2() > 50
