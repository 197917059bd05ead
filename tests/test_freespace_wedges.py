"""Free space that no radar can see: the start declaration, wedges that keep their state, and who may get into them."""

import numpy as np
import pytest

from avoidkit.frames import Pose
from avoidkit.freespace import FreeSpace
from avoidkit.tracking.records import exact_tracks, no_tracks
from avoidkit.vehicle import outline_in_scene
from tests.watched_cells import CYCLE_S, NAMES, ego_at, scan_of, watch
from tests.watched_cells import TUNING as USUAL

TUNING = USUAL.replace({"radar.false_alarms_per_scan": 0.0})  # else scans without a return for seconds are a fault


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
    grid = watch(space, 6.0, ego=lambda now: ego_at(now, x_m=0.8 * now, speed_mps=0.8 * (now > 0)))
    corners = outline_in_scene(TUNING.vehicle, Pose(0.8 * 5.95, 0.0, 0.0))
    assert grid.is_free([corners.mean(axis=0), *(0.98 * corners + 0.02 * corners.mean(axis=0))]).all()
    assert grid.is_free([[0.0, 0.0], [3.0, 0.0]]).all()


def test_the_wedge_beside_the_flank_keeps_what_was_seen_ahead():
    # 8 m driven: what the front radars saw free now lies beside the flank, where no radar sees it.
    space = FreeSpace(TUNING)
    watch(space, 10.0, ego=lambda now: ego_at(now, x_m=0.8 * now, speed_mps=0.8 * (now > 0)))
    x = 0.8 * 9.95
    flank = [[x + 1.45, 0.93 + d] for d in (0.1, 0.3, 1.0, 2.0)] + [[x + 1.45, -0.93 - d] for d in (0.1, 0.3, 1.0, 2.0)]
    for k in range(200):  # and goes on doing so while the vehicle stands for 10 s
        now = 10.0 + k * CYCLE_S
        grid = space.step([scan_of(n, now, ego=ego_at(now, x)) for n in NAMES], None, no_tracks(now), ego_at(now, x))
    assert grid.is_free(flank).all()
    assert not grid.declared.any()


def walk_into_the_wedge(space, x_m, start_s, seconds):
    """A tracked walker enters the left wedge at its tip, stops 2.3 m off the flank, unseen; yields each grid."""
    for k in range(round(seconds / CYCLE_S)):
        now = start_s + k * CYCLE_S
        place = np.array([x_m + 1.45, 4.6 - min(1.4, 1.0 * k * CYCLE_S)])
        seen = place[1] > 3.4
        scans = [scan_of(name, now, [place] if seen else [], ego=ego_at(now, x_m)) for name in NAMES]
        tracks = exact_tracks(now, [place], [[0.0, -1.0]], seen_ago_s=0.0 if seen else now - start_s - 1.2)
        yield space.step(scans, None, tracks, ego_at(now, x_m))


def test_the_wedge_turns_unknown_when_somebody_could_have_walked_in():
    # 8 m driven, so that the wedge is known free; then somebody walks into its tip, 2.7 m from the flank. At 1.6 m/s
    # they are at 1 m from the flank after about 1 s, and not at once; the strip beside the flank is then exposed.
    space = FreeSpace(TUNING)
    watch(space, 10.0, ego=lambda now: ego_at(now, x_m=0.8 * now, speed_mps=0.8 * (now > 0)))
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
    watch(space, 10.0, ego=lambda now: ego_at(now, x_m=0.8 * now, speed_mps=0.8 * (now > 0)))
    x = 0.8 * 9.95
    *_, before = walk_into_the_wedge(space, x, 10.0, 2.5)
    assert not before.is_free([[x + 1.45, 0.93 + 1.0]])[0]
    grid = watch(
        space, 7.0, start_s=12.5, ego=lambda now: ego_at(now, x + 0.8 * (now - 12.5), speed_mps=0.8 * (now > 0))
    )
    x += 0.8 * 6.95
    assert grid.is_free([[x + 1.45, 0.93 + d] for d in (0.2, 1.0, 2.0)]).all()
    assert not grid.exposed.any()


def test_single_unknown_cells_do_not_eat_the_wedge():
    # A post 0.2 m across, returns that come and go: no place for a person, so the wedge behind it stays free.
    space = FreeSpace(TUNING)
    watch(space, 10.0, [[9.0, 2.5]], ego=lambda now: ego_at(now, x_m=0.8 * now, speed_mps=0.8 * (now > 0)))
    x = 0.8 * 9.95
    for k in range(60):
        now = 10.0 + k * CYCLE_S
        grid = space.step([scan_of(n, now, ego=ego_at(now, x)) for n in NAMES], None, no_tracks(now), ego_at(now, x))
    assert grid.is_free([[x + 1.45, 0.93 + 0.1], [x + 1.45, 0.93 + 0.5]]).all()
