"""The answer for somebody at one place: by exact knowledge, or after simulated sensors have watched for a while."""

import math
from dataclasses import dataclass, replace

import numpy as np

from avoidkit.decision import decide as kit_decide
from avoidkit.drive import Loop
from avoidkit.motion import Motion
from avoidkit.people import CONTACT_RADIUS_M, signed_distance
from avoidkit.roles import Step
from avoidkit.scene import PersonModel, standing
from avoidkit.studies.settled import exact_grid, settle, settled_situation
from avoidkit.vehicle import outline_in_scene
from avoidkit.verdict import Action, Hold, Memory

COARSE_S = 0.3  # a decision of the user's own is asked so often while a situation is held still
WALKED_S = (3.0, 2.0, 1.5, 1.0, 0.7, 0.5)  # a walker whose way is not clear has walked so long, and stood before
THING_M = 0.2  # kept from things by somebody who walks
LONG_S = 10.0  # any delay of the decision is over after this


@dataclass(frozen=True, slots=True)
class Answer:
    """A settled answer: action (empty where nobody can be), the check that settled it, its slack, the speed cap."""

    action: str
    settled_by: str = ""
    slack: float = math.nan
    unit: str = ""
    cap_mps: float = math.nan


NOBODY = Answer("")


class Places:
    """Asks one decision about many places of one person, in one scene with nobody else.

    Parameters
    ----------
    scene : Scene
    tuning : Tuning
    velocity : (vx, vy)
        m/s, scene frame, of the person.
    along_m, speed_mps : float
        Where on its path the vehicle is, and how fast; sensors watch from a standing vehicle only.
    watch_s : float or None
        None: exact knowledge; else how long simulated sensors have watched.
    seed : int
        Of the sensors.
    decide : callable
    """

    def __init__(self, scene, tuning, velocity=(0.0, 0.0), *, along_m=0.0, speed_mps=0.0, watch_s=None, seed=0,
                 decide=kit_decide):  # fmt: skip
        self._scene, self._tuning, self._velocity = scene.replace_people(), tuning, velocity
        self._along_m, self._speed_mps, self._watch_s, self._seed = along_m, speed_mps, watch_s, seed
        self._decide = decide
        self._grid = _grid_of(scene, tuning, along_m) if watch_s is None else None
        self._outline = outline_in_scene(tuning.vehicle, self._scene.reference.pose_at(along_m))

    def is_free(self, x_m, y_m):
        """Whether somebody can be there: not in a thing, nor in the vehicle."""
        import shapely

        if signed_distance(np.array([[x_m, y_m]]), self._outline)[0] <= CONTACT_RADIUS_M:
            return False
        solid = self._scene.solid
        return solid is None or not shapely.intersects_xy(solid, x_m, y_m)

    def answer(self, x_m, y_m):
        """The `Answer` for somebody there."""
        if not self.is_free(x_m, y_m):
            return NOBODY
        situation = self.situation(x_m, y_m)
        return NOBODY if situation is None else _answer_of(self._settled(situation))

    def situation(self, x_m, y_m):
        """What the decision looks at; None where sensors would watch somebody who cannot have walked there."""
        if self._watch_s is not None:
            return self._watched(x_m, y_m)
        who = [(x_m, y_m, *self._velocity)]
        return settled_situation(
            self._scene, self._tuning, who, along_m=self._along_m, speed_mps=self._speed_mps, grid=self._grid
        )

    def _settled(self, situation):
        """The kit's own decision depends on the past by its memory alone: one that has waited long enough says at once
        what asking on and on would come to."""
        if self._decide is not kit_decide:
            return settle(situation, self._tuning, decide=self._decide, step_s=COARSE_S)
        long_ago = situation.time_s - LONG_S
        memory = Memory(
            since_s=long_ago, pending="detour", pending_since_s=long_ago, capped_since_s=long_ago, halted=False
        )
        return kit_decide(replace(situation, memory=memory), self._tuning)

    def _watched(self, x_m, y_m):
        person = self._walker(x_m, y_m)
        if person is None:
            return None
        scene = self._scene.replace_people(person)
        return _Watcher(scene, self._tuning, self._seed, self._along_m).watch(self._watch_s)

    def _walker(self, x_m, y_m):
        """Somebody who is there when the watching ends: standing, or walking for as long as the way was clear."""
        vx, vy = (float(v) for v in self._velocity)
        if vx == 0.0 and vy == 0.0:
            return standing("somebody", x_m, y_m)
        for walks_s in (self._watch_s, *(s for s in WALKED_S if s < self._watch_s)):
            from_x, from_y = x_m - vx * walks_s, y_m - vy * walks_s
            if self._is_clear((from_x, from_y), (x_m, y_m)):
                begins = self._watch_s - walks_s
                steps = [(0.0, from_x, from_y)] if begins > 0 else []
                steps += [(begins, from_x, from_y), (self._watch_s, x_m, y_m)]
                walk = tuple(Step(t_s=t, x_m=x, y_m=y) for t, x, y in steps)
                return PersonModel(name="somebody", walk=walk, smooth_s=0.0)
        return None

    def _is_clear(self, start, end):
        import shapely

        line, solid = shapely.LineString([start, end]), self._scene.solid
        vehicle = shapely.Polygon(self._outline)
        clear = solid is None or shapely.distance(line, solid) > THING_M
        return clear and shapely.distance(line, vehicle) > CONTACT_RADIUS_M


_last = {}


def _grid_of(scene, tuning, along_m):
    """The grid of perfect knowledge; the last one is kept, for the next line of a map asks for the same."""
    if not (_last.get("scene") is scene and _last["tuning"] is tuning and _last["along_m"] == along_m):
        grid = exact_grid(scene, tuning, along_m=along_m)
        _last.update(scene=scene, tuning=tuning, along_m=along_m, grid=grid)
    return _last["grid"]


def _answer_of(verdict):
    check = next((c for c in reversed(verdict.checks) if c.name == verdict.settled_by), None)
    action = Action.HALT if verdict.action == Action.WAIT else verdict.action
    return Answer(
        str(action), verdict.settled_by, math.nan if check is None else float(check.slack),
        "" if check is None else check.unit, float(verdict.speed_cap_mps),
    )  # fmt: skip


class _Watcher(Loop):
    """A vehicle that stands and looks: sensors, tracker and grid go on, nobody presses."""

    def __init__(self, scene, tuning, seed, along_m):
        super().__init__(scene, tuning, seed)
        pose, direction = self.reference.pose_at(along_m), self.reference.direction_at(along_m)
        self._motion = Motion(pose, direction=direction, path_name=self.reference.name, along_m=along_m)
        self._reference_along = along_m
        self._kept = None

    def watch(self, seconds):
        """The situation after so many seconds, with the hold pressed and nothing decided yet."""
        cycle_s = self.tuning.cycle_s
        for cycle in range(max(round(seconds / cycle_s), 1) + 1):
            self.step(cycle * cycle_s)
        now = self._kept.time_s
        return replace(self._kept, hold=Hold(True, now, self._kept.hold.distance_m), memory=Memory(since_s=now))

    def _judge(self, now, ego, hold, tracks, grid, echoes, errors):
        from avoidkit.decision import halting
        from avoidkit.verdict import Situation

        situation = Situation(
            now, ego, self.reference, self._motion.along_m, self.reference, self._reference_along, tracks, grid, echoes,
            hold, dict(self._sensor_state), self._memory,
        )  # fmt: skip
        self._kept = situation
        return situation, halting(situation, "only watching", "watching"), ""
