"""Simulated corner radars and ultrasonic ring: from people and own motion to scans and echoes."""

from avoidkit.sensing.coverage import blind_wedge_m, coverage
from avoidkit.sensing.records import Echoes, Health, Scan
from avoidkit.sensing.sensors import Sensors
from avoidkit.sensing.ultrasonic import ultrasonic_mounts

__all__ = ["Echoes", "Health", "Scan", "Sensors", "blind_wedge_m", "coverage", "ultrasonic_mounts"]
