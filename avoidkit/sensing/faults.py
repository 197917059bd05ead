"""Timed faults of sensors: what each does to a scan, and whether the sensor knows."""

from avoidkit.sensing.radar import stamp
from avoidkit.sensing.records import Health


class FaultBook:
    """The faults of a scene, by sensor and time."""

    def __init__(self, faults, seed):
        self._faults, self._seed = tuple(faults), seed

    def active(self, sensor, time_s):
        """{kind: fault} of those at work on a sensor at an instant."""
        return {str(f.kind): f for f in self._faults if f.sensor == sensor and f.from_s <= time_s < f.to_s}

    def on_scan(self, name, index, cycle, returns, taken_s, arrives_s, radar):
        """The scan that leaves the sensor, or None."""
        if "dead" in self.active(name, taken_s):
            return None
        return stamp(name, returns, taken_s, arrives_s, Health.OK)

    def on_echoes(self, echoes):
        """The round that leaves the ring, or None."""
        return None if "dead" in self.active("ultrasonic", echoes.taken_s) else echoes
