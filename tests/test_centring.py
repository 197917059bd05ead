"""The reference path in the middle of a measured gap: the line, the bend, the steering, and whole parkings."""

import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy import stats

from avoidkit import load_scene, shipped
from avoidkit.centring import _straight, bent, centred, gap_ahead, sides_of
from avoidkit.clearway import FREE, OCCUPIED, UNKNOWN, Cells, cells_of
from avoidkit.drive import drive
from avoidkit.frames import Pose
from avoidkit.freespace import free_grid
from avoidkit.paths import path_from_legs
from avoidkit.scene import standing
from avoidkit.studies.exact import ExactLoop
from avoidkit.studies.metrics import drive_row
from avoidkit.tuning import Tuning
from avoidkit.vehicle import greatest_curvature

TUNING = Tuning()
STRAIGHT = path_from_legs(Pose(0.0, 0.0, 0.0), [(1, [(20.0, 0.0)])])


def cells_between(left_m, right_m, *, slope=0.0, from_m=8.0, to_m=22.0, cell_m=0.05):
    """Known free cells, with something occupied on both sides of a lane that runs askew by `slope`."""
    ys, xs = np.mgrid[-6.0:6.0:cell_m, -2.0:26.0:cell_m] + 0.5 * cell_m
    inside = (xs >= from_m) & (xs <= to_m)
    beyond = (ys - slope * (xs - from_m) >= left_m) | (ys - slope * (xs - from_m) <= -right_m)
    return Cells(np.where(inside & beyond, OCCUPIED, FREE).astype(np.uint8), -2.0, -6.0, cell_m)


def moved(cells, along_m=1.0, path=STRAIGHT, tuning=TUNING):
    return centred(path, along_m, cells, tuning, name="reference centred 1.00")


def test_a_gap_is_measured_with_its_width_its_middle_and_its_direction():
    gap = gap_ahead(STRAIGHT, 1.0, cells_between(1.8, 1.2, slope=0.04), TUNING)
    assert gap.from_m == pytest.approx(8.0, abs=0.15)
    assert gap.heading_rad == pytest.approx(math.atan(0.04), abs=0.003)
    assert gap.width_m == pytest.approx(3.0, abs=0.08)
    assert gap.offset(8.0, 0.3) == pytest.approx(0.0, abs=0.05)  # the middle of 1.8 m left and 1.2 m right


@pytest.mark.parametrize(("left_m", "right_m", "slope"), [(1.7, 1.3, 0.0), (1.3, 1.75, 0.03), (1.5, 1.5, -0.05)])
def test_the_path_then_runs_down_the_middle_and_up_to_the_bend_it_is_what_it_was(left_m, right_m, slope):
    path, checks = moved(cells_between(left_m, right_m, slope=slope))
    middle = 0.5 * (left_m - right_m)
    for s in (9.0, 12.0, 14.5):
        x, y, _ = path.poses_at(s)
        assert y == pytest.approx(middle + slope * (x - 8.0), abs=0.06)
    before = STRAIGHT.s_m <= 1.0
    np.testing.assert_array_equal(path.x_m[before], STRAIGHT.x_m[before])
    np.testing.assert_array_equal(path.s_m, STRAIGHT.s_m)
    assert [check.name for check in checks] == ["width of gap"]


def test_a_path_in_the_middle_is_left_alone():
    path, _ = moved(cells_between(1.5, 1.5))
    assert path is STRAIGHT
    once, _ = moved(cells_between(1.7, 1.3))
    again, _ = moved(cells_between(1.7, 1.3), path=once)
    assert again is once


def test_after_a_gap_on_the_way_the_path_comes_back():
    path, _ = moved(cells_between(1.7, 1.3, from_m=7.0, to_m=10.0))
    assert path.poses_at(8.0)[1] == pytest.approx(0.2, abs=0.06)
    assert path.poses_at(19.9)[1] == pytest.approx(0.0, abs=0.01)
    assert path.poses_at(19.9)[2] == pytest.approx(0.0, abs=0.005)


def test_a_wide_gap_that_is_only_passed_is_no_reason_to_swerve_but_one_to_park_in_is():
    passed, _ = moved(cells_between(2.5, 1.9, from_m=7.0, to_m=11.0))
    assert passed is STRAIGHT
    parked, _ = moved(cells_between(2.5, 1.9))
    assert parked.poses_at(14.5)[1] == pytest.approx(0.3, abs=0.06)


def test_a_path_is_not_moved_to_where_less_is_known_to_be_free():
    cells = cells_between(1.7, 1.3, from_m=7.0, to_m=10.0)
    assert moved(cells)[0] is not STRAIGHT
    ys, xs = np.mgrid[-6.0:6.0:0.05, -2.0:26.0:0.05] + 0.025
    half = 0.5 * TUNING.vehicle.width_m + TUNING.decision.static_clearance_m
    beside = (xs > 4.5) & (xs < 5.0) & (ys > half + 0.02) & (ys < half + 0.1)  # unseen, just off the body's way
    state = np.where(beside, UNKNOWN, cells.state).astype(np.uint8)
    assert moved(Cells(state, cells.x_m, cells.y_m, cells.cell_m))[0] is STRAIGHT


def test_the_side_of_a_gap_is_a_line_that_a_fifth_of_its_points_cannot_turn():
    rng = np.random.default_rng(5)
    u = np.linspace(-1.5, 1.5, 31)
    v = 1.2 + 0.04 * u + rng.normal(0.0, 0.02, 31)
    v[rng.choice(31, 6, replace=False)] -= 0.6
    offset, slope = _straight(u, v)
    assert offset == pytest.approx(1.2, abs=0.03)
    assert slope == pytest.approx(0.04, abs=0.015)
    exact = stats.theilslopes(v, u)  # a reference library: of all pairs, so near it but not equal
    assert slope == pytest.approx(exact.slope, abs=0.015)


def test_a_lane_is_no_gap_nor_are_a_body_and_a_post():
    assert gap_ahead(STRAIGHT, 1.0, cells_between(3.0, 2.9), TUNING) is None
    assert gap_ahead(STRAIGHT, 1.0, cells_between(1.2, 1.2, from_m=8.0, to_m=9.0), TUNING) is None
    assert gap_ahead(STRAIGHT, 1.0, cells_between(99.0, 1.2), TUNING) is None


def test_what_was_not_seen_is_no_side_of_a_gap():
    cells = cells_between(1.7, 1.3)
    unseen = np.where(cells.state == OCCUPIED, UNKNOWN, cells.state)
    assert gap_ahead(STRAIGHT, 1.0, Cells(unseen, cells.x_m, cells.y_m, cells.cell_m), TUNING) is None
    deep = cells.state.copy()
    y = cells.y_m + (np.arange(deep.shape[0]) + 0.5) * cells.cell_m
    deep[(y > 0.9) & (y < 1.7)] = UNKNOWN  # 0.8 m unknown before the left side
    assert gap_ahead(STRAIGHT, 1.0, Cells(deep, cells.x_m, cells.y_m, cells.cell_m), TUNING) is None


def test_the_sides_equal_a_search_cell_by_cell():
    rng = np.random.default_rng(3)
    state = rng.choice([UNKNOWN, FREE, OCCUPIED], size=(80, 80), p=[0.1, 0.85, 0.05]).astype(np.uint8)
    line = np.column_stack([rng.uniform(-3, 3, 200), rng.uniform(-3, 3, 200), rng.uniform(-4, 4, 200)])
    found = sides_of(line, state, -4.0, -4.0, 0.1, 2.0, 0.2)
    for (x, y, heading), pair in zip(line, found, strict=True):
        for sign, value in zip((1, -1), pair, strict=True):
            expected, unseen = math.nan, 0.0
            for j in range(81):
                d = j * 0.025
                col = math.floor((x - sign * d * math.sin(heading) + 4.0) / 0.1)
                row = math.floor((y + sign * d * math.cos(heading) + 4.0) / 0.1)
                if not (0 <= row < 80 and 0 <= col < 80) or unseen > 0.2:
                    break
                if state[row, col] == OCCUPIED:
                    expected = d if j else math.nan
                    break
                unseen = 0.0 if state[row, col] == FREE else unseen + 0.025
            assert value == pytest.approx(expected, nan_ok=True)


@settings(max_examples=40, deadline=None)
@given(
    offset=st.floats(-0.5, 0.5), angle=st.floats(-0.08, 0.08), length=st.floats(4.0, 9.0), turn=st.floats(-0.6, 0.6)
)  # fmt: skip
def test_a_bent_path_meets_the_line_with_curvature_that_has_no_step(offset, angle, length, turn):
    assume(abs(offset) + abs(angle) > 0.01)
    path = path_from_legs(Pose(0.0, 0.0, 0.0), [(1, [(8.0, turn), (12.0, 0.0)])])
    x, y, yaw = path.poses_at(1.0 + length)
    line = (x - offset * math.sin(yaw), y + offset * math.cos(yaw), yaw + angle)
    new = bent(path, 1.0, 1.0 + length, line, 1.0, "bent")
    assert new is not None
    bx, by, byaw = new.poses_at(1.0 + length)
    assert -(bx - line[0]) * math.sin(line[2]) + (by - line[1]) * math.cos(line[2]) == pytest.approx(0.0, abs=2e-4)
    assert byaw == pytest.approx(line[2], abs=2e-4)
    added = new.curvature_1pm - path.curvature_1pm
    assert np.abs(np.diff(added)).max() < 0.09 * np.abs(added).max() + 1e-9  # a squared sine over at least 40 points
    assert new.curvature_1pm[0] == path.curvature_1pm[0]


def test_a_bend_that_the_steering_forbids_is_not_driven():
    slow = TUNING.replace({"vehicle.steering_rate_max_deg_per_s": 5.0})
    path, _ = moved(cells_between(2.2, 0.8), along_m=9.5, tuning=slow)
    assert path is STRAIGHT
    path, _ = moved(cells_between(1.9, 1.1), along_m=1.0)
    assert np.abs(path.curvature_1pm).max() <= greatest_curvature(TUNING.vehicle)


def test_switched_off_it_leaves_the_path_alone():
    scene = crooked_row(1)
    off = TUNING.replace({"detour.centre_in_gaps": False})
    recording = drive(scene, off, seed=1, loop=ExactLoop, duration_s=14.0)
    assert {row.path for row in recording.rows} == {"reference"}


def crooked_row(seed, *, forward=False):
    """The row of parked coaches with both neighbours of the empty place crooked by up to 5 degrees and 0.3 m off."""
    scene, rng = load_scene(shipped("scenes") / "park_reverse.toml"), np.random.default_rng(seed)
    changes = {}
    for k, (x, yaw) in enumerate(((8.2, -90.0), (2.3, 90.0))):
        changes[f"parked.{k}.x_m"] = x + float(rng.uniform(-0.3, 0.3))
        changes[f"parked.{k}.yaw_deg"] = yaw + float(rng.uniform(-5.0, 5.0))
    if forward:
        changes |= {"start.x_m": -0.75, "start.y_m": -5.4, "path.legs": [
            {"direction": "forward", "segments": [{"length_m": 9.95, "turn_deg": 90.0}, {"length_m": 6.0}]}
        ], "people.0.stands_at": {"x_m": 9.5, "y_m": -2.0}}  # fmt: skip
    return scene.replace(changes)


def off_the_middle(scene, pose):
    """Offset, m, and angle, degrees, of a vehicle from the line midway between its neighbours' inner flanks.

    The neighbours are the first two parked vehicles, about parallel to y; the offset is taken in the middle of them.
    """
    y = np.mean([car.y_m for car in scene.parked[:2]])
    at, lean = [], []
    for car, side in zip(scene.parked[:2], (-1.0, 1.0), strict=True):
        yaw = math.radians(car.yaw_deg)
        ahead = np.array([math.cos(yaw), math.sin(yaw)]) * math.copysign(1.0, math.sin(yaw))
        across = np.array([ahead[1], -ahead[0]])  # towards +x
        flank = np.array([car.x_m, car.y_m]) + side * 0.5 * car.width_m * across
        at.append(flank[0] + (y - flank[1]) * ahead[0] / ahead[1])
        lean.append(math.atan2(ahead[1], ahead[0]))
    x = pose.x_m + (y - pose.y_m) / math.tan(pose.yaw_rad)
    turned = math.remainder(pose.yaw_rad - np.mean(lean), math.pi)
    return x - np.mean(at), math.degrees(turned)


def parked_within(scene, seed, **more):
    recording = drive(scene, TUNING, seed=seed, **more)
    assert recording.rows[-1].verdict.settled_by == "way left"
    off_m, turned_deg = off_the_middle(scene, recording.rows[-1].ego.pose)
    assert abs(off_m) <= 0.10
    assert abs(turned_deg) <= 1.5
    return recording


@pytest.mark.parametrize("seed", range(4))
def test_parking_in_reverse_between_crooked_neighbours_ends_in_the_middle_by_exact_knowledge(seed):
    recording = parked_within(crooked_row(seed), seed, loop=ExactLoop)
    assert drive_row(recording)["detours"] == 0


@pytest.mark.parametrize("seed", range(2))
def test_parking_forward_between_crooked_neighbours_ends_in_the_middle_by_exact_knowledge(seed):
    parked_within(crooked_row(seed, forward=True), seed, loop=ExactLoop)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(10))
def test_parking_in_reverse_between_crooked_neighbours_ends_in_the_middle_as_sensed(seed):
    parked_within(crooked_row(seed), seed)


def test_somebody_in_a_gap_is_stopped_for_as_anywhere():
    scene = crooked_row(2)
    scene = scene.replace_people(standing("guest", 5.3, 8.5))
    recording = drive(scene, TUNING, seed=2, loop=ExactLoop, duration_s=40.0)
    assert recording.rows[-1].verdict.settled_by != "way left"
    assert not any(row.contacts for row in recording.rows)


def test_the_gap_of_an_exact_grid_is_the_gap_of_the_scene():
    scene = crooked_row(2)
    cells = cells_of(free_grid((5.0, 5.0), TUNING, blocked=scene.polygons))
    gap = gap_ahead(scene.reference, 15.0, cells, TUNING)
    off_m, turned_deg = off_the_middle(scene, Pose(gap.x_m, gap.y_m, gap.heading_rad))
    assert abs(off_m) < 0.06
    assert abs(turned_deg) < 1.0
