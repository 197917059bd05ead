"""Somebody seen entering a blind wedge stays a track there until they are seen again, or the place is.

No radar sees the wedges beside the flanks. A filter left alone there drifts through the vehicle and is given up;
so whoever was last seen going in is held where they went in. Who walked in is listed as coasting, for the first
moment by their own track and then there, with an uncertainty and a reach that have grown since; that the place at
the edge of the wedge is then seen empty says nothing while an unseen place is within their reach. Who stood, long
and surely enough, and was taken in by the vehicle's own motion, is listed as somebody who is possibly there still:
the smaller gap at creep speed is kept, since otherwise nobody who stands could ever be passed. That they may start
to walk unseen is a risk that is named, not removed.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from avoidkit.frames import to_local
from avoidkit.tracking.blind import blind
from avoidkit.tracking.records import Stage, Tracks
from avoidkit.vehicle import box

AHEAD_S = (0.0, 0.3, 0.6)  # a place is looked for so long after the last sight
SEEN_S = 0.12  # a track this fresh is in sight
ARRIVED_S = 0.06  # and one whose measurement arrived so lately, however late it came: one cycle may miss them
ENDED_S, DOUBLE_MORE_M = 0.25, 0.15  # a track that ends so soon after its last sight, so much nearer than two people
EMPTY_AFTER_S = 0.6  # a place in view for so long without anybody there is empty
LOST_S = 5.0  # who was lost in the open explains a new track there for so long
BESIDE_M, ROUND = 0.8, np.array([(math.cos(a), math.sin(a)) for a in np.arange(8) * math.pi / 4])
BODY_M = 0.35  # so near to what no radar sees, part of a body is in it
RINGS_M = np.arange(0.4, 4.1, 0.4)  # as far as `_reach_m` goes
NEARBY = (RINGS_M[:, None, None] * ROUND).reshape(-1, 2)  # the nearest first
WALKS_MPS = 0.4
SHORT_S = 0.3  # seen after so short a while they are: there was no time to take another for them
OTHER_M = 0.8  # so near to where another was lost, it is the other
OUT_M, OUT_S = 0.4, 1.0  # so far on and for so long in sight is seen again; ours: twice what a false place stays
BREAK_S = 0.5  # out of sight for longer, the time in sight begins anew
WALKED_M, WALKED_MPS = (0.1, 0.35), 0.5  # who walked in is known to the first; by 0.4 m/s less well, to the second
SPREAD_STOOD = (0.05**2, 0.05**2, 0.08**2, 0.08**2)


@dataclass(frozen=True, slots=True)
class _Held:
    """Somebody in a wedge: who, where they went in, when they were last seen, and how long the place has been seen."""

    key: int
    x_m: float
    y_m: float
    seen_s: float
    held_s: float
    extent_m: float
    hits: int
    in_view_s: float = 0.0
    again: int = 0
    stood: bool = False
    from_x_m: float = math.nan  # where the track was when it was first seen again
    from_y_m: float = math.nan
    away_s: float = math.nan  # and for how long it had not been seen


def _spread(one, now_s):
    """Covariance of somebody held, (4, 4); that they may have walked since is in their reach, by how long ago it is."""
    return np.diag(SPREAD_STOOD) if one.stood else walked_spread(now_s - one.seen_s)


def walked_spread(unseen_s):
    """Covariance of somebody who walked into a wedge so long ago, (4, 4)."""
    sigma_m = min(math.hypot(WALKED_M[0], 0.4 * unseen_s), WALKED_M[1])
    return np.diag([sigma_m**2, sigma_m**2, WALKED_MPS**2, WALKED_MPS**2])


def walks(tracks):
    """Which tracks walk for all that is known, (n,) bool: who comes out of a wedge does."""
    return (tracks.standing < 0.5) & (np.hypot(tracks.state[:, 2], tracks.state[:, 3]) >= WALKS_MPS)


class WedgeKeeper:
    """Adds to the tracks of each cycle those who are in a wedge; one verb, `step`."""

    def __init__(self, tuning):
        self._tuning = tuning
        self._sight, self._held, self._now_s = {}, {}, -math.inf
        self._arrived = {}  # of each track, when it was last seen and when that was known here
        self._begun = {}  # of each track once confirmed, where it was then: x, y, whether beside a wedge
        self._lost = []  # x, y, time of those lost in the open lately

    def step(self, tracks, ego, awake=None):
        """The tracks, and whoever is in a wedge; `awake` (4,) bool says which radars look at all, None: all do."""
        dt_s = max(ego.time_s - self._now_s, 0.0) if math.isfinite(self._now_s) else 0.0
        self._now_s = ego.time_s
        self._note_arrivals(tracks)
        self._note_begins(tracks, ego.pose)
        self._hold_new(tracks, ego)
        for key, one in list(self._held.items()):
            one = self._watched(one, tracks, ego, min(dt_s, 2.0 * self._tuning.cycle_s), awake)
            if self._is_over(one, tracks):
                del self._held[key]
            else:
                self._held[key] = one
        self._remember(tracks)
        self._lost = [lost for lost in self._lost if ego.time_s - lost[2] <= LOST_S]
        return self._with_held(tracks)

    def _note_arrivals(self, tracks):
        """When the last measurement of each track came in."""
        known = self._arrived
        self._arrived = {}
        for key, seen_s in zip(tracks.ids.tolist(), tracks.last_seen_s.tolist(), strict=True):
            before = known.get(key)
            self._arrived[key] = before if before and before[0] >= seen_s else (seen_s, self._now_s)

    def _note_begins(self, tracks, pose):
        """Where each track was when it was first confirmed, and whether that was beside a wedge."""
        known, ids = self._begun, tracks.ids.tolist()
        self._begun = {key: known[key] for key in ids if key in known}
        for k in np.flatnonzero(tracks.stage == Stage.CONFIRMED).tolist():
            if ids[k] not in known:
                place = tracks.state[k, :2]
                beside = bool(self.blind(place + BESIDE_M * ROUND, pose).any())
                self._begun[ids[k]] = (float(place[0]), float(place[1]), beside)

    def _in_sight(self, tracks):
        """Which tracks are in sight, (n,) bool: seen a moment ago or, where a radar is late, heard of a moment ago."""
        arrived_s = np.array([self._arrived[key][1] for key in tracks.ids.tolist()])
        return (self._now_s - tracks.last_seen_s <= SEEN_S) | (self._now_s - arrived_s <= ARRIVED_S)

    def blind(self, points, pose):
        """Which scene points, (n, 2) m, near the vehicle no radar looks at because of how it is mounted."""
        return blind(points, pose, self._tuning)

    def before_bumper(self, points, pose):
        """Which scene points, (n, 2) m, are in or near the triangle between the views at a bumper, (n,) bool."""
        points = np.asarray(points, dtype=float).reshape(-1, 2)
        x, y = to_local(points, pose).T
        front, rear, half = box(self._tuning.vehicle)
        beyond = ((x > front) | (x < rear)) & (np.abs(y) < half + BODY_M)
        rows = np.flatnonzero(beyond)
        if len(rows):
            bodies = points[rows, None] + BODY_M * ROUND
            beyond[rows] = self.blind(bodies, pose).reshape(len(rows), -1).any(axis=1)
        return beyond

    def _came_out(self, one, tracks):
        """Whether a new track began beside the wedges, stays in sight, and nobody lost in the open explains it."""
        gone_s, reach = self._now_s - one.held_s, self._reach_m(one)
        lasts = (tracks.age_s >= OUT_S) & (tracks.age_s < gone_s) & self._in_sight(tracks)
        new = lasts & (tracks.stage == Stage.CONFIRMED) & (tracks.ids != one.key) & walks(tracks)
        for key in tracks.ids[new].tolist():
            x, y, beside = self._begun.get(key, (math.inf, math.inf, False))
            if beside and math.dist((x, y), (one.x_m, one.y_m)) <= reach and not self._known((x, y), 1.5):
                return True
        return False

    def _reach_m(self, one):
        """How far somebody may be from where they went in, m."""
        return min(0.8 + 1.8 * (self._now_s - one.seen_s), 4.0)

    def _hidden_near(self, one, pose, awake):
        """Whether no radar looks at the place or, for somebody who walks, at one within their reach."""
        places = np.array([[one.x_m, one.y_m]])
        if not one.stood:
            within = np.hypot(*NEARBY.T) <= self._reach_m(one)
            places = np.vstack([places, places + NEARBY[within]])
        return bool(blind(places, pose, self._tuning, awake).any())

    def _known(self, place, within_m):
        """Whether somebody lost in the open lately explains who is seen at a place."""
        return any(math.dist(place, lost[:2]) < within_m for lost in self._lost)

    def _hold_new(self, tracks, ego):
        """Those last seen a moment ago whom their own way or the vehicle's leads into a wedge, track ended or not."""
        fresh = set(tracks.ids[self._in_sight(tracks)].tolist())
        driven = np.outer(AHEAD_S, ego.speed_mps * np.array([math.cos(ego.pose.yaw_rad), math.sin(ego.pose.yaw_rad)]))
        for key, (place, velocity, seen_s, extent_m, hits, stood) in list(self._sight.items()):
            if key in fresh or key in self._held:
                continue
            del self._sight[key]
            self._lost.append((*place.tolist(), ego.time_s))
            if self._was_double(key, place + velocity * (ego.time_s - seen_s), seen_s, tracks):
                continue
            ways = np.array([place + velocity * t for t in AHEAD_S])
            unseen = self.blind(ways, ego.pose) | self.blind(ways - driven, ego.pose)
            if unseen.any():
                x, y = self._outside(ways[int(np.argmax(unseen))], ego.pose)
                self._lost.pop()
                self._held[key] = _Held(key, x, y, seen_s, ego.time_s, extent_m, hits, stood=stood)

    def _was_double(self, key, place, seen_s, tracks):
        """Whether a track ended at once beside one in sight: who is lost to view coasts first, a double just ends."""
        if key in tracks.ids or self._now_s - seen_s > ENDED_S:
            return False
        away = np.hypot(tracks.state[:, 0] - place[0], tracks.state[:, 1] - place[1])
        return bool(np.any(self._in_sight(tracks) & (away <= self._tuning.tracking.same_m + DOUBLE_MORE_M)))

    def _outside(self, point, pose):
        """A place pushed out of the outline to half a body beside it."""
        local = to_local(point, pose)
        front, rear, half = box(self._tuning.vehicle)
        least = half + 0.25
        if rear < local[0] < front and abs(local[1]) < least:
            local[1] = math.copysign(least, local[1])
        cos, sin = math.cos(pose.yaw_rad), math.sin(pose.yaw_rad)
        x, y = pose.x_m + cos * local[0] - sin * local[1], pose.y_m + sin * local[0] + cos * local[1]
        return float(x), float(y)

    def _watched(self, one, tracks, ego, dt_s, awake):
        """How long the place has been in view, and in how many cycles the track has been seen since it came out."""
        hidden = self._hidden_near(one, ego.pose, awake)
        one = replace(one, in_view_s=0.0 if hidden else one.in_view_s + dt_s)
        own = np.flatnonzero(tracks.ids == one.key)
        if len(own) == 0 or self._now_s - tracks.last_seen_s[own[0]] > BREAK_S:
            return replace(one, again=0)
        place = tracks.state[own[0], :2]
        if not self._in_sight(tracks)[own[0]]:
            return one
        comes = one.again > 0 or bool(self.blind(place + BESIDE_M * ROUND, ego.pose).any())
        if not (comes and self._is_same(one, tracks, own[0])):
            return replace(one, again=0)
        one = replace(one, again=one.again + 1)
        if one.again == 1:
            away_s = float(tracks.last_seen_s[own[0]]) - one.seen_s
            one = replace(one, from_x_m=float(place[0]), from_y_m=float(place[1]), away_s=away_s)
        return one

    def _is_same(self, one, tracks, k):
        """Whether a track under the old name is that person: it walks out, or is where they stood.

        A filter left alone in a wedge takes up with the next wall, pillar or bystander, and keeps the name.
        """
        place = tracks.state[k, :2]
        if self._known(place, OTHER_M):
            return False
        return bool(walks(tracks)[k]) or math.dist(place, (one.x_m, one.y_m)) <= OTHER_M

    def _seen_again(self, one, tracks):
        """Seen for long enough, and really walking out, or where they went in."""
        own = np.flatnonzero(tracks.ids == one.key)
        least_s = 0.0 if one.away_s <= SHORT_S else OUT_S
        if one.again == 0 or one.again * self._tuning.cycle_s < least_s - 1e-9 or len(own) == 0:
            return False
        place = tracks.state[own[0], :2]
        gone_m, off_m = math.dist(place, (one.from_x_m, one.from_y_m)), math.dist(place, (one.x_m, one.y_m))
        return gone_m >= OUT_M or off_m <= OTHER_M

    def _is_over(self, one, tracks):
        """Seen again, under the old name or a new one, or the place has been seen empty, or too long ago."""
        too_long = self._now_s - one.held_s > self._tuning.tracking.wedge_keep_s
        seen_again = self._seen_again(one, tracks) or self._came_out(one, tracks)
        return seen_again or one.in_view_s >= EMPTY_AFTER_S or too_long

    def _remember(self, tracks):
        """Where those in sight are, and how they move; only those once believed are worth holding."""
        people = self._tuning.people
        stood = (tracks.standing >= people.standing_probability) & (tracks.standing_for_s >= people.standing_for_s)
        believed = (tracks.stage == Stage.CONFIRMED) | (tracks.stage == Stage.COASTING)
        which = np.flatnonzero(believed & self._in_sight(tracks))
        columns = (tracks.ids, tracks.last_seen_s, tracks.extent_m, tracks.hits, stood)
        state = tracks.state[which]  # a copy
        for one, key, *known in zip(state, *(column[which].tolist() for column in columns), strict=True):
            self._sight[key] = (one[:2], one[2:], *known)

    def _with_held(self, tracks):
        """The tracks and those held; one whose name is in sight elsewhere is held under the same number, negative."""
        if not self._held:
            return tracks
        coasts = {h.key for h in self._held.values() if not h.stood and tracks.time_s - h.seen_s <= SHORT_S}
        held = [h for h in self._held.values() if h.key not in coasts.intersection(tracks.ids.tolist())]
        rest = tracks.where(~np.isin(tracks.ids, [h.key for h in held]) | self._in_sight(tracks))
        n = len(held)
        spread = np.array([_spread(h, tracks.time_s) for h in held]).reshape(-1, 4, 4)
        more = Tracks(
            time_s=tracks.time_s,
            ids=np.array([-h.key if h.key in rest.ids else h.key for h in held], np.int64),
            stage=np.array([Stage.POSSIBLE if h.stood else Stage.COASTING for h in held], np.int8),
            state=np.array([[h.x_m, h.y_m, 0.0, 0.0] for h in held]).reshape(-1, 4),
            covariance=spread,
            existence=np.full(n, 0.9),
            standing=np.full(n, 0.5),
            extent_m=np.array([h.extent_m for h in held]),
            age_s=np.array([tracks.time_s - h.seen_s for h in held]),
            last_seen_s=np.array([h.seen_s for h in held]),
            standing_for_s=np.zeros(n),
            stood_ago_s=np.zeros(n),
            hits=np.array([h.hits for h in held], np.int64),
        )
        names = [name for name in Tracks.__slots__ if name != "time_s"]
        both = {name: np.concatenate([getattr(rest, name), getattr(more, name)]) for name in names}
        return Tracks(time_s=tracks.time_s, **both)

    def checkpoint(self):
        """Memory as plain arrays."""
        held = [
            [
                h.key,
                h.x_m,
                h.y_m,
                h.seen_s,
                h.held_s,
                h.extent_m,
                h.hits,
                h.in_view_s,
                h.again,
                h.stood,
                h.from_x_m,
                h.from_y_m,
                h.away_s,
            ]
            for h in self._held.values()
        ]
        sight = [[key, *place, *velocity, *rest] for key, (place, velocity, *rest) in self._sight.items()]
        return {
            "now_s": self._now_s,
            "arrived": np.array([(key, *times) for key, times in self._arrived.items()], dtype=float).reshape(-1, 3),
            "begun": np.array([(key, *place) for key, place in self._begun.items()], dtype=float).reshape(-1, 4),
            "lost": np.array(self._lost, dtype=float).reshape(-1, 3),
            "held": np.array(held, dtype=float).reshape(-1, 13),
            "sight": np.array(sight, dtype=float).reshape(-1, 9),
        }

    def restore(self, saved):
        """Go on from a checkpoint."""
        self._now_s = float(saved["now_s"])
        self._lost = [tuple(row) for row in np.asarray(saved["lost"], dtype=float).reshape(-1, 3).tolist()]
        arrived = np.asarray(saved.get("arrived", ()), dtype=float).reshape(-1, 3).tolist()
        self._arrived = {int(key): (seen_s, heard_s) for key, seen_s, heard_s in arrived}
        begun = np.asarray(saved.get("begun", ()), dtype=float).reshape(-1, 4).tolist()
        self._begun = {int(key): (x_m, y_m, bool(beside)) for key, x_m, y_m, beside in begun}
        self._held = {}
        for r in np.atleast_2d(np.asarray(saved["held"], dtype=float)).tolist():
            if not r:
                continue
            # what an older version saved has no `away_s`, the last one
            one = _Held(int(r[0]), *r[1:6], int(r[6]), r[7], int(r[8]), bool(r[9]), *r[10:])
            self._held[one.key] = one
        self._sight = {}
        for r in np.asarray(saved["sight"], dtype=float).reshape(-1, 9):
            self._sight[int(r[0])] = (r[1:3].copy(), r[3:5].copy(), float(r[5]), float(r[6]), int(r[7]), bool(r[8]))
