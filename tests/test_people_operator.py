"""The operator's hand: what is pressed when, how far away, and what the link makes of it."""

import math

import numpy as np
import pytest

from avoidkit.frames import Pose
from avoidkit.people import Crowd, people_at
from avoidkit.scene import OperatorHand, Scene, standing
from avoidkit.tuning import VehicleTuning
from avoidkit.vehicle import Ego, outline_in_scene

YARD = Scene(name="yard", path={"legs": [{"direction": "forward", "segments": [{"length_m": 9.0}]}]}, duration_s=20.0)
EGO = Ego(0.0, Pose(0.0, 0.0, 0.0), 0.0, 0.0, 0.0)
DT = 0.05


def words(scene, until_s, ready=lambda t: False, *, seed=0, ego=EGO):
    """What the hand hands out at each cycle, as {time in ms: Hold}."""
    hand, people = OperatorHand(scene, seed=seed), people_at(scene, 0.0)
    times = [k * DT for k in range(round(until_s / DT) + 1)]
    return {round(1000 * t): hand.step(t, ready(t), people, ego) for t in times}


def changes(found):
    """[(time in ms, pressed)] wherever the button changes."""
    times = sorted(found)
    pressed = [found[t].pressed for t in times]
    return [(t, p) for t, p, before in zip(times, pressed, [None, *pressed], strict=False) if p != before]


def test_timed_presses_are_held_from_their_beginning_until_their_end():
    presses = [{"from_s": 1.0, "to_s": 2.5}, {"from_s": 4.0, "to_s": 9.0}]
    scene = YARD.replace({"hold": {"mode": "timed", "presses": presses}})
    found = words(scene, 10.0, ready=lambda t: True)
    assert changes(found) == [(0, False), (1000, True), (2500, False), (4000, True), (9000, False)]


def test_the_operator_presses_and_holds_as_long_as_nothing_is_asked():
    scene = YARD.replace({"hold.press_at_s": 2.0})
    assert changes(words(scene, 10.0)) == [(0, False), (2000, True)]


def test_the_operator_renews_after_the_reaction_time():
    # ready from 5 s on; reaction 1.5 s: released at 6.5 s for 0.3 s
    scene = YARD.replace({"hold.press_at_s": 2.0, "hold.reaction_s": 1.5})
    found = words(scene, 7.5, ready=lambda t: 5.0 - 1e-9 <= t < 6.8)
    assert changes(found) == [(0, False), (2000, True), (6500, False), (6800, True)]


def test_a_way_that_was_free_too_shortly_is_not_acted_on():
    scene = YARD.replace({"hold.reaction_s": 1.0})
    flickering = words(scene, 15.0, ready=lambda t: (t % 1.0) < 0.9)
    assert changes(flickering) == [(0, False), (1000, True)]


def test_an_operator_who_is_not_heard_tries_again():
    found = words(YARD, 6.0, ready=lambda t: True)
    # pressed at 1.0; ready: released at 2.0, pressed at 2.3; still ready: the reaction time runs anew, and so on
    times = [t for t, pressed in changes(found) if not pressed]
    assert times[:3] == [0, 2000, 3350]


def test_the_distance_is_from_the_middle_of_the_outline():
    # outline from -0.95 to 3.85 m: middle at 1.45 m; the vehicle at (10, 5) looks along y, so that the operator at
    # (6, 6.45) is at (1.45, 4.0) in its frame
    scene = YARD.with_people(standing("Marta", 6.0, 6.45, role="operator"))
    ego = Ego(0.0, Pose(10.0, 5.0, math.pi / 2), 0.0, 0.0, 0.0)
    assert words(scene, 0.1, ego=ego)[0].distance_m == pytest.approx(4.0)


def test_without_an_operator_the_distance_is_that_of_the_scene():
    scene = YARD.replace({"hold.distance_m": 2.2}).with_person("Bo", (3.0, 9.0))
    assert words(scene, 0.1)[0].distance_m == 2.2


def linked(**fault):
    """The yard with one fault of the link, and an operator who presses from the start."""
    return YARD.replace({"hold.press_at_s": 0.0, "faults": [{"sensor": "link", **fault}]})


def test_a_link_in_order_is_fresh():
    found = words(YARD, 3.0)
    assert all(word.sent_s == pytest.approx(t / 1000) for t, word in found.items())


def test_a_late_link_gives_old_words_and_then_fresh_ones():
    found = words(linked(kind="late", from_s=1.0, to_s=2.0, amount=0.5), 3.0)
    assert found[950].sent_s == pytest.approx(0.95)
    assert found[1400].sent_s == pytest.approx(0.95)  # what was sent at 1.0 s is there at 1.5 s
    assert found[1500].sent_s == pytest.approx(1.0)
    assert found[1900].sent_s == pytest.approx(1.4)
    assert found[2000].sent_s == pytest.approx(2.0)
    assert found[2200].sent_s == pytest.approx(2.2)  # late words of before do not count any more


def test_a_lost_link_leaves_the_last_word_as_old_as_it_is():
    found = words(linked(kind="lost", from_s=1.0, to_s=2.0), 3.0)
    assert found[1900].sent_s == pytest.approx(0.95)
    assert found[1900].pressed
    assert found[2000].sent_s == pytest.approx(2.0)


def test_before_any_word_has_arrived_nothing_is_held():
    word = words(linked(kind="lost", from_s=0.0, to_s=2.0), 1.0)[1000]
    assert not word.pressed
    assert word.sent_s == -math.inf


def test_a_dropping_link_loses_about_its_share_and_the_same_with_the_same_seed():
    scene = linked(kind="dropping", from_s=0.0, to_s=100.0, amount=0.3).replace({"duration_s": 100.0})
    found = words(scene, 50.0, seed=4)
    lost = sum(word.sent_s < t / 1000 - 1e-9 for t, word in found.items())
    # binomial, n = 1001, p = 0.3: mean 300, standard deviation 14.5; four of them
    assert 242 < lost < 358
    assert [w.sent_s for w in words(scene, 50.0, seed=4).values()] == [w.sent_s for w in found.values()]
    assert [w.sent_s for w in words(scene, 50.0, seed=5).values()] != [w.sent_s for w in found.values()]


def test_the_distance_grows_when_the_vehicle_leaves_its_operator_behind():
    scene = YARD.with_people(standing("Marta", 1.45, 4.0, role="operator"))
    crowd, hand, vehicle = Crowd(scene), OperatorHand(scene), VehicleTuning()
    found = []
    for k in range(81):
        pose = Pose(0.05 * k, 0.0, 0.0)
        people = crowd.step(k * DT, DT if k else 0.0, outline_in_scene(vehicle, pose))
        found.append(hand.step(k * DT, False, people, Ego(k * DT, pose, 1.0, 0.0, 0.0)).distance_m)
    assert found[0] == pytest.approx(4.0)
    assert found[60] == pytest.approx(5.0)  # 3, 4, 5
    assert np.all(np.diff(found) > 0)
