"""The loop by exact knowledge: the truth in place of sensors, tracker and grid, to judge the decision alone."""

import numpy as np

from avoidkit.drive import Loop
from avoidkit.freespace import free_grid
from avoidkit.grid import middle_of
from avoidkit.sensing.records import Echoes, Health
from avoidkit.studies.settled import RADARS
from avoidkit.tracking.records import exact_tracks

STANDS_BELOW_MPS = 0.15  # measured envelope: starts are counted from 0.15 m/s


class ExactLoop(Loop):
    """Perfect sensing: everybody is a track with the true state, every thing of the scene is known.

    Nobody is hidden, no scan is late; a track is as old as one cycle and one latency of the radars. How long
    somebody has stood is counted from their true speed.
    """

    def __init__(self, scene, tuning, seed, *stages):
        super().__init__(scene, tuning, seed, *stages)
        n = len(scene.people)
        self._stood_for, self._stood_ago = np.zeros(n), np.zeros(n)
        self._grid_middle = None

    def _perceive(self, now, ego, people, errors, clock):
        dt_s = 0.0 if self._last_s is None else now - self._last_s
        stands = np.hypot(*people.velocity.T) < STANDS_BELOW_MPS
        self._stood_for = np.where(stands, self._stood_for + dt_s, 0.0)
        self._stood_ago = np.where(stands, 0.0, self._stood_ago + dt_s)
        tracks = exact_tracks(
            now, people.xy, people.velocity, standing_for_s=self._stood_for, stood_ago_s=self._stood_ago,
            seen_ago_s=self.tuning.radar.latency_s,
        )  # fmt: skip
        clock.mark("tracking")
        middle = middle_of(self.tuning.vehicle, ego.pose, ahead_m=self.tuning.freespace.ahead_m)
        if self._grid_middle is None or np.hypot(*(middle - self._grid_middle)) > self.tuning.freespace.recentre_m:
            self._grid = self._grid_about(middle, now)
            self._grid_middle = middle
        clock.mark("free space")
        self._sensor_state = dict.fromkeys(RADARS, (Health.OK, now))
        return [], Echoes(now, now, np.full(12, np.inf)), tracks, self._grid.at(now)

    def _grid_about(self, middle, now):
        """The grid of perfect knowledge round a point."""
        return free_grid(middle, self.tuning, blocked=self.scene.polygons, time_s=now)
