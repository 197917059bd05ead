"""The operator's hand on the remote device: hold-to-run, and the link that carries its words."""

import math

import numpy as np

from avoidkit.frames import to_local
from avoidkit.tuning import VehicleTuning
from avoidkit.vehicle import box
from avoidkit.verdict import Hold

_LINK_STREAM = 9001  # spawn key of the link's own random stream


class OperatorHand:
    """Presses and releases, and hands out the last word of the remote device that has arrived.

    With `hold.mode = "timed"` the button is held as the scene says. With `"operator"` it is pressed at
    `press_at_s`; once the kit has been ready to move on for `reaction_s`, it is released for `release_s` and
    pressed anew.

    Every call sends one word: pressed or not, when, and how far the operator is from the middle of the
    vehicle's outline (so at least as far as from the nearest point of the vehicle). Without an operator in
    the scene the distance is `hold.distance_m`. Link faults of the scene act here: `late` adds to the time
    until a word arrives, `dropping` loses a share of them, `lost` loses all.

    Parameters
    ----------
    scene : Scene
    vehicle : VehicleTuning
        Where the middle of the outline is.
    seed : int
        For words that get dropped.
    """

    def __init__(self, scene, vehicle=None, *, seed=0):
        front_m, rear_m, _ = box(vehicle or VehicleTuning())
        self._middle = np.array([(front_m + rear_m) / 2, 0.0])
        self._hold, self._seed = scene.hold, seed
        self._faults = [fault for fault in scene.faults if fault.sensor == "link"]
        self._sent, self._under_way = 0, []
        self._last = Hold(False, -math.inf, scene.hold.distance_m)
        self._ready_since_s = self._released_at_s = None

    def step(self, time_s, ready, people, ego):
        """The last word that has arrived at `time_s`; a `Hold`.

        Parameters
        ----------
        time_s : float
        ready : bool
            The kit would move on once the operator acts.
        people : People
        ego : Ego
        """
        word = Hold(self._pressed(time_s, bool(ready)), float(time_s), self._distance(people, ego))
        late_s, arrives = self._link(time_s)
        if arrives:
            self._under_way.append((time_s + late_s, word))
        there = [w for arrives_s, w in self._under_way if arrives_s <= time_s + 1e-9]
        self._under_way = [entry for entry in self._under_way if entry[0] > time_s + 1e-9]
        self._last = max([self._last, *there], key=lambda w: w.sent_s)
        return self._last

    def _pressed(self, time_s, ready):
        hold = self._hold
        if hold.mode == "timed":
            return any(press.from_s <= time_s < press.to_s for press in hold.presses)
        if time_s < hold.press_at_s:
            return False
        if self._released_at_s is not None:
            if time_s < self._released_at_s + hold.release_s - 1e-9:
                return False
            self._released_at_s = self._ready_since_s = None
            return True
        if not ready:
            self._ready_since_s = None
            return True
        if self._ready_since_s is None:
            self._ready_since_s = time_s
        if time_s >= self._ready_since_s + hold.reaction_s - 1e-9:
            self._released_at_s = time_s
            return False
        return True

    def _distance(self, people, ego):
        operators = people.xy[people.is_operator]
        if not len(operators):
            return float(self._hold.distance_m)
        return float(np.hypot(*(to_local(operators[0], ego.pose) - self._middle)))

    def _link(self, time_s):
        """How late the word sent now will be, and whether it arrives at all."""
        self._sent += 1
        late_s = 0.0
        for fault in self._faults:
            if not fault.from_s <= time_s < fault.to_s:
                continue
            if fault.kind == "lost":
                return 0.0, False
            if fault.kind == "late":
                late_s = fault.amount
            elif fault.kind == "dropping":
                stream = np.random.default_rng(np.random.SeedSequence(self._seed, spawn_key=(_LINK_STREAM, self._sent)))
                if stream.random() < fault.amount:
                    return 0.0, False
        return late_s, True
