"""A logged list of objects: to tracks, in place of the kit's tracker, and to scans that stand in for its sensors'."""

import math
from collections import Counter

import numpy as np

from avoidkit.frames import Pose, compose, rotation, to_local, wrap_angle
from avoidkit.logs.things import things_of
from avoidkit.sensing.records import Health, Scan
from avoidkit.tracking.records import Stage, Tracks, no_tracks

NEEDED = ("x", "y", "vx", "vy")
SURE = 0.99  # probability of an object whose list gives none
BELIEVED_FROM = 0.5
TROUBLE = "log: object list"  # how an error of a row begins that is the list's
STAND_IN_SNR_DB = 20.0
TELL_APART_M = 0.001  # stand-in ranges alternate by this: equal ones would look like a radar that is stuck


class ObjectList:
    """All lists of a log, in the scene frame.

    Parameters
    ----------
    samples : Samples
    objects : mapping.Objects

    Attributes
    ----------
    times_s : (n,) array
        Of the lists, growing.
    report : found.Channel
    """

    def __init__(self, samples, objects):
        names = (*NEEDED, "id", "existence", "extent")
        channels = {name: getattr(objects, name) for name in names if getattr(objects, name) is not None}
        needed = [*NEEDED, "id"] if "id" in channels else NEEDED
        self._things, self.report = things_of(samples, objects, channels, "objects", needed, ("x", "y"))
        self.report.blinded = int(np.count_nonzero(self._things.broken))
        self._objects, self._motion = objects, None
        self.times_s = self._things.scan_s
        self._lists, self._life = [], {}
        self._next_id = 1

    def shift(self, by_s):
        """Count times from a later instant."""
        self.times_s = self.times_s - by_s

    def work_out(self, motion):
        """Go through all lists once: places over ground, ids never used twice, how long each has stood.

        Parameters
        ----------
        motion : OwnMotion
        """
        self._motion = motion
        self._lists = [self._one(k, float(t)) for k, t in enumerate(self.times_s)]

    def _one(self, k, time_s):
        here = self._things.of(k)
        values = {name: column[here] for name, column in self._things.values.items()}
        xy, velocity = self._over_ground(values, time_s)
        keys = values["id"] if "id" in values else self._things.slot[here]
        stands = np.hypot(*velocity.T) < self._objects.stands_below_mps
        lives = [self._live(key, time_s, bool(now)) for key, now in zip(_told_apart(keys), stands, strict=True)]
        self._life = {life["key"]: life for life in lives}
        existence = values.get("existence", np.full(len(keys), SURE))
        extent = values.get("extent", np.full(len(keys), self._objects.extent_m))
        return {
            "xy": xy,
            "velocity": velocity,
            "existence": np.clip(np.nan_to_num(existence, nan=SURE), 0.0, 1.0),
            "extent_m": np.where(extent > 0.05, extent, self._objects.extent_m),
            "lives": [dict(life) for life in lives],
            "n": len(keys),
        }

    def _live(self, key, time_s, stands):
        """The life of an object that is in the list now; one that was not in the list before is new."""
        life = self._life.get(key)
        if life is None:
            life = {"key": key, "id": self._next_id, "since_s": time_s, "stands_since_s": math.nan, "stood_s": time_s}
            self._next_id += 1
            life["hits"] = 0
        life = dict(life) | {"hits": life["hits"] + 1}
        if stands:
            begun = time_s if math.isnan(life["stands_since_s"]) else life["stands_since_s"]
            return life | {"stands_since_s": begun, "stood_s": time_s}
        return life | {"stands_since_s": math.nan}

    def _over_ground(self, values, time_s):
        """Places and velocities in the scene frame, (n, 2) each."""
        xy = np.stack([values["x"], values["y"]], axis=1)
        velocity = np.stack([values["vx"], values["vy"]], axis=1)
        if self._objects.place == "scene":
            return xy, velocity
        x, y, yaw, speed, rate = self._motion.pose_at(time_s)
        if self._objects.relative:  # the velocity of the place on the vehicle is missing from it
            velocity = velocity + np.stack([speed - rate * xy[:, 1], rate * xy[:, 0]], axis=1)
        turn = rotation(yaw)
        return xy @ turn.T + [x, y], velocity @ turn.T

    def latest(self, now_s):
        """Index of the last list at or before `now_s` that is still worth something; -1: none."""
        k = int(np.searchsorted(self.times_s, now_s + 1e-9, side="right")) - 1
        return k if k >= 0 and now_s - self.times_s[k] <= self._objects.keep_s + 1e-9 else -1

    def trouble_at(self, now_s):
        """Why nobody can rely on the list at `now_s`, as the error of a row; empty where all is well.

        An object that is not in the list for such a reason may well be there, so that the row has to be a halt.
        """
        k = self.latest(now_s)
        if k < 0:
            return f"{TROUBLE} is silent for over {self._objects.keep_s:g} s"
        return f"{TROUBLE} holds an object in use with an invalid number" if self._things.broken[k] else ""

    def tracks_at(self, now_s):
        """The tracks at `now_s`, from the latest list at constant velocity; none where that is too old."""
        k = self.latest(now_s)
        if k < 0 or not self._lists[k]["n"]:
            return no_tracks(now_s)
        one, age_s = self._lists[k], now_s - float(self.times_s[k])
        lives, velocity = one["lives"], one["velocity"]
        stands = np.array([not math.isnan(life["stands_since_s"]) for life in lives])
        a, b = self._objects.sigma_m**2, self._objects.sigma_mps**2
        cross = b * age_s * np.eye(2)
        covariance = np.block([[(a + b * age_s**2) * np.eye(2), cross], [cross, b * np.eye(2)]])
        return Tracks(
            time_s=now_s,
            ids=np.array([life["id"] for life in lives], np.int64),
            stage=np.where(one["existence"] >= BELIEVED_FROM, Stage.CONFIRMED, Stage.TENTATIVE).astype(np.int8),
            state=np.hstack([one["xy"] + velocity * age_s, velocity]),
            covariance=np.tile(covariance, (one["n"], 1, 1)),
            existence=one["existence"],
            standing=np.where(stands, 0.95, 0.05),
            extent_m=one["extent_m"],
            age_s=np.array([now_s - life["since_s"] for life in lives]),
            last_seen_s=np.full(one["n"], float(self.times_s[k])),
            standing_for_s=np.array([_standing_for(life, now_s) for life in lives]),
            stood_ago_s=np.array([_stood_ago(life, now_s) for life in lives]),
            hits=np.array([life["hits"] for life in lives], np.int64),
        )  # fmt: skip

    def stand_ins(self, tuning, free):
        """A scan of each radar behind the list per list, with a return for each object in its view.

        Parameters
        ----------
        tuning : Tuning
            Mounts, field of view and range.
        free : bool
            Whether what the list does not show is taken as free; else the scans count as blind, which frees
            nothing and halts, as those of a list that lacks an object in use do.
        """
        half = math.radians(tuning.radar.field_of_view_deg) / 2
        scans = []
        for k, time_s in enumerate(map(float, self.times_s)):
            pose = Pose(*self._motion.pose_at(time_s)[:3])
            health = Health.OK if free and not self._things.broken[k] else Health.BLIND
            for name in self._objects.radars:
                mount = getattr(tuning.radar.mounts, name)
                at = compose(pose, Pose(mount.x_m, mount.y_m, math.radians(mount.yaw_deg)))
                ranges, azimuths, rates = self._seen_from(k, at, time_s, mount)
                inside = (np.abs(azimuths) <= half) & (ranges <= tuning.radar.range_max_m)
                columns = [column[inside] for column in (ranges + TELL_APART_M * (k % 2), azimuths, rates)]
                snr = np.full(np.count_nonzero(inside), STAND_IN_SNR_DB)
                scans.append(Scan(name, time_s, time_s, *columns, snr, health))
        return scans

    def _seen_from(self, k, at, time_s, mount):
        """Range, azimuth and range rate of all objects of a list, seen from a sensor at `at`."""
        one = self._lists[k]
        local = to_local(one["xy"], at).reshape(-1, 2)
        ranges = np.hypot(*local.T)
        azimuths = wrap_angle(np.arctan2(local[:, 1], local[:, 0]))
        _, _, yaw, speed, rate = self._motion.pose_at(time_s)
        own = rotation(yaw) @ np.array([speed - rate * mount.y_m, rate * mount.x_m])
        towards = np.stack([np.cos(azimuths + at.yaw_rad), np.sin(azimuths + at.yaw_rad)], axis=1)
        return ranges, azimuths, np.einsum("nx,nx->n", one["velocity"] - own, towards)


def _told_apart(keys):
    """(key, how often it was there before) for each key: who shares an id with another is somebody else.

    Examples
    --------
    >>> _told_apart([7, 8, 7])
    [(7.0, 0), (8.0, 0), (7.0, 1)]
    """
    counts, out = Counter(), []
    for key in map(float, keys):
        out.append((key, counts[key]))
        counts[key] += 1
    return out


def _standing_for(life, now_s):
    begun = life["stands_since_s"]
    return 0.0 if math.isnan(begun) else now_s - begun


def _stood_ago(life, now_s):
    return now_s - life["stood_s"] if math.isnan(life["stands_since_s"]) else 0.0
