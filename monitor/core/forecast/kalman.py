"""A normal belief in a few numbers and what one more observation does to it. `beliefs` holds one by each law.

This is the textbook update of a linear model, one observed number at a time (a Kalman filter's), with two additions: a
wild observation is held back, and the scatter of observations is itself learnt.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

HELD_BACK = 4.0  # a surprise beyond two standard deviations is taken in as if it were that big (Huber)
WILDEST = 9.0  # a squared surprise counts for the scatter as three standard deviations at most
MOST_TOGETHER = 0.9  # correlation of two numbers, to either side
MEMORY_CYCLES = 25.0  # a scatter never rests on more than this, so that it can still change

Mean = tuple[float, ...]
Matrix = tuple[tuple[float, ...], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Scatter:
    """A variance that is being learnt: its value and the number of cycles it is worth."""

    variance: float
    cycles: float

    def moved(self, excess: float, share: float = 1.0) -> Scatter:
        """After one more cycle whose squared surprise was `excess` times its expected variance, less one, when this
        scatter is `share` of that variance. It is then worth share squared of a cycle (Fisher's information on this
        part of a variance) and moves the value by as much as West and Harrison's rule (Bayesian Forecasting and Dynamic
        Models, 4.5), which this is for a share of one."""
        cycles = min(self.cycles + share * share, MEMORY_CYCLES)
        return Scatter(variance=self.variance * (1.0 + share * excess / cycles), cycles=cycles)

    def freedom(self, variance: float) -> float:
        """Degrees of freedom of a sum with that variance, of which only this scatter had to be learnt (Welch and
        Satterthwaite); 200 stands for a normal."""
        return min(self.cycles * (variance / self.variance) ** 2, 200.0)


class Updated(NamedTuple):
    """What one observation makes of a belief, and how likely it was under it (ln, up to a constant)."""

    mean: Mean
    cov: Matrix
    scatter: Scatter
    ln_likelihood: float


def update(
    mean: Mean, cov: Matrix, toward: Sequence[float], surprise: float, scatter: Scatter, doubt: float
) -> Updated:
    """Belief and scatter after one number was seen.

    `toward` is how that number depends on each of the believed ones, `surprise` what was seen less what was expected,
    `doubt` a variance of the observation on top of the scatter.
    """
    reach = [sum(c * t for c, t in zip(row, toward, strict=True)) for row in cov]
    believed = sum(r * t for r, t in zip(reach, toward, strict=True))
    total = believed + scatter.variance + doubt
    oddness = surprise * surprise / total
    held = total * max(1.0, oddness / HELD_BACK)
    gain = [r / held for r in reach]
    mean = tuple(m + g * surprise for m, g in zip(mean, gain, strict=True))
    cov = tuple(tuple(c - g * r for c, r in zip(row, reach, strict=True)) for row, g in zip(cov, gain, strict=True))
    counted = min(oddness, WILDEST)
    # The belief's own doubt comes, but for the prior, of the same scatter, so more than its bare share is learnt of it.
    return Updated(
        mean=mean,
        cov=cov,
        scatter=scatter.moved(counted - 1.0, math.sqrt(scatter.variance / total)),
        ln_likelihood=-0.5 * (counted + math.log(total)),
    )


def widened(cov: Matrix, gained_sd: Mapping[int, float]) -> Matrix:
    """The covariance after that much spread was added to some of the numbers."""
    return tuple(
        tuple(c + (gained_sd.get(i, 0.0) ** 2 if i == j else 0.0) for j, c in enumerate(row))
        for i, row in enumerate(cov)
    )


def update_beyond(
    mean: Mean, cov: Matrix, toward: Sequence[float], least: float, variance: float
) -> tuple[Mean, Matrix, float]:
    """Belief after all that was seen of a number is that it lies beyond `least` (what it was more than, less what was
    expected), and ln of how likely that was. A normal one with the moments of the normal cut off there (Tobin 1958,
    Econometrica 26:24; Johnson and Kotz 1970, Continuous Univariate Distributions, 13.7); `variance` is the scatter and
    doubt of the observation. What is more than two standard deviations out counts as if it were that far."""
    reach = [sum(c * t for c, t in zip(row, toward, strict=True)) for row in cov]
    total = sum(r * t for r, t in zip(reach, toward, strict=True)) + variance
    z = min(least / math.sqrt(total), math.sqrt(HELD_BACK))
    beyond = max(0.5 * math.erfc(z / math.sqrt(2.0)), 1e-12)
    pull = math.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi) / beyond
    surer = pull * (pull - z)  # share of the variance that is cut off, 0 to 1
    mean = tuple(m + r * pull / math.sqrt(total) for m, r in zip(mean, reach, strict=True))
    cov = tuple(
        tuple(c - surer * r * other / total for c, other in zip(row, reach, strict=True))
        for row, r in zip(cov, reach, strict=True)
    )
    return mean, cov, math.log(beyond)


def joined(mean: Mean, cov: Matrix, value: float, sd: float) -> tuple[Mean, Matrix]:
    """The belief with one more number, believed independently of the others."""
    rows = [(*row, 0.0) for row in cov]
    return (*mean, value), (*rows, (*(0.0 for _ in cov), sd * sd))


def covariance(cov: Matrix, left: Sequence[float], right: Sequence[float]) -> float:
    """Of two numbers that depend linearly on the believed ones."""
    return sum(a * c * b for row, a in zip(cov, left, strict=True) for c, b in zip(row, right, strict=True))


def variance_of_sum(one: float, other: float, one_var: float, other_var: float, cov: float) -> float:
    """Of ln(one + other), to first order, from variances and covariance of ln(one) and ln(other)."""
    return (one**2 * one_var + other**2 * other_var + 2.0 * one * other * cov) / (one + other) ** 2


def covariance_in_sum(one: float, other: float, one_var: float, other_var: float, variance: float) -> float:
    """The covariance that gives ln(one + other) that variance, as far as a correlation of `MOST_TOGETHER` does."""
    apart = variance_of_sum(one, other, one_var, other_var, 0.0)
    most = MOST_TOGETHER * math.sqrt(one_var * other_var)
    return min(max((variance - apart) * (one + other) ** 2 / (2.0 * one * other), -most), most)


def averaged(belief: tuple[float, float], seen: float, scatter: float) -> tuple[float, float]:
    """A normal belief (mean, variance) in one number after it was seen with that scatter; it slowly forgets."""
    mean, variance = belief[0], belief[1] + (scatter / 3.0) ** 2
    gain = variance / (variance + scatter**2)
    return mean + gain * (seen - mean), variance * (1.0 - gain)
