"""Free space from the simulated sensors on shipped scenes: the lane is free, walls and what is behind them are not."""

import math

import numpy as np
import pytest
import shapely

from avoidkit import Tuning, load_scene, shipped
from avoidkit.clearway import cells_of, free_along
from avoidkit.freespace import FreeSpace
from avoidkit.scene import Crowd
from avoidkit.sensing import Sensors
from avoidkit.separation import sweep_poses
from avoidkit.tracking import Tracker
from avoidkit.vehicle import Ego, EgoHistory, outline_in_scene

TUNING = Tuning()


def along_the_path(scene, seed, *, seconds, stand_s=1.0, speed_mps=0.8, tuning=TUNING):
    """The vehicle stands, then follows its path blindly; yields (distance along, ego, grid) each cycle."""
    path, dt_s, s_m = scene.reference, tuning.cycle_s, 0.0
    sensors, space, tracker = Sensors(scene, tuning, seed), FreeSpace(tuning), Tracker(tuning)
    crowd, history = Crowd(scene), EgoHistory()
    for k in range(round(seconds / dt_s)):
        now = k * dt_s
        pose, way = path.pose_at(s_m), path.direction_at(s_m)
        v = way * speed_mps if now >= stand_s else 0.0
        curvature = float(path.curvature_at(s_m))
        ego = Ego(now, pose, v, math.atan(curvature * tuning.vehicle.wheelbase_m), v * curvature)
        history.add(ego)
        people = crowd.step(now, dt_s, outline_in_scene(tuning.vehicle, pose))
        scans, echoes = sensors.step(now, people, history)
        yield s_m, ego, space.step(scans, echoes, tracker.step(scans, ego), ego)
        s_m = min(s_m + abs(v) * dt_s, path.length_m)


def free_ahead_m(scene, s_m, ego, grid, ahead_m=1.5):
    """How far ahead, up to `ahead_m`, the outline grown by the static clearance covers known free cells only."""
    distances = np.arange(0.0, ahead_m + 1e-9, 0.05)
    poses = sweep_poses(scene.reference, s_m, ego.pose, distances)
    return free_along(poses, distances, cells_of(grid), TUNING.vehicle, TUNING.decision.static_clearance_m).free_m


@pytest.fixture(scope="module")
def empty_drive():
    scene = load_scene(shipped("scenes") / "nobody_there.toml")
    return scene, list(along_the_path(scene, 0, seconds=14.0))


def test_the_way_ahead_is_known_free_all_along_an_empty_yard(empty_drive):
    # Measured over seeds 0 to 9, the whole path: no cycle of 6,500 with less than 1.5 m known free ahead.
    scene, cycles = empty_drive
    short = [s for s, ego, grid in cycles[20:] if free_ahead_m(scene, s, ego, grid) < 1.5 - 1e-9]
    assert short == []


def test_the_lane_is_known_free_twelve_metres_ahead(empty_drive):
    scene, cycles = empty_drive
    for s_m, _, grid in cycles[40:200:20]:  # the bumper is 3.85 m ahead of the rear axle
        assert grid.is_free(scene.reference.poses_at(np.arange(s_m, s_m + 3.85 + 12.0, 0.1))[:, :2]).all()


def test_almost_nothing_is_known_free_inside_or_behind_walls(empty_drive):
    # Cells deeper than 0.3 m behind the faces of both houses; a missed return lets single rays through far off.
    _, cycles = empty_drive
    inside = [shapely.box(7.0, 4.2, 15.0, 7.5), shapely.box(-5.0, -8.0, 15.0, -4.1)]
    worst = 0.0
    for _, _, grid in cycles[20::20]:
        centres = grid.centres()
        behind = np.any([shapely.contains_xy(box, centres[..., 0], centres[..., 1]) for box in inside], axis=0)
        worst = max(worst, float((grid.known_free() & behind).mean() / behind.mean()))
    assert worst < 0.02


def test_seen_walls_are_occupied(empty_drive):
    _, cycles = empty_drive
    _, _, grid = cycles[-1]
    face = np.column_stack([np.arange(8.0, 15.0, 0.1), np.full(70, 3.75)])
    near = [face + np.array([0.0, d]) for d in (-0.1, 0.0, 0.1)]
    hit = [grid.occupied()[tuple(grid.index_of(points)[0].T)] for points in near]
    assert np.any(hit, axis=0).mean() > 0.9


def test_somebody_in_the_lane_stands_on_no_free_cell_and_hides_what_is_behind():
    scene = load_scene(shipped("scenes") / "guest_stands_room.toml")
    x, y = scene.people[-1].stands_at.x_m, scene.people[-1].stands_at.y_m
    *_, (_, _, grid) = along_the_path(scene, 1, seconds=4.0)
    assert not grid.is_free([[x, y], [x + 0.9, y + 0.05], [x + 1.5, y + 0.1]]).any()
    assert grid.is_free([[x - 1.5, y], [x, y - 1.2], [x, y + 1.2]]).all()


def test_a_dead_radar_leaves_its_side_unknown():
    scene = load_scene(shipped("scenes") / "nobody_there.toml")
    fault = {"sensor": "rear_left", "kind": "dead", "from_s": 0.0, "to_s": 60.0}
    *_, (_, _, grid) = along_the_path(scene.replace({"faults": [fault]}), 0, seconds=2.0, stand_s=9.0)
    assert not grid.is_free([[-1.5, 1.5]])[0]
    assert grid.is_free([[6.0, 0.0], [8.0, 1.0]]).all()


def test_a_radar_that_gets_dirty_without_noticing_frees_nothing_that_a_clean_one_does_not():
    # Dirt leaves front_left a fifth of its range; it says so only 2 s later. Until then its silence is no evidence.
    scene = load_scene(shipped("scenes") / "guest_steps_out.toml")
    dirt = {"sensor": "front_left", "kind": "blind", "amount": 0.2, "from_s": 2.0, "to_s": 30.0}
    clean = along_the_path(scene, 3, seconds=4.0)
    dirty = along_the_path(scene.replace({"faults": [dirt]}), 3, seconds=4.0)
    wrong_m2 = []
    for (_, ego, one), (_, _, other) in zip(clean, dirty, strict=True):
        if ego.time_s > 2.0:
            assert np.array_equal(one.corner_xy, other.corner_xy)
            wrong_m2.append(np.count_nonzero(other.known_free() & ~one.known_free()) * one.cell_m**2)
    assert max(wrong_m2) < 0.5  # 12 m^2 if scans with far fewer returns than usual freed cells as well
