"""The halt-only baseline: echoes decide, and nothing but continue, halt and wait comes out."""

from dataclasses import replace

import numpy as np
import pytest

from avoidkit import Action, drive, load_scene, shipped
from avoidkit.sensing.records import Echoes
from avoidkit.studies.settled import settle, settled_situation
from avoidkit.studies.ultrasonic_only import KEEP_M, decide_by_echoes, echo_check


@pytest.fixture(scope="module")
def situation(tuning):
    return settled_situation(load_scene(shipped("scenes") / "open_yard.toml"), tuning, speed_mps=1.0)


def heard(situation, k, echo_m):
    first = np.full(12, np.inf)
    first[k] = echo_m
    return replace(situation, echoes=Echoes(situation.time_s, situation.time_s, first))


def test_the_distance_that_an_echo_has_to_keep_is_stop_plus_cycle_plus_what_is_left(situation, tuning):
    # by hand, baseline: 1.0 * (0.15 + 0.05) + 1.0^2 / 8 - 4 * 0.1^2 / 24 = 0.32333; one cycle 0.05; 0.30 kept
    check = echo_check(heard(situation, 2, 3.0), tuning)
    assert check.needed == pytest.approx(0.32333 + 0.05 + KEEP_M, abs=1e-5)
    assert (check.found, check.holds, check.about) == (3.0, True, "ultrasonic 3")


@pytest.mark.parametrize(("k", "echo_m", "action"), [(2, 0.67, "halt"), (2, 0.68, "continue"), (8, 0.2, "continue")])
def test_it_halts_for_a_near_echo_ahead_and_for_nothing_behind(situation, tuning, k, echo_m, action):
    assert str(decide_by_echoes(heard(situation, k, echo_m), tuning).action) == action


def test_it_knows_no_people_and_no_ground(situation, tuning):
    crowd = settled_situation(load_scene(shipped("scenes") / "open_yard.toml"), tuning, [(5.0, 0.0, 0.0, 0.0)])
    verdict = decide_by_echoes(crowd, tuning)
    assert (verdict.action, verdict.speed_cap_mps) == (Action.CONTINUE, tuning.vehicle.top_mps)


def test_missing_or_old_echoes_and_a_lost_link_halt(situation, tuning):
    old = replace(situation, echoes=Echoes(situation.time_s - 2.0, situation.time_s - 2.0, np.full(12, np.inf)))
    lost = replace(situation, hold=replace(situation.hold, sent_s=situation.time_s - 1.0))
    far = replace(situation, hold=replace(situation.hold, distance_m=20.0))
    for bad in (replace(situation, echoes=None), old, lost, far):
        assert decide_by_echoes(bad, tuning).action == Action.HALT
    released = replace(situation, hold=replace(situation.hold, pressed=False))
    assert decide_by_echoes(released, tuning).action == Action.HALT


def test_a_halt_lasts_until_the_operator_renews(situation, tuning):
    halted = settle(heard(situation, 2, 0.2), tuning, decide=decide_by_echoes)
    assert halted.memory.halted
    free_again = replace(situation, memory=halted.memory)
    assert decide_by_echoes(free_again, tuning).action == Action.HALT  # not yet free for long enough
    assert settle(free_again, tuning, decide=decide_by_echoes).action == Action.WAIT


def test_it_stands_before_somebody_in_the_lane_and_never_goes_round(tuning):
    scene = load_scene(shipped("scenes") / "guest_stands_room.toml")
    recording = drive(scene, tuning, seed=0, duration_s=11.0, decide=decide_by_echoes)
    summary = recording.summary()
    assert "detour" not in summary["seconds"]
    assert [stop["kind"] for stop in summary["stops"]][-1] == "halt"
    assert not summary["contacts_moving"]
