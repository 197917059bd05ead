"""Random draws: a stream of its own for every sensor, effect and cycle.

Switching one effect off, or a sensor failing, therefore leaves all other draws as they were.
"""

from enum import IntEnum

import numpy as np


class Effect(IntEnum):
    """What is drawn; the second part of a stream's key. Numbers are kept, new ones go to the end."""

    TRAITS = 0  # of a person, once a drive
    FLUCTUATION = 1
    RECEIVER = 2
    FALSE_ALARMS = 3
    INTERFERENCE = 4
    JITTER = 5
    GHOSTS = 6
    DROPPING = 7
    EXTRA_GHOSTS = 8
    ECHOES = 9
    GHOST_RECEIVER = 10
    SLOW_FLUCTUATION = 11


def stream(seed, sensor, effect, cycle):
    """The generator of one sensor, effect and cycle.

    Examples
    --------
    >>> a, b = (stream(7, 0, Effect.RECEIVER, 12).random() for _ in range(2))
    >>> a == b
    True
    """
    return np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(int(sensor), int(effect), int(cycle))))


class Drift:
    """Normal draws that forget themselves over `memory_s`, without a state that cycles would have to share.

    Between knots one memory apart the draws of the two knots are blended with cosine and sine, so that at
    every instant each value is standard normal, and two values a memory or more apart have nothing in
    common beyond one knot. The value at an instant depends on the seed and the instant alone.
    """

    def __init__(self, seed, sensor, effect, memory_s):
        self._key, self._memory_s, self._kept = (seed, sensor, effect), memory_s, {}

    def at(self, time_s, shape, cycle):
        """Standard normal values of `shape` at `time_s`; `cycle` is the stream where there is no memory."""
        if self._memory_s <= 0:
            return stream(*self._key, cycle).standard_normal(shape)
        knot, share = divmod(max(time_s, 0.0) / self._memory_s, 1.0)
        a, b = self._knot(int(knot), shape), self._knot(int(knot) + 1, shape)
        return np.cos(0.5 * np.pi * share) * a + np.sin(0.5 * np.pi * share) * b

    def _knot(self, index, shape):
        if index not in self._kept or self._kept[index].shape != tuple(shape):
            self._kept = {k: v for k, v in self._kept.items() if k >= index - 2}
            self._kept[index] = stream(*self._key, index).standard_normal(shape)
        return self._kept[index]
