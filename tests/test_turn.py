"""`find_turn`: applied, it turns the verdict; not quite applied, it does not."""

import numpy as np
import pytest

from avoidkit.scene import Scene
from avoidkit.studies.settled import exact_grid, settle, settled_situation
from avoidkit.studies.turn import find_turn, quantities
from avoidkit.tuning import Tuning
from avoidkit.verdict import Action
from tests.test_decision import LANE

TUNING = Tuning()
SCENE = Scene.from_toml(LANE)
GRID = exact_grid(SCENE, TUNING)


def situation(x_m, y_m, vx=0.0, vy=0.0):
    return settled_situation(SCENE, TUNING, [(x_m, y_m, vx, vy)], grid=GRID, speed_mps=0.6)


def test_somebody_just_too_near_has_to_move_by_what_is_missing():
    where = situation(4.5, 0.0)
    assert settle(where, TUNING).action == Action.HALT
    turn = find_turn(where, TUNING)
    assert turn is not None
    assert turn.becomes != Action.HALT


@pytest.mark.parametrize("seed", range(4))
def test_a_turn_and_a_little_more_turns_the_verdict_and_a_little_less_does_not(seed):
    rng = np.random.default_rng(seed)
    where = situation(rng.uniform(4.5, 11.0), rng.uniform(-2.2, 2.2))
    before = settle(where, TUNING).action
    turn = find_turn(where, TUNING)
    if turn is None:
        pytest.skip("no single change turns this one")
    quantity = next(q for q in quantities(where, TUNING) if q.name == turn.quantity)
    change = turn.then - turn.now
    more = max(0.02 * abs(change), 0.01) * np.sign(change)
    assert settle(*quantity.change(turn.then + more)).action != before
    if abs(change) > abs(more):
        assert settle(*quantity.change(turn.then - more)).action == before
