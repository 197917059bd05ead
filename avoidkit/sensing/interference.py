"""Bursts from other radars that raise the noise for a while."""

from avoidkit.sensing.equation import from_db
from avoidkit.sensing.streams import Effect, stream

SLOT_S = 10.0  # bursts are drawn slot by slot; none is longer


class Bursts:
    """The bursts that one radar suffers: Poisson in number, even in time; a function of seed and time alone."""

    def __init__(self, seed, sensor, radar):
        self._seed, self._sensor, self._radar, self._kept = seed, sensor, radar, {}

    def noise_level(self, time_s):
        """The noise at an instant in units of the quiet noise, at least 1."""
        radar = self._radar
        if radar.interference_per_minute <= 0:
            return 1.0
        slot = int(max(time_s, 0.0) // SLOT_S)
        starts = [s for k in (slot - 1, slot) if k >= 0 for s in self._starts(k)]
        hit = any(s <= time_s < s + radar.interference_s for s in starts)
        return float(from_db(radar.interference_db)) if hit else 1.0

    def _starts(self, slot):
        if slot not in self._kept:
            drawn = stream(self._seed, self._sensor, Effect.INTERFERENCE, slot)
            n = drawn.poisson(self._radar.interference_per_minute * SLOT_S / 60)
            self._kept = {k: v for k, v in self._kept.items() if k >= slot - 2}
            self._kept[slot] = slot * SLOT_S + SLOT_S * drawn.random(n)
        return self._kept[slot]
