"""The crowd: people keep to their walks, stop where they touch the vehicle, and the operator keeps near it."""

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from avoidkit.checks import InputError
from avoidkit.frames import Pose
from avoidkit.people import Crowd, people_at, signed_distance
from avoidkit.scene import Scene, standing, walking
from avoidkit.tuning import VehicleTuning
from avoidkit.vehicle import outline_in_scene

EMPTY = Scene(name="yard", path={"legs": [{"direction": "forward", "segments": [{"length_m": 9.0}]}]}, duration_s=20.0)
BOX = np.array([[4.0, -1.0], [6.0, -1.0], [6.0, 1.0], [4.0, 1.0]])  # stands for an outline: 2 m by 2 m around (5, 0)
DT = 0.05


def box(dx_m=0.0, dy_m=0.0):
    """The box, moved."""
    return BOX + np.array([dx_m, dy_m])


FAR = box(100.0)


def play(scene, until_s, outline=lambda t: FAR, dt_s=DT):
    """What the crowd of a scene does, step by step, as a list of `People`."""
    crowd = Crowd(scene)
    return [
        crowd.step(k * dt_s, dt_s if k else 0.0, np.asarray(outline(k * dt_s)))
        for k in range(round(until_s / dt_s) + 1)
    ]


def test_nobody_is_a_crowd_too():
    people = play(EMPTY, 1.0)[-1]
    assert len(people) == 0
    assert people.xy.shape == (0, 2)
    assert people.at(0.1).xy.shape == (0, 2)


def test_one_who_walks_to_the_outline_stops_where_the_body_touches():
    # from (5, 4) down at 1 m/s; a disc of 0.25 m touches the flank, y = 1, when its middle is at 1.25 m, after 2.75 s
    seen = play(EMPTY.with_person("Bo", (5.0, 4.0), (0.0, -1.0)), 6.0, lambda t: BOX)
    assert [bool(p.contact[0]) for p in seen[::20]] == [False, False, False, True, True, True, True]
    assert seen[53].xy[0, 1] == pytest.approx(4.0 - 2.65)
    assert seen[-1].xy[0] == pytest.approx([5.0, 1.25], abs=1e-4)
    assert seen[-1].velocity[0].tolist() == [0.0, 0.0]
    assert seen[-1].heading_rad[0] == pytest.approx(-np.pi / 2)
    assert seen[-1].walked_m[0] == pytest.approx(2.75, abs=1e-3)


def test_one_who_was_held_up_goes_on_later_by_that_time():
    # held up from 2.75 to 4.95 s: the step that ends at 5 s, with the vehicle gone, is free; then 2.2 s late for good
    seen = play(EMPTY.with_person("Bo", (5.0, 4.0), (0.0, -1.0)), 8.0, lambda t: BOX if t < 5.0 else FAR)
    assert not seen[100].contact[0]
    assert seen[-1].xy[0] == pytest.approx([5.0, 4.0 - (8.0 - 2.2)], abs=1e-3)
    assert seen[-1].velocity[0] == pytest.approx([0.0, -1.0])


def test_one_who_walks_past_is_not_held_up():
    seen = play(EMPTY.with_person("Bo", (9.0, 1.26), (-1.0, 0.0)), 9.0, lambda t: BOX)
    assert not any(p.contact[0] for p in seen)
    assert seen[-1].xy[0] == pytest.approx([0.0, 1.26])


def test_a_vehicle_that_drives_against_somebody_is_in_contact_and_they_do_not_give_way():
    scene = EMPTY.with_person("Bo", (8.0, 0.0))
    seen = play(scene, 3.0, lambda t: box(t))  # front at 6 + t: touches at 7.75 m after 1.75 s
    assert next(k for k, p in enumerate(seen) if p.contact[0]) == 35
    assert seen[-1].xy[0].tolist() == [8.0, 0.0]


def test_one_whom_the_outline_covers_is_held_while_the_way_leads_inwards_and_can_walk_out():
    scene = EMPTY.with_person("Bo", (5.0, 4.0), (0.0, -1.0))
    # at 3.5 s they are at y = 0.5 and the box is put over them: its upper side is nearest, their way leads inwards
    inwards = play(scene, 8.0, lambda t: FAR if t < 3.52 else BOX)
    assert inwards[-1].contact[0]
    assert inwards[-1].xy[0, 1] == pytest.approx(0.5)
    # at 4.5 s they are at y = -0.5: the lower side is nearest, their way leads out, and nothing holds them
    outwards = play(scene, 8.0, lambda t: FAR if t < 4.52 else BOX)
    assert outwards[95].contact[0]
    assert not outwards[-1].contact[0]
    assert outwards[-1].xy[0, 1] == pytest.approx(-4.0)


def test_one_who_stands_beside_the_outline_touches_it_within_a_quarter_metre():
    apart, touching = EMPTY.with_person("Bo", (5.0, 1.27)), EMPTY.with_person("Bo", (5.0, 1.25))
    assert not play(apart, 0.1, lambda t: BOX)[-1].contact[0]
    assert play(touching, 0.1, lambda t: BOX)[-1].contact[0]


@given(
    st.lists(st.tuples(st.floats(-9, 9), st.floats(-9, 9)), min_size=1, max_size=30),
    st.floats(-9, 9), st.floats(-9, 9), st.floats(-4, 4),
)  # fmt: skip
def test_distance_from_the_outline_agrees_with_a_geometry_library(points, x, y, yaw):
    corners = outline_in_scene(VehicleTuning(), Pose(x, y, yaw))
    polygon = shapely.Polygon(corners)
    for point, found in zip(points, signed_distance(np.array(points), corners), strict=True):
        p = shapely.Point(point)
        truth = -polygon.exterior.distance(p) if polygon.contains(p) else polygon.distance(p)
        assert found == pytest.approx(truth, abs=1e-9)


def several(n):
    """A scene with n walkers in rows of their own, on both sides of the box and some through it."""
    rng = np.random.default_rng(5)
    rows = [
        walking(f"w{k}", [(0, -30.0 - rng.uniform(0, 5), 0.4 * (k - n / 2)), (20, 20.0, 0.4 * (k - n / 2))])
        for k in range(n)
    ]
    return EMPTY.replace_people(*rows)


def test_a_hundred_people_walk_as_each_would_alone():
    scene = several(100)
    together = play(scene, 19.0, lambda t: BOX, dt_s=0.1)
    held_up = 0
    for k in (0, 46, 49, 50, 51, 53, 99):
        alone = play(EMPTY.replace_people(scene.people[k]), 19.0, lambda t: BOX, dt_s=0.1)
        for a, b in zip(together, alone, strict=True):
            np.testing.assert_allclose(a.xy[k], b.xy[0], atol=1e-12)
            assert a.contact[k] == b.contact[0]
        held_up += bool(alone[-1].contact[0])
    assert 0 < held_up < 7


def test_two_plays_of_one_scene_are_equal_in_either_order():
    scene = several(6)
    first = play(scene, 5.0, lambda t: BOX)
    play(scene, 9.0, lambda t: FAR)
    second = play(scene, 5.0, lambda t: BOX)
    for a, b in zip(first, second, strict=True):
        np.testing.assert_array_equal(a.xy, b.xy)
        np.testing.assert_array_equal(a.velocity, b.velocity)


def test_the_length_of_a_step_does_not_change_a_walk():
    scene = EMPTY.with_people(walking("Bo", [(0, 9, 3), (4, 9, 3), (9, 9, 9), (12, 5, 9), (15, 5, 9)]))
    short, long = play(scene, 18.0, dt_s=0.02), play(scene, 18.0, dt_s=0.1)
    np.testing.assert_allclose([p.xy[0] for p in short[::5]], [p.xy[0] for p in long], atol=1e-9)
    times = np.array([p.time_s for p in long])
    np.testing.assert_allclose([p.xy[0] for p in long], scene.walks[0].places(times), atol=1e-3)


def test_a_walk_goes_on_beyond_the_end_of_the_scene():
    crowd = Crowd(EMPTY.with_person("Bo", (9.0, 3.0), (0.0, 1.5)))
    assert crowd.step(100.0, 0.0, FAR).xy[0] == pytest.approx([9.0, 153.0])


def test_between_two_cycles_everybody_goes_on_at_constant_velocity():
    people = play(EMPTY.with_person("Bo", (9.0, 3.0), (0.6, 0.8)), 1.0)[-1]
    assert people.at(0.03).xy[0] == pytest.approx([9.6 + 0.018, 3.8 + 0.024])
    assert people.at(-0.03).xy[0] == pytest.approx([9.6 - 0.018, 3.8 - 0.024])
    assert people.at(0.03).time_s == pytest.approx(1.03)
    assert people.at(0.03).walked_m[0] == pytest.approx(1.03, abs=1e-6)


def test_one_who_stops_keeps_looking_where_they_went():
    people = play(EMPTY.with_people(walking("Bo", [(0, 9, 3), (3, 9, 6), (8, 9, 6)])), 7.0)[-1]
    assert people.velocity[0] == pytest.approx([0.0, 0.0], abs=1e-12)
    assert people.heading_rad[0] == pytest.approx(np.pi / 2)


def test_one_who_stands_looks_where_they_will_go_or_where_they_are_told():
    later = walking("Bo", [(0, 9, 3), (3, 9, 3), (6, 6, 3)])
    told = standing("Cy", 9, 6, facing_deg=-90.0, kind="child")
    people = play(EMPTY.with_people(later, told), 0.0)[0]
    assert people.heading_rad == pytest.approx([np.pi, -np.pi / 2])
    assert people.kind == ("adult", "child")
    assert people.height_m.tolist() == [1.72, 1.15]


def test_people_at_an_instant_are_as_their_walks_have_them():
    scene = EMPTY.with_person("Bo", (9.0, 3.0), (0.0, 1.0)).with_person("Cy", (12.0, 3.0))
    people = people_at(scene, 2.5)
    assert people.xy.tolist() == [pytest.approx([9.0, 5.5]), pytest.approx([12.0, 3.0])]
    assert people.heading_rad[0] == pytest.approx(np.pi / 2)
    assert len(people_at(EMPTY, 0.0)) == 0


def test_an_outline_that_is_not_finite_is_refused():
    crowd = Crowd(EMPTY.with_person("Bo", (9.0, 3.0)))
    with pytest.raises(InputError, match=r"^outline_xy must be finite everywhere, got 1 that are not$"):
        crowd.step(0.0, 0.0, np.where(BOX == 6.0, np.nan, BOX)[[0, 1, 3, 3]])
    with pytest.raises(InputError, match=r"^outline_xy must have shape \(4, 2\), got \(3, 2\)$"):
        crowd.step(0.0, 0.0, BOX[:3])
    with pytest.raises(InputError, match=r"^dt_s must be finite and at least 0, got -0.1$"):
        crowd.step(0.0, -0.1, BOX)


def follow(scene, speeds, dt_s=DT):
    """Distances of the operator from middle and outline, and speeds, while the vehicle drives straight on."""
    vehicle, crowd, x = VehicleTuning(), Crowd(scene), 0.0
    rows = []
    for k, speed in enumerate(speeds):
        x += speed * dt_s
        outline = outline_in_scene(vehicle, Pose(x, 0.0, 0.0))
        people = crowd.step(k * dt_s, dt_s if k else 0.0, outline)
        rows.append(
            (
                np.hypot(*(people.xy[0] - outline.mean(axis=0))),
                signed_distance(people.xy, outline)[0],
                np.hypot(*people.velocity[0]),
            )
        )
    return np.array(rows).T


OPERATED = EMPTY.with_people(standing("Marta", 2.0, 3.8, role="operator", stays_within_m=5.3))


def test_the_operator_stays_within_six_metres_and_off_the_vehicle():
    # UN R79, remote controlled parking: at most 6 m; 2.5 m is ours
    drive = np.concatenate([np.full(300, 1.2), np.zeros(100), np.full(200, 0.3), np.full(100, 1.2), np.zeros(60)])
    from_middle, from_outline, speed = follow(OPERATED, drive)
    assert from_middle.max() < 6.0
    assert from_outline.min() > 2.5
    assert 1.2 <= speed.max() <= 1.8 + 1e-9


def test_the_operator_stands_while_the_vehicle_stands():
    _, _, speed = follow(OPERATED, np.concatenate([np.full(300, 1.2), np.zeros(100)]))
    assert speed[-40:].max() == 0.0
    assert follow(OPERATED, np.zeros(100))[2].max() == 0.0


def test_the_operator_steps_back_from_a_vehicle_that_reverses():
    behind = EMPTY.with_people(standing("Marta", -3.6, 0.0, role="operator", stays_within_m=5.3))
    from_middle, from_outline, speed = follow(behind, np.concatenate([np.linspace(0.0, -0.6, 20), np.full(200, -0.6)]))
    assert from_outline.min() > 2.3  # 0.15 m from the 2.5 m go while they set off
    assert from_middle.max() < 6.0
    assert speed[-1] == pytest.approx(0.6, abs=0.1)


def test_the_operator_walks_round_a_pillar():
    walled = EMPTY.replace({"pillars": [{"x_m": 4.3, "y_m": 1.95, "diameter_m": 0.3}]})
    scene = walled.with_people(*OPERATED.people)
    crowd, vehicle = Crowd(scene), VehicleTuning()
    track = []
    for k in range(400):
        outline = outline_in_scene(vehicle, Pose(0.06 * k, 0.0, 0.0))
        track.append(crowd.step(k * DT, DT if k else 0.0, outline).xy[0])
    gap = shapely.distance(scene.polygons[0], shapely.points(track))
    assert gap.min() >= 0.35 - 1e-9
    assert gap.min() < 0.6  # else the pillar was nowhere near the way
    assert track[-1][0] > 18.0
