"""What would turn the answer, for the page: the change, and where somebody has to move for it."""

import numpy as np

from avoidkit.studies.turn import find_turn, quantities
from avoidkit.views.answers import long_step
from avoidkit.views.frames import rounded, turn_of


def turn_message(situation, tuning, decide):
    """The smallest change found, as `{"turn": ..., "shape": ...}`; both None where no single change turns the answer.

    `shape` is `{"from": [x, y], "to": [x, y]}` of the person who would have to move, else None.
    """
    turn = find_turn(situation, tuning, decide=decide, step_s=long_step(tuning))
    return {"turn": turn_of(turn), "shape": None if turn is None else turn_shape(turn, situation, tuning)}


def turn_shape(turn, situation, tuning):
    """Where somebody is and where they would have to be, m; None where the change moves nobody."""
    quantity = next((q for q in quantities(situation, tuning) if q.name == turn.quantity), None)
    if quantity is None or quantity.unit != "m" or "track" not in quantity.name:
        return None
    before = situation.tracks.state[:, :2]
    after = quantity.change(turn.then)[0].tracks.state[:, :2]
    k = int(np.argmax(np.hypot(*(after - before).T)))
    return {"from": rounded(before[k]), "to": rounded(after[k])}
