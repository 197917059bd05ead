"""People at play: everybody in the yard at one instant, and the crowd that walks on from cycle to cycle."""

import math
from dataclasses import dataclass, replace

import numpy as np

from avoidkit.checks import require_finite, require_not_negative, require_shape
from avoidkit.frames import rotation
from avoidkit.jit import compiled

CONTACT_RADIUS_M = 0.25  # half the width of a body, for touching only; FHWA-RD-98-107: body ellipse 0.50 x 0.60 m
HEADING_FROM_MPS = 0.1  # slower than this, somebody keeps looking where they looked
TABLE_S = 0.05
_TOUCH_M = 1e-4

# how somebody who keeps near the vehicle walks; our placeholders
FOLLOW_TOP_MPS = 1.8
FOLLOW_ACCEL_MPS2 = 2.0
FOLLOW_GAIN_1PS = 1.5
FOLLOW_BACK_M = 0.25  # walks until so much nearer than the distance at which they set off
FOLLOW_KEEP_OFF_M = 2.5  # steps back when the outline comes nearer
FOLLOW_AHEAD_S = 0.6
FOLLOW_WALL_M = 0.35
FOLLOW_TURNS_DEG = (0, 25, -25, 50, -50, 75, -75, 100, -100)


@dataclass(frozen=True, eq=False, slots=True)
class People:
    """Everybody in the yard at one instant, as arrays whose first axis counts them; n = 0 is fine.

    Attributes
    ----------
    time_s : float
    names : tuple of str
    xy, velocity : (n, 2) arrays, m and m/s, scene frame
        Middle of the body.
    heading_rad : (n,) array
        Where the front of the body points; for one who stands, where it last pointed.
    kind : tuple of str
        `adult` or `child`.
    walked_m : (n,) array
        Distance walked since the start; drives the cycle of the limbs.
    height_m : (n,) array
    contact : (n,) bool array
        Touches the outline of the vehicle at this instant.
    is_operator : (n,) bool array
    """

    time_s: float
    names: tuple
    xy: np.ndarray
    velocity: np.ndarray
    heading_rad: np.ndarray
    kind: tuple
    walked_m: np.ndarray
    height_m: np.ndarray
    contact: np.ndarray
    is_operator: np.ndarray

    def __post_init__(self):
        n = len(self.names)
        require_finite(time_s=self.time_s)
        require_shape((n, 2), finite=True, xy=self.xy, velocity=self.velocity)
        require_shape((n,), finite=True, heading_rad=self.heading_rad, walked_m=self.walked_m, height_m=self.height_m)
        require_shape((n,), contact=self.contact, is_operator=self.is_operator)

    def __len__(self):
        return len(self.names)

    def at(self, dt_s):
        """The same people `dt_s` later (or, below 0, earlier), each at constant velocity."""
        walked = np.maximum(self.walked_m + np.hypot(*self.velocity.T) * dt_s, 0.0)
        return replace(self, time_s=self.time_s + dt_s, xy=self.xy + self.velocity * dt_s, walked_m=walked)


def signed_distance(points, corners):
    """Distance of (n, 2) points from a convex polygon of (m, 2) counter-clockwise corners, m; negative inside.

    Examples
    --------
    >>> square = np.array([[0.0, 0.0], [2.0, 0.0], [2.0, 2.0], [0.0, 2.0]])
    >>> signed_distance(np.array([[3.0, 1.0], [1.0, 0.25]]), square).tolist()
    [1.0, -0.25]
    """
    points, corners = np.ascontiguousarray(points, dtype=float), np.ascontiguousarray(corners, dtype=float)
    return distances_to_polygon(points, corners)


@compiled
def distances_to_polygon(points, corners):
    """`signed_distance`, (n,): to the nearest edge, below 0 for points on the left of all of them; NaN stays NaN."""
    out = np.empty(len(points))
    for i in range(len(points)):
        least, inside = math.inf, True
        for k in range(len(corners)):
            n = (k + 1) % len(corners)
            edge_x, edge_y = corners[n, 0] - corners[k, 0], corners[n, 1] - corners[k, 1]
            x, y = points[i, 0] - corners[k, 0], points[i, 1] - corners[k, 1]
            length2 = edge_x * edge_x + edge_y * edge_y
            share = min(max((x * edge_x + y * edge_y) / length2, 0.0), 1.0) if length2 != 0.0 else 0.0
            off_x, off_y = x - share * edge_x, y - share * edge_y
            gap = math.sqrt(off_x * off_x + off_y * off_y)
            least = gap if gap < least or math.isnan(gap) else least
            inside = inside and edge_x * y - edge_y * x >= 0
        out[i] = -least if inside else least
    return out


class Crowd:
    """Plays the people of a scene; each keeps to the timetable of their walk, later by the time they were held up.

    One whose next step would bring the body, a disc of 0.25 m radius, against the outline of the vehicle stops
    where it touches, is flagged as in contact, and goes on with the delayed timetable when the way is free. A
    step that leads away from the outline is always free. An outline that moves against somebody who stands is
    a contact too; they do not give way. Whoever has `stays_within_m` walks up to the vehicle when it gets too
    far away, and steps back when its outline comes nearer than 2.5 m.

    Parameters
    ----------
    scene : Scene
    """

    def __init__(self, scene):
        self._scene = scene
        people, walks = scene.people, scene.walks
        self._names = tuple(p.name for p in people)
        self._kind = tuple(p.kind for p in people)
        self._height = np.array([p.tall_m for p in people], dtype=float)
        self._is_operator = np.array([p.role == "operator" for p in people], dtype=bool)
        self._within = np.array([np.nan if p.stays_within_m is None else p.stays_within_m for p in people], dtype=float)
        ends = [walk.t_s[-1] + walk.smooth_s for walk in walks]
        times = np.arange(0.0, max([scene.duration_s, *ends]) + 2 * TABLE_S, TABLE_S)
        n = len(people)
        self._places = np.array([w.places(times) for w in walks]).reshape(n, len(times), 2)
        self._velocities = np.array([w.velocities(times) for w in walks]).reshape(n, len(times), 2)
        steps = np.linalg.norm(np.diff(self._places, axis=1), axis=2)
        self._walked = np.concatenate([np.zeros((n, 1)), np.cumsum(steps, axis=1)], axis=1)
        self._delay = np.zeros(n)
        self._heading = np.array([_first_heading(p, w) for p, w in zip(people, walks, strict=True)], dtype=float)
        self._near_xy, self._near_v = self._places[:, 0].copy(), np.zeros((n, 2))
        self._near_walked, self._walks_up = np.zeros(n), np.zeros(n, dtype=bool)
        self._outline = None

    def step(self, time_s, dt_s, outline_xy):
        """Everybody `dt_s` later, at `time_s`, the outline then being `outline_xy`.

        Parameters
        ----------
        time_s, dt_s : float
            s; dt_s is 0 on the first call, which only looks.
        outline_xy : (4, 2) array
            Corners of the vehicle, scene frame, counter-clockwise from rear right.

        Returns
        -------
        People
        """
        require_finite(time_s=time_s)
        require_not_negative(dt_s=dt_s)
        outline = np.asarray(outline_xy, dtype=float)
        require_shape((4, 2), finite=True, outline_xy=outline)
        xy, velocity, walked = self._timetable(time_s - self._delay)
        gap = signed_distance(xy, outline)
        if (gap < CONTACT_RADIUS_M).any():
            share, stopped = self._free_share(time_s - self._delay, dt_s, outline, gap)
            self._delay += (1 - share) * dt_s
            xy, velocity, walked = self._timetable(time_s - self._delay)
            velocity = np.where(stopped[:, None], 0.0, velocity)
            gap = signed_distance(xy, outline)
        for k in np.flatnonzero(np.isfinite(self._within)):
            self._keep_near(k, dt_s, outline)
            xy[k], velocity[k], walked[k] = self._near_xy[k], self._near_v[k], self._near_walked[k]
            gap[k] = signed_distance(xy[k : k + 1], outline)[0]
        self._outline = outline
        moves = np.hypot(*velocity.T) > HEADING_FROM_MPS
        self._heading = np.where(moves, np.arctan2(velocity[:, 1], velocity[:, 0]), self._heading)
        contact = gap <= CONTACT_RADIUS_M + _TOUCH_M
        return self._record(time_s, xy, velocity, self._heading.copy(), walked, contact)

    def _record(self, time_s, xy, velocity, heading, walked, contact):
        names, kinds, operator = self._names, self._kind, self._is_operator
        return People(float(time_s), names, xy, velocity, heading, kinds, walked, self._height, contact, operator)

    def _timetable(self, clock, who=None):
        """Places, velocities and distances walked at times of the walks of `who` (None: all), (n,).

        Between the rows of the table by Hermite's cubic; beyond it every walk is straight.
        """
        rows = self._places.shape[1]
        k = np.clip((clock / TABLE_S).astype(int), 0, rows - 2)
        u = (clock / TABLE_S - k)[:, None]
        inner = np.clip(u, 0.0, 1.0)
        n = np.arange(len(k)) if who is None else who
        p0, p1, v0, v1 = self._places[n, k], self._places[n, k + 1], self._velocities[n, k], self._velocities[n, k + 1]
        bend = TABLE_S * ((1 - inner) * v0 - inner * v1) + (2 * inner - 1) * (p1 - p0)
        velocity = v0 + inner * (v1 - v0)
        beyond_s = (u - inner) * TABLE_S
        xy = p0 + inner * (p1 - p0) + inner * (1 - inner) * bend + velocity * beyond_s
        w0, w1 = self._walked[n, k], self._walked[n, k + 1]
        walked = w0 + inner[:, 0] * (w1 - w0) + np.hypot(*velocity.T) * np.maximum(beyond_s[:, 0], 0.0)
        return xy, velocity, walked

    def _free_share(self, clock, dt_s, outline, after):
        """The share of the step, (n,), that each can take before touching, and who is stopped.

        `after` is the distance of each from the outline when they take all of it.
        """
        share = np.ones(len(clock))
        before = signed_distance(self._timetable(clock - dt_s)[0], outline)
        stopped = (after < CONTACT_RADIUS_M) & (after < before - 1e-9)
        share[stopped] = 0.0
        meets = np.flatnonzero(stopped & (before > CONTACT_RADIUS_M + _TOUCH_M))  # within this step, not before it
        low, high = np.zeros(len(meets)), np.ones(len(meets))
        for _ in range(16 if len(meets) else 0):
            middle = (low + high) / 2
            places = self._timetable(clock[meets] - (1 - middle) * dt_s, meets)[0]
            free = signed_distance(places, outline) >= CONTACT_RADIUS_M
            low, high = np.where(free, middle, low), np.where(free, high, middle)
        share[meets] = low
        return share, stopped

    def _keep_near(self, k, dt_s, outline):
        """One step of somebody who keeps near the vehicle."""
        if dt_s == 0 or self._outline is None:
            return
        here, middle = self._near_xy[k], outline.mean(axis=0)
        away = here - middle
        distance = float(np.hypot(*away))
        away = away / max(distance, 1e-9)
        before, now = (float(signed_distance(here[None], corners)[0]) for corners in (self._outline, outline))
        soon = now - FOLLOW_AHEAD_S * max(before - now, 0.0) / dt_s  # a vehicle that comes nearer is foreseen
        too_near = FOLLOW_KEEP_OFF_M - soon
        excess = min(distance - (self._within[k] - FOLLOW_BACK_M), 3 * (now - FOLLOW_KEEP_OFF_M - 0.1))
        self._walks_up[k] = excess > (0.0 if self._walks_up[k] else FOLLOW_BACK_M)
        wanted = np.zeros(2)
        if too_near > 0:
            wanted = away * min(FOLLOW_TOP_MPS, FOLLOW_GAIN_1PS * too_near + 0.5)
        elif self._walks_up[k]:
            wanted = -away * min(FOLLOW_TOP_MPS, FOLLOW_GAIN_1PS * excess + 0.6)
        change = wanted - self._near_v[k]
        change *= min(1.0, FOLLOW_ACCEL_MPS2 * dt_s / max(float(np.hypot(*change)), 1e-12))
        velocity = self._near_v[k] + change
        for turn_deg in FOLLOW_TURNS_DEG:  # round a thing, if not through it
            new = here + dt_s * rotation(np.radians(turn_deg)) @ velocity
            if self._is_free(here, new):
                break
        else:
            new = here
        self._near_v[k], self._near_xy[k] = (new - here) / dt_s, new
        self._near_walked[k] += float(np.hypot(*(new - here)))

    def _is_free(self, here, new):
        solids = self._scene.solid
        if solids is None or np.array_equal(here, new):
            return True
        import shapely

        before, after = shapely.distance(solids, shapely.points([here, new]))
        return after >= FOLLOW_WALL_M or after > before


def _first_heading(person, walk):
    if person.facing_deg is not None:
        return np.radians(person.facing_deg)
    speeds = walk.slopes
    moving = np.flatnonzero(np.hypot(*speeds.T) > HEADING_FROM_MPS)
    return float(np.arctan2(speeds[moving[0], 1], speeds[moving[0], 0])) if len(moving) else 0.0


def people_at(scene, time_s):
    """Everybody at one instant as their walks have it: no vehicle, no contacts, nobody keeps near it.

    For drawing and checking; a drive plays them with `Crowd`.
    """
    walks = scene.walks
    times = np.array([float(time_s)])
    xy = np.array([w.places(times)[0] for w in walks]).reshape(-1, 2)
    velocity = np.array([w.velocities(times)[0] for w in walks]).reshape(-1, 2)
    first = np.array([_first_heading(p, w) for p, w in zip(scene.people, walks, strict=True)], dtype=float)
    heading = np.where(np.hypot(*velocity.T) > HEADING_FROM_MPS, np.arctan2(velocity[:, 1], velocity[:, 0]), first)
    people, n = scene.people, len(scene.people)
    names, kinds = tuple(p.name for p in people), tuple(p.kind for p in people)
    height = np.array([p.tall_m for p in people], dtype=float)
    operator = np.array([p.role == "operator" for p in people], dtype=bool)
    return People(float(time_s), names, xy, velocity, heading, kinds, np.zeros(n), height, np.zeros(n, bool), operator)
