"""Free space: what is known free, and above all what is not."""

import math

import numpy as np
import pytest

from avoidkit.checks import InputError
from avoidkit.frames import Pose
from avoidkit.freespace import FreeSpace, log_odds_of, probability_of
from avoidkit.grid import NEVER_S
from avoidkit.gridstate import RadarEvidence
from avoidkit.sensing.records import Health, Scan
from avoidkit.tracking.records import Stage, exact_tracks, no_tracks
from avoidkit.tuning import Tuning
from avoidkit.vehicle import Ego, outline_in_scene

TUNING = Tuning()
NAMES = ("front_left", "front_right", "rear_left", "rear_right")
CYCLE_S = 0.05


def ego_at(time_s, x_m=0.0, y_m=0.0, yaw_rad=0.0, speed_mps=0.0):
    return Ego(time_s, Pose(x_m, y_m, yaw_rad), speed_mps, 0.0, 0.0)


def scan_of(sensor, taken_s, points_scene=(), *, ego=None, tuning=TUNING, snr_db=20.0, health=Health.OK):
    """A scan of one radar that holds exactly the given scene points, seen or not."""
    pose = Pose(0.0, 0.0, 0.0) if ego is None else ego.pose
    mount = getattr(tuning.radar.mounts, sensor)
    c, s = math.cos(pose.yaw_rad), math.sin(pose.yaw_rad)
    x, y = pose.x_m + c * mount.x_m - s * mount.y_m, pose.y_m + s * mount.x_m + c * mount.y_m
    yaw = pose.yaw_rad + math.radians(mount.yaw_deg)
    points = np.asarray(points_scene, dtype=float).reshape(-1, 2) - [x, y]
    bearing = (np.arctan2(points[:, 1], points[:, 0]) - yaw + math.pi) % (2 * math.pi) - math.pi
    seen = np.abs(bearing) <= math.radians(tuning.radar.field_of_view_deg) / 2
    ranges = np.hypot(*points.T)[seen]
    return Scan(sensor, taken_s, taken_s, ranges, bearing[seen], 0 * ranges, np.full(len(ranges), snr_db), health)


def watch(space, seconds, points=(), *, start_s=0.0, ego=None, names=NAMES, tracks=None, **more):
    """Let the radars look at the same points for a while; return the last grid."""
    grid = None
    for k in range(round(seconds / CYCLE_S)):
        now = start_s + k * CYCLE_S
        here = ego_at(now) if ego is None else ego(now)
        scans = [scan_of(name, now, points, ego=here, **more) for name in names]
        grid = space.step(scans, None, no_tracks(now) if tracks is None else tracks(now), here)
    return grid


def value_at(grid, x, y):
    cells, inside = grid.index_of([[x, y]])
    assert inside[0]
    return float(grid.log_odds[tuple(cells[0])])


def wall(x0, y0, x1, y1, spacing=0.4):
    n = round(math.hypot(x1 - x0, y1 - y0) / spacing) + 1
    return np.linspace([x0, y0], [x1, y1], n)


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


def test_the_start_declaration_holds_round_the_outline_and_is_recorded():
    grid = FreeSpace(TUNING).step([], None, no_tracks(0.0), ego_at(0.0))
    assert grid.is_free([[1.45, 0.93 + 0.4], [1.45, -0.93 - 0.4], [3.85 + 0.4, 0.0], [-0.95 - 0.4, 0.0]]).all()
    assert not grid.is_free([[1.45, 0.93 + 0.7], [3.85 + 0.7, 0.0]]).any()
    strip_m2 = (4.8 + 1.0) * (1.86 + 1.0) - 4.8 * 1.86
    assert np.count_nonzero(grid.declared) * 0.01 == pytest.approx(strip_m2, rel=0.05)
    # Looked at by a radar, a cell is free by what was seen; the flank's cells stay declared.
    later = watch(FreeSpace(TUNING), 2.0)
    flank, ahead = later.index_of([[1.45, 0.93 + 0.4]])[0][0], later.index_of([[4.1, 1.2]])[0][0]
    assert later.declared[tuple(flank)]
    assert later.is_free([[1.45, 0.93 + 0.4]])[0]
    assert not later.declared[tuple(ahead)]


def test_the_declaration_gives_way_to_what_a_sensor_says():
    grid = watch(FreeSpace(TUNING), 0.5, [[4.2, 1.1]])
    assert not grid.is_free([[4.2, 1.1]])[0]


def test_without_a_declaration_the_flank_is_unknown():
    tuning = TUNING.replace({"freespace.start_clear_m": 0.0})
    assert not watch(FreeSpace(tuning), 1.0).is_free([[1.45, 0.93 + 0.2]])[0]


def test_cells_under_the_outline_are_free_and_stay_free_once_it_has_passed():
    space = FreeSpace(TUNING)
    grid = watch(space, 6.0, ego=lambda now: ego_at(now, x_m=0.8 * now, speed_mps=0.8))
    corners = outline_in_scene(TUNING.vehicle, Pose(0.8 * 5.95, 0.0, 0.0))
    assert grid.is_free([corners.mean(axis=0), *(0.98 * corners + 0.02 * corners.mean(axis=0))]).all()
    assert grid.is_free([[0.0, 0.0], [3.0, 0.0]]).all()


def test_the_wedge_beside_the_flank_keeps_what_was_seen_ahead():
    # 8 m driven: what the front radars saw free now lies beside the flank, where no radar sees it.
    space = FreeSpace(TUNING)
    watch(space, 10.0, ego=lambda now: ego_at(now, x_m=0.8 * now, speed_mps=0.8))
    x = 0.8 * 9.95
    flank = [[x + 1.45, 0.93 + d] for d in (0.1, 0.3, 1.0, 2.0)] + [[x + 1.45, -0.93 - d] for d in (0.1, 0.3, 1.0, 2.0)]
    for k in range(200):  # and goes on doing so while the vehicle stands for 10 s
        now = 10.0 + k * CYCLE_S
        grid = space.step([scan_of(n, now, ego=ego_at(now, x)) for n in NAMES], None, no_tracks(now), ego_at(now, x))
    assert grid.is_free(flank).all()
    assert not grid.declared.any()


def walk_into_the_wedge(space, x_m, start_s, seconds):
    """A tracked walker enters the left wedge from its tip and is seen no more; yields each grid."""
    for k in range(round(seconds / CYCLE_S)):
        now = start_s + k * CYCLE_S
        place = np.array([x_m + 1.45, 4.6 - min(1.2, 1.0 * k * CYCLE_S)])
        scans = [scan_of(name, now, [place] if place[1] > 3.4 else [], ego=ego_at(now, x_m)) for name in NAMES]
        yield space.step(scans, None, exact_tracks(now, [place], [[0.0, -1.0]]), ego_at(now, x_m))


def test_the_wedge_turns_unknown_when_somebody_could_have_walked_in():
    # 8 m driven, so that the wedge is known free; then somebody walks into its tip, 2.7 m from the flank. At 1.6 m/s
    # they are at 1 m from the flank after about 1 s, and not at once; the strip beside the flank is then exposed.
    space = FreeSpace(TUNING)
    watch(space, 10.0, ego=lambda now: ego_at(now, x_m=0.8 * now, speed_mps=0.8))
    x = 0.8 * 9.95
    deep, flank = [[x + 1.45, 0.93 + 1.0]], [[x + 1.45, 0.93 + 0.2]]
    other_side = [[x + 1.45, -0.93 - 0.2], [x + 1.45, -0.93 - 1.0]]
    grids = list(walk_into_the_wedge(space, x, 10.0, 3.0))
    assert grids[10].is_free([*deep, *flank]).all()
    assert not grids[-1].is_free(deep)[0]
    assert grids[-1].is_free(flank)[0]
    assert grids[-1].exposed[tuple(grids[-1].index_of(flank)[0][0])]
    assert not grids[10].exposed.any()
    assert grids[-1].is_free(other_side).all()


def test_doubt_about_a_wedge_ends_when_nobody_can_have_entered_for_two_seconds():
    # The same, then the vehicle drives on: the place where the walker vanished comes into view, and is empty.
    space = FreeSpace(TUNING)
    watch(space, 10.0, ego=lambda now: ego_at(now, x_m=0.8 * now, speed_mps=0.8))
    x = 0.8 * 9.95
    *_, before = walk_into_the_wedge(space, x, 10.0, 2.0)
    assert not before.is_free([[x + 1.45, 0.93 + 1.0]])[0]
    grid = watch(space, 7.0, start_s=12.0, ego=lambda now: ego_at(now, x + 0.8 * (now - 12.0), speed_mps=0.8))
    x += 0.8 * 6.95
    assert grid.is_free([[x + 1.45, 0.93 + d] for d in (0.2, 1.0, 2.0)]).all()
    assert not grid.exposed.any()


def test_single_unknown_cells_do_not_eat_the_wedge():
    # A post 0.2 m across, returns that come and go: no place for a person, so the wedge behind it stays free.
    space = FreeSpace(TUNING)
    watch(space, 10.0, [[9.0, 2.5]], ego=lambda now: ego_at(now, x_m=0.8 * now, speed_mps=0.8))
    x = 0.8 * 9.95
    for k in range(60):
        now = 10.0 + k * CYCLE_S
        grid = space.step([scan_of(n, now, ego=ego_at(now, x)) for n in NAMES], None, no_tracks(now), ego_at(now, x))
    assert grid.is_free([[x + 1.45, 0.93 + 0.1], [x + 1.45, 0.93 + 0.5]]).all()


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


def test_an_empty_checkpoint_restores_the_beginning():
    space = FreeSpace(TUNING)
    space.restore(FreeSpace(TUNING).checkpoint())
    assert watch(space, 0.5).free_area_m2() > 50
