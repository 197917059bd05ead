"""Timed faults of sensors: what each does to a scan or round, and whether the sensor knows.

A radar or the ring knows that it is blind after `NOTICE_S`; that it is turned, late, stuck, dropping, off
its clock or seeing ghosts it cannot know. What is dead says nothing at all. Draws are from streams of
their own, so that everything else stays bit-equal.
"""

import numpy as np

from avoidkit.sensing.equation import range_rate_limit
from avoidkit.sensing.radar import Returns, join_returns
from avoidkit.sensing.records import Health
from avoidkit.sensing.streams import Effect, stream

NOTICE_S = 2.0  # so long until a blind sensor knows; our placeholder
BLIND_RANGE_SHARE = 0.05  # of the range that dirt leaves where the fault does not say; our placeholder
BLIND_BELOW = 0.3  # a share of range below this is reported as blind, above as degraded; our placeholder
GHOST_STAYS_S = 0.5  # added returns stay so long at one place; our placeholder
GHOST_SNR_DB = (15.0, 35.0)


class FaultBook:
    """The faults of one scene, applied to what each sensor gives; it remembers what a stuck sensor repeats."""

    def __init__(self, faults, seed):
        self._faults, self._seed, self._frozen = tuple(faults), seed, {}

    def active(self, sensor, time_s):
        """{kind: fault} of those at work on a sensor at an instant; a fault holds from its start until its end."""
        return {str(f.kind): f for f in self._faults if f.sensor == sensor and f.from_s <= time_s < f.to_s}

    def turned_deg(self, sensor, time_s):
        """By how much a radar looks farther to the left than its mount says."""
        fault = self.active(sensor, time_s).get("misaligned")
        return 0.0 if fault is None else float(fault.amount)

    def range_share(self, sensor, time_s):
        """Share of its range that a sensor is left with."""
        fault = self.active(sensor, time_s).get("blind")
        return 1.0 if fault is None else _left(fault)

    def health(self, sensor, time_s):
        """What a sensor says of itself."""
        fault = self.active(sensor, time_s).get("blind")
        if fault is None or time_s < fault.from_s + NOTICE_S:
            return Health.OK
        return Health.BLIND if _left(fault) < BLIND_BELOW else Health.DEGRADED

    def content(self, sensor, number, cycle, taken_s, fresh, add_ghosts):
        """What is in the message: that of now, or what it was when the sensor got stuck, or with ghosts.

        None where there is no message.

        Parameters
        ----------
        sensor, number : str, int
            Name, and number in the keys of streams.
        fresh : Returns or (12,) array
            What the sensor sees now.
        add_ghosts : function
            From (fresh, mean number) to the same with ghosts.
        """
        at_work = self.active(sensor, taken_s)
        if "dead" in at_work:
            return None
        if "stuck" in at_work:
            fresh = self._frozen.get(sensor, fresh)
        self._frozen[sensor] = fresh
        if "ghosts" in at_work:
            fresh = add_ghosts(fresh, at_work["ghosts"].amount)
        if "dropping" in at_work:
            lost = stream(self._seed, number, Effect.DROPPING, cycle).random() < at_work["dropping"].amount
            return None if lost else fresh
        return fresh

    def stamps(self, sensor, taken_s, arrives_s):
        """The times that the message bears: (taken_s, arrives_s)."""
        at_work = self.active(sensor, taken_s)
        offset_s = at_work["clock_offset"].amount if "clock_offset" in at_work else 0.0
        late_s = at_work["late"].amount if "late" in at_work else 0.0
        return taken_s + offset_s, arrives_s + late_s


def _left(fault):
    return BLIND_RANGE_SHARE if fault.amount is None else float(fault.amount)


def ghost_returns(returns, mean, seed, number, taken_s, radar):
    """Returns with others added that are not there and stay at one place for `GHOST_STAYS_S`; Poisson in number."""
    drawn = stream(seed, number, Effect.EXTRA_GHOSTS, int(taken_s // GHOST_STAYS_S))
    n = drawn.poisson(mean)
    half, limit = np.radians(radar.field_of_view_deg) / 2, min(2.0, range_rate_limit(radar))
    added = Returns(
        drawn.uniform(radar.range_min_m, radar.range_max_m, n),
        drawn.uniform(-half, half, n),
        drawn.uniform(-limit, limit, n),
        10 ** (drawn.uniform(*GHOST_SNR_DB, n) / 10),
    )
    return join_returns(returns, added)


def ghost_echoes(first_m, mean, seed, number, taken_s, ring):
    """First echoes with others that are not there, Poisson in number, each before one of the sensors."""
    drawn = stream(seed, number, Effect.EXTRA_GHOSTS, int(taken_s // GHOST_STAYS_S))
    out = np.array(first_m, dtype=float)
    for _ in range(drawn.poisson(mean)):
        sensor = drawn.integers(len(out))
        out[sensor] = min(out[sensor], drawn.uniform(ring.range_min_m, ring.range_max_m))
    return out
