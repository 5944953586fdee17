"""A normal belief in a few numbers and what one more observation does to it. `culture` holds one about a starter.

This is the textbook update of a linear model, one observed number at a time (a Kalman filter's), with two additions: a
wild observation is held back, and the scatter of observations is itself learnt.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

HELD_BACK = 4.0  # a surprise beyond two standard deviations is taken in as if it were that big (Huber)
WILDEST = 9.0  # a squared surprise counts for the scatter as three standard deviations at most
MEMORY_CYCLES = 25.0  # a scatter never rests on more than this, so that it can still change

Mean = tuple[float, ...]
Matrix = tuple[tuple[float, ...], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Scatter:
    """A variance that is being learnt: its value and the number of cycles it is worth."""

    variance: float
    cycles: float

    def moved(self, expected_square: float) -> Scatter:
        """After one more cycle, whose squared deviation is `expected_square`."""
        cycles = min(self.cycles + 1.0, MEMORY_CYCLES)
        return Scatter(variance=self.variance + (expected_square - self.variance) / cycles, cycles=cycles)

    def freedom(self, variance: float) -> float:
        """Degrees of freedom of a sum with that variance, of which only this scatter had to be learnt (Welch and
        Satterthwaite); 200 stands for a normal."""
        return min(self.cycles * (variance / self.variance) ** 2, 200.0)


def update(
    mean: Mean, cov: Matrix, toward: Sequence[float], surprise: float, scatter: Scatter, doubt: float
) -> tuple[Mean, Matrix, Scatter]:
    """Belief and scatter after one number was seen.

    `toward` is how that number depends on each of the believed ones, `surprise` what was seen less what was expected,
    `doubt` a variance of the observation on top of the scatter. The scatter moves to the squared scatter expected given
    the surprise (compare West and Harrison, Bayesian Forecasting and Dynamic Models, 4.5).
    """
    reach = [sum(c * t for c, t in zip(row, toward, strict=True)) for row in cov]
    believed = sum(r * t for r, t in zip(reach, toward, strict=True))
    total = believed + scatter.variance + doubt
    oddness = surprise * surprise / total
    held = total * max(1.0, oddness / HELD_BACK)
    gain = [r / held for r in reach]
    mean = tuple(m + g * surprise for m, g in zip(mean, gain, strict=True))
    cov = tuple(tuple(c - g * r for c, r in zip(row, reach, strict=True)) for row, g in zip(cov, gain, strict=True))
    share = scatter.variance / total
    expected_square = scatter.variance * (1.0 + share * (min(oddness, WILDEST) - 1.0))
    return mean, cov, scatter.moved(expected_square)


def widened(cov: Matrix, gained_sd: Mapping[int, float]) -> Matrix:
    """The covariance after that much spread was added to some of the numbers."""
    return tuple(
        tuple(c + (gained_sd.get(i, 0.0) ** 2 if i == j else 0.0) for j, c in enumerate(row))
        for i, row in enumerate(cov)
    )


def covariance(cov: Matrix, left: Sequence[float], right: Sequence[float]) -> float:
    """Of two numbers that depend linearly on the believed ones."""
    return sum(a * c * b for row, a in zip(cov, left, strict=True) for c, b in zip(row, right, strict=True))


def averaged(belief: tuple[float, float], seen: float, scatter: float) -> tuple[float, float]:
    """A normal belief (mean, variance) in one number after it was seen with that scatter; it slowly forgets."""
    mean, variance = belief[0], belief[1] + (scatter / 3.0) ** 2
    gain = variance / (variance + scatter**2)
    return mean + gain * (seen - mean), variance * (1.0 - gain)
