"""A normal belief about a few numbers, and what one more observation does to it. `beliefs` holds one under each law.

This is the textbook update of a linear model by one observed number at a time (a Kalman filter), with two additions:
the effect of a wild observation is limited, and the scatter of the observations is learnt as well.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

HELD_BACK = 4.0  # squared: a surprise beyond two standard deviations counts as if it were that big (Huber)
WILDEST = 9.0  # squared: for the scatter a surprise counts as three standard deviations at most
MOST_TOGETHER = 0.9  # the strongest correlation of two numbers, positive or negative
MEMORY_CYCLES = 25.0  # a scatter never rests on more cycles than this, so that it can still change
AS_NORMAL = 200.0  # degrees of freedom from which on Student's t is a normal law for all purposes
FORGETS = 3.0  # an average's spread grows by the scatter over this at each step, so that it follows within some cycles
LEAST_CHANCE = 1e-12  # rarer than that is not told apart: no logarithm of zero

Mean = tuple[float, ...]
Matrix = tuple[tuple[float, ...], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Scatter:
    """A variance that is being learnt: its value and the number of cycles it is worth."""

    variance: float
    cycles: float

    def moved(self, excess: float, share: float = 1.0) -> Scatter:
        """The scatter after one more cycle. `excess` is the cycle's squared surprise over its expected variance, less
        one; `share` is this scatter's part of that variance. The cycle then counts as share squared of a whole one
        (Fisher's information on one part of a variance). For a share of one this is the rule of West and Harrison
        (Bayesian Forecasting and Dynamic Models, 4.5)."""
        cycles = min(self.cycles + share * share, MEMORY_CYCLES)
        return Scatter(variance=self.variance * (1.0 + share * excess / cycles), cycles=cycles)

    def freedom(self, variance: float) -> float:
        """Degrees of freedom of a sum with that variance, of which only this scatter had to be learnt (Welch and
        Satterthwaite); at most AS_NORMAL."""
        return min(self.cycles * (variance / self.variance) ** 2, AS_NORMAL)


class Updated(NamedTuple):
    """A belief after one observation, and how likely the observation was under it (ln, up to a constant)."""

    mean: Mean
    cov: Matrix
    scatter: Scatter
    ln_likelihood: float


def update(
    mean: Mean, cov: Matrix, toward: Sequence[float], surprise: float, scatter: Scatter, doubt: float
) -> Updated:
    """Belief and scatter after one number was seen.

    `toward` says how that number depends on each of the believed ones, `surprise` is what was seen less what was
    expected, and `doubt` is a variance of the observation on top of the scatter.
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
    # Apart from the prior, the belief's own doubt comes from the same scatter: hence the root, not the bare share.
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
    """Belief after a number was only seen to be more than something, and ln of how likely that was. `least` is that
    bound less what was expected, `variance` the scatter and doubt of the observation. The result is the normal law with
    the moments of the one cut off there (Tobin 1958, Econometrica 26:24; Johnson and Kotz 1970, Continuous Univariate
    Distributions, 13.7). A bound more than two standard deviations out counts as if it were that far."""
    reach = [sum(c * t for c, t in zip(row, toward, strict=True)) for row in cov]
    total = sum(r * t for r, t in zip(reach, toward, strict=True)) + variance
    z = min(least / math.sqrt(total), math.sqrt(HELD_BACK))
    beyond = max(0.5 * math.erfc(z / math.sqrt(2.0)), LEAST_CHANCE)
    pull = math.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi) / beyond
    surer = pull * (pull - z)  # share of the variance that is cut off, 0 to 1
    mean = tuple(m + r * pull / math.sqrt(total) for m, r in zip(mean, reach, strict=True))
    cov = tuple(
        tuple(c - surer * r * other / total for c, other in zip(row, reach, strict=True))
        for row, r in zip(cov, reach, strict=True)
    )
    return mean, cov, math.log(beyond)


def joined(mean: Mean, cov: Matrix, value: float, sd: float) -> tuple[Mean, Matrix]:
    """The belief with one more number, which is independent of the others."""
    rows = [(*row, 0.0) for row in cov]
    return (*mean, value), (*rows, (*(0.0 for _ in cov), sd * sd))


def covariance(cov: Matrix, left: Sequence[float], right: Sequence[float]) -> float:
    """Covariance of two numbers that depend linearly on the believed ones."""
    return sum(a * c * b for row, a in zip(cov, left, strict=True) for c, b in zip(row, right, strict=True))


def variance_of_sum(one: float, other: float, one_var: float, other_var: float, cov: float) -> float:
    """Variance of ln(one + other), to first order, from the variances and the covariance of ln(one) and ln(other)."""
    return (one**2 * one_var + other**2 * other_var + 2.0 * one * other * cov) / (one + other) ** 2


def covariance_in_sum(one: float, other: float, one_var: float, other_var: float, variance: float) -> float:
    """The covariance with which ln(one + other) has that variance, within a correlation of `MOST_TOGETHER`."""
    apart = variance_of_sum(one, other, one_var, other_var, 0.0)
    most = MOST_TOGETHER * math.sqrt(one_var * other_var)
    return min(max((variance - apart) * (one + other) ** 2 / (2.0 * one * other), -most), most)


def averaged(belief: tuple[float, float], seen: float, scatter: float) -> tuple[float, float]:
    """A normal belief (mean, variance) about one number after it was seen once more with that scatter; it slowly
    forgets."""
    mean, variance = belief[0], belief[1] + (scatter / FORGETS) ** 2
    gain = variance / (variance + scatter**2)
    return mean + gain * (seen - mean), variance * (1.0 - gain)
