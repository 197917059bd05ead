"""All sensors of the vehicle: from people and own motion to the scans and echoes that arrive."""

import math

import numpy as np

from avoidkit.sensing import radar as one
from avoidkit.sensing.faults import FaultBook
from avoidkit.sensing.records import Echoes
from avoidkit.sensing.scatter import facets_of, of_facets, of_people, person_reflectivity, together
from avoidkit.sensing.streams import Drift, Effect, stream
from avoidkit.sensing.ultrasonic import echo_paths, first_echoes, speed_of_sound, ultrasonic_mounts

RING = 4  # the ultrasonic ring's number among the sensors; radars are 0 to 3


class Sensors:
    """Four corner radars and the ultrasonic ring in one scene.

    Parameters
    ----------
    scene : Scene
        `edges`, `faults` and `temperature_deg_c` are looked at.
    tuning : Tuning
    seed : int
        Every sensor, effect and cycle draws from its own stream of it.
    """

    def __init__(self, scene, tuning, seed):
        self._tuning, self._radar, self._seed = tuning, tuning.radar, seed
        self._mounts = [getattr(tuning.radar.mounts, name) for name in one.RADARS]
        self._edges = np.ascontiguousarray(scene.edges.xy, dtype=float).reshape(-1, 4)
        self._passes = one.passing_shares(scene.edges, tuning.radar)
        self._facets = facets_of(scene.edges, tuning.radar)
        self._ring_mounts = ultrasonic_mounts(tuning)
        self._sound = speed_of_sound(tuning.ultrasonic.temperature_assumed_deg_c) / speed_of_sound(
            scene.temperature_deg_c
        )
        memory_s = tuning.radar.fluctuation_memory_s
        self._drift = [Drift(seed, k, Effect.FLUCTUATION, memory_s) for k in range(len(one.RADARS))]
        self._faults = FaultBook(scene.faults, seed)
        self._traits = None
        self._before_s, self._waiting, self._waiting_echoes = None, [], []

    def step(self, time_s, people, history):
        """What arrives by `time_s` and had not arrived at the step before.

        Parameters
        ----------
        time_s : float
            Now; must grow from step to step.
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
        for index, cycle, taken_s in self._due(time_s):
            scan = self._scan(index, cycle, taken_s, people.at(taken_s - people.time_s), history.at(taken_s))
            self._waiting += [scan] if scan is not None else []
        for cycle, taken_s in self._due_rounds(time_s):
            echoes = self._round(cycle, taken_s, people.at(taken_s - people.time_s), history.at(taken_s))
            self._waiting_echoes += [echoes] if echoes is not None else []
        self._before_s = time_s
        arrived = sorted((s for s in self._waiting if s.arrives_s <= time_s), key=lambda s: (s.arrives_s, s.sensor))
        self._waiting = [s for s in self._waiting if s.arrives_s > time_s]
        heard = [e for e in self._waiting_echoes if e.arrives_s <= time_s]
        self._waiting_echoes = [e for e in self._waiting_echoes if e.arrives_s > time_s]
        return arrived, max(heard, key=lambda e: e.taken_s, default=None)

    def _due(self, time_s):
        """(radar, cycle, taken_s) of the scans taken since the step before, in order of time."""
        period, out = self._radar.cycle_s, []
        for index in range(len(one.RADARS)):
            offset = index * period / len(one.RADARS)
            out += [(index, k, offset + k * period) for k in _cycles(self._before_s, time_s, offset, period)]
        return sorted(out, key=lambda due: due[2])

    def _due_rounds(self, time_s):
        period = self._tuning.ultrasonic.cycle_s
        return [(k, k * period) for k in _cycles(self._before_s, time_s, 0.0, period)]

    def _scan(self, index, cycle, taken_s, people, ego):
        name, radar = one.RADARS[index], self._radar
        returns = self.returns_at(index, cycle, taken_s, people, ego)
        jitter_s = radar.jitter_s * stream(self._seed, index, Effect.JITTER, cycle).random()
        return self._faults.on_scan(name, index, cycle, returns, taken_s, taken_s + radar.latency_s + jitter_s, radar)

    def returns_at(self, index, cycle, taken_s, people, ego):
        """The returns of one radar at one instant, before faults of its output and before it is stamped."""
        radar, mount = self._radar, self._mounts[index]
        if self._traits is None or len(self._traits) != len(people.xy):
            self._traits = person_reflectivity(people.kind, self._seed, radar)
        pose, velocity = one.sensor_motion(ego, mount)
        eye = (pose.x_m, pose.y_m)
        scatterers = of_people(people, eye, self._traits, radar)
        if radar.surroundings:
            scatterers = together(scatterers, of_facets(self._facets, eye, radar))
        n = len(scatterers)
        amplitude = self._drift[index].at(taken_s, (2, n), cycle)
        receiver = stream(self._seed, index, Effect.RECEIVER, cycle).standard_normal((5, n))
        range_m, azimuth, rate = one.polar_from(pose, velocity, scatterers.xy, scatterers.velocity)
        index_seen = self._in_view(range_m, azimuth, mount)
        share = one.visible_share(pose, scatterers, index_seen, self._edges, self._passes, people.xy, radar)
        index_seen, share = index_seen[share > 0], share[share > 0]
        snr = one.mean_snr(scatterers, range_m, azimuth, index_seen, share, radar)
        seen = one.detect(
            range_m[index_seen],
            azimuth[index_seen],
            rate[index_seen],
            snr,
            amplitude[:, index_seen],
            receiver[:, index_seen],
            1.0,
            radar,
        )
        alarms = one.false_alarms(
            stream(self._seed, index, Effect.FALSE_ALARMS, cycle), radar.false_alarms_per_scan, radar
        )
        return one.join_returns(seen, alarms)

    def _in_view(self, range_m, azimuth, mount):
        radar = self._radar
        inside = (range_m > 0.02) & (range_m < radar.range_max_m + 1.0)
        inside &= np.abs(azimuth) <= math.radians(radar.field_of_view_deg) / 2
        index = np.flatnonzero(inside)
        return index[~one.behind_own_body(mount, self._tuning.vehicle, azimuth[index])]

    def _round(self, cycle, taken_s, people, ego):
        ring = self._tuning.ultrasonic
        soft = np.array(
            [stream(self._seed, RING, Effect.TRAITS, k).random() < ring.soft_share for k in range(len(people.xy))]
        )
        softness = ring.body_loss_db + ring.soft_loss_db * soft.astype(float)
        paths = echo_paths(self._ring_mounts, ego.pose, self._edges, people, softness, ring)
        first = first_echoes(*paths, stream(self._seed, RING, Effect.ECHOES, cycle), self._sound, ring)
        return self._faults.on_echoes(Echoes(taken_s, taken_s + ring.latency_s, first))


def _cycles(before_s, now_s, offset_s, period_s):
    """Numbers k of at least 0 with before < offset + k period <= now; with no step before, those of one period."""
    before_s = now_s - period_s if before_s is None else before_s
    first = max(0, math.floor((before_s - offset_s) / period_s + 1e-9) + 1)
    last = math.floor((now_s - offset_s) / period_s + 1e-9)
    return range(first, last + 1)
