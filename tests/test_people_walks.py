"""Walks: what is written is walked smoothly, goes on at both ends, and recorded walkers stay where they were seen."""

import numpy as np
import pytest

from avoidkit.checks import InputError
from avoidkit.scene import Scene, recorded, standing, walking
from avoidkit.walks import Walk, read_walks, recorded_walk

SETS_OFF = Walk(np.array([0.0, 4.0, 10.0]), np.array([[0.0, 0.0], [0.0, 0.0], [8.4, 0.0]]), 1.0)  # 1.4 m/s from 4 s on


def test_setting_off_takes_the_smoothing_time_at_constant_acceleration():
    # 1.4 m/s within 1 s: 1.4 m/s^2 from 3.5 to 4.5 s; x = a t^2 / 2 = 0.175 m half-way and 0.7 m at its end
    times = np.array([3.5, 4.0, 4.5, 5.5])
    assert SETS_OFF.places(times)[:, 0] == pytest.approx([0.0, 0.175, 0.7, 2.1], abs=1e-12)
    assert SETS_OFF.velocities(times)[:, 0] == pytest.approx([0.0, 0.7, 1.4, 1.4], abs=1e-12)


def test_setting_off_stays_inside_the_measured_envelope():
    # measured on real pedestrians: 99 % start with at most 2.85 m/s^2; even turning back at 1.4 m/s stays inside
    back = Walk(np.array([0.0, 5.0, 10.0]), np.array([[0.0, 0.0], [7.0, 0.0], [0.0, 0.0]]), 1.0)
    times = np.arange(0.0, 12.0, 0.01)
    for walk in (SETS_OFF, back):
        accel = np.diff(walk.velocities(times), axis=0) / 0.01
        assert np.hypot(*accel.T).max() <= 2.85
    assert np.abs(np.diff(back.velocities(times), axis=0) / 0.01).max() == pytest.approx(2.8)


def test_velocity_is_the_slope_of_the_places():
    rng = np.random.default_rng(3)
    walk = Walk(np.cumsum(rng.uniform(0.5, 2.0, 9)), rng.uniform(-5, 5, (9, 2)), 0.8)
    times = np.linspace(-3.0, 20.0, 400)
    slope = (walk.places(times + 1e-5) - walk.places(times - 1e-5)) / 2e-5
    np.testing.assert_allclose(walk.velocities(times), slope, atol=1e-4)


def test_a_straight_walk_is_not_changed_by_smoothing():
    walk = Walk(np.array([1.0, 3.0, 4.0]), np.array([[0.0, 1.0], [2.0, 2.0], [3.0, 2.5]]), 1.0)
    times = np.linspace(-2.0, 9.0, 30)
    np.testing.assert_allclose(walk.places(times), np.stack([times - 1, 1 + (times - 1) / 2], axis=1), atol=1e-12)


def test_a_walk_goes_on_with_its_first_and_last_second():
    # first second: from 0 to 1.2 m in x; last second: 0.5 m in y
    walk = Walk(np.array([2.0, 3.0, 5.0, 6.0]), np.array([[0.0, 0.0], [1.2, 0.0], [3.0, 0.0], [3.0, 0.5]]), 0.5)
    assert walk.places(np.array([0.0, 10.0])).tolist() == [
        pytest.approx([-2.4, 0.0]),
        pytest.approx([3.0, 2.5]),
    ]
    assert walk.velocities(np.array([-50.0, 50.0])).tolist() == [pytest.approx([1.2, 0.0]), pytest.approx([0.0, 0.5])]


def test_a_walk_whose_ends_stand_is_where_it_began_before_and_where_it_ended_after():
    # as above; 1.2 m/s within the 0.5 s of smoothing: 2.4 m/s^2 from 1.75 to 2.25 s
    walk = Walk(np.array([2.0, 3.0, 5.0, 6.0]), np.array([[0.0, 0.0], [1.2, 0.0], [3.0, 0.0], [3.0, 0.5]]), 0.5, True)
    assert walk.places(np.array([0.0, 10.0])).tolist() == [pytest.approx([0.0, 0.0]), pytest.approx([3.0, 0.5])]
    assert walk.velocities(np.array([0.0, 1.9, 10.0]))[:, 0] == pytest.approx([0.0, 2.4 * 0.15, 0.0])
    assert walk.own_times(-5.0, 50.0) == (-5.0, 50.0)  # all of it is checked against things and people


def test_somebody_who_walks_on_for_a_time_stands_after_it_and_is_checked_all_the_way():
    # 1 m/s for a second of the file, half a second before it and 2 s after it: from 5.5 to 9.0 m
    walk = walking("Bo", [(3, 6, 9), (4, 7, 9)], smooth_s=0.0, walks_on_s=(0.5, 2.0)).walk_of()
    assert walk.places(np.array([0.0, 2.5, 3.0, 4.0, 6.0, 60.0]))[:, 0].tolist() == [5.5, 5.5, 6.0, 7.0, 9.0, 9.0]
    yard = Scene(
        name="yard",
        path={"legs": [{"direction": "forward", "segments": [{"length_m": 5.0}]}]},
        pillars=[{"x_m": 9.0, "y_m": 9.0, "diameter_m": 0.4}],
    )
    with pytest.raises(InputError, match="from every thing was wanted"):
        yard.with_people(walking("Bo", [(3, 6, 9), (4, 7, 9)], walks_on_s=(0.5, 2.0)))
    short = yard.with_people(walking("Bo", [(3, 6, 9), (4, 7, 9)], walks_on_s=(0.5, 1.0)))
    assert Scene.from_toml(short.to_toml()) == short
    assert short.self_contained().walks[0].places(np.array([99.0]))[0].tolist() == pytest.approx([8.0, 9.0])
    with pytest.raises(ValueError, match="walks_on_s goes with a walk only"):
        standing("Bo", 1, 9, walks_on_s=(0.0, 0.0))


def test_a_first_second_with_a_corner_counts_as_a_whole():
    # 0.5 m in 0.5 s, then 0.5 s of standing: 0.5 m in the first second
    walk = Walk(np.array([0.0, 0.5, 3.0]), np.array([[0.0, 0.0], [0.5, 0.0], [0.5, 0.0]]), 0.0)
    assert walk.places(np.array([-2.0]))[0].tolist() == pytest.approx([-1.0, 0.0])


def test_one_who_stands_first_and_last_stays():
    walk = walking("Bo", [(0, 1, 9), (5, 1, 9), (8, 4, 9), (10, 4, 9)]).walk_of()
    assert walk.places(np.array([-9.0, 4.0, 30.0])).tolist() == [
        pytest.approx([1.0, 9.0]),
        pytest.approx([1.0, 9.0]),
        pytest.approx([4.0, 9.0]),
    ]
    assert walk.own_times(0.0, 30.0) == (0.0, 30.0)
    assert walking("Bo", [(3, 1, 9), (8, 4, 9)]).walk_of().own_times(0.0, 30.0) == (3.0, 8.0)
    assert standing("Bo", 1, 9).walk_of().own_times(0.0, 30.0) == (0.0, 30.0)


def write(folder, text):
    """A file of walks."""
    file = folder / "walks.txt"
    file.write_text(text, encoding="utf-8")
    return file


def test_a_recorded_walk_is_turned_shifted_and_starts_when_told(tmp_path):
    file = write(tmp_path, "# note\n# framerate: 10.00\n\n7\t20\t1.0\t0.0\t1.7\n8 20 0 0 1.7\n7\t21\t1.5\t0.2\t1.7\n")
    t_s, xy = recorded_walk(file, 7, shift_m=(10.0, 20.0), turn_rad=np.pi / 2, start_s=4.0)
    assert t_s.tolist() == pytest.approx([4.0, 4.1])
    assert xy.tolist() == [pytest.approx([10.0, 21.0]), pytest.approx([9.8, 21.5])]


def test_a_file_of_walks_that_was_changed_is_read_anew(tmp_path):
    file = write(tmp_path, "# framerate: 10\n7 0 1.0 0.0 1.7\n")
    assert read_walks(file)[1][0].tolist() == [7.0, 0.0, 1.0, 0.0]
    write(tmp_path, "# framerate: 10\n7 0 2.0 0.0 1.7 and more\n")
    assert read_walks(file)[1][0].tolist() == [7.0, 0.0, 2.0, 0.0]


FILE = "walkers_corridor.txt"


def corridor_scene(folder, monkeypatch, *ids):
    """Real walkers of a laboratory corridor in a yard without walls, far from the vehicle, one every 4 s."""
    if not (folder / FILE).is_file():
        pytest.skip(f"{FILE} is not among the open data")
    monkeypatch.setenv("AVOIDKIT_OPEN_DATA", str(folder))
    path = {"legs": [{"direction": "forward", "segments": [{"length_m": 9.0}]}]}
    empty = Scene(name="yard", path=path, duration_s=100.0)
    return empty.replace_people(
        *(recorded(f"w{i}", FILE, i, shift_m=(0.0, 20.0), start_s=4.0 * k) for k, i in enumerate(ids))
    )


def test_real_walkers_keep_their_speed_and_their_places(open_data, monkeypatch):
    # the origin note of the data gives a free walking speed of about 1.49 m/s, sd 0.22, as means over tracks
    scene = corridor_scene(open_data, monkeypatch, *range(1, 149, 7))
    assert len(scene.people) == 22
    speeds = []
    for person, walk in zip(scene.people, scene.walks, strict=True):
        raw = read_walks(open_data / FILE)[1]
        raw = raw[raw[:, 0] == person.id][:, 2:] + [0.0, 20.0]
        off_m = np.linalg.norm(walk.places(walk.t_s) - raw, axis=1)
        assert off_m.max() < 0.10  # the window of 0.5 s takes away so much of the head's sway at most
        assert np.sqrt(np.mean(off_m**2)) < 0.03
        speeds.append(np.hypot(*walk.velocities(walk.t_s).T).mean())
    assert np.mean(speeds) == pytest.approx(1.49, abs=0.15)
    assert np.std(speeds) < 0.3


def test_real_walkers_come_in_and_leave_at_walking_speed(open_data, monkeypatch):
    walk = corridor_scene(open_data, monkeypatch, 1).walks[0]
    before, after = walk.velocities(np.array([-5.0, walk.t_s[-1] + 5.0]))
    assert 0.8 < np.hypot(*before) < 2.2
    assert 0.8 < np.hypot(*after) < 2.2
    assert walk.places(np.array([-5.0]))[0] == pytest.approx(walk.xy[0] - 5.0 * before, abs=0.1)


def test_a_recorded_walker_who_is_on_the_way_before_the_start_can_be_written_out_and_read_again(open_data):
    who = recorded("Ada", str(open_data / "walkers_corridor.txt"), 1, start_s=-3.0)
    path = {"legs": [{"direction": "forward", "segments": [{"length_m": 12.0}]}]}
    scene = Scene(name="court", path=path, people=[who])
    again = Scene.from_toml(scene.self_contained().to_toml())
    times = np.linspace(0.0, 10.0, 50)
    np.testing.assert_allclose(again.walks[0].places(times), scene.walks[0].places(times), atol=1e-9)
    assert again.people[0].walk[0].t_s == pytest.approx(-3.0)


def test_a_scene_with_recorded_walkers_can_be_made_self_contained(open_data, monkeypatch):
    scene = corridor_scene(open_data, monkeypatch, 1, 60)
    alone = scene.self_contained()
    monkeypatch.delenv("AVOIDKIT_OPEN_DATA")
    again = Scene.from_toml(alone.to_toml())
    times = np.linspace(0.0, 10.0, 50)
    for a, b in zip(scene.walks, again.walks, strict=True):
        np.testing.assert_allclose(a.places(times), b.places(times), atol=1e-9)
