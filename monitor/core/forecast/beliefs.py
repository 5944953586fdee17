"""What is believed about one starter under each of the temperature laws, and how likely each law is to be this
starter's.

A bank of Kalman filters, one for each law, each weighted by how well it predicted what was seen (multiple-model
estimation: Magill 1965, IEEE Trans. Autom. Control 10:434). `starter_model` holds it in its culture, together with the
scatters that all of them share.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from monitor.core.forecast import dilution, growth_rate, kalman, timing
from monitor.core.forecast.kalman import Matrix, Mean, Scatter
from monitor.core.forecast.timing import (
    DILUTION,
    FIRST_FLOUR,
    PEAK,
    STEEP,
    STIFF,
    USUAL,
    WAIT,
    WAIT_DILUTION,
    WAIT_STEEP,
    Feed,
    Seen,
)

# Before any cycle: mean and spread (one standard deviation), at 24 degC and 1:4:4 of white flour at 100 %.
PRIOR = {
    # Bakers give some 8 h to the first touch of the top, which is 9 h to the highest point; between bakers the same
    # feeding at the same temperature differs by 0.3 to 0.4 in ln(hours) (`tests/bench/real_rises`).
    PEAK: (math.log(9.0), 0.35),
    # Time that grows with ln D and no lag, as in the trade's tables, gives 1.15; growth and gas until the sugar is gone
    # 0.6 to 0.7; the filmed pair 1:1:1 and 1:5:4 of `real_rises` 0.8.
    DILUTION: (0.9, 0.25),
    STEEP: (growth_rate.USUAL_STEEPNESS, 0.25),  # Q10 of 2 to 4
    WAIT: (math.log(1.7), 0.6),  # so that first touch to fall is a third of the way to it: by eye 0.21 to 0.50
    WAIT_STEEP: (0.85, 0.35),  # falls come a fixed share after their tops at any temperature (1), or with a Q10 of 2
    WAIT_DILUTION: (0.8, 0.4),  # the wait grows as the time to the peak does, or faster: 0.4 at 1:1:1, 0.5 at 1:5:4
    USUAL: (0.0, 0.2),  # 1:4:4, or as far off as 1:2:2 and 1:8:8
    STIFF: (0.22, 0.12),  # 50 % against 100 % takes 10 to 25 % more time
}
# What STEEP is believed to be under each law. The last law as published is far slower in the cold than the letter says.
STEEPNESS = (growth_rate.USUAL_STEEPNESS, 1.0, 0.85)
# How likely each law is beforehand: S. cerevisiae leads in most starters (Landis et al. 2021, eLife 10:e61644), and
# only one of the bakers of `real_rises` above 27 degC saw any slowing (and asked why).
LIKELY = (0.8, 0.1, 0.1)
CHANGES = 0.02  # share of what is known about the law that each cycle forgets: another yeast may take over
SLOW_IN_BOTH = 0.4  # correlation of PEAK and WAIT between starters: a sluggish one is slow at both
# A culture changes: the spread that its numbers gain in each cycle, and after a rest in the fridge. Its hours gain a
# share of their scatter from cycle to cycle: a starter that is steady from one to the next is steady over weeks.
DRIFT = {DILUTION: 0.01, STEEP: 0.01, WAIT_STEEP: 0.02, WAIT_DILUTION: 0.02}
DRIFT_OF_SCATTER = {PEAK: 0.5, WAIT: 0.25}
RESTED = {PEAK: 0.2, WAIT: 0.25}
USUAL_HYDRATION = 1.0  # of a seed of which nothing is known

# ln(hours) that a flour adds: whole grain is sooner, rye rises sooner and tops late (common practice; 13 h to the top
# at 21 degC in a bakery school's schedule of `real_rises`, where white takes some 10.5).
USUAL_FLOUR = {"rye": 0.15, "whole": -0.1, "spelt": -0.1}
NEW_FLOUR = (0.15, 0.25)  # spread of what a flour not seen before adds, to the peak and to the wait
MOST_FLOURS = 6  # remembered at once; the one learnt first gives way


@dataclass(frozen=True, slots=True, kw_only=True)
class Belief:
    """The belief under one law: how likely that law is, and a normal distribution of the numbers of `timing`."""

    law: int  # its place in `growth_rate.LAWS`
    likely: float
    mean: Mean
    cov: Matrix

    @property
    def rise_rate(self) -> growth_rate.Rate:
        """How fast the starter rises at a temperature, relative to 24 degC."""
        return timing.rise_rate(self.mean, self.law)

    @property
    def wait_rate(self) -> growth_rate.Rate:
        """How fast the wait at the top is used up at a temperature, relative to 24 degC."""
        return timing.wait_rate(self.mean, self.law)


Bank = tuple[Belief, ...]


def prior(flour: str | None) -> Bank:
    """The belief under each law before any cycle was seen."""
    mean = [PRIOR[i][0] for i in range(len(PRIOR))]
    for number in (PEAK, WAIT):
        mean[number] += usual_of(flour)
    cov = [[PRIOR[i][1] ** 2 if i == j else 0.0 for j in range(len(PRIOR))] for i in range(len(PRIOR))]
    cov[PEAK][WAIT] = cov[WAIT][PEAK] = SLOW_IN_BOTH * PRIOR[PEAK][1] * PRIOR[WAIT][1]
    plain = tuple(map(tuple, cov))
    return tuple(
        Belief(law=law, likely=likely, mean=(*mean[:STEEP], steep, *mean[STEEP + 1 :]), cov=plain)
        for law, (likely, steep) in enumerate(zip(LIKELY, STEEPNESS, strict=True))
    )


def of_one_law(mean: Mean, cov: Matrix) -> Bank:
    """A bank from the belief of an older version, which had seven numbers under a single law (nearly that of *K.
    humilis* in dough) and a Q10 of its own for the wait."""
    scale = [1.0] * len(mean)
    scale[WAIT_STEEP] = PRIOR[WAIT_STEEP][0] / math.log(2.0)
    bank = []
    for law, (likely, steep) in enumerate(zip(LIKELY, STEEPNESS, strict=True)):
        scale[STEEP] = steep
        own = tuple(m * f for m, f in zip(mean, scale, strict=True))
        rows = tuple(
            tuple(c * f * g for c, g in zip(row, scale, strict=True)) for row, f in zip(cov, scale, strict=True)
        )
        own, rows = kalman.joined(own, rows, *PRIOR[STIFF])
        bank.append(Belief(law=law, likely=likely, mean=timing.possible(own), cov=rows))
    return tuple(bank)


def check(bank: Bank, flours: int) -> None:
    """Raises ValueError unless the bank has all laws and the numbers for that many flours."""
    numbers = FIRST_FLOUR + 2 * (flours - 1)
    if [one.law for one in bank] != list(range(len(growth_rate.LAWS))):
        raise ValueError(f"a belief by {len(bank)} laws; it must be one by {len(growth_rate.LAWS)}")
    for one in bank:
        if not len(one.mean) == len(one.cov) == numbers:
            raise ValueError(f"a belief about {len(one.mean)} numbers; it must be one about {numbers}")


def likeliest(bank: Bank) -> Belief:
    """The belief under the law that is most likely this starter's."""
    return max(bank, key=lambda belief: belief.likely)


def drifted(bank: Bank, peak_scatter: Scatter, wait_scatter: Scatter) -> Bank:
    """Each belief one cycle later, as the culture may have changed."""
    scatters = {PEAK: peak_scatter.variance, WAIT: wait_scatter.variance}
    own = {number: share * math.sqrt(scatters[number]) for number, share in DRIFT_OF_SCATTER.items()}
    return widened(bank, DRIFT | own)


def widened(bank: Bank, gained_sd: Mapping[int, float]) -> Bank:
    """Each belief after that much spread was added to some of its numbers."""
    return tuple(replace(one, cov=kalman.widened(one.cov, gained_sd)) for one in bank)


def seen(belief: Belief, what: Seen, scatter: Scatter, doubt: float) -> tuple[Belief, Scatter, float]:
    """A belief after an observation, the scatter after it, and ln of how likely it was."""
    after = kalman.update(belief.mean, belief.cov, what.toward, what.surprise, scatter, what.doubt + doubt)
    return replace(belief, mean=timing.possible(after.mean), cov=after.cov), after.scatter, after.ln_likelihood


def seen_beyond(belief: Belief, least: Seen, variance: float) -> tuple[Belief, float]:
    """A belief after something had still not come when watching ended, and ln of how likely that was. `least` is what
    would have been seen if it had come just then."""
    mean, cov, ln = kalman.update_beyond(belief.mean, belief.cov, least.toward, least.surprise, variance + least.doubt)
    return replace(belief, mean=timing.possible(mean), cov=cov), ln


def weighed(bank: Sequence[Belief], ln_likelihoods: Sequence[float]) -> Bank:
    """The bank after an observation that was that likely under each law (Bayes); the former weights fade a little."""
    best = max(ln_likelihoods)
    weights = [
        (one.likely ** (1.0 - CHANGES) * before**CHANGES) * math.exp(ln - best)
        for one, ln, before in zip(bank, ln_likelihoods, LIKELY, strict=True)
    ]
    return tuple(replace(one, likely=weight / sum(weights)) for one, weight in zip(bank, weights, strict=True))


def usual_of(flour: str | None) -> float:
    """How much ln(hours) a flour usually adds, by the words in its name; "30 % rye" adds that share of what rye
    adds."""
    name = (flour or "").lower()
    added = next((value for word, value in USUAL_FLOUR.items() if word in name), 0.0)
    said = re.match(r"\s*(\d{1,2})\s*%", name)
    return added * (int(said[1]) / 100.0 if said else 1.0)


def shifted(bank: Bank, by: float) -> Bank:
    """Each belief with that much more ln(hours) to the peak and of the wait."""
    return tuple(replace(one, mean=tuple(m + by * (i in (PEAK, WAIT)) for i, m in enumerate(one.mean))) for one in bank)


def with_flour(bank: Bank, adds: float) -> Bank:
    """Each belief with two more numbers, for another flour."""
    out = []
    for one in bank:
        mean, cov = one.mean, one.cov
        for sd in NEW_FLOUR:
            mean, cov = kalman.joined(mean, cov, adds, sd)
        out.append(replace(one, mean=mean, cov=cov))
    return tuple(out)


def without_first_flour(bank: Bank) -> Bank:
    """Each belief without the two numbers of the flour learnt first, not counting the one that all are compared
    with."""
    return tuple(
        replace(
            one,
            mean=one.mean[:FIRST_FLOUR] + one.mean[FIRST_FLOUR + 2 :],
            cov=tuple(
                row[:FIRST_FLOUR] + row[FIRST_FLOUR + 2 :]
                for i, row in enumerate(one.cov)
                if i // 2 != FIRST_FLOUR // 2
            ),
        )
        for one in bank
    )


def fed(
    flours: Sequence[str], flour: str | None, seed: float | None, of_dilution: float | None, hydration: float | None
) -> Feed:
    """A feeding as the laws see it. Its dilution is that of the seed's flour, as a drier seed holds more flour than its
    weight shows. `seed` is the hydration of the starter that was kept; None: the usual one."""
    seed = seed or USUAL_HYDRATION
    hydration = hydration or seed
    name = (flour or "").lower()
    place = flours.index(name) if name in flours else 0
    return Feed(
        bend=None
        if of_dilution is None
        else dilution.shape(1.0 + (of_dilution - 1.0) * (1.0 + seed) / (1.0 + hydration)),
        stiffness=timing.stiffness(hydration),
        flour=None if place == 0 else FIRST_FLOUR + 2 * (place - 1),
    )
