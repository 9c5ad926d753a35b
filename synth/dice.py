"""Seeded random numbers: every decision of a drawing comes from a named stream of one seed.

Named streams keep drawings comparable: asking one more question of the "dirt" stream does not
move the camera. Streams are `numpy.random.SeedSequence` children, so they are independent and
the same on every machine and for any number of workers.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from typing import TypeVar

import numpy as np

from synth.arrays import Floats

T = TypeVar("T")


class Dice:
    """One random stream with the few questions a drawing asks."""

    def __init__(self, seed: int, *names: str) -> None:
        """Open the stream called `names` of `seed` (any non-negative integer)."""
        if seed < 0:
            raise ValueError(f"seed must be 0 or more, got {seed}")
        self.seed = int(seed)
        self.names = names
        key = [zlib.crc32(n.encode()) for n in names]
        self.rng = np.random.Generator(np.random.PCG64(np.random.SeedSequence([self.seed, *key])))

    def child(self, name: str) -> Dice:
        """An independent stream; asking it does not disturb this one."""
        return Dice(self.seed, *self.names, name)

    def u(self, low: float, high: float) -> float:
        """Uniform in [low, high)."""
        return float(low + (high - low) * self.rng.random())

    def lu(self, low: float, high: float) -> float:
        """Log-uniform in [low, high), both positive."""
        return float(np.exp(self.u(np.log(low), np.log(high))))

    def n(self, mean: float = 0.0, sd: float = 1.0) -> float:
        """Normal."""
        return float(mean + sd * self.rng.standard_normal())

    def p(self, probability: float) -> bool:
        """True with this probability."""
        return bool(self.rng.random() < probability)

    def i(self, low: int, high: int) -> int:
        """Integer in [low, high], both included."""
        return int(self.rng.integers(low, high + 1))

    def pick(self, options: Sequence[T]) -> T:
        """One of the options, all as likely."""
        return options[self.i(0, len(options) - 1)]

    def weighted(self, table: dict[str, float]) -> str:
        """A key of the table, by its weight."""
        names = list(table)
        weights = np.array([table[n] for n in names], np.float64)
        return names[int(np.searchsorted(np.cumsum(weights / weights.sum()), self.rng.random()))]

    def sample(self, options: Sequence[T], count: int) -> list[T]:
        """`count` different options in random order."""
        order = self.rng.permutation(len(options))[:count]
        return [options[int(k)] for k in order]

    def array(self, low: float, high: float, shape: tuple[int, ...]) -> Floats:
        """Uniform float32 array."""
        return (low + (high - low) * self.rng.random(shape, np.float32)).astype(np.float32)

    def normal(self, shape: tuple[int, ...]) -> Floats:
        """Standard normal float32 array."""
        return self.rng.standard_normal(shape, np.float32)
