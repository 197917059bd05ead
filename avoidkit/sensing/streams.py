"""Random draws: a stream of its own for every sensor, effect and cycle.

Switching one effect off, or a sensor failing, therefore leaves all other draws as they were.
"""

import functools
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
    sensor, effect, cycle = int(sensor), int(effect), int(cycle)
    if not 0 <= seed < 2**128 or not 0 <= cycle < 2**32:  # the key has more words than `_block` reckons with
        return np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(sensor, effect, cycle)))
    words = _block(seed, sensor, effect, cycle // BLOCK)[cycle % BLOCK]
    return np.random.Generator(np.random.PCG64(_Words(words)))


BLOCK = 64  # so many cycles of a key are hashed at once
WORD = 0xFFFFFFFF


class _Words(np.random.bit_generator.ISeedSequence):
    """Hands a bit generator the words that numpy's own seed sequence of the same key would."""

    def __init__(self, words):
        self._words = words

    def generate_state(self, n_words, dtype=np.uint32):
        """The four words of 64 bits that PCG64 asks for."""
        return self._words


@functools.lru_cache(maxsize=4096)
def _block(seed, sensor, effect, block):
    """(BLOCK, 4) uint64: what `SeedSequence` generates for the keys (sensor, effect, cycle) of one block of cycles.

    numpy mixes the words of a key into its pool one after the other, so the pool of (sensor, effect) is asked of
    numpy and the last word is mixed in here, for all cycles at once. The hash is O'Neill's, "Developing a seed_seq
    alternative", 2015, with the constants of numpy's documented `SeedSequence`; a test holds both side by side.
    """
    pool = np.random.SeedSequence(seed, spawn_key=(sensor, effect)).pool
    cycles = np.arange(block * BLOCK, (block + 1) * BLOCK, dtype=np.uint64).astype(np.uint32)
    constant, out = 0x43B0D7E5 * pow(0x931E8875, 24, 2**32) & WORD, np.empty((BLOCK, 8), np.uint32)
    mixed = []
    for word in pool:  # 4 words of the seed, 12 exchanges and 2 words of the key have been hashed before: 24 times
        value, constant = _hashed(cycles, constant, 0x931E8875)
        value = np.uint32(0xCA01F9DD) * np.full(BLOCK, word) - np.uint32(0x4973F715) * value
        mixed.append(value ^ (value >> np.uint32(16)))
    constant = 0x8B51F9DD
    for k in range(8):
        out[:, k], constant = _hashed(mixed[k % 4], constant, 0x58F38DED)
    return out[:, 0::2] + (out[:, 1::2].astype(np.uint64) << np.uint64(32))


def _hashed(value, constant, factor):
    """One round of the hash on (n,) uint32, and the constant of the next."""
    following = constant * factor & WORD
    value = (value ^ np.uint32(constant)) * np.uint32(following)
    return value ^ (value >> np.uint32(16)), following


class Drift:
    """Normal draws that forget themselves over `memory_s`, without a state that cycles would have to share.

    Between knots one memory apart the draws of the two knots are blended with cosine and sine, so that at
    every instant each value is standard normal, and two values a memory or more apart have nothing in
    common beyond one knot. The value at an instant depends on the seed and the instant alone.
    """

    def __init__(self, seed, sensor, effect, memory_s):
        self._key, self._memory_s, self._kept = (seed, sensor, effect), memory_s, {}

    def at(self, time_s, shape, cycle, rows=...):
        """Those `rows` of standard normal values of `shape` at `time_s`; `cycle` is the stream without a memory."""
        if self._memory_s <= 0:
            return stream(*self._key, cycle).standard_normal(shape)[rows]
        knot, share = divmod(max(time_s, 0.0) / self._memory_s, 1.0)
        a, b = self._knot(int(knot), shape)[rows], self._knot(int(knot) + 1, shape)[rows]
        return np.cos(0.5 * np.pi * share) * a + np.sin(0.5 * np.pi * share) * b

    def _knot(self, index, shape):
        if index not in self._kept or self._kept[index].shape != tuple(shape):
            self._kept = {k: v for k, v in self._kept.items() if k >= index - 2}
            self._kept[index] = stream(*self._key, index).standard_normal(shape)
        return self._kept[index]
