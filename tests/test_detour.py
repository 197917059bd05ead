"""Detours: the shape of a shift, the steering limits, free space by exact polygons, and refusal where none fits."""

import math

import numpy as np
import pytest
import shapely

from avoidkit.clearway import Cells
from avoidkit.detour import find_detour, frenet_start, shortest_shift
from avoidkit.detourmath import lateral, unit_shift
from avoidkit.frames import Pose
from avoidkit.grid import free_grid
from avoidkit.paths import path_from_legs
from avoidkit.separation import gap_needed
from avoidkit.tracking.records import exact_tracks
from avoidkit.tuning import Tuning
from avoidkit.vehicle import Ego, greatest_curvature, outline_in_scene
from avoidkit.verdict import Hold, Memory, Situation

TUNING = Tuning()


def lane(width_m=6.0, x0=-5.0, x1=35.0, y0=-13.0, rows=300):
    """A lane of known free cells along the x axis; unknown beside it."""
    state = np.zeros((rows, round((x1 - x0) / 0.1)), np.uint8)
    middle, half = round(-y0 / 0.1), round(width_m / 2 / 0.1)
    state[middle - half : middle + half] = 1
    return Cells(state, x0, y0, 0.1)


def situation(person, path=None, along_m=0.0, pose=None, steering_rad=0.0, velocity=(0.0, 0.0)):
    path = path or path_from_legs(Pose(0, 0, 0), [(1, [(26.0, 0.0)])])
    pose = pose or path.pose_at(along_m)
    tracks = exact_tracks(0.0, [person], [velocity])
    grid = free_grid((0.0, 0.0), TUNING)
    ego = Ego(0.0, pose, 0.0, steering_rad, 0.0)
    hold = Hold(True, 0.0, 2.0)
    return Situation(0.0, ego, path, along_m, path, along_m, tracks, grid, None, hold, {}, Memory())


def search(person, cells=None, tuning=TUNING, **more):
    where = situation(person, **more)
    needed = float(gap_needed(where.tracks, tuning.vehicle.creep_mps, tuning)[0])
    return find_detour(where, cells or lane(), [(*person, needed)], tuning, name="round"), where


def test_the_unit_shift_goes_from_nought_to_one_with_a_continuous_second_derivative():
    u = np.linspace(-0.1, 1.1, 24001)
    d0, d1, d2 = np.array([unit_shift(x) for x in u]).T
    assert (d0[0], d0[-1]) == (0.0, 1.0)
    np.testing.assert_allclose(np.gradient(d0, u)[5:-5], d1[5:-5], atol=1e-3)
    np.testing.assert_allclose(np.gradient(d1, u)[5:-5], d2[5:-5], atol=2e-2)
    assert np.abs(np.diff(d2)).max() < 0.01
    assert np.all(np.diff(d0) >= -1e-15)


def test_a_shift_is_not_shorter_than_two_arcs_of_the_same_radius():
    # Reverse curve of surveying texts: Lx = sqrt(d (4R - d)); d 2 m, R 5 m: exactly 6.0000 m (derived).
    assert math.sqrt(2 * (4 * 5 - 2)) == 6.0
    ours = shortest_shift(2.0, np.array([1 / 5, 1e9]))
    assert 6.0 <= ours <= 1.2 * 6.0  # what steering at a finite rate costs


def test_a_plan_starts_from_the_present_offset_slope_and_bend():
    start = np.array([0.3, 0.1, 0.05, 4.0, 0.4])
    plan = np.array([2.0, 5.0, 1.5, 12.0, 5.0])
    assert lateral(0.0, plan, start) == pytest.approx((0.3, 0.1, 0.05))
    assert lateral(9.0, plan, start) == pytest.approx((1.5, 0.0, 0.0))
    assert lateral(17.0, plan, start) == pytest.approx((0.0, 0.0, 0.0), abs=1e-12)


def test_the_present_bend_of_a_vehicle_on_its_path_is_nought():
    path = path_from_legs(Pose(1, 2, 0.4), [(1, [(4.0, 0.0), (8.0, math.pi / 3)])])
    for along in (0.0, 3.0, 8.0, 10.5):
        found = frenet_start(path.pose_at(along), float(path.curvature_at(along)), path, along, 1)
        assert found == pytest.approx((0.0, 0.0, 0.0), abs=1e-6)


def test_somebody_who_leaves_room_is_gone_round_on_the_wider_side():
    found, _ = search((12.0, 0.8))
    assert found.path is not None
    assert found.side == -1
    assert found.slack_m >= 0


def test_somebody_in_the_middle_of_a_lane_too_narrow_is_not_gone_round_and_the_counts_say_why():
    found, _ = search((12.0, 0.0), lane(4.4))
    assert found.path is None
    assert found.counts["fits"] == 0
    assert sum(found.counts.values()) > 50


def test_nobody_is_gone_round_where_the_path_ends_too_soon():
    short = path_from_legs(Pose(0, 0, 0), [(1, [(13.0, 0.0)])])
    found, _ = search((11.0, 0.8), path=short)
    assert found.path is None
    assert found.counts["no room to return before the end"] > 0


def test_a_side_that_cannot_be_seen_is_not_used():
    where = situation((12.0, 0.8))
    needed = float(gap_needed(where.tracks, 0.3, TUNING)[0])
    found = find_detour(where, lane(), [(12.0, 0.8, needed)], TUNING, name="round", sides=(1,))
    assert found.path is None or found.side == 1


REVERSE = path_from_legs(Pose(0, 0, math.pi), [(-1, [(26.0, 0.0)])])
BENT = path_from_legs(Pose(0, 0, 0), [(1, [(6.0, 0.0), (14.0, 0.5), (8.0, 0.0)])])


@pytest.mark.parametrize(
    ("person", "path", "cells"),
    [((12.0, 0.8), None, lane()), ((12.0, -0.9), REVERSE, lane(7.0)), ((13.0, 0.6), BENT, lane(16.0))],
    ids=["forward", "reverse", "bent"],
)
def test_a_detour_is_steerable_stays_on_free_cells_and_comes_back_to_the_reference(person, path, cells):
    found, where = search(person, cells, path=path)
    way, vehicle = found.path, TUNING.vehicle
    assert way is not None
    assert np.abs(way.curvature_1pm).max() <= greatest_curvature(vehicle)
    rate = np.abs(np.diff(way.curvature_1pm) / np.diff(way.s_m)).max()
    fastest = math.radians(vehicle.steering_rate_max_deg_per_s) / vehicle.wheelbase_m
    assert rate * TUNING.detour.speed_mps <= fastest * 1.25  # the path is sampled three times finer than the search
    free = shapely.box(cells.x_m, -13.0, cells.x_m + 40.0, 17.0)
    rows = np.flatnonzero((cells.state == 1).all(axis=1))
    free = shapely.box(cells.x_m, cells.y_m + 0.1 * rows[0], cells.x_m + 40.0, cells.y_m + 0.1 * (rows[-1] + 1))
    body = shapely.Point(person)
    needed = float(gap_needed(where.tracks, vehicle.creep_mps, TUNING)[0])
    for k in range(0, len(way), 4):
        pose = Pose(way.x_m[k], way.y_m[k], way.yaw_rad[k])
        outline = shapely.Polygon(outline_in_scene(vehicle, pose))
        assert free.contains(outline)
        assert outline.distance(body) >= needed - 0.02  # poses of the search are 0.15 m apart
    end = where.reference.nearest(way.x_m[-1], way.y_m[-1])
    back = where.reference.pose_at(end)
    assert math.hypot(back.x_m - way.end.x_m, back.y_m - way.end.y_m) < 0.02
    assert abs(math.remainder(back.yaw_rad - way.end.yaw_rad, 2 * math.pi)) < 0.02


def test_a_detour_continues_the_present_steering():
    path = path_from_legs(Pose(0, 0, 0), [(1, [(26.0, 0.0)])])
    steering = math.radians(6)
    found, _ = search((13.0, 0.9), path=path, pose=Pose(0.0, -0.2, -0.05), steering_rad=steering)
    assert found.path is not None
    assert found.path.curvature_1pm[0] == pytest.approx(math.tan(steering) / TUNING.vehicle.wheelbase_m, abs=0.01)
    assert (found.path.x_m[0], found.path.y_m[0]) == pytest.approx((0.0, -0.2), abs=0.01)


def test_no_detour_is_started_past_a_walker_whom_three_seconds_do_not_settle():
    towards, _ = search((14.0, 0.8), velocity=(-1.3, 0.0))
    assert towards.path is None


def test_the_search_looks_again_at_every_candidate_when_the_grid_changes():
    found, where = search((12.0, 0.8))
    blocked = lane()
    way = found.path
    k = int(np.argmin(way.y_m))
    row, col = int((way.y_m[k] + 13.0) / 0.1), int((way.x_m[k] + 5.0) / 0.1)
    blocked.state[row - 5 : row + 5, col - 5 : col + 5] = 2
    again = find_detour(where, blocked, [(12.0, 0.8, 0.8)], TUNING, name="again")
    assert again.path is None or again.path.y_m.min() != way.y_m.min()
