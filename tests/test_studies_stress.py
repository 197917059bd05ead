"""Stress search: walks keep inside the envelope, a planted weakness is found, worst walks can be driven again."""

import math

import numpy as np
import pytest
from scipy import ndimage

from avoidkit import InputError, Tuning, load_recording, load_scene, shipped
from avoidkit.drive import drive
from avoidkit.freespace import free_grid
from avoidkit.grid import middle_of
from avoidkit.studies.stress import YardLoop, stress
from avoidkit.studies.walker import Course, course_bounds, course_from, scene_of
from avoidkit.views import style
from avoidkit.views.stressed import stress_figure

OPTIMIST = Tuning().replace({"vehicle.latency_s": 0.1})


def quiet():
    return load_scene(shipped("scenes") / "nobody_there.toml")


def weak():
    """The brake takes 0.5 s to act; the tuning says 0.1 s."""
    return quiet().replace({"true_vehicle": {"latency_s": 0.5}})


def walks(n, scene, tuning):
    """Walks of courses drawn evenly."""
    bounds, rng = course_bounds(scene, tuning), np.random.default_rng(7)
    found = [scene_of(course_from(rng.random(len(bounds)), bounds)[0], scene, tuning) for _ in range(n)]
    return [scene.walks[-1] for scene in found if scene is not None]


def test_every_walk_keeps_within_the_accelerations_and_the_top_speed_of_the_envelope():
    tuning, tried = Tuning(), walks(60, quiet(), Tuning())
    assert len(tried) > 15
    times = np.arange(0.0, 40.0, 0.01)
    for walk in tried:
        velocity = walk.velocities(times)
        speed = np.hypot(*velocity.T)
        change = np.hypot(*np.diff(velocity, axis=0).T) / 0.01
        assert speed.max() <= tuning.people.top_speed_mps + 1e-6
        assert change.max() <= tuning.people.standing_accel_mps2 * 1.01
        fast = speed[1:] >= tuning.people.walking_from_mps
        since_start = times[1:] - times[1:][speed[1:] > 0.15].min()
        assert change[fast & (since_start > 1.0 + walk.smooth_s)].max(initial=0.0) <= 1.94 * 1.01  # walking_accel_mps2


def test_every_walk_begins_and_ends_standing():
    for walk in walks(30, quiet(), Tuning()):
        ends = np.hypot(*walk.velocities(np.array([0.0, walk.t_s[-1] + 9.0])).T)
        assert ends == pytest.approx([0.0, 0.0], abs=1e-9)


def test_somebody_inside_a_wall_or_the_vehicle_is_no_walk():
    scene = quiet()
    inside = Course(at_m=1.0, lead_s=0.0, speed_mps=1.0, heading_rad=0.0, length_m=1.0, turn_rad=0.0, after_m=1.0)
    assert scene_of(inside, scene, Tuning()) is None


def test_grids_cut_out_of_the_whole_yard_are_those_made_one_by_one():
    scene, tuning = quiet(), Tuning()
    loop = YardLoop(scene, tuning, 0)
    for along in (0.0, 3.3, 7.71, 14.02):
        middle = middle_of(tuning.vehicle, scene.reference.pose_at(along), ahead_m=tuning.freespace.ahead_m)
        cut, made = loop._grid_about(middle, 1.0), free_grid(middle, tuning, blocked=scene.polygons, time_s=1.0)
        assert cut.corner_xy == pytest.approx(made.corner_xy, abs=1e-9)
        wide = [ndimage.binary_dilation(grid.occupied(), np.ones((3, 3))) for grid in (cut, made)]
        assert not (made.occupied() & ~wide[0]).any()  # a cell that a thing grazes may be the neighbour's by rounding
        assert not (cut.occupied() & ~wide[1]).any()
        assert made.occupied().sum() > 1000


@pytest.fixture(scope="module")
def found():
    return stress(
        weak(), OPTIMIST, budget=40, seed=1, ahead_m=4.0, stop_at_contact=True, beside_random=False, progress=False
    )


def test_a_brake_slower_than_the_tuning_says_is_found_out(found):
    assert found.first_contact() is not None
    best = found.trials.loc[found.trials["value"].idxmin()]
    assert best["value"] == pytest.approx(-1.0 - best["vehicle_mps"])
    assert "walks with a contact while moving" in found.lines()[0]


def test_the_worst_walk_is_a_scene_that_drives_to_the_same_contact_again(found, tmp_path):
    files = found.save(tmp_path)
    scene, recording = load_scene(files[0]), load_recording(files[1])
    again = drive(scene, OPTIMIST, seed=1, loop=YardLoop)
    touched = [row for row in again.rows if "walker" in row.contacts and abs(row.ego.speed_mps) > 0.05]
    best = found.trials.loc[found.trials["value"].idxmin()]
    assert touched[0].time_s == pytest.approx(best["time_s"], abs=1e-6)
    assert recording.summary()["contacts_moving"] == again.summary()["contacts_moving"]


@pytest.mark.slow
def test_the_same_seed_tries_the_same_walks(found):
    again = stress(
        weak(), OPTIMIST, budget=40, seed=1, ahead_m=4.0, stop_at_contact=True, beside_random=False, progress=False
    )
    assert again.trials["value"].tolist() == found.trials["value"].tolist()


def test_the_picture_shows_progress_and_the_worst_walk(found):
    figure = stress_figure(found)
    assert figure.axes[0].get_xlabel() == "evaluations"
    assert figure.axes[1].get_title(loc="left").startswith("contact at")
    assert style.png(figure)[:4] == b"\x89PNG"


@pytest.mark.slow
def test_with_the_honest_tuning_forty_walks_touch_nobody_while_moving():
    quite = stress(quiet(), Tuning(), budget=40, seed=0, beside_random=False, progress=False)
    assert quite.first_contact() is None


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"budget": 10}, "budget must be an integer of at least 40, got 10"),
        ({"loop": "real"}, "loop must be one of sensed, exact, got 'real'"),
        ({"also": {"latncy_s": (0.1, 0.5)}}, "also: the vehicle has no field 'latncy_s'; did you mean 'latency_s'?"),
        ({"also": {"latency_s": (0.5, 0.1)}}, "also: latency_s: a range (low, high) with low below high was wanted"),
        ({"also": {"latency_s": (-1.0, 0.5)}}, "also: latency_s: input should be greater than or equal to 0"),
        ({"also": {"front_left late": (0.0, 0.1)}}, "perfect knowledge has no sensors; with loop 'sensed' (--sensed)"),
        ({"also": {"front_left lat": (0.0, 0.1)}}, "a kind of fault with an amount was wanted; did you mean 'late'?"),
    ],
)
def test_a_mistake_is_refused_before_the_search_begins(change, said):
    with pytest.raises(InputError) as refused:
        stress(quiet(), Tuning(), progress=False, **change)
    assert said in str(refused.value)


def test_a_folder_of_another_search_is_refused_in_a_sentence(tmp_path):
    kept = tmp_path / "generation-000"
    kept.mkdir()
    (kept / "manifest.json").write_text('{"kind": "sweep"}', encoding="utf-8")
    with pytest.raises(InputError, match="holds another study: kind was sweep, is stress, search"):
        stress(quiet(), Tuning(), budget=40, folder=tmp_path, progress=False)


def test_a_latency_and_a_fault_can_be_varied_as_well():
    course = Course(12.0, 0.0, 1.2, math.pi / 2, 2.0, 0.0, 2.0)
    scene = scene_of(course, quiet(), Tuning(), (("latency_s", 0.4), ("front_left late", 0.2)))
    assert scene.true_vehicle == {"latency_s": 0.4}
    assert [(fault.sensor, fault.kind, fault.amount) for fault in scene.faults] == [("front_left", "late", 0.2)]
