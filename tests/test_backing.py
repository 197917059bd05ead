"""Backing off to make room for a detour: only by option, only at rest, only where rule 1 and the rear radars allow."""

from dataclasses import replace

import numpy as np
import pytest

from avoidkit.backing import behind
from avoidkit.decision import decide
from avoidkit.frames import Pose
from avoidkit.paths import path_from_legs
from avoidkit.scene import Scene, walking
from avoidkit.sensing.records import Health
from avoidkit.studies.exact import ExactLoop
from avoidkit.studies.settled import settle, settled_situation
from avoidkit.tuning import Tuning
from avoidkit.verdict import Action

BACKS = Tuning().replace({"detour.pull_back_m": 4.0})
YARD = Scene.from_toml("""
name = "yard"
[[walls]]
corners_m = [[-8.0, 6.0], [40.0, 6.0]]
[[walls]]
corners_m = [[-8.0, -6.0], [40.0, -6.0]]
[hold]
mode = "operator"
press_at_s = 0.5
[[path.legs]]
direction = "forward"
segments = [{length_m = 26.0}]
""")
NEAR = (8.0 + 5.2, 0.0, 0.0, 0.0)  # stands 1.35 m before the bumper of a vehicle 8 m along


def near_somebody(*others, tuning=BACKS):
    return settled_situation(YARD, tuning, (NEAR, *others), along_m=8.0)


def test_the_way_behind_is_the_way_come_driven_back():
    way = path_from_legs(Pose(0.0, 0.0, 0.0), [(1, [(8.0, 0.7)])])
    back = behind(way, 6.0, 2.0, "pull back")
    for s in (0.0, 0.5, 2.0):
        np.testing.assert_allclose(back.poses_at(s), way.poses_at(6.0 - s), atol=1e-9)
        assert back.curvature_at(s) == pytest.approx(way.curvature_at(6.0 - s))
    assert set(back.direction) == {-1}


def test_without_the_option_it_stands():
    verdict = settle(near_somebody(tuning=Tuning()), Tuning())
    assert verdict.action == Action.HALT


def test_with_the_option_it_backs_off_and_says_so():
    verdict = settle(near_somebody(), BACKS)
    assert verdict.action == Action.DETOUR
    assert verdict.path.name.startswith("pull back")
    assert verdict.path.direction_at(0.0) == -1
    assert 0.5 <= verdict.path.length_m <= 4.0
    assert "backs off" in verdict.why or "a detour fits" in verdict.why


def test_it_does_not_back_off_towards_somebody_behind():
    verdict = settle(near_somebody((8.0 - 2.0, 0.3, 0.0, 0.0)), BACKS)
    assert verdict.action == Action.HALT


def test_it_does_not_back_off_where_the_rear_radars_are_blind():
    situation = near_somebody()
    now = situation.time_s
    for name in ("rear_left", "rear_right"):
        blind = replace(situation, sensors={**situation.sensors, name: (Health.BLIND, now)})
        assert settle(blind, BACKS).action == Action.HALT


def test_it_does_not_back_off_while_it_rolls():
    rolling = replace(near_somebody(), ego=replace(near_somebody().ego, speed_mps=0.05))
    assert not decide(rolling, BACKS).path.name.startswith("pull back")


def test_in_a_closed_loop_it_backs_off_goes_round_and_arrives():
    scene = YARD.replace_people(
        walking("guest", [(0.0, 13.0, 4.2), (5.0, 13.0, 4.2), (8.0, 13.0, 0.0), (90.0, 13.0, 0.0)])
    )
    ended = {}
    for tuning in (Tuning(), BACKS):
        loop, rows = ExactLoop(scene, tuning, 1), []
        for cycle in range(1600):
            rows.append(loop.step(cycle * tuning.cycle_s))
            if rows[-1].verdict.settled_by == "way left":
                break
        assert not any(row.contacts for row in rows)
        ended[tuning.detour.pull_back_m] = rows[-1].verdict.settled_by == "way left"
        backs = [row for row in rows if row.path.startswith("pull back")]
        assert bool(backs) == (tuning is BACKS)
        assert all(row.ego.speed_mps <= 1e-9 for row in backs)
    assert ended == {0.0: False, 4.0: True}
