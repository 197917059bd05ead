"""All tracks of one tracker as arrays, and what is remembered of each between scans."""

from dataclasses import dataclass

import numpy as np

from avoidkit.sensing.records import Scan
from avoidkit.tracking.cluster import Clusters

# Columns of `Bank.life`.
KEY = 0  # when and where born: taken_s in ms * 1000 + radar * 100 + place in the scan; never twice the same
BORN_S, SEEN_S = 1, 2  # first and latest measurement taken
HITS = 3  # measurements taken in
OBSERVABLE, UNOBSERVABLE = 4, 5  # probabilities: somebody is there and can be seen; is there and cannot
WIDTH_M = 6  # running mean of the width of its clusters
BELIEVED = 7  # 1 once confirmed
MOVED = 8  # 1 once it has been seen to move
MOVING_HITS = 9  # recent measurements with a range rate beyond noise, fading
STANDS_SINCE_S = 10  # inf: does not stand now
STOOD_S = 11  # last instant of standing; -inf: never
WALKS_SINCE_S = 12  # since when it has been watched without a break not to stand; inf: not so now
FROM_X, FROM_Y = 13, 14  # where it was born, m
HIT_RADAR = 15  # radar of the latest measurement
STRENGTH_DB = 16  # running mean of signal to noise, referred to 1 m by the fourth power of range
MISSES = 17  # scans in a row that could have shown it and did not
EDGE_SHARE = 18  # running mean: 1 where a measurement was of an edge
STILL_BORN = 19  # 1 where it was first seen as a small still thing
BEHIND = 20  # running mean: 1 where it was measured behind an edge, as a mirror's image is
OPEN_HITS = 21  # measurements taken in while it walked away from edges, neither of an edge nor behind one
LIFE = 22


@dataclass(eq=False, slots=True)
class Bank:
    """Tracks at one instant; the first axis of every array counts them.

    Attributes
    ----------
    time_s : float
        The instant of states; -inf before the first scan.
    states (n, 2, 4), covariances (n, 2, 4, 4), modes (n, 2)
        Of the standing and the walking model, see `filters`.
    life : (n, LIFE)
    """

    time_s: float
    states: np.ndarray
    covariances: np.ndarray
    modes: np.ndarray
    life: np.ndarray

    def __len__(self):
        return len(self.life)

    def copy(self):
        """A bank that shares nothing with this one."""
        return Bank(self.time_s, self.states.copy(), self.covariances.copy(), self.modes.copy(), self.life.copy())

    def keep(self, mask):
        """Drop the tracks that the boolean (n,) mask does not pick."""
        if not mask.all():
            self.states, self.covariances = self.states[mask], self.covariances[mask]
            self.modes, self.life = self.modes[mask], self.life[mask]

    def append(self, states, covariances, modes, life):
        """Add tracks."""
        self.states = np.concatenate([self.states, states])
        self.covariances = np.concatenate([self.covariances, covariances])
        self.modes = np.concatenate([self.modes, modes])
        self.life = np.concatenate([self.life, life])

    @property
    def existence(self):
        """Probability that somebody is there, (n,)."""
        return self.life[:, OBSERVABLE] + self.life[:, UNOBSERVABLE]


def empty_bank():
    """No tracks, before the first scan."""
    return Bank(-np.inf, np.zeros((0, 2, 4)), np.zeros((0, 2, 4, 4)), np.zeros((0, 2)), np.zeros((0, LIFE)))


@dataclass(eq=False, slots=True)
class Entry:
    """One scan worked in: itself, its clusters, the tracks just before it, and whether what it lacks says anything."""

    scan: Scan
    clusters: Clusters
    before: Bank
    sees: bool = True

    @property
    def taken_s(self):
        return self.scan.taken_s

    @property
    def sensor(self):
        return self.scan.sensor

    @property
    def order(self):
        """What scans are sorted by."""
        return self.taken_s, self.sensor
