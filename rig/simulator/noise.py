"""Noise that depends on seed, channel and moment alone, never on polling."""

from __future__ import annotations

import math

import numpy as np

from records.trace import FloatArray

_BLOCK = 1024  # moments drawn at a time
_MEMORY = 256  # moments over which the slow part remembers


def stream(seed: int, number: int, block: int = 0) -> np.random.Generator:
    """Return a generator of its own for a seed, a number and a block.

    Philox is counter based: any block can be drawn without those before it.
    """
    counter = np.array([0, block, 0, 0], dtype=np.uint64)
    key = np.array([seed & 0xFFFF_FFFF_FFFF_FFFF, number], dtype=np.uint64)
    return np.random.Generator(np.random.Philox(counter=counter, key=key))


class Noise:
    """A white part and a weaker part that wanders within half a second or so.

    Args:
        seed, channel: what it depends on.
        rms: of both together. slow_share: of the rms that wanders.
        slow_moments: how many moments the wandering part takes to forget.
    """

    def __init__(
        self,
        seed: int,
        channel: int,
        rms: float,
        slow_share: float = 0.3,
        slow_moments: float = 50.0,
    ) -> None:
        self._seed = seed
        self._channel = channel
        self._white = rms * math.sqrt(1.0 - slow_share**2)
        kernel = np.exp(-np.arange(_MEMORY) / slow_moments)
        self._kernel = rms * slow_share * kernel / np.sqrt(np.sum(kernel**2))
        self._block = -1
        self._values: list[float] = []

    def at(self, moment: int) -> float:
        """Return the noise at a moment, counted from 0."""
        block, place = divmod(moment, _BLOCK)
        if block != self._block:
            self._values = self._drawn(block).tolist()
            self._block = block
        return self._values[place]

    def _drawn(self, block: int) -> FloatArray:
        fast, slow = stream(self._seed, self._channel, block).standard_normal(
            (2, _BLOCK)
        )
        if block > 0:
            earlier = stream(self._seed, self._channel, block - 1)
            before = earlier.standard_normal((2, _BLOCK))[1, -(_MEMORY - 1) :]
        else:
            before = np.zeros(_MEMORY - 1)
        wander = np.convolve(np.concatenate((before, slow)), self._kernel, "valid")
        return np.asarray(self._white * fast + wander, dtype=np.float64)
