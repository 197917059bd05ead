"""A corner radar in a scene: from people and own motion to the returns of one scan."""

import math
from dataclasses import dataclass

import numpy as np

from avoidkit.sensing import radar as one
from avoidkit.sensing.equation import boresight_budget, from_db
from avoidkit.sensing.ghosts import ORDERS, ghosts, smooth_edges
from avoidkit.sensing.interference import Bursts
from avoidkit.sensing.look import Sight, see_scene
from avoidkit.sensing.scatter import Facets, facets_of, of_people, person_reflectivity
from avoidkit.sensing.streams import Drift, Effect, stream
from avoidkit.vehicle import box

NOBODY = np.zeros((0, 2))
NOTHING = Facets(NOBODY, NOBODY, np.zeros(0), np.zeros(0, np.int64), np.zeros(0, bool))
STILL_MPS = 0.1  # slower than this, an echo keeps its fluctuation for longer; our placeholder


@dataclass(frozen=True, eq=False, slots=True)
class Surroundings:
    """What stands in the yard, made ready once a scene."""

    edges: np.ndarray
    passes: tuple
    all_pass: tuple
    facets: Facets
    smooth: np.ndarray


def surroundings_of(edges, radar):
    """`Surroundings` from the `Edges` of a scene."""
    xy = np.ascontiguousarray(edges.xy, dtype=float).reshape(-1, 4)
    free = np.ones(len(xy))
    return Surroundings(
        xy, one.passing_shares(edges, radar), (free, free), facets_of(edges, radar), smooth_edges(edges)
    )


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
        self._lobe_rad, self._floor = (
            math.radians(tuning.radar.facet_lobe_deg),
            float(from_db(tuning.radar.facet_floor_db)),
        )
        self._traits, self._turned = {}, None

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
        sight, velocity = self._sight(ego, math.radians(turned_deg))
        reflectivity = self._reflectivity(tuple(people.kind))
        found = [self._points(cycle, taken_s, sight, velocity, people, reflectivity)]
        if radar.ghosts and len(people.xy) and len(self._around.smooth):
            found.append(self._mirrored(cycle, taken_s, sight, people, reflectivity))
        places, amplitude, receiver = (np.concatenate(parts, axis=-1) for parts in zip(*found, strict=True))
        *places, snr = places
        still = -(velocity[0] * np.cos(places[1] + sight.yaw) + velocity[1] * np.sin(places[1] + sight.yaw))
        noise = self._bursts.noise_level(taken_s) - 1.0 + one.ground_level(*places, still, radar)
        seen = one.detect(*places, snr * range_share**4, amplitude, receiver, noise, radar)
        drawn = stream(self._seed, self._index, Effect.FALSE_ALARMS, cycle)
        return one.join_returns(seen, one.false_alarms(drawn, radar.false_alarms_per_scan, radar))

    def _sight(self, ego, turned_rad):
        """The `Sight` at an instant, and the velocity of the radar in the scene."""
        pose, velocity = one.sensor_motion(ego, self.mount)
        return Sight(pose.x_m, pose.y_m, pose.yaw_rad + turned_rad, *velocity, *self._fixed(turned_rad)), velocity

    def _fixed(self, turned_rad):
        """The numbers of a `Sight` that stay as they are while the radar is not turned any farther."""
        if self._turned is None or self._turned[0] != turned_rad:
            self._turned = turned_rad, self._numbers(turned_rad)
        return self._turned[1]

    def _numbers(self, turned_rad):
        radar, mount = self._radar, self.mount
        return (
            math.radians(radar.field_of_view_deg) / 2,
            radar.range_max_m + 1.0,
            mount.x_m,
            mount.y_m,
            math.radians(mount.yaw_deg) + turned_rad,
            *box(self._vehicle),
            one.BUMPER_M,
            boresight_budget(radar),
            math.radians(radar.half_power_beam_deg / 2),
        )

    def _reflectivity(self, kinds):
        if kinds not in self._traits:
            self._traits[kinds] = person_reflectivity(kinds, self._seed, self._radar)
        return self._traits[kinds]

    def _points(self, cycle, taken_s, sight, velocity, people, reflectivity):
        """Places (range, azimuth, range rate, mean SNR) and draws of what is seen of people and surroundings."""
        radar, around = self._radar, self._around
        points = of_people(people, (sight.x, sight.y), reflectivity, radar)
        facets = around.facets if radar.surroundings else NOTHING
        n = len(points) + len(facets.xy)
        bodies, passes = (people.xy, around.passes) if radar.occlusion else (NOBODY, around.all_pass)
        draw, places = see_scene(
            sight, points.points, points.body, points.low, facets.xy, facets.normal, facets.peak_m2, facets.edge,
            facets.corner, self._lobe_rad, self._floor, around.edges, *passes, bodies, radar.occluding_radius_m,
        )  # fmt: skip
        amplitude = self._drift.at(taken_s, (n, 2), cycle, draw)
        if np.hypot(*velocity) < STILL_MPS:
            walks = np.zeros(n, bool)
            walks[: len(points)] = ~(np.hypot(points.points[:, 2], points.points[:, 3]) < STILL_MPS)
            slow = self._slow_drift.at(taken_s, (n, 2), cycle, draw)
            amplitude = np.where(walks[draw][:, None], amplitude, slow)
        receiver = stream(self._seed, self._index, Effect.RECEIVER, cycle).standard_normal((n, 5))[draw]
        return places.T, amplitude.T, receiver.T

    def _mirrored(self, cycle, taken_s, sight, people, reflectivity):
        """The same of ghosts."""
        around = self._around
        n = ORDERS * len(people.xy) * len(around.smooth)
        places, draw = ghosts(sight, people, reflectivity, around.edges, around.smooth, around.passes[0], self._radar)
        amplitude = self._ghost_drift.at(taken_s, (n, 2), cycle, draw)
        receiver = stream(self._seed, self._index, Effect.GHOST_RECEIVER, cycle).standard_normal((n, 5))[draw]
        return places.T, amplitude.T, receiver.T
