"""The promise, by exact knowledge: whoever keeps inside the envelope is never touched by a moving vehicle."""

import pytest

from avoidkit import load_scene, shipped
from avoidkit.tuning import Tuning, load_tuning
from tests.adversary import outcome

LANE = shipped("scenes") / "lane_6m.toml"
TUNINGS = {"baseline": Tuning(), "slow_brakes": load_tuning(shipped("tunings") / "slow_brakes.toml")}


@pytest.mark.parametrize("name", sorted(TUNINGS))
def test_the_vehicle_stands_when_adversaries_inside_the_envelope_touch_it(name):
    scene = load_scene(LANE)
    touched, driven = 0, 0.0
    for seed in range(3):
        _, row = outcome(scene, TUNINGS[name], seed, duration_s=25.0)
        assert row["contacts_moving"] == 0, row
        touched += row["contacts_at_rest"]
        driven += row["driven_m"]
    assert touched > 0  # they do get to it, so that the test could fail
    assert driven > 3.0  # and it does move among them


@pytest.mark.slow
@pytest.mark.parametrize("people", [1, 3])
def test_the_vehicle_stands_when_more_adversaries_touch_it(people):
    scene = load_scene(LANE)
    for seed in range(100, 108):
        _, row = outcome(scene, TUNINGS["baseline"], seed, people=people, duration_s=30.0)
        assert row["contacts_moving"] == 0, row


def test_an_adversary_with_stronger_legs_than_the_envelope_does_hit_a_vehicle_with_late_brakes():
    """The test of the test: with a true brake latency of 0.6 s, of which the tuning knows nothing, contacts happen."""
    scene = load_scene(LANE).replace({"true_vehicle": {"latency_s": 0.6, "brake_build_up_s": 0.4, "brake_mps2": 1.0}})
    found = [outcome(scene, TUNINGS["baseline"], seed, duration_s=20.0)[1]["contacts_moving"] for seed in range(4)]
    assert sum(found) > 0
