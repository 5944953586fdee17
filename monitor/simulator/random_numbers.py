"""Seeded random numbers: the same on any machine and with any numpy.

Only the raw 64 bits of PCG64 are promised to stay as they are (numpy's NEP 19); the distributions are made from them
here, one draw a number, so that drawing 10 and then 20 is the same as drawing 30. Every user has its own stream, named
by what it is for: a fault added to a scenario does not change the noise.
"""

from __future__ import annotations

import math
from statistics import NormalDist
from zlib import crc32

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
_INVERSE_NORMAL = NormalDist().inv_cdf


class RandomNumbers:
    """One stream of random numbers; it owns its place in the stream."""

    def __init__(self, seed: int, *names: str) -> None:
        self._bits = np.random.PCG64(np.random.SeedSequence([seed, *(crc32(name.encode()) for name in names)]))

    def uniform(self, count: int) -> Floats:
        """`count` numbers, evenly spread over the open interval 0 to 1, in steps of 2**-52."""
        raw = self._bits.random_raw(count)
        return np.asarray(((raw >> np.uint64(12)).astype(np.float64) + 0.5) * 2.0**-52)

    def normal(self, count: int) -> Floats:
        """`count` normal numbers of mean 0 and standard deviation 1, by the inverse of the distribution.

        The standard library's is Wichura's (1988, Applied Statistics 37:477), the same in every version.
        """
        return np.array([_INVERSE_NORMAL(p) for p in self.uniform(count).tolist()], dtype=np.float64)

    def one(self, low: float = 0.0, high: float = 1.0) -> float:
        """One evenly spread number."""
        return low + (high - low) * float(self.uniform(1)[0])

    def waiting(self, mean: float) -> float:
        """One exponential waiting time."""
        return -mean * math.log(self.one())

    def token(self) -> str:
        """Eight hexadecimal digits, as a device makes up at power-up."""
        return f"{int(self._bits.random_raw()) & 0xFFFFFFFF:08x}"
