"""The closed loop in the hand: people who are moved while it runs, and hold-to-run that a person truly holds.

`LiveLoop` is the kit's own loop with two stand-ins: a crowd whose guests go where a hand puts them, and a remote device
whose words come from the page. A word that does not arrive ages like one lost on the link, and the vehicle stops.
"""

import math
from dataclasses import replace

import numpy as np

from avoidkit.decision import decide as kit_decide
from avoidkit.drive import Loop
from avoidkit.people import CONTACT_RADIUS_M, Crowd, People, signed_distance
from avoidkit.remote import OperatorHand

HAND_MPS = 3.0  # a body follows the hand no faster; our placeholder, below the envelope's top speed
WALL_M = 0.25
TOUCH_M = 0.005  # steps towards the outline end at most so far from it
WORD_FRESH_S = 0.25  # a word of the page counts for so long in scene time, then none is sent any more
GUEST = "guest {} on the bench"


class HeldCrowd:
    """Plays the scene's operator as `Crowd` does, and guests who stand, walk on, or follow a hand.

    Parameters
    ----------
    scene : Scene
        Its own people are played by its own `Crowd`.
    guests : sequence of (x, y, vx, vy)
        m and m/s, scene frame.
    """

    def __init__(self, scene, guests):
        rows = np.asarray(guests, float).reshape(-1, 4)
        self._scene, self._own = scene, Crowd(scene)
        self._xy, self._velocity, self._moves = rows[:, :2].copy(), rows[:, 2:].copy(), rows[:, 2:].copy()
        speed = np.hypot(*rows[:, 2:].T) if len(rows) else np.zeros(0)
        self._heading = np.where(speed > 0, np.arctan2(rows[:, 3], rows[:, 2]), math.pi)
        self._walked, self._targets = np.zeros(len(rows)), {}
        self._names = tuple(GUEST.format(k + 1) for k in range(len(rows)))

    def __len__(self):
        return len(self._xy)

    def put(self, index, xy):
        """Somebody is to be at `xy`, m; they go there at most at `HAND_MPS` and then stand."""
        if 0 <= index < len(self._xy) and np.isfinite(xy).all():
            self._targets[index] = np.asarray(xy, float)
            self._velocity[index] = 0.0

    def walk(self, index, velocity):
        """Somebody walks on at this velocity, m/s, until told otherwise; (0, 0) stands."""
        if 0 <= index < len(self._xy) and np.isfinite(velocity).all():
            self._targets.pop(index, None)
            speed = math.hypot(*velocity)
            self._velocity[index] = np.asarray(velocity, float) * min(1.0, HAND_MPS / max(speed, 1e-9))

    def step(self, time_s, dt_s, outline_xy):
        """Everybody `dt_s` later, as `Crowd.step`."""
        own, outline = self._own.step(time_s, dt_s, outline_xy), np.asarray(outline_xy, float)
        for k in range(len(self._xy)):
            self._step_one(k, dt_s, outline)
        return self._joined(own, time_s, outline)

    def _step_one(self, k, dt_s, outline):
        here = self._xy[k].copy()
        self._moves[k] = 0.0 if dt_s > 0 else self._velocity[k]
        if dt_s <= 0:
            return
        move = self._velocity[k] * dt_s
        if k in self._targets:
            way = self._targets[k] - here
            move = way * min(1.0, HAND_MPS * dt_s / max(float(np.hypot(*way)), 1e-9))
        move = self._free_part(here, move, outline)
        self._xy[k], self._moves[k] = here + move, move / dt_s
        self._walked[k] += float(np.hypot(*move))
        if np.hypot(*self._moves[k]) > 0.1:
            self._heading[k] = math.atan2(self._moves[k, 1], self._moves[k, 0])

    def _free_part(self, here, move, outline):
        """The part of a step that ends neither in a thing nor under the vehicle; stepping away is always free."""
        for share in (1.0, 0.5, 0.25, 0.1, 0.03):
            there = here + share * move
            if self._may_stand(here, there) and self._beside(here, there, outline):
                return share * move
        return np.zeros(2)

    def _may_stand(self, here, there):
        solids = self._scene.solid
        if solids is None:
            return True
        import shapely

        before, after = shapely.distance(solids, shapely.points([here, there]))
        return after >= WALL_M or after >= before

    @staticmethod
    def _beside(here, there, outline):
        before, after = signed_distance(np.array([here, there]), outline)
        return after >= CONTACT_RADIUS_M or after >= before

    def _joined(self, own, time_s, outline):
        n = len(self._xy)
        contact = signed_distance(self._xy, outline) <= CONTACT_RADIUS_M + TOUCH_M if n else np.zeros(0, bool)
        return People(
            float(time_s),
            own.names + self._names,
            np.vstack([own.xy, self._xy]),
            np.vstack([own.velocity, self._moves]),
            np.concatenate([own.heading_rad, self._heading]),
            own.kind + ("adult",) * n,
            np.concatenate([own.walked_m, self._walked]),
            np.concatenate([own.height_m, np.full(n, 1.72)]),
            np.concatenate([own.contact, contact]),
            np.concatenate([own.is_operator, np.zeros(n, bool)]),
        )


class HeldHand(OperatorHand):
    """Hold-to-run from the page: each word says pressed or not, and none is sent when none has come for a while."""

    def __init__(self, scene, vehicle, *, seed=0):
        super().__init__(scene, vehicle, seed=seed)
        self._held, self._said_s, self._now_s = False, -math.inf, 0.0

    def say(self, pressed):
        """A word of the page, now."""
        self._held, self._said_s = bool(pressed), self._now_s

    def step(self, time_s, ready, people, ego):
        """The last word that has arrived, as `OperatorHand.step`."""
        self._now_s = time_s
        if self._held and time_s - self._said_s > WORD_FRESH_S:
            return self._last  # the page is silent: the last word ages, as it would on a broken link
        return super().step(time_s, ready, people, ego)

    def _pressed(self, time_s, ready):
        return self._held


class LiveLoop(Loop):
    """The loop of a drive with people and hold-to-run in somebody's hands.

    Parameters
    ----------
    scene, tuning, seed, decide :
        As in `drive`; of the scene's people only the operator plays a part.
    people : sequence of (x, y, vx, vy)
        The guests at first.
    along_m : float
        Where the vehicle begins on its reference path.
    """

    def __init__(self, scene, tuning, seed, decide=kit_decide, *, people=(), along_m=0.0):
        scene = scene.without_guests()
        super().__init__(scene, tuning, seed, decide)
        self.seed = int(seed)
        self.crowd = self._crowd = HeldCrowd(scene, people)
        self.hand = self._hand = HeldHand(scene, tuning.vehicle, seed=seed)
        if along_m > 0:
            pose, direction = self.reference.pose_at(along_m), self.reference.direction_at(along_m)
            steering = math.atan(float(self.reference.curvature_at(along_m)) * tuning.vehicle.wheelbase_m)
            self._motion = replace(
                self._motion, pose=pose, direction=int(direction), along_m=float(along_m), steering_rad=steering
            )
            self._reference_along = float(along_m)

    @property
    def all_paths(self):
        """Every path that has been active so far."""
        return tuple(self._paths.values())
