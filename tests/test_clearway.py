"""The sweep over known free cells, and the shadows that slow the vehicle."""

import math
from dataclasses import replace

import numpy as np
import pytest

from avoidkit.clearway import (
    FREE,
    OCCUPIED,
    UNKNOWN,
    Cells,
    cells_of,
    free_along,
    perimeter,
    shadow_cap,
    shadow_places,
)
from avoidkit.grid import Grid, free_grid
from avoidkit.separation import stop_table
from avoidkit.tuning import Tuning
from avoidkit.vehicle import box, stop_time

TUNING = Tuning()
FRONT, REAR, HALF = box(TUNING.vehicle)


def yard(state=FREE, rows=160, cols=300):
    """Cells of 0.1 m about the vehicle: x from -6 to 24, y from -8 to 8."""
    return Cells(np.full((rows, cols), state, np.uint8), -6.0, -8.0, 0.1)


def put(cells, x0, x1, y0, y1, state):
    r0, r1 = round((y0 - cells.y_m) / 0.1), round((y1 - cells.y_m) / 0.1)
    c0, c1 = round((x0 - cells.x_m) / 0.1), round((x1 - cells.x_m) / 0.1)
    cells.state[r0:r1, c0:c1] = state
    cells.hides[r0:r1, c0:c1] = state == UNKNOWN


def straight(length, step=0.05):
    s = np.arange(0.0, length + 1e-9, step)
    return s, np.column_stack([s, np.zeros_like(s), np.zeros_like(s)])


def test_the_perimeter_has_no_two_neighbours_farther_apart_than_a_cell():
    points = perimeter(TUNING.vehicle, 0.15)
    apart = np.linalg.norm(points - np.roll(points, -1, axis=0), axis=1)
    assert apart.max() <= 0.08 + 1e-9
    assert points[:, 0].max() == pytest.approx(FRONT + 0.15)


def test_a_free_yard_is_free_as_far_as_the_sweep_goes():
    s, poses = straight(5.0)
    clear = free_along(poses, s, yard(), TUNING.vehicle, 0.15)
    assert not clear.blocked
    assert clear.free_m == pytest.approx(5.0)


@pytest.mark.parametrize("state", [UNKNOWN, OCCUPIED])
def test_the_sweep_ends_where_the_grown_bumper_meets_a_cell_that_is_not_free(state):
    cells = yard()
    put(cells, 8.0, 8.2, -0.1, 0.1, state)
    s, poses = straight(6.0)
    clear = free_along(poses, s, cells, TUNING.vehicle, 0.15)
    assert clear.state == state
    assert clear.free_m == pytest.approx(8.0 - FRONT - 0.15, abs=0.05 + 1e-9)  # one step of the sweep


def test_a_cell_beside_the_sweep_does_not_count_until_the_clearance_reaches_it():
    cells = yard()
    put(cells, 8.0, 8.3, HALF + 0.17, HALF + 0.47, OCCUPIED)
    s, poses = straight(6.0)
    assert not free_along(poses, s, cells, TUNING.vehicle, 0.02).blocked
    assert free_along(poses, s, cells, TUNING.vehicle, 0.30).blocked


def test_one_or_two_unknown_cells_among_free_ones_are_specks_and_three_or_an_occupied_one_are_not():
    def grid_with(places, value):
        grid = free_grid((5.0, 0.0), TUNING)
        log_odds = grid.log_odds.copy()
        for row, col in places:
            log_odds[row, col] = value
        return replace(grid, log_odds=log_odds)

    two, three = [(100, 100), (100, 101)], [(100, 100), (100, 101), (100, 102)]
    assert (cells_of(grid_with(two, 0.0)).state == FREE).all()
    assert (cells_of(grid_with(three, 0.0)).state == UNKNOWN).sum() == 1
    assert (cells_of(grid_with(two[:1], 5.0)).state == OCCUPIED).sum() == 1
    block = [(r, c) for r in range(50, 55) for c in range(50, 55)]
    assert (cells_of(grid_with(block, 0.0)).state == UNKNOWN).sum() == 25


def test_where_the_vehicle_stands_it_stands():
    cells = yard(UNKNOWN)
    put(cells, FRONT + 0.1, 12.0, -2.0, 2.0, FREE)
    s, poses = straight(2.0)
    assert not free_along(poses, s, cells, TUNING.vehicle, 0.15).blocked


def test_outside_the_grid_is_unknown():
    s, poses = straight(22.0)
    clear = free_along(poses, s, yard(), TUNING.vehicle, 0.0)
    assert clear.state == UNKNOWN
    assert clear.free_m == pytest.approx(24.0 - FRONT, abs=0.06)


def test_a_look_ahead_may_pass_unknown_cells_but_never_occupied_ones():
    cells = yard(UNKNOWN)
    put(cells, 10.0, 10.2, -0.2, 0.2, OCCUPIED)
    s, poses = straight(8.0)
    clear = free_along(poses, s, cells, TUNING.vehicle, 0.15, unknown_blocks=False)
    assert clear.state == OCCUPIED


def test_no_small_obstacle_slips_between_the_points_of_the_perimeter():
    s, poses = straight(6.0)
    rng = np.random.default_rng(5)
    for _ in range(200):
        cells = yard()
        x, y = rng.uniform(FRONT + 0.3, 8.0), rng.uniform(-HALF - 0.05, HALF + 0.05)
        cells.state[int((y + 8.0) / 0.1), int((x + 6.0) / 0.1)] = OCCUPIED
        assert free_along(poses, s, cells, TUNING.vehicle, 0.15).blocked


def test_a_person_fits_only_into_shadows_of_half_a_metre():
    cells = yard()
    put(cells, 6.0, 6.3, 2.0, 2.3, UNKNOWN)
    assert len(shadow_places(cells, 4.0, 0.0, 5.0)) == 0
    put(cells, 6.0, 7.0, 2.0, 3.0, UNKNOWN)
    places = shadow_places(cells, 4.0, 0.0, 5.0)
    assert len(places) > 0
    assert places[:, 0].min() >= 6.2 - 1e-6  # the middle of a 0.5 m block within the shadow
    assert places[:, 1].min() >= 2.2 - 1e-6


def test_nobody_is_hidden_in_unknown_cells_that_the_operator_vouches_for_but_may_be_in_exposed_free_ones():
    cells = yard()
    put(cells, 6.0, 7.0, 2.0, 3.0, UNKNOWN)
    assert len(shadow_places(cells, 4.0, 0.0, 5.0)) > 0
    cells.hides[:] = False
    assert len(shadow_places(cells, 4.0, 0.0, 5.0)) == 0
    cells = yard()
    cells.hides[100:112, 80:95] = True
    assert len(shadow_places(cells, 3.0, 2.0, 5.0)) > 0


def test_nobody_steps_out_through_a_wall():
    cells = yard()
    put(cells, -6.0, 24.0, 2.0, 2.2, OCCUPIED)
    put(cells, -6.0, 24.0, 2.2, 8.0, UNKNOWN)
    assert len(shadow_places(cells, 4.0, 0.0, 5.0)) == 0


def test_the_cap_beside_a_shadow_is_the_one_worked_by_hand():
    """A shadow's edge a metre off the flank: people come at 1.6 m/s (ISO 13855:2010, K of walking)."""
    cells = yard()
    edge_m = 1.05
    put(cells, 2.0, 5.0, HALF + edge_m, HALF + edge_m + 1.5, UNKNOWN)
    table = stop_table(TUNING.vehicle, TUNING.cycle_s)
    poses = np.column_stack([table.distance_m, np.zeros_like(table.distance_m), np.zeros_like(table.distance_m)])
    cap, found, needed = shadow_cap(poses, table, cells, TUNING)
    sense = TUNING.radar.latency_s + TUNING.radar.cycle_s + TUNING.cycle_s
    v = np.arange(0.3, 1.2001, 0.001)
    need = 1.6 * (0.05 + stop_time(v, 0.15, 0.10, 4.0) + sense) + TUNING.decision.clearance_m
    # the shadow begins at a cell's border up to 0.1 m farther than asked for
    by_hand = [v[need <= edge_m + extra].max() for extra in (0.0, 0.1)]
    assert by_hand[0] - 0.026 <= cap <= by_hand[1] + 1e-9
    assert cap < TUNING.vehicle.top_mps
    assert found >= needed


def test_a_shadow_alone_slows_to_creep_and_never_halts():
    cells = yard(UNKNOWN)
    put(cells, -2.0, 12.0, -1.1, 1.1, FREE)
    table = stop_table(TUNING.vehicle, TUNING.cycle_s)
    poses = np.column_stack([table.distance_m, np.zeros_like(table.distance_m), np.zeros_like(table.distance_m)])
    cap, _, _ = shadow_cap(poses, table, cells, TUNING)
    assert cap == pytest.approx(TUNING.vehicle.creep_mps)
    assert math.isfinite(cap)


def test_where_the_grid_ends_beside_the_vehicle_somebody_may_be_hidden():
    table = stop_table(TUNING.vehicle, TUNING.cycle_s)
    poses = np.column_stack([table.distance_m, np.zeros((len(table.distance_m), 2))])
    caps = {}
    for half_m in (1.6, 12.0):
        rows = round(2 * half_m / 0.1)
        state = np.full((rows, 240), FREE, np.uint8)
        cells = Cells(state, -12.0, -half_m, 0.1, np.zeros(state.shape, bool))
        caps[half_m] = shadow_cap(poses, table, cells, TUNING)[0]
    assert caps[12.0] == TUNING.vehicle.top_mps
    assert caps[1.6] == pytest.approx(TUNING.vehicle.creep_mps)


def test_in_coarse_cells_an_unknown_one_is_no_speck():
    for cell_m, free in ((0.1, True), (0.3, False)):
        log_odds = np.full((40, 40), -5.0, np.float32)
        log_odds[20, 20] = 0.0
        grid = Grid(np.array([-6.0, -6.0]), cell_m, log_odds, np.zeros((40, 40), np.float32))
        assert (cells_of(grid).state[20, 20] == FREE) == free
