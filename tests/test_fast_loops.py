"""Each fast loop of grid, sensors and decision equals its slow version in `slow_loops`, to the last bit."""

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from avoidkit import gridmath, load_scene, shademath, shipped, wedgemath
from avoidkit.centring import _straight
from avoidkit.clearway import FREE, OCCUPIED, UNKNOWN, specks_of
from avoidkit.detour import LEAVE_M, SOONER_M, _limits, plans_for, reference_ahead
from avoidkit.detourmath import OK, PEOPLE, STEERING, examine
from avoidkit.frames import Pose
from avoidkit.gridmath import NEVER_S
from avoidkit.paths import path_from_legs
from avoidkit.people import people_at, signed_distance
from avoidkit.sensing import scatter
from avoidkit.sensing.corner import CornerRadar, surroundings_of
from avoidkit.sensing.look import see_scene
from avoidkit.sensing.radar import RETURN_FIELDS, detect
from avoidkit.sensing.streams import BLOCK, stream
from avoidkit.separation import reach
from avoidkit.tracking.blind import _mounts, unseen
from avoidkit.tracking.doubt import reported
from avoidkit.tracking.records import exact_tracks
from avoidkit.tuning import Tuning
from avoidkit.vehicle import Ego, box, outline_in_scene
from tests import slow_loops

CORNER, CELL_M, CELLS = (-6.0, -6.0), 0.1, 120
HALF_VIEW = math.radians(80)


def grids(rng, *fills):
    """One (CELLS, CELLS) array per fill: zeros of a type, or draws of a function."""
    shape = (CELLS, CELLS)
    return [np.zeros(shape, fill) if isinstance(fill, type) else fill(rng, shape) for fill in fills]


def blocks(values, chances, dtype=np.float32, edge=6):
    """Draws that are alike over squares of `edge` cells."""

    def draw(rng, shape):
        coarse = rng.choice(values, (shape[0] // edge, shape[1] // edge), p=chances)
        return np.kron(coarse, np.ones((edge, edge))).astype(dtype)

    return draw


def scan(rng, n, rounded=False):
    """Returns scattered over a field of view: places in the sensor's frame, (n,) and (n,)."""
    r, angle = 6.0 * np.sqrt(rng.random(n)), rng.uniform(-HALF_VIEW, HALF_VIEW, n)
    x, y = r * np.cos(angle), r * np.sin(angle)
    return (np.round(x, 1), np.round(y, 1)) if rounded else (x, y)


def same(a, b):
    assert a.dtype == b.dtype
    assert a.tobytes() == b.tobytes()


@pytest.mark.parametrize("n", [0, 1, 2, 30, 300])
@pytest.mark.parametrize("rounded", [False, True])
@pytest.mark.parametrize("link_m", [0.0, 0.7, 2.6])
def test_bins_are_shaded_alike_whichever_pairs_are_left_out(n, rounded, link_m):
    args = (*scan(np.random.default_rng(n), n, rounded), HALF_VIEW, 160, 0.3, link_m, 0.2)
    same(shademath.nearest_in_bins(*args), slow_loops.nearest_in_bins(*args))


@pytest.mark.parametrize("n", [0, 1, 40, 199, 500])
@pytest.mark.parametrize("link_m", [0.0, 1.2])
def test_edges_mark_the_same_cells_whichever_pairs_are_left_out(n, link_m):
    rng = np.random.default_rng(n)
    x, y = scan(rng, n)
    given = rng.uniform(-3, 3, n), rng.uniform(0.1, 0.3, n), rng.uniform(0.25, 1.0, n), rng.random(n) < 0.2
    both = []
    for function in (gridmath.add_returns, slow_loops.add_returns):
        arrays = grids(rng, np.float32, np.float32, np.float32, np.int32)
        for number in (1, 2):
            points = np.column_stack([x - 5.0 + number, y])
            function(*arrays, number, *CORNER, CELL_M, points, *given, 0.3, link_m, 0.8, 0.4, 9.0 + number)
        both.append(arrays)
    for fast, slow in zip(*both, strict=True):
        same(fast, slow)


@pytest.mark.parametrize("seed", range(12))
def test_rays_end_alike_whichever_steps_are_left_out(seed):
    rng = np.random.default_rng(seed)
    (odds,) = grids(rng, blocks([0.0, 2.0], [1.0 - 0.01 * seed, 0.01 * seed], edge=2))
    if seed == 11:
        odds[:] = 0.0
        odds[0, 119] = odds[119, 0] = 2.0
    x, y, yaw = rng.uniform(-7, 7), rng.uniform(-7, 7), rng.choice([0.0, math.pi / 2, math.pi, rng.uniform(-4, 4)])
    tiles = shademath.tiles_to_things(odds, 1.4)
    fast = shademath.occupied_in_bins(odds, tiles, 1.4, *CORNER, CELL_M, x, y, yaw, HALF_VIEW, 160, 11.0)
    same(fast, slow_loops.occupied_in_bins(odds, 1.4, *CORNER, CELL_M, x, y, yaw, HALF_VIEW, 160, 11.0))


def test_tiles_count_steps_to_the_nearest_thing():
    rng = np.random.default_rng(3)
    odds = np.zeros((117, 93), np.float32)
    odds[rng.integers(0, 117, 4), rng.integers(0, 93, 4)] = 2.0
    row, col = np.nonzero(odds > 1.0)
    i, j = np.indices((15, 12))
    steps = [np.maximum(abs(i - r // 8), abs(j - c // 8)) for r, c in zip(row, col, strict=True)]
    np.testing.assert_array_equal(shademath.tiles_to_things(odds, 1.0), np.min(steps, axis=0))
    assert (shademath.tiles_to_things(np.zeros((117, 93), np.float32), 1.0) >= 15).all()


@pytest.mark.parametrize("seed", range(12))
def test_free_evidence_is_alike_whichever_cells_are_left_out(seed):
    rng = np.random.default_rng(seed)
    turn = [0.0, math.pi / 2, -math.pi / 2, math.pi, *rng.uniform(-4, 4, 8)][seed]
    reach, both = rng.uniform(-1.0, 8.0, 160), []
    x, y = (0.05, 0.05) if seed % 2 else rng.uniform(-7, 7, 2)
    view = gridmath.bins_by_slant(160, HALF_VIEW)
    for function, looks in ((gridmath.add_free, view), (slow_loops.add_free, HALF_VIEW)):
        change, seen = np.zeros((120, 120), np.float32), np.full((120, 120), NEVER_S, np.float32)
        function(change, seen, *CORNER, CELL_M, x, y, turn, looks, reach, 0.2, -0.5, 3.0)
        both.append((change, seen))
    for fast, slow in zip(*both, strict=True):
        same(fast, slow)


def a_cycle(seed):
    """Arrays as `settle` takes them: log-odds, change, veil, last seen, blind, declared, held, doubt."""
    rng = np.random.default_rng(seed)

    def odds(rng, shape):
        return rng.uniform(-4, 4, shape).astype(np.float32)

    some, few = blocks([0.0, -0.6, 0.7], [0.5, 0.3, 0.2]), blocks([0.0, 0.5], [0.9, 0.1])
    seen, doubt = blocks([NEVER_S, 9.9, 9.0], [0.3, 0.4, 0.3]), blocks([NEVER_S, 9.0, 11.0], [0.4, 0.3, 0.3])
    code, flag = blocks([0, 1, 2, 3, 4], [0.4, 0.2, 0.1, 0.2, 0.1], np.uint8), blocks([0, 1], [0.5, 0.5], np.uint8)
    return grids(rng, odds, some, few, seen, code, flag, flag, doubt)


@pytest.mark.parametrize("seed", range(6))
def test_a_cycle_ends_alike_without_branches(seed):
    fast, slow = a_cycle(seed), a_cycle(seed)
    for function, arrays in ((wedgemath.settle, fast), (slow_loops.settle, slow)):
        function(*arrays, 10.0, -3.5, 3.0, 0.25, 0.9, 2.0)
    for a, b in zip(fast, slow, strict=True):
        same(a, b)
    odds, *_, blind, declared, held, doubt = fast
    records = [
        f(odds, doubt, blind, declared, held, 10.0, -2.0) for f in (wedgemath.compose_record, slow_loops.compose_record)
    ]
    for a, b in zip(*records, strict=True):
        same(a, b)


def test_specks_are_found_alike():
    rng = np.random.default_rng(5)
    for share in (0.5, 0.9, 0.97):
        state = rng.choice([UNKNOWN, OCCUPIED, FREE], (80, 70), p=[0.8 * (1 - share), 0.2 * (1 - share), share])
        same(specks_of(state.astype(np.uint8)), slow_loops.specks_of(state.astype(np.uint8)))


def test_bodies_and_limbs_are_where_plain_arrays_put_them():
    rng, radar = np.random.default_rng(6), Tuning().radar
    for n in (1, 7):
        pace = np.where(rng.random((n, 1)) < 0.3, 0.0, rng.uniform(-2, 2, (n, 2)))
        kind = tuple(rng.choice(["adult", "child"], n))
        people = SimpleNamespace(
            xy=rng.uniform(-9, 9, (n, 2)), velocity=pace, heading_rad=rng.uniform(-4, 4, n), kind=kind,
            walked_m=rng.uniform(0, 50, n),
        )  # fmt: skip
        strength = rng.uniform(0.05, 0.5, n)
        fast, slow = (f(people, (0.4, -1.0), strength, radar) for f in (scatter.of_people, slow_loops.of_people))
        np.testing.assert_allclose(fast.points, slow.points, rtol=1e-12, atol=1e-12)
        for name in ("body", "edge", "low", "draw"):
            same(getattr(fast, name), getattr(slow, name))


def points_in_cells(rng, n):
    """Places, mean signal to noise and draws of n points of which some share a resolution cell."""
    places = np.repeat(rng.uniform([0.3, -1.3, -9.0], [12.0, 1.3, 9.0], (n, 3)), 3, axis=0).T
    places = places + rng.normal(0.0, [[0.1], [0.03], [0.1]], places.shape)
    drawn = rng.standard_normal((7, 3 * n))
    return *places, 10 ** rng.uniform(0, 4, 3 * n), drawn[:2], drawn[2:], rng.uniform(1.0, 2.0, 3 * n)


@pytest.mark.parametrize("effects", [{}, {"radar.merging": False}, {"radar.glint": False}, {"radar.noise": False}])
def test_what_a_radar_reports_is_what_whole_arrays_give(effects):
    rng, tuning = np.random.default_rng(8), Tuning().replace(effects)
    for fluctuates in (True, False):
        radar = tuning.replace({"radar.fluctuation": fluctuates}).radar
        given = points_in_cells(rng, 40)
        found = detect(*given, radar)
        slow = slow_loops.detect(*given, radar)
        assert len(found) > 20
        for name, column in zip(RETURN_FIELDS, slow, strict=True):
            np.testing.assert_allclose(getattr(found, name), column, rtol=1e-12, atol=1e-12)


@pytest.mark.parametrize("place", [(4.0, 3.0), (9.0, -2.0), (0.5, 2.5)])
def test_a_radar_sees_of_people_and_things_what_hiding_and_view_leave(place):
    scene, tuning = load_scene(shipped("scenes") / "guest_steps_out.toml"), Tuning()
    people = people_at(scene, 2.0)
    around = surroundings_of(scene.edges, tuning.radar)
    facets = around.facets
    for index in range(4):
        sensor = CornerRadar(index, around, tuning, 1)
        sight, _ = sensor._sight(Ego(0.0, Pose(*place, 0.4 * index), 0.8, 0.1, 0.05), 0.0)
        points = scatter.of_people(people, (sight.x, sight.y), np.full(len(people.xy), 0.3), tuning.radar)
        given = (
            sight, points.points, points.body, points.low, facets.xy, facets.normal, facets.peak_m2, facets.edge,
            facets.corner, math.radians(30.0), 0.01, around.edges, *around.passes, people.xy, 0.2,
        )  # fmt: skip
        number, places = see_scene(*given)
        slow = slow_loops.see_scene(*given)
        same(number, slow[:, 0].astype(np.int64))
        np.testing.assert_allclose(places, slow[:, 1:], rtol=1e-12)


def test_distances_from_an_outline_are_those_of_whole_arrays():
    rng = np.random.default_rng(9)
    for _ in range(50):
        corners = outline_in_scene(Tuning().vehicle, Pose(*rng.uniform(-4, 4, 3)))
        points = rng.uniform(-8, 8, (9, 2))
        np.testing.assert_allclose(
            signed_distance(points, corners), slow_loops.signed_distance(points, corners), rtol=1e-12, atol=1e-12
        )
    unknown = np.array([[math.nan, 0.0], [0.0, math.nan]])
    assert np.isnan(signed_distance(unknown, corners)).all()


def test_poses_of_a_path_are_interpolated_as_numpy_does():
    rng = np.random.default_rng(10)
    path = path_from_legs(Pose(1.0, -2.0, 0.3), [(1, [(6.0, 0.4)]), (-1, [(4.0, 0.9)])])
    s = np.concatenate([rng.uniform(-1.0, 12.0, 200), path.s_m, [math.nan]])
    columns = [np.interp(s, path.s_m, column) for column in (path.x_m, path.y_m, path.yaw_rad)]
    np.testing.assert_allclose(path.poses_at(s), np.stack(columns, axis=-1), rtol=1e-12, atol=1e-12)
    assert path.poses_at(2.5).shape == (3,)
    assert path.poses_at(s[:6].reshape(2, 3)).shape == (2, 3, 3)


def test_the_slope_of_a_side_is_the_median_over_pairs_far_apart():
    rng = np.random.default_rng(11)
    for n in (7, 12, 30):
        u, v = np.sort(rng.uniform(0, 4, n)), rng.normal(0, 0.1, n)
        i, j = np.triu_indices(n, 1)
        far = u[j] - u[i] > 0.5 * np.ptp(u)
        slope = np.median((v[j] - v[i])[far] / (u[j] - u[i])[far])
        assert _straight(u, v) == (float(np.median(v - slope * u)), float(slope))


def test_ways_round_are_judged_alike_when_they_end_at_the_first_limit():
    rng = np.random.default_rng(12)
    path = path_from_legs(Pose(0.0, 0.0, 0.2), [(1, [(10.0, 0.3), (12.0, -0.2)])])
    ref, limits = reference_ahead(path, 0.5, 0.2, 18.0), np.array([0.25, 0.4])
    start = np.array([0.1, 0.02, 0.01, 3.2, 0.12])
    plans = np.column_stack([
        rng.uniform(0, 4, 200), rng.uniform(1.5, 7, 200), rng.uniform(-2.5, 2.5, 200), rng.uniform(6, 9, 200),
        rng.uniform(2, 7, 200),
    ])  # fmt: skip
    bodies = np.column_stack([
        rng.uniform(5, 11, 2), [-1.5, 2.0], np.zeros((2, 2)), np.full(2, 0.6), np.zeros(2), np.full(2, 2.0),
    ])  # fmt: skip
    shape, ends = np.array([4.0, -0.9, 0.95]), np.full(200, len(ref))
    given = plans, start, ref, ends, limits, shape, 0.6, bodies, 1.0
    fast, slow = examine(*given), slow_loops.examine(*given)
    assert set(fast[0]) == {OK, STEERING, PEOPLE}
    for a, b in zip(fast, slow, strict=True):
        same(a, b)


def test_streams_are_those_that_numpy_makes_of_the_same_keys():
    rng = np.random.default_rng(7)
    seeds = [0, 1, 7, 2**31, 2**32 - 1, 2**32, 2**64 + 5, 2**127, 2**130, *map(int, rng.integers(0, 2**62, 40))]
    cycles = [0, 1, BLOCK - 1, BLOCK, 12_345, 2**32 - 1, 2**32]
    for seed in seeds:
        for cycle in cycles:
            key = seed, int(rng.integers(0, 256)), int(rng.integers(0, 12)), cycle
            assert stream(*key).bit_generator.state == slow_loops.stream(*key).bit_generator.state


def test_plans_for_ways_round_are_those_made_one_after_another():
    rng, tuning = np.random.default_rng(13), Tuning()
    limits = _limits(tuning.vehicle, tuning.detour)
    for k in range(300):
        places = [tuple(map(float, rng.uniform([-3.0, -3.0, 0.8], [20.0, 3.0, 2.5]))) for _ in range(1 + k % 3)]
        off = float(rng.normal()) if k % 2 else 0.0
        start = np.array([off, 0.1 * rng.normal(), 0.0, 3.0 + 2.0 * abs(off), off + 0.1 * rng.normal()])
        for leave_m in (LEAVE_M, SOONER_M):
            given = places, start, tuning.vehicle, limits, leave_m
            same(plans_for(*given), slow_loops.plans_for(*given))


def covariances(rng, n):
    half = rng.normal(size=(n, 4, 4)) * rng.uniform(0.05, 0.6)
    out = half @ np.swapaxes(half, 1, 2)
    return 0.5 * (out + np.swapaxes(out, 1, 2))


def test_reach_is_that_worked_out_in_whole_arrays():
    rng, people = np.random.default_rng(14), Tuning().people
    for n in [0, 1, 2, 5] * 60:
        tracks = replace(
            exact_tracks(5.0, rng.normal(size=(n, 2)) * 5, rng.normal(size=(n, 2))), covariance=covariances(rng, n),
            standing=rng.uniform(0, 1, n), standing_for_s=rng.uniform(0, 3, n), stood_ago_s=rng.uniform(0, 3, n),
            last_seen_s=5.0 - rng.uniform(-0.1, 2.0, n), extent_m=rng.uniform(0.2, 0.6, n),
        )  # fmt: skip
        times_s = np.sort(rng.uniform(0, 2, 1 + int(rng.integers(0, 50))))
        fast, slow = reach(tracks, times_s, people), slow_loops.reach(tracks, times_s, people)
        same(fast.centres, slow[0])
        same(fast.radii, slow[1])


def test_covariances_are_set_right_as_in_whole_arrays():
    rng, tuning = np.random.default_rng(15), Tuning().tracking
    for n in [0, 1, 3, 12] * 60:
        given = (
            covariances(rng, n), rng.normal(size=(n, 4)), rng.choice([0.0, 1.0, 0.1, rng.uniform()], n),
            rng.integers(0, 4, n).astype(np.int8), rng.uniform(0, 1, n), rng.random(n) < 0.5, tuning,
        )  # fmt: skip
        same(reported(*given), slow_loops.reported(*given))


def test_what_no_radar_looks_at_is_that_worked_out_in_whole_arrays():
    rng, tuning = np.random.default_rng(16), Tuning()
    half_view = math.radians(tuning.radar.field_of_view_deg) / 2
    given = (*box(tuning.vehicle), _mounts(tuning.radar), half_view, tuning.radar.range_min_m)
    local = rng.uniform(-6, 9, size=(20_000, 2))
    fast = unseen(local, *given)
    same(fast, slow_loops.unseen(local, *given))
    assert 0.01 < fast.mean() < 0.5
