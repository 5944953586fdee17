"""A jar unlike the rest of its group: fed the same at the same hour, and yet slower or lower than chance would explain.

Beside `trial`, which compares jars that are meant to differ. Here a group's jars are meant to be alike, and one that is
not has a reason worth a look: a cold corner, a scale that slipped, a sensor that drifts, a tired culture.

Method. Each batch (jars of the group fed alike within an hour) gives each jar its distance from the batch's median, in
the logarithm of equivalent hours to the peak and of the highest rise; the mean over the last batches stands for the
jar. Among these means the generalized extreme Studentized deviate test (Rosner 1983, Technometrics 25:165;
NIST/SEMATECH Handbook 1.3.5.17.3) finds up to a tenth of the jars as outliers; it counts how many jars were compared.
`ERROR` is shared out over the two measures. A difference that nobody would act on is not named, however certain it is.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import fmean, median, stdev

from monitor.core.forecast import growth_rate
from monitor.core.forecast.student_t import t_quantile
from monitor.values import Cycle

ERROR = 0.01  # once in a hundred looks a shelf without a culprit gets one named: with a batch a day, three times a year
APART_SHARE = 10  # at most one jar in so many stands apart: more are no outliers
TOGETHER_S = 3600.0  # two hands feed a shelf of forty within an hour
LEAST_JARS = 6  # with fewer, one odd jar hides in the spread that it makes itself
LAST_BATCHES = 4  # what was wrong before and is mended is forgotten within four feedings
LEAST_LN = {"hours to its peak": math.log(1.15), "highest rise": math.log(1.10)}  # an hour in seven; 2.2 for 2.4 times
LIKE_RATIO = 1.1  # feedings within a tenth in dilution and hydration count as the same: a scale's and a hand's error


@dataclass(frozen=True, slots=True, kw_only=True)
class Unlike:
    """One jar that stands apart: its measure as a ratio to its siblings' middle, and over how many batches."""

    jar: str
    measure: str
    ratio: float
    batches: int

    @property
    def words(self) -> str:
        """As a person would say it.

        >>> Unlike(jar="shelf-7", measure="hours to its peak", ratio=1.32, batches=3).words
        'shelf-7 takes 32 % longer to its peak than the others, over the last 3 feedings'
        """
        percent = f"{abs(self.ratio - 1.0):.0%}".replace("%", " %")
        if self.measure == "highest rise":
            what = f"rises {percent} {'higher' if self.ratio > 1.0 else 'lower'} than the others"
        elif self.ratio > 1.0:
            what = f"takes {percent} longer to its peak than the others"
        else:
            what = f"is at its peak {percent} sooner than the others"
        return f"{self.jar} {what}, " + (f"over the last {self.batches} feedings" if self.batches > 1 else "this time")


def unlike(cycles: Mapping[str, Sequence[Cycle]]) -> tuple[Unlike, ...]:
    """The jars of one group that stand apart, furthest first; none while fewer than `LEAST_JARS` were fed together.

    `cycles` are each jar's cycles in order; those inferred, rested in the fridge or without a peak are left out.
    """
    batches = _batches(cycles)[-LAST_BATCHES:]
    found: list[Unlike] = []
    for measure in LEAST_LN:
        means, counts = _means([{jar: _ln(one, measure) for jar, one in batch.items()} for batch in batches])
        for jar in outliers(means, max(1, len(means) // APART_SHARE), ERROR / len(LEAST_LN)):
            middle = median(mean for other, mean in means.items() if other != jar)
            if abs(means[jar] - middle) >= LEAST_LN[measure]:
                ratio = math.exp(means[jar] - middle)
                found.append(Unlike(jar=jar, measure=measure, ratio=ratio, batches=counts[jar]))
    return tuple(sorted(found, key=lambda one: -abs(math.log(one.ratio))))


def outliers(values: Mapping[str, float], most: int, error: float) -> tuple[str, ...]:
    """Names of the values that the generalized extreme Studentized deviate test calls outliers at `error`.

    At most `most` of them, the furthest first; none among fewer than `LEAST_JARS` values or where all are the same.
    """
    left, removed, count = dict(values), [], 0
    for step in range(1, most + 1):
        if len(left) < LEAST_JARS:
            break
        mean, spread = fmean(left.values()), stdev(left.values())
        if spread == 0.0:
            break
        furthest = max(left, key=lambda name: abs(left[name] - mean))
        n = len(left)
        t = t_quantile(1.0 - error / (2.0 * n), n - 2)
        limit = (n - 1) * t / math.sqrt((n - 2 + t * t) * n)
        removed.append(furthest)
        if abs(left.pop(furthest) - mean) / spread > limit:
            count = step  # the last step that exceeds its limit counts, so that two outliers do not hide one another
    return tuple(removed[:count])


def _batches(cycles: Mapping[str, Sequence[Cycle]]) -> list[dict[str, Cycle]]:
    """Cycles that began together and alike, oldest first; each jar once in a batch."""
    usable = sorted(
        (one for some in cycles.values() for one in some if one.sure and not one.rested and one.peak_at_s is not None),
        key=lambda one: one.fed_at_s,
    )
    batches: list[dict[str, Cycle]] = []
    for cycle in usable:
        for batch in reversed(batches):
            first = next(iter(batch.values()))
            if cycle.fed_at_s - first.fed_at_s > TOGETHER_S:
                batches.append({cycle.jar: cycle})
                break
            if cycle.jar not in batch and _alike(cycle, first):
                batch[cycle.jar] = cycle
                break
        else:
            batches.append({cycle.jar: cycle})
    return [batch for batch in batches if len(batch) >= LEAST_JARS]


def _alike(one: Cycle, other: Cycle) -> bool:
    """Fed the same, as far as it is known: what nobody told of either is taken to be the shelf's usual."""
    if one.feeding.flour != other.feeding.flour:
        return False
    for mine, theirs in (
        (one.feeding.dilution, other.feeding.dilution),
        (one.feeding.hydration, other.feeding.hydration),
    ):
        if mine and theirs and not 1.0 / LIKE_RATIO <= mine / theirs <= LIKE_RATIO:
            return False
    return True


def _ln(cycle: Cycle, measure: str) -> float | None:
    if measure == "highest rise":
        return math.log(cycle.peak_ratio) if cycle.peak_ratio and cycle.peak_ratio > 0.0 else None
    assert cycle.peak_at_s is not None
    clock = growth_rate.Clock(growth_rate.filled(cycle.temperatures_c), growth_rate.growth_rate())
    worth_h = clock.worth_h((cycle.peak_at_s - cycle.fed_at_s) / 3600.0)
    return math.log(worth_h) if worth_h > 0.0 else None


def _means(batches: Sequence[Mapping[str, float | None]]) -> tuple[dict[str, float], dict[str, int]]:
    """Each jar's mean distance from the batches' medians, of those jars that took part in at least half of them: a mean
    of few scatters more, and would be called odd for that."""
    distances: dict[str, list[float]] = {}
    for batch in batches:
        known = {jar: value for jar, value in batch.items() if value is not None}
        if len(known) < LEAST_JARS:
            continue
        middle = median(known.values())
        for jar, value in known.items():
            distances.setdefault(jar, []).append(value - middle)
    most = max((len(some) for some in distances.values()), default=0)
    counted = {jar: some for jar, some in distances.items() if 2 * len(some) >= most}
    return {jar: fmean(some) for jar, some in counted.items()}, {jar: len(some) for jar, some in counted.items()}
