"""The compiled loops of the grid against slow, plain versions, and against themselves uncompiled."""

import math

import numpy as np
import pytest

from avoidkit import gridmath, shademath, wedgemath
from avoidkit.gridmath import NEVER_S

CORNER, CELL_M = (-6.0, -6.0), 0.1
HALF_VIEW = math.radians(80)
SLANTED = gridmath.bins_by_slant(160, HALF_VIEW)


def cell_middles(n=120):
    x = CORNER[0] + (np.arange(n) + 0.5) * CELL_M
    return np.meshgrid(x, x)


def plain(function):
    """The function as it is written, whether or not it was compiled."""
    return getattr(function, "py_func", function)


@pytest.mark.parametrize("sensor", [(0.3, -0.2, 0.4), (-4.0, 2.0, 2.9), (5.5, 5.5, -2.4)])
def test_free_evidence_goes_where_plain_trigonometry_says(sensor):
    x, y, yaw = sensor
    reach = np.random.default_rng(1).uniform(0.5, 7.0, 160)
    change, seen = np.zeros((120, 120), np.float32), np.full((120, 120), NEVER_S, np.float32)
    gridmath.add_free(change, seen, *CORNER, CELL_M, x, y, yaw, SLANTED, reach, 0.2, -0.5, 3.0)
    mx, my = cell_middles()
    angle = (np.arctan2(my - y, mx - x) - yaw + math.pi) % (2 * math.pi) - math.pi
    at = (angle + HALF_VIEW) / math.radians(1.0)
    r = np.hypot(mx - x, my - y)
    inside = (at >= 0) & (at < 160) & (r >= 0.2)
    wanted = inside & (r <= reach[np.clip(np.floor(at), 0, 159).astype(int)])
    sure = np.abs(at - np.round(at)) > 0.12  # the look-up over slant is as fine as 0.06 deg
    np.testing.assert_array_equal((change < 0)[sure], wanted[sure])
    assert sure.mean() > 0.7
    assert set(np.unique(change)) == {np.float32(-0.5), np.float32(0.0)}
    np.testing.assert_array_equal(seen == 3.0, change < 0)


def test_bins_are_shaded_by_bodies_and_edges_as_a_slow_search_says():
    rng = np.random.default_rng(2)
    points = rng.uniform(-1, 1, (25, 2)) * [2.0, 5.0] + [4.0, 0.0]
    limit = shademath.nearest_in_bins(points[:, 0].copy(), points[:, 1].copy(), HALF_VIEW, 160, 0.3, 1.2, 0.0)
    for k in range(160):
        angle = math.radians(k + 0.5) - HALF_VIEW
        ray = np.array([math.cos(angle), math.sin(angle)])
        found = [math.inf]
        for i, p in enumerate(points):
            r, bearing = math.hypot(*p), math.atan2(p[1], p[0])
            low, high = (bearing + s * math.asin(0.3 / r) + HALF_VIEW for s in (-1, 1))
            if math.floor(low / math.radians(1)) <= k <= math.floor(high / math.radians(1)):
                found.append(r)
            for q in points[:i]:
                if math.dist(p, q) <= 1.2:
                    t, share = np.linalg.solve(np.column_stack([ray, p - q]), p)
                    if -1e-9 <= share <= 1 + 1e-9 and t > 0:
                        found.append(t)
        assert limit[k] == pytest.approx(min(found), rel=1e-9)


def test_an_edge_that_leaves_the_view_shades_as_far_as_the_rim():
    # One return 6 deg inside the left rim at 80 deg: the last 12 deg are one cut-off resolution cell, so all is shaded.
    angle = math.radians(74)
    args = (np.array([5 * math.cos(angle)]), np.array([5 * math.sin(angle)]), HALF_VIEW, 160, 0.1)
    assert np.isinf(shademath.nearest_in_bins(*args, 1.2, 0.0)[-3:]).all()
    np.testing.assert_allclose(shademath.nearest_in_bins(*args, 1.2, math.radians(12))[-8:], 5.0)


def rays(odds, above, x, y, yaw):
    tiles = shademath.tiles_to_things(odds, above)
    return shademath.occupied_in_bins(odds, tiles, above, *CORNER, CELL_M, x, y, yaw, HALF_VIEW, 160, 10.0)


def test_a_ray_ends_at_the_first_occupied_cell():
    # Occupied: the column of cells from x = 2.0 to 2.1. Straight ahead from x = 0.05 it is met after 1.95 m, which the
    # march in steps of 0.1 m finds at 2.0 m; at 60 deg it is met after 3.9 m.
    odds = np.zeros((120, 120), np.float32)
    odds[:, 80] = 2.0
    out = rays(odds, 1.0, 0.05, 0.0, 0.0)
    assert out[80] == pytest.approx(2.0, abs=0.051)
    assert out[140] == pytest.approx(1.95 / math.cos(math.radians(60.5)), abs=0.101)
    assert np.isinf(rays(odds, 2.1, 0.0, 0.0, 0.0)).all()


def marked(points, theirs=None, scans=1):
    n = len(points)
    change, veil = np.zeros((120, 120), np.float32), np.zeros((120, 120), np.float32)
    seen, stamp = np.full((120, 120), NEVER_S, np.float32), np.zeros((120, 120), np.int32)
    theirs = np.zeros(n, bool) if theirs is None else np.array(theirs)
    for scan in range(1, scans + 1):
        gridmath.add_returns(
            change, veil, seen, stamp, scan, *CORNER, CELL_M, np.array(points, float), np.zeros(n), np.full(n, 0.1),
            np.ones(n), theirs, 0.3, 1.2, 0.8, 0.4, 1.0,
        )  # fmt: skip
    return change, veil


def test_one_scan_marks_a_cell_once_however_many_returns_meet_there():
    # Three returns within 0.1 m, and a fourth 1 m off with which each of them forms an edge.
    change, _ = marked([[1.05, 0.05], [1.05, 0.10], [1.10, 0.05], [2.05, 0.05]])
    assert set(np.round(np.unique(change), 6)) == {0.0, np.float32(0.4), np.float32(0.8)}
    assert change[60, 75] == np.float32(0.4)  # halfway between, on the edge
    twice, _ = marked([[1.05, 0.05]], scans=2)
    assert twice.max() == np.float32(1.6)


def test_returns_of_a_track_veil_a_disc_and_form_no_edge():
    change, veil = marked([[1.05, 0.05], [1.85, 0.05]], theirs=[True, False])
    assert np.count_nonzero(veil) * CELL_M**2 == pytest.approx(math.pi * 0.3**2, rel=0.15)
    assert np.count_nonzero(change == np.float32(0.4)) == 0


def yard(seed, n=40):
    """A small random situation for the wedge: blocks of unknown, occupied, blind, held and free cells."""
    rng = np.random.default_rng(seed)
    odds = np.full((n, n), -3.0, np.float32)
    seen = np.full((n, n), 9.0, np.float32)
    blind, held = np.zeros((n, n), np.uint8), np.zeros((n, n), np.uint8)
    until = np.full((n, n), NEVER_S, np.float32)
    blind[5:35, 8:32] = 1
    blind[18:24, 8:32] = 3
    for array, value in ((odds, 0.0), (odds, 0.0), (odds, 2.0), (odds, 2.0), (held, 1), (seen, 10.0)):
        r, c = rng.integers(0, n - 8, 2)
        array[r : r + rng.integers(3, 9), c : c + rng.integers(3, 12)] = value
    return odds, seen, blind, held, until


def slow_doubt(odds, seen, blind, held, across, steps):
    """The same question by a search over places of a person's square."""
    n = len(odds)
    quiet = (odds < 1.0) & (held == 0) & (seen < 9.75)
    here = quiet & (odds > -2.0)
    open_ = here | (quiet & ((blind == 1) | (blind == 3)))
    places = range(n - across + 1)

    def all_of(mask, i, j):
        return mask[i : i + across, j : j + across].all()

    now = {(i, j) for i in places for j in places if all_of(here, i, j)}
    for _ in range(steps):
        near = {(i + a, j + b) for i, j in now for a in (-1, 0, 1) for b in (-1, 0, 1)}
        now |= {(i, j) for i, j in near if i in places and j in places and all_of(open_, i, j)}
    out = np.zeros((n, n), bool)
    for i, j in now:
        out[i : i + across, j : j + across] = True
    return out & (odds <= -2.0)


@pytest.mark.parametrize("seed", range(8))
def test_doubt_spreads_as_a_slow_search_says(seed):
    odds, seen, blind, held, until = yard(seed)
    wedgemath.spread_doubt(odds, seen, blind, held, until, (0, 40, 0, 40), -2.0, 1.0, 10.0, 9.75, 2.0, 4, 5)
    np.testing.assert_array_equal(until > 10.0, slow_doubt(odds, seen, blind, held, 4, 5))
    assert set(np.unique(until)) <= {np.float32(NEVER_S), np.float32(12.0)}


def test_doubt_is_not_renewed_by_doubt():
    # A lone person in doubt until 11.0: wherever they go, the doubt ends at 11.0.
    odds, seen, blind, held, until = yard(0)
    odds[:], held[:], seen[:], blind[:] = -3.0, 0, 9.0, 1
    until[10:16, 10:16] = 11.0
    wedgemath.spread_doubt(odds, seen, blind, held, until, (0, 40, 0, 40), -2.0, 1.0, 10.0, 9.75, 2.0, 4, 3)
    assert until[13, 18] == 11.0
    assert until.max() == 11.0
    assert until[13, 20] == np.float32(NEVER_S)  # 3 cells on from column 16 is 18


def test_a_cycle_ends_with_evidence_clamped_fade_and_veil_as_by_hand():
    odds = np.array([[-3.0, -3.0, -1.0, 2.5, -3.0]], np.float32)
    change = np.array([[-2.0, 0.0, 0.4, 2.0, 0.0]], np.float32)
    veil = np.array([[0.0, 0.0, 3.0, 0.0, 0.8]], np.float32)
    seen = np.array([[9.9, 9.0, 9.9, 9.9, 9.9]], np.float32)
    zero = np.zeros((1, 5), np.uint8)
    until = np.full((1, 5), NEVER_S, np.float32)
    wedgemath.settle(odds, change, veil, seen, zero, zero.copy(), zero.copy(), until, 10.0, -3.5, 3.0, 0.25, 0.9, 2.0)
    # clamped at -3.5; faded by 0.9; veiled to 0 and no further; clamped at 3.0; veiled by 0.8
    np.testing.assert_allclose(odds[0], [-3.5, -2.7, 0.0, 3.0, -2.2], rtol=1e-6)
    assert not change.any()
    assert not veil.any()


def test_compiled_loops_equal_their_plain_python():
    rng = np.random.default_rng(4)
    x, y = rng.uniform(0.5, 6, 12), rng.uniform(-4, 4, 12)
    args = (x, y, HALF_VIEW, 160, 0.3, 1.2, 0.2)
    np.testing.assert_allclose(shademath.nearest_in_bins(*args), plain(shademath.nearest_in_bins)(*args), rtol=1e-12)
    reach = rng.uniform(0.5, 3.0, 160)
    np.testing.assert_array_equal(SLANTED, plain(gridmath.bins_by_slant)(160, HALF_VIEW))
    np.testing.assert_array_equal(gridmath.by_slant(reach, SLANTED), plain(gridmath.by_slant)(reach, SLANTED))
    grids = []
    for function in (gridmath.add_free, plain(gridmath.add_free)):
        change, seen = np.zeros((120, 120), np.float32), np.zeros((120, 120), np.float32)
        function(change, seen, *CORNER, CELL_M, 0.2, 0.1, 0.3, SLANTED, reach, 0.2, -0.5, 3.0)
        grids.append(change)
    np.testing.assert_array_equal(*grids)
