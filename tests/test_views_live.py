"""The loop in the hand, without a browser: guests who follow, hold-to-run that is truly held, a clock that waits."""

import math
import threading
import time

import numpy as np
import pytest

from avoidkit import load_scene, shipped
from avoidkit.decision import decide
from avoidkit.people import signed_distance
from avoidkit.vehicle import outline_in_scene
from avoidkit.verdict import Action
from avoidkit.views.asked import Asked, asked_of, blocks_of
from avoidkit.views.live import GUEST, HAND_MPS, LiveLoop
from avoidkit.views.livedrive import IN_FLIGHT, LiveDrive
from avoidkit.views.watched import watch


@pytest.fixture(scope="module")
def lane():
    return load_scene(shipped("scenes") / "lane_6m.toml")


class Hand:
    """A live drive whose page is this test: it steps it, holds, and counts what is shown."""

    def __init__(self, scene, tuning, people=(), **more):
        self.shown = []
        loop = LiveLoop(scene, tuning, 1, people=people, **more)
        self.drive = LiveDrive(loop, threading.RLock(), lambda row, number, state: self.shown.append((number, row)))

    def go(self, seconds, held):
        for _ in range(round(seconds / 0.05)):
            if held is not None:
                self.drive.hear(held, len(self.shown))
            row = self.drive.step()
        return row


def test_the_vehicle_moves_while_it_is_held_and_stops_when_it_is_let_go(lane, tuning):
    hand = Hand(lane, tuning)
    assert hand.go(1.0, held=False).ego.speed_mps == 0.0
    moving = hand.go(2.5, held=True)
    assert moving.ego.speed_mps > 0.5
    assert moving.hold.pressed
    stopped = hand.go(1.5, held=False)
    assert stopped.ego.speed_mps == 0.0
    assert stopped.verdict.action in (Action.HALT, Action.WAIT)


def test_a_page_that_falls_silent_while_holding_stops_the_vehicle(lane, tuning):
    hand = Hand(lane, tuning)
    assert hand.go(3.0, held=True).ego.speed_mps > 0.5
    silent = hand.go(2.0, held=None)
    assert silent.ego.speed_mps == 0.0
    assert "hold-to-run" in silent.verdict.why


def test_a_guest_follows_the_hand_no_faster_than_a_person_can(lane, tuning):
    hand = Hand(lane, tuning, people=[(9.0, 2.0, 0.0, 0.0)])
    hand.go(0.2, held=False)
    hand.drive.loop.crowd.put(0, (9.0, -2.0))
    row = hand.go(0.5, held=False)
    assert row.people.names[-1] == GUEST.format(1)
    assert row.people.xy[-1] == pytest.approx([9.0, 2.0 - 0.5 * HAND_MPS])
    assert row.people.velocity[-1] == pytest.approx([0.0, -HAND_MPS])
    row = hand.go(2.0, held=False)
    assert row.people.xy[-1] == pytest.approx([9.0, -2.0])
    assert row.people.velocity[-1] == pytest.approx([0.0, 0.0])


def test_a_guest_who_was_told_to_walk_walks_on(lane, tuning):
    hand = Hand(lane, tuning, people=[(9.0, 2.0, 0.0, 0.0)])
    hand.drive.loop.crowd.walk(0, (0.0, 0.0))
    hand.drive.loop.crowd.walk(0, (1.0, 0.0))
    first, last = hand.go(0.05, held=False), hand.go(1.0, held=False)
    assert last.people.xy[-1, 0] - first.people.xy[-1, 0] == pytest.approx(1.0)


def test_nobody_is_pulled_through_a_wall_or_under_the_vehicle(lane, tuning):
    hand = Hand(lane, tuning, people=[(9.0, 2.0, 0.0, 0.0)])
    hand.drive.loop.crowd.put(0, (9.0, 9.0))
    row = hand.go(1.0, held=False)
    assert 2.5 < row.people.xy[-1, 1] < 3.0  # the wall's face
    hand.drive.loop.crowd.put(0, (1.0, 0.0))
    row = hand.go(2.5, held=False)
    gap = signed_distance(row.people.xy[-1:], outline_in_scene(tuning.vehicle, row.ego.pose))[0]
    assert gap >= 0.25 - 1e-6


def test_whoever_touches_the_outline_is_a_contact(lane, tuning):
    hand = Hand(lane, tuning, people=[(6.0, 0.0, 0.0, 0.0)])
    hand.drive.loop.crowd.walk(0, (-1.0, 0.0))
    row = hand.go(2.5, held=False)
    gap = signed_distance(row.people.xy[-1:], outline_in_scene(tuning.vehicle, row.ego.pose))[0]
    assert 0.25 <= gap < 0.256
    assert row.contacts == (GUEST.format(1),)


@pytest.mark.parametrize("nonsense", [(math.nan, 0.0), (math.inf, 0.0)])
def test_a_place_that_is_no_number_moves_nobody(lane, tuning, nonsense):
    hand = Hand(lane, tuning, people=[(9.0, 2.0, 0.0, 0.0)])
    hand.drive.loop.crowd.put(0, nonsense)
    hand.drive.loop.crowd.put(7, (0.0, 0.0))
    assert hand.go(0.2, held=False).people.xy[-1] == pytest.approx([9.0, 2.0])


def test_it_can_begin_anywhere_on_the_path(lane, tuning):
    row = Hand(lane, tuning, along_m=5.0).go(0.05, held=False)
    assert row.ego.pose.x_m == pytest.approx(lane.reference.pose_at(5.0).x_m)
    assert row.reference_along_m == pytest.approx(5.0)


def test_the_last_minute_can_be_recorded_and_any_of_its_situations_rebuilt(lane, tuning):
    hand = Hand(lane, tuning, people=[(9.0, 2.0, 0.0, 0.0)])
    assert hand.drive.recording() is None
    hand.go(1.0, held=False)
    hand.go(3.0, held=True)
    recording = hand.drive.recording()
    assert recording.duration_s == pytest.approx(3.95)
    row = recording.row_at(3.0)
    again = decide(recording.situation(3.0), tuning)
    assert (again.action, again.speed_cap_mps) == (row.verdict.action, row.verdict.speed_cap_mps)


def test_the_clock_runs_by_itself_waits_for_a_slow_page_and_stops_for_a_silent_one(lane, tuning, monkeypatch):
    monkeypatch.setattr("avoidkit.views.livedrive.SILENT_S", 0.6)
    hand = Hand(lane, tuning)
    hand.drive.play()
    until = time.monotonic() + 30.0
    while hand.drive.playing and time.monotonic() < until:
        time.sleep(0.05)  # nothing is ever said to have been seen
    hand.drive.close()
    assert not hand.drive.playing
    assert hand.drive.note == "The page is silent: the clock stands."
    numbers = [number for number, _ in hand.shown]
    assert numbers == list(range(1, len(numbers) + 1))
    assert 2 <= len(numbers) <= IN_FLIGHT + 1  # so many without a word, and the one that says why it stands


def test_it_waits_once_the_page_has_not_seen_what_it_was_sent_and_goes_on_when_it_has(lane, tuning):
    hand = Hand(lane, tuning)
    hand.go(0.05 * IN_FLIGHT, held=None)
    assert hand.drive.waits
    hand.drive.hear(False, 1)
    assert not hand.drive.waits


# -- what is asked, and what the sensors make of it ---------------------------------------------------------


def test_a_moved_trolley_is_moved_in_the_scene_and_nothing_else():
    scene = load_scene(shipped("scenes") / "trolley_by_wall.toml")
    blocks = [list(block) for block in blocks_of(scene)]
    assert Asked(blocks=blocks_of(scene)).scene_of(scene) is scene
    k = next(k for k, block in enumerate(blocks) if block[0] == "trolley")
    blocks[k][2] = 11.0
    moved = asked_of({"people": [], "along": 0.0, "blocks": blocks}, scene).scene_of(scene)
    assert moved.trolleys[0].x_m == 11.0
    assert moved.trolleys[0].name == scene.trolleys[0].name
    assert moved.replace({"trolleys.0.x_m": scene.trolleys[0].x_m}) == scene


def test_things_can_be_added_and_removed():
    scene = load_scene(shipped("scenes") / "trolley_by_wall.toml")
    added = asked_of({"blocks": [["parked", -1, 9.0, 3.0, 0.0, 4.0, 1.7]]}, scene).scene_of(scene)
    assert added.trolleys == ()
    assert [(thing.name, thing.length_m) for thing in added.parked] == [("parked 1 of the bench", 4.0)]


@pytest.mark.parametrize(
    "block", [["wall", 0, 1.0, 1.0, 0.0, 1.0, 1.0], ["trolley", 0, math.nan, 1.0, 0.0, 1.0, 1.0], ["trolley", 0, 1.0]]
)
def test_a_thing_that_is_none_is_refused(lane, block):
    from avoidkit.checks import InputError

    with pytest.raises(InputError, match=r"^a movable thing must be a trolley or a parked vehicle with five finite"):
        asked_of({"blocks": [block]}, lane)


def test_what_the_sensors_make_of_it_sees_the_person_about_where_they_are(lane, tuning):
    situation, verdict, error, row = watch(lane, tuning, Asked(((8.0, 1.2, 0.0, 0.0),)), decide)
    assert error == ""
    assert np.hypot(*(situation.tracks.state[:, :2] - [8.0, 1.2]).T).min() < 0.3
    assert verdict.action in (Action.DETOUR, Action.CONTINUE)
    assert row.ego.speed_mps == 0.0
