"""The record of free space: places and cells, measures, the boundary, grids of perfect knowledge."""

import math

import numpy as np
import pytest
import shapely

from avoidkit.checks import InputError
from avoidkit.grid import Grid, cells_to_polygon, empty_grid, free_grid
from avoidkit.tuning import Tuning

TUNING = Tuning()
SIZE_M = TUNING.freespace.size_m


def grid_of(log_odds, **more):
    log_odds = np.asarray(log_odds, dtype=np.float32)
    return Grid(np.array([10.0, 20.0]), 0.5, log_odds, np.zeros_like(log_odds), **more)


def test_every_cell_s_middle_lies_in_its_cell():
    grid = empty_grid((3.33, -7.77), TUNING)
    cells, inside = grid.index_of(grid.centres().reshape(-1, 2))
    assert inside.all()
    rows, cols = grid.shape
    np.testing.assert_array_equal(cells, np.argwhere(np.ones((rows, cols), bool)))


def test_outside_the_grid_nan_and_unknown_are_never_free():
    grid = grid_of(np.full((4, 4), -9.0))
    assert grid.is_free([[11.0, 21.0]])[0]
    outside = [[9.99, 21.0], [12.01, 21.0], [11.0, 19.99], [11.0, 22.01], [math.nan, 21.0], [math.inf, 21.0]]
    assert not grid.is_free(outside).any()
    assert not grid_of(np.full((4, 4), math.nan)).known_free().any()
    assert grid_of(np.full((4, 4), math.nan)).unknown().all()
    assert not grid_of(np.zeros((4, 4))).is_free([[11.0, 21.0]])[0]


def test_each_cell_is_one_of_free_occupied_unknown():
    grid = grid_of(np.random.default_rng(0).normal(0, 3, (30, 30)))
    assert (grid.known_free().astype(int) + grid.occupied() + grid.unknown() == 1).all()


def test_area_and_entropy_match_numbers_worked_by_hand():
    # p = 0.9: -0.9 log2 0.9 - 0.1 log2 0.1 = 0.4690 bit (textbook binary entropy); p = 0.5: 1 bit; certain: 0.
    odds = np.full((2, 2), math.log(0.9 / 0.1))
    assert grid_of(odds).entropy() == pytest.approx(0.4690, abs=5e-5)
    assert grid_of(-odds).entropy() == pytest.approx(0.4690, abs=5e-5)
    assert grid_of([[-100.0, 100.0], [0.0, 0.0]]).entropy() == pytest.approx(0.5, abs=1e-6)
    assert grid_of([[-9.0, 9.0], [-9.0, 0.0]]).free_area_m2() == 0.5


def test_the_boundary_is_the_free_region_round_the_vehicle_and_no_other():
    # 4 x 6 cells of 0.5 m: a free block of 3 x 2 with the vehicle, a second one apart, a cell that touches at a corner.
    odds = np.zeros((4, 6))
    odds[0:3, 0:2] = odds[0:3, 4:6] = -9.0
    odds[3, 2] = -9.0
    region = grid_of(odds, vehicle_xy=[10.6, 20.6]).boundary()
    assert region.equals(shapely.box(10.0, 20.0, 11.0, 21.5))
    assert grid_of(odds, vehicle_xy=[11.6, 20.6]).boundary().is_empty


def test_the_polygon_of_cells_keeps_holes_and_area():
    mask = np.ones((7, 5), bool)
    mask[2:4, 1:3] = False
    polygon = cells_to_polygon(mask, (1.0, 2.0), 0.1)
    assert polygon.area == pytest.approx((35 - 4) * 0.01)
    assert len(polygon.interiors) == 1
    assert polygon.bounds == pytest.approx((1.0, 2.0, 1.5, 2.7))


def test_edges_of_the_boundary_say_what_ends_the_free_region():
    # One free row; above it an occupied cell, an unknown one near by and one far off; below it the grid ends.
    odds = np.array([[-9.0, -9.0, -9.0], [9.0, 0.0, 0.0]])
    lines = grid_of(odds, vehicle_xy=[10.1, 20.1]).boundary_edges(sight_m=1.0, margin_m=0.0)
    assert lines["seen obstacle"].equals(shapely.LineString([(10.0, 20.5), (10.5, 20.5)]))
    assert lines["shadow"].equals(shapely.LineString([(10.5, 20.5), (11.0, 20.5)]))
    assert lines["end of view"].length == pytest.approx(0.5 + 1.5 + 2 * 0.5)
    whole = sum(line.length for line in lines.values())
    assert whole == pytest.approx(grid_of(odds, vehicle_xy=[10.1, 20.1]).boundary().length)


def test_the_strip_before_what_was_seen_is_no_shadow():
    # A free row, two unknown rows of 0.1 m, then something occupied above the left half only.
    odds = np.zeros((4, 40))
    odds[0], odds[3, :10] = -9.0, 9.0
    grid = Grid(np.zeros(2), 0.1, odds, np.zeros((4, 40)), vehicle_xy=[0.05, 0.05])
    assert grid.boundary_edges(9.0)["seen obstacle"].length == pytest.approx(1.0 + 0.3)  # and as far beside its end
    assert grid.boundary_edges(9.0)["shadow"].length == pytest.approx(4.0 - 1.3)
    assert grid.boundary_edges(9.0, margin_m=0.1)["seen obstacle"].is_empty


def test_a_free_grid_marks_every_cell_that_a_thing_touches():
    post = shapely.Point(2.0, 1.0).buffer(0.15)
    grid = free_grid((0.0, 0.0), TUNING, blocked=[post, shapely.box(5.0, -1.0, 6.0, 1.0)])
    touched = cells_to_polygon(grid.occupied(), grid.corner_xy, grid.cell_m)
    assert touched.contains(post)
    assert touched.area == pytest.approx(1.2 * 2.2, abs=0.35)  # the box touches a ring of cells more, the post a few
    assert (grid.known_free() | grid.occupied()).all()
    assert grid.free_area_m2() == pytest.approx(SIZE_M**2 - touched.area)


def test_the_gap_between_two_parked_vehicles_is_measured_and_its_middle_found():
    # Flanks at y = 1.50 and y = -1.30: 2.8 m, the middle at 0.1; cells that are touched may take 0.1 m on each side.
    blocked = [shapely.box(2.0, 1.5, 6.0, 3.3), shapely.box(2.5, -3.1, 7.0, -1.3)]
    grid = free_grid((0.0, 0.0), TUNING, blocked=blocked)
    right_m, left_m = grid.gap_across((4.0, 0.3), 0.0, reach_m=4.0)
    assert left_m + right_m == pytest.approx(2.8, abs=0.2)
    assert 0.3 + 0.5 * (left_m - right_m) == pytest.approx(0.1, abs=0.1)
    # Before the two nothing stands across within 4 m; inside a vehicle nothing is free.
    assert grid.gap_across((0.0, 0.0), 0.0, reach_m=4.0) == (4.0, 4.0)
    assert grid.gap_across((4.0, 2.0), 0.0, reach_m=4.0) == (0.0, 0.0)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"cell_m": 0.0}, r"^cell_m must be finite and above 0, got 0.0$"),
        ({"corner_xy": np.array([math.nan, 0.0])}, r"^corner_xy must be finite everywhere, got 1 that are not$"),
        ({"last_seen_s": np.zeros((2, 3))}, r"^last_seen_s must have shape \(2, 2\), got \(2, 3\)$"),
        ({"log_odds": np.zeros(4)}, r"^log_odds must have shape \(n, n\), got \(4,\)$"),
        ({"free_below": 0.5}, r"^free_below must be below 0 and occupied_above above, got 0.5, 1.38"),
        ({"declared": np.zeros((3, 2))}, r"^declared must have shape \(2, 2\), got \(3, 2\)$"),
    ],
)
def test_a_grid_with_wrong_parts_is_refused(changes, message):
    good = {"corner_xy": np.zeros(2), "cell_m": 0.1, "log_odds": np.zeros((2, 2)), "last_seen_s": np.zeros((2, 2))}
    with pytest.raises(InputError, match=message):
        Grid(**good | changes)
