"""Exact knowledge but for what things hide, and people who hide behind a parked vehicle and step out.

Slow and plain: every cell and every body is looked at by a straight line from each radar's place. There is no noise, no
blind wedge and no false return, so that only the decision about shadows is judged.
"""

import math
from dataclasses import replace

import numpy as np
import shapely

from avoidkit.people import CONTACT_RADIUS_M
from avoidkit.sensing.kernels import transmission
from avoidkit.studies.exact import ExactLoop
from avoidkit.tracking.cluster import sensor_pose
from avoidkit.tracking.records import exact_tracks
from tests.adversary import Adversaries

KEPT_S = 1.0  # whoever was in sight is remembered for so long where they were last seen
ROUND_M = 0.45  # from a thing, for those who walk round it


class LineOfSightLoop(ExactLoop):
    """Only people whose middle or edge a radar's place has a straight line to are tracks, only such cells known."""

    def __init__(self, scene, tuning, seed, crowd, count):
        super().__init__(scene.replace_people(), tuning, seed)
        self._crowd = crowd
        self._stood_for, self._stood_ago = np.zeros(count), np.zeros(count)
        self._last_seen_s = np.full(count, -np.inf)
        self._last_xy, self._last_v = np.zeros((count, 2)), np.zeros((count, 2))

    def _perceive(self, now, ego, people, errors, clock):
        scans, echoes, _, grid = super()._perceive(now, ego, people, errors, clock)
        eyes, edges = self.eyes(ego), self.scene.edges.xy
        seen = bodies_in_sight(people.xy, eyes, edges)
        self._last_seen_s[seen] = now - self.tuning.radar.latency_s
        self._last_xy[seen], self._last_v[seen] = people.xy[seen], people.velocity[seen]
        tracks = exact_tracks(
            now, self._last_xy, self._last_v, standing_for_s=self._stood_for, stood_ago_s=self._stood_ago
        )
        tracks = replace(tracks, last_seen_s=self._last_seen_s.copy()).where(now - self._last_seen_s <= KEPT_S)
        return scans, echoes, tracks, shaded(grid, eyes, edges)

    def eyes(self, ego):
        """Where the radars are, (4, 2) m."""
        mounts = self.tuning.radar.mounts
        poses = [sensor_pose(ego, getattr(mounts, name)) for name in type(mounts).model_fields]
        return np.array([(pose.x_m, pose.y_m) for pose in poses])


def in_sight(points, eyes, edges):
    """Which points, (n, 2), some eye has a straight line to that no edge, (m, 4), crosses, (n,) bool."""
    points = np.ascontiguousarray(points, dtype=float)
    out = np.zeros(len(points), bool)
    for eye in eyes:
        left = np.flatnonzero(~out)
        nothing = np.full(len(left), -1)
        share = transmission(
            np.tile(eye, (len(left), 1)), points[left], nothing, nothing, np.ascontiguousarray(edges, dtype=float),
            np.zeros(len(edges)), np.zeros((0, 2)), 0.0,
        )  # fmt: skip
        out[left[share > 0.0]] = True
    return out


def bodies_in_sight(xy, eyes, edges):
    """Which people, (n, 2) middles, show their middle or either edge to some eye, (n,) bool."""
    seen = np.zeros(len(xy), bool)
    for eye in eyes:
        off = xy - eye
        across = np.stack([-off[:, 1], off[:, 0]], axis=1) / np.maximum(np.hypot(*off.T), 1e-6)[:, None]
        for side_m in (0.0, -CONTACT_RADIUS_M, CONTACT_RADIUS_M):
            seen |= in_sight(xy + side_m * across, eye[None], edges)
    return seen


def shaded(grid, eyes, edges):
    """A grid of perfect knowledge in which cells out of sight are unknown, unless something stands there."""
    log_odds, last_seen = grid.log_odds.copy(), grid.last_seen_s.copy()
    free = np.flatnonzero(grid.known_free().ravel())
    hidden = free[~in_sight(grid.centres().reshape(-1, 2)[free], eyes, edges)]
    log_odds.ravel()[hidden] = 0.0
    last_seen.ravel()[hidden] = -np.inf
    return replace(grid, log_odds=log_odds, last_seen_s=last_seen)


class Hiders(Adversaries):
    """Adversaries who start behind a parked vehicle, step out, aim at the shuttle and hide again; never fast.

    They keep to `people.shadow_speed_mps` all the while, the speed that the decision grants somebody hidden.
    """

    def __init__(self, starts, seed, people_tuning, van, **more):
        slow = people_tuning.model_copy(update={"top_speed_mps": people_tuning.shadow_speed_mps})
        super().__init__(starts, seed, slow, **more)
        self._body, self._homes = van.buffer(0.26), self._xy.copy()
        self._corners = np.array(van.buffer(ROUND_M, join_style="mitre").exterior.coords)[:-1]
        shapely.prepare(self._body)
        self._until = self._rng.uniform(0.0, 8.0, len(self._xy))  # until then they wait

    def _wanted(self, p, corners, drift):
        if self._mode[p] == "wander":
            return self._towards(p, self._homes[p])
        wanted = super()._wanted(p, corners, drift)
        speed = float(np.hypot(*wanted))
        if speed == 0.0:
            return wanted
        return self._towards(p, self._xy[p] + wanted / speed * self._reach(p, corners), speed)

    def _reach(self, p, corners):
        return float(np.linalg.norm(corners.mean(axis=0) - self._xy[p]))

    def _away(self, p, corners):
        return self._towards(p, self._homes[p])

    def _towards(self, p, goal, speed=1.4):
        """Velocity straight to a goal, or round the parked vehicle where that is in between; 0 at the goal."""
        here = self._xy[p]
        if self._blocked(here, goal):
            open_corners = [c for c in self._corners if not self._blocked(here, c)]
            ways = [(math.dist(here, c) + math.dist(c, goal) + 9.0 * self._blocked(c, goal), *c) for c in open_corners]
            goal = np.array(min(ways)[1:]) if ways else here
        off = goal - here
        return off / max(float(np.hypot(*off)), 1e-6) * min(speed, 4.0 * float(np.hypot(*off)))

    def _blocked(self, a, b):
        return bool(self._body.intersects(shapely.LineString([a, b])))

    def _move(self, time_s, corners, drift):
        before = self._xy.copy()
        super()._move(time_s, corners, drift)
        inside = shapely.contains_xy(self._body, *self._xy.T)
        self._xy[inside], self._v[inside] = before[inside], 0.0
