"""All sensors of the vehicle: from people and own motion to the scans and echoes that arrive."""

import math

import numpy as np

from avoidkit.checks import InputError
from avoidkit.parameters import did_you_mean
from avoidkit.sensing.corner import CornerRadar, surroundings_of
from avoidkit.sensing.faults import FaultBook, ghost_echoes, ghost_returns
from avoidkit.sensing.radar import RADARS, stamp
from avoidkit.sensing.records import Echoes
from avoidkit.sensing.streams import Effect, stream
from avoidkit.sensing.ultrasonic import echo_paths, first_echoes, ring_things, speed_of_sound, ultrasonic_mounts
from avoidkit.vehicle import box

RING, RING_NAME = 4, "ultrasonic"  # among the sensors; radars are 0 to 3
EARLY_S = 1e-9  # instants nearer than this are one


class Sensors:
    """Four corner radars and the ultrasonic ring in one scene.

    Parameters
    ----------
    scene : Scene
        `edges`, `faults` and `temperature_deg_c` are looked at.
    tuning : Tuning
    seed : int
        Every sensor, effect and cycle draws from its own stream of it.

    Raises
    ------
    InputError
        If a radar sits outside the vehicle's outline.
    """

    def __init__(self, scene, tuning, seed):
        require_mounts_inside(tuning)
        around = surroundings_of(scene.edges, tuning.radar)
        self._tuning, self._seed, self._things = tuning, seed, ring_things(scene.edges, tuning.ultrasonic)
        self._radars = [CornerRadar(index, around, tuning, seed) for index in range(len(RADARS))]
        self._ring_mounts = ultrasonic_mounts(tuning)
        assumed_deg_c = tuning.ultrasonic.temperature_assumed_deg_c
        self._sound = speed_of_sound(assumed_deg_c) / speed_of_sound(scene.temperature_deg_c)
        self._faults = FaultBook(scene.faults, seed)
        self._before_s, self._scans, self._rounds = None, [], []
        self._soft = np.zeros(0)

    def step(self, time_s, people, history):
        """What arrives by `time_s` and had not arrived at the step before.

        Parameters
        ----------
        time_s : float
            Now; has to grow from step to step.
        people : People
            Where everybody truly is, at `people.time_s`.
        history : EgoHistory
            True motion of the vehicle.

        Returns
        -------
        scans : list of Scan
            In order of arrival, which need not be the order in which they were taken.
        echoes : Echoes or None
            The latest round of the ring that arrived, None if none did.
        """
        if self._before_s is not None and time_s <= self._before_s:
            raise InputError(f"time_s must grow, got {time_s} after {self._before_s}")
        for index, cycle, taken_s in self._due(time_s):
            there = people.at(taken_s - people.time_s), history.at(taken_s)
            self._scans += self._scan(self._radars[index], index, cycle, taken_s, *there)
        period = self._tuning.ultrasonic.cycle_s
        for cycle in _cycles(self._before_s, time_s, 0.0, period):
            taken_s = cycle * period
            self._rounds += self._round(cycle, taken_s, people.at(taken_s - people.time_s), history.at(taken_s))
        self._before_s = time_s
        scans, self._scans = _arrived(self._scans, time_s)
        rounds, self._rounds = _arrived(self._rounds, time_s)
        return sorted(scans, key=lambda s: (s.arrives_s, s.sensor)), max(rounds, key=lambda e: e.taken_s, default=None)

    def _due(self, time_s):
        """(radar, cycle, taken_s) of the scans taken since the step before, in order of time."""
        period, out = self._tuning.radar.cycle_s, []
        for index in range(len(RADARS)):
            offset = index * period / len(RADARS)
            out += [(index, k, offset + k * period) for k in _cycles(self._before_s, time_s, offset, period)]
        return sorted(out, key=lambda due: due[2])

    def _scan(self, sensor, index, cycle, taken_s, people, ego):
        """The scan of one instant in a list, which is empty where a fault keeps it back."""
        book, radar, name = self._faults, self._tuning.radar, sensor.name
        turned_deg, share = book.turned_deg(name, taken_s), book.range_share(name, taken_s)
        seen = sensor.returns(cycle, taken_s, people, ego, turned_deg=turned_deg, range_share=share)

        def haunted(returns, mean):
            return ghost_returns(returns, mean, self._seed, index, taken_s, radar)

        seen = book.content(name, index, cycle, taken_s, seen, haunted)
        if seen is None:
            return []
        jitter_s = radar.jitter_s * stream(self._seed, index, Effect.JITTER, cycle).random()
        stamps = book.stamps(name, taken_s, taken_s + radar.latency_s + jitter_s)
        return [stamp(name, seen, *stamps, book.health(name, taken_s))]

    def _round(self, cycle, taken_s, people, ego):
        """The round of one instant in a list, which is empty where a fault keeps it back."""
        book, ring = self._faults, self._tuning.ultrasonic
        softness = self._softness(len(people.xy))
        distance, level, half = echo_paths(self._ring_mounts, ego.pose, self._things, people, softness, ring)
        level = level + 40 * math.log10(max(book.range_share(RING_NAME, taken_s), 1e-3))
        drawn = stream(self._seed, RING, Effect.ECHOES, cycle)
        first = first_echoes(distance, level, half, drawn, self._sound, ring)

        def haunted(first_m, mean):
            return ghost_echoes(first_m, mean, self._seed, RING, taken_s, ring)

        first = book.content(RING_NAME, RING, cycle, taken_s, first, haunted)
        if first is None:
            return []
        stamps = book.stamps(RING_NAME, taken_s, taken_s + ring.latency_s)
        return [Echoes(*stamps, first, book.health(RING_NAME, taken_s))]

    def _softness(self, n):
        """How much less each of n people returns than a wall, dB; drawn once a drive."""
        if len(self._soft) != n:
            ring, draws = self._tuning.ultrasonic, [stream(self._seed, RING, Effect.TRAITS, k) for k in range(n)]
            soft = [drawn.random() < ring.soft_share for drawn in draws]
            self._soft = ring.body_loss_db + ring.soft_loss_db * np.array(soft, dtype=float)
        return self._soft


def require_mounts_inside(tuning):
    """Raise `InputError` unless every radar sits within the vehicle's outline."""
    front, rear, half = box(tuning.vehicle)
    for name in RADARS:
        mount = getattr(tuning.radar.mounts, name)
        if not (rear <= mount.x_m <= front and abs(mount.y_m) <= half):
            raise InputError(
                f"tuning: radar.mounts.{name}: a place within the outline (x {rear:g} to {front:g}, "
                f"y {-half:g} to {half:g} m) was wanted, got x_m = {mount.x_m:g}, y_m = {mount.y_m:g}"
            )


def _arrived(records, time_s):
    """Two lists: those that arrive by `time_s`, and the others."""
    there = [r for r in records if r.arrives_s <= time_s + EARLY_S]
    return there, [r for r in records if r.arrives_s > time_s + EARLY_S]


def _cycles(before_s, now_s, offset_s, period_s):
    """Numbers k of at least 0 with before < offset + k period <= now; with no step before, those of one period."""
    before_s = now_s - period_s if before_s is None else before_s
    first = max(0, math.floor((before_s - offset_s + EARLY_S) / period_s) + 1)
    last = math.floor((now_s - offset_s + EARLY_S) / period_s)
    return range(first, last + 1)


def scan_at(scene, tuning, seed, sensor, time_s, people, ego):
    """The scan of one radar nearest before an instant, everybody standing or walking as `people` says.

    Parameters
    ----------
    sensor : str
        One of the four names.
    people, ego : People, Ego
        At that instant, whose `time_s` is not looked at.

    Returns
    -------
    Scan or None
        None where a fault of the scene keeps it back.
    """
    if sensor not in RADARS:
        raise InputError(f"sensor must be one of {', '.join(RADARS)}, got {sensor!r}{did_you_mean(sensor, RADARS)}")
    sensors = Sensors(scene, tuning, seed)
    index, period = RADARS.index(sensor), tuning.radar.cycle_s
    offset = index * period / len(RADARS)
    cycle = max(0, math.floor((time_s - offset + EARLY_S) / period))
    found = sensors._scan(sensors._radars[index], index, cycle, offset + cycle * period, people, ego)
    return found[0] if found else None
