"""People who try to get hit: inside the envelope, they start, stop, turn, sprint at the flank, chase a corner.

They see the vehicle as it is and aim at a point of its outline, but obey the accelerations and the top speed
that the kit's reach allows for. Used with perfect sensing, so that only the decision is judged.
"""

import math

import numpy as np

from avoidkit.people import CONTACT_RADIUS_M, People, signed_distance
from avoidkit.studies.exact import STANDS_BELOW_MPS, ExactLoop

STEP_S = 0.01
AIMS = (
    "front left",
    "front right",
    "middle of the bumper",
    "left flank",
    "right flank",
    "rear corner",
    "nearest point",
)
MODES = ("sprint", "walk past", "stand", "wander")


class Adversaries:
    """In place of a `Crowd`: `step(time_s, dt_s, outline_xy)` gives `People`."""

    def __init__(self, starts, seed, people_tuning, *, tire_s=12.0):
        self._tire_s = tire_s  # after that they walk away and stay away
        self._rng = np.random.default_rng(seed)
        self._limits = people_tuning
        n = len(starts)
        self._xy, self._v = np.array(starts, dtype=float).reshape(-1, 2), np.zeros((n, 2))
        self._stood_ago = np.zeros(n)
        self._mode, self._aim, self._until = ["stand"] * n, ["nearest point"] * n, np.zeros(n)
        self._way = np.zeros(n)
        self._before = None

    def step(self, time_s, dt_s, outline_xy):
        corners = np.asarray(outline_xy, dtype=float)
        before = corners if self._before is None else self._before
        drift = (corners - before) / dt_s if dt_s > 0 else np.zeros_like(corners)
        steps = round(dt_s / STEP_S)
        for k in range(steps):
            now = before + (corners - before) * ((k + 1) / steps)
            self._move(time_s - dt_s + (k + 1) * STEP_S, now, drift)
        self._before = corners
        return self._people(time_s, corners)

    def _move(self, time_s, corners, drift):
        for p in range(len(self._xy)):
            if time_s >= self._until[p]:
                self._mode[p] = str(self._rng.choice(MODES, p=(0.4, 0.25, 0.15, 0.2)))
                self._aim[p] = str(self._rng.choice(AIMS))
                self._until[p] = time_s + self._rng.uniform(0.3, 3.0)
                self._way[p] = self._rng.uniform(-math.pi, math.pi)
            tired = time_s > self._tire_s
            self._accelerate(p, self._away(p, corners) if tired else self._wanted(p, corners, drift))
            new = self._xy[p] + self._v[p] * STEP_S
            gap_new, gap_old = (float(signed_distance(x[None], corners)[0]) for x in (new, self._xy[p]))
            if gap_new < CONTACT_RADIUS_M and gap_new < gap_old:
                self._v[p] = 0.0  # meets the outline and stops there
            else:
                self._xy[p] = new
            self._stood_ago[p] = 0.0 if np.hypot(*self._v[p]) < STANDS_BELOW_MPS else self._stood_ago[p] + STEP_S

    def _wanted(self, p, corners, drift):
        """Velocity that this person would like to have."""
        if self._mode[p] == "stand":
            return np.zeros(2)
        if self._mode[p] == "wander":
            return 1.3 * np.array([math.cos(self._way[p]), math.sin(self._way[p])])
        goal = _point(self._aim[p], corners, self._xy[p]) + 0.4 * drift.mean(axis=0)
        if self._mode[p] == "walk past":
            goal = goal + 1.0 * np.array([math.cos(self._way[p]), math.sin(self._way[p])])
        to_goal = goal - self._xy[p]
        top = self._limits.top_speed_mps if self._mode[p] == "sprint" else 1.4
        return to_goal / max(np.hypot(*to_goal), 1e-6) * top

    def _away(self, p, corners):
        """Walks off to the side until 6 m from the vehicle, and stands there."""
        off = self._xy[p] - corners.mean(axis=0)
        distance = float(np.hypot(*off))
        return 1.4 * off / max(distance, 1e-6) if distance < 7.0 else np.zeros(2)

    def _accelerate(self, p, wanted):
        speed = float(np.hypot(*self._v[p]))
        walks = speed >= self._limits.walking_from_mps and self._stood_ago[p] >= self._limits.after_standing_s
        most = self._limits.walking_accel_mps2 if walks else self._limits.standing_accel_mps2
        change = wanted - self._v[p]
        size = float(np.hypot(*change))
        self._v[p] = self._v[p] + change * min(1.0, most * STEP_S / max(size, 1e-9))

    def _people(self, time_s, corners):
        n = len(self._xy)
        contact = signed_distance(self._xy, corners) <= CONTACT_RADIUS_M + 1e-4
        return People(
            time_s, tuple(f"adversary {k + 1}" for k in range(n)), self._xy.copy(), self._v.copy(), np.zeros(n),
            ("adult",) * n, np.zeros(n), np.full(n, 1.75), contact, np.zeros(n, bool),
        )  # fmt: skip


def _point(aim, corners, place):
    rear_right, front_right, front_left, rear_left = corners
    named = {
        "front left": front_left,
        "front right": front_right,
        "middle of the bumper": 0.5 * (front_left + front_right),
        "left flank": 0.5 * (front_left + rear_left),
        "right flank": 0.5 * (front_right + rear_right),
        "rear corner": rear_left if place[1] > 0 else rear_right,
    }
    return named.get(aim, corners[int(np.argmin(np.linalg.norm(corners - place, axis=1)))])


def adversarial_loop(starts, adversary_seed):
    """A loop by exact knowledge among adversaries; with three of them hidden nowhere and known at once."""

    class AdversarialLoop(ExactLoop):
        def __init__(self, scene, tuning, seed, *stages):
            super().__init__(scene.replace_people(), tuning, seed, *stages)
            self._crowd = Adversaries(starts, adversary_seed, tuning.people)
            self._stood_for, self._stood_ago = np.zeros(len(starts)), np.zeros(len(starts))

    return AdversarialLoop


def outcome(scene, tuning, seed, *, people=2, duration_s=40.0):
    """One drive among adversaries: contacts while moving faster than 0.05 m/s, and the speed then."""
    from avoidkit.drive import drive

    rng = np.random.default_rng(seed)
    path = scene.reference
    starts = []
    while len(starts) < people:
        along = rng.uniform(2.0, path.length_m)
        x, y, yaw = path.poses_at(along)
        across = rng.uniform(-2.6, 2.6)
        place = np.array([x - across * math.sin(yaw), y + across * math.cos(yaw)])
        if np.hypot(place[0] - scene.start_pose.x_m, place[1] - scene.start_pose.y_m) > 6.0:
            starts.append(place)
    patient = tuning.replace({"decision.renew_after_halt": False})
    recording = drive(scene, patient, seed=seed, loop=adversarial_loop(starts, seed), duration_s=duration_s)
    moving = [r for r in recording.rows if r.contacts and abs(r.ego.speed_mps) > 0.05]
    return recording, {
        "seed": seed,
        "contacts_moving": len(moving),
        "speed_at_contact_mps": max((abs(r.ego.speed_mps) for r in moving), default=0.0),
        "contacts_at_rest": sum(bool(r.contacts) for r in recording.rows) - len(moving),
        "reached_end": bool(recording.summary()["reached_end"]),
        "driven_m": float(recording.summary()["driven_m"]),
    }
