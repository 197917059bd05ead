"""A corner radar in a scene: from people and own motion to the returns of one scan."""

import math
from dataclasses import dataclass

import numpy as np

from avoidkit.sensing import radar as one
from avoidkit.sensing.ghosts import ORDERS, ghosts, smooth_edges
from avoidkit.sensing.interference import Bursts
from avoidkit.sensing.scatter import Facets, facets_of, of_facets, of_people, person_reflectivity, together
from avoidkit.sensing.streams import Drift, Effect, stream

STILL_MPS = 0.1  # slower than this, an echo keeps its fluctuation for longer; our placeholder


@dataclass(frozen=True, eq=False, slots=True)
class Surroundings:
    """What stands in the yard, made ready once a scene."""

    edges: np.ndarray
    passes: tuple
    facets: Facets
    smooth: np.ndarray


def surroundings_of(edges, radar):
    """`Surroundings` from the `Edges` of a scene."""
    xy = np.ascontiguousarray(edges.xy, dtype=float).reshape(-1, 4)
    return Surroundings(xy, one.passing_shares(edges, radar), facets_of(edges, radar), smooth_edges(edges))


class CornerRadar:
    """One of the four: `returns` is a function of seed, cycle, time, people and own motion alone.

    Parameters
    ----------
    index : int
        Place in `RADARS`.
    surroundings : Surroundings
    tuning : Tuning
    seed : int
    """

    def __init__(self, index, surroundings, tuning, seed):
        self._index, self._around, self._seed = index, surroundings, seed
        self._radar, self._vehicle = tuning.radar, tuning.vehicle
        self.name = one.RADARS[index]
        self.mount = getattr(tuning.radar.mounts, self.name)
        memory_s = tuning.radar.fluctuation_memory_s
        self._drift = Drift(seed, index, Effect.FLUCTUATION, memory_s)
        self._slow_drift = Drift(seed, index, Effect.SLOW_FLUCTUATION, tuning.radar.standing_memory_s)
        self._ghost_drift = Drift(seed, index, Effect.GHOSTS, memory_s)
        self._bursts = Bursts(seed, index, tuning.radar)
        self._traits = {}
        half_rad = math.radians(tuning.radar.field_of_view_deg) / 2
        rays = one.behind_own_body(self.mount, tuning.vehicle, np.linspace(-half_rad, half_rad, 1441))
        self._own_body_clear = not rays.any()

    def returns(self, cycle, taken_s, people, ego, *, turned_deg=0.0, range_share=1.0):
        """The `Returns` of one scan.

        Parameters
        ----------
        cycle : int
            Number of the scan; the key of its draws.
        people : People
            At `taken_s`.
        ego : Ego
            True motion at `taken_s`.
        turned_deg : float
            By how much the radar looks farther to the left than its mount says.
        range_share : float
            Share of its range that dirt leaves, 0 to 1.
        """
        radar = self._radar
        mount = self.mount
        if turned_deg:
            mount = mount.model_copy(update={"yaw_deg": mount.yaw_deg + turned_deg})
        pose, velocity = one.sensor_motion(ego, mount)
        reflectivity = self._reflectivity(tuple(people.kind))
        found = [self._points(cycle, taken_s, pose, velocity, mount, people, reflectivity)]
        if radar.ghosts and len(people.xy) and len(self._around.smooth):
            found.append(self._mirrored(cycle, taken_s, pose, velocity, mount, people, reflectivity))
        *places, snr, amplitude, receiver = (np.concatenate(parts, axis=-1) for parts in zip(*found, strict=True))
        still = one.still_range_rate(ego.speed_mps, ego.yaw_rate_radps, mount, places[1])
        noise = self._bursts.noise_level(taken_s) - 1.0 + one.ground_level(*places, still, radar)
        seen = one.detect(*places, snr * range_share**4, amplitude, receiver, noise, radar)
        drawn = stream(self._seed, self._index, Effect.FALSE_ALARMS, cycle)
        return one.join_returns(seen, one.false_alarms(drawn, radar.false_alarms_per_scan, radar))

    def _reflectivity(self, kinds):
        if kinds not in self._traits:
            self._traits[kinds] = person_reflectivity(kinds, self._seed, self._radar)
        return self._traits[kinds]

    def _points(self, cycle, taken_s, pose, velocity, mount, people, reflectivity):
        """Range, azimuth, range rate, mean SNR and draws of what is seen of people and surroundings."""
        radar, facets = self._radar, self._around.facets
        points = of_people(people, (pose.x_m, pose.y_m), reflectivity, radar)
        n = len(points) + len(facets.xy)
        if radar.surroundings and len(facets.xy):
            points = together(points, of_facets(facets, pose, len(points), radar))
        range_m, azimuth, rate = one.polar_from(pose, velocity, points.xy, points.velocity)
        index = np.flatnonzero(self._in_view(mount, range_m, azimuth))
        share = one.visible_share(pose, points, index, self._around.edges, self._around.passes, people.xy, radar)
        index, share = index[share > 0], share[share > 0]
        snr = one.mean_snr(points, range_m, azimuth, index, share, radar)
        draw = points.draw[index]
        amplitude = self._drift.at(taken_s, (n, 2), cycle)[draw]
        if np.hypot(*velocity) < STILL_MPS:
            stands = np.hypot(*points.velocity[index].T) < STILL_MPS
            amplitude = np.where(stands[:, None], self._slow_drift.at(taken_s, (n, 2), cycle)[draw], amplitude)
        receiver = stream(self._seed, self._index, Effect.RECEIVER, cycle).standard_normal((n, 5))[draw]
        return range_m[index], azimuth[index], rate[index], snr, amplitude.T, receiver.T

    def _mirrored(self, cycle, taken_s, pose, velocity, mount, people, reflectivity):
        """The same of ghosts."""
        around = self._around
        n = ORDERS * len(people.xy) * len(around.smooth)
        found = ghosts(
            pose,
            velocity,
            people,
            reflectivity,
            around.edges,
            around.smooth,
            around.passes[0],
            lambda range_m, azimuth: self._in_view(mount, range_m, azimuth, beyond=math.inf),
            self._radar,
        )
        amplitude = self._ghost_drift.at(taken_s, (n, 2), cycle)[found.draw].T
        receiver = stream(self._seed, self._index, Effect.GHOST_RECEIVER, cycle).standard_normal((n, 5))
        places = found.range_m, found.azimuth_rad, found.rate_mps, found.snr
        return *places, amplitude, receiver[found.draw].T

    def _in_view(self, mount, range_m, azimuth, *, beyond=None):
        """What lies in the field of view and not behind the vehicle's own body."""
        radar = self._radar
        inside = (range_m > 0.02) & (range_m < (radar.range_max_m + 1.0 if beyond is None else beyond))
        inside &= np.abs(azimuth) <= math.radians(radar.field_of_view_deg) / 2
        if self._own_body_clear and mount is self.mount:
            return inside
        inside[inside] = ~one.behind_own_body(mount, self._vehicle, azimuth[inside])
        return inside
