"""Jars side by side: which rises higher, sooner or longer, and whether that is more than noise.

Compares closed cycles of several jars; `jartide trial` prints it. Hours are compared in equivalent hours at 24 degC and
as if fed 1:4:4, so that a warmer shelf or more starter kept is no advantage, and shown in hours of the clock too. How
strongly warmth and dilution act on just this starter is not known: where jars differ in them, that doubt widens the
interval, and no number of cycles narrows it.

Each pair of jars is compared in each measure by the ratio of geometric means, with Welch's interval on the logarithms
(Welch 1947, Biometrika 34:28). The error of 5 % is shared out over all comparisons (Bonferroni), and over the looks:
who looks after every cycle gives chance a try each time (Pocock 1977, Biometrika 64:191). So noise is called a winner
in at most one trial in twenty, however often it is looked at.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from statistics import fmean
from typing import NamedTuple

from monitor.core.forecast import beliefs, dilution, growth_rate, timing
from monitor.core.forecast.student_t import t_quantile
from monitor.values import Cycle

ERROR = 0.05  # chance of calling jars different that are not: the usual level
LOOKS = 5.0  # a look after each of twenty cycles costs about as much as this many independent ones
DOUBLE = 2.0  # rise ratio
LEAST_CYCLES = 3  # of each jar; fewer say nothing about their scatter
NORMAL = 1e6  # degrees of freedom of a doubt that is known beforehand: a normal law
POWER_Z = 0.84  # four times in five such a difference would then be found
FLOOR_H = 0.1  # no logarithm of nothing: a time shorter than six minutes is as good as none
LEAST_SPREAD = 0.01  # of a logarithm between cycles: three that happen to agree are no proof of more
MOST_CYCLES = 99  # "more than" that: not to be settled in a kitchen
UNLIKE_LN = math.log(1.15)  # feedings within 15 % count as the same: a hand's error
RISE_PER_LN_HYDRATION = 1.0  # doubt: a stiff or a wet starter rises by another measure altogether
FAIR = (
    "To be fair: seed from one jar, the same grams and the same water, the same place, the jars' places swapped now "
    "and then; only what is compared may differ."
)
EXPECT = "To tell a difference of 10 % takes 20 to 30 cycles of each jar, one of 20 % takes 8 to 12."


class Measure(NamedTuple):
    """What jars are compared in: its name in a sentence, the words for more and for less of it, and whether it is a
    time (which warmth, dilution and stiffness change)."""

    name: str
    more: str
    less: str
    is_time: bool


MEASURES = {
    "rise_ratio": Measure("rise ratio", "rises higher than", "rises less high than", is_time=False),
    "equivalent_h_to_peak": Measure(
        "hours to peak", "takes longer to its peak than", "is sooner at its peak than", is_time=True
    ),
    "equivalent_h_above_double": Measure(
        "hours above double", "stays doubled longer than", "stays doubled for less long than", is_time=True
    ),
}
SHOWN_ONLY = ("clock_h_to_peak", "clock_h_above_double")  # hours of the clock: not judged, as warmth makes them differ


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """One measure of one jar over its cycles: geometric mean, standard deviation of the logarithm, number."""

    mean: float
    spread: float
    cycles: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Two jars in one measure: ratio of the first to the second with its interval, and whether it is a difference."""

    measure: str
    first: str
    second: str
    ratio: float
    low: float
    high: float
    differs: bool
    more_cycles: int | None
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """The whole comparison. `jars[jar][measure]`; those in SHOWN_ONLY are not judged."""

    jars: Mapping[str, Mapping[str, Summary]]
    comparisons: tuple[Comparison, ...]
    verdict: str
    remarks: tuple[str, ...] = ()

    def counted(self, jar: str) -> int:
        """Of how many of its cycles there is anything to compare: their peaks were seen, they did not rest."""
        return max((one.cycles for one in self.jars[jar].values()), default=0)


def compare(cycles: Mapping[str, Sequence[Cycle]]) -> Trial:
    """Compare two jars or more by their closed cycles. Raises ValueError for fewer than two jars."""
    if len(cycles) < 2:
        raise ValueError("a trial needs two jars or more")
    values = {jar: _measured(some) for jar, some in cycles.items()}
    jars = {jar: {name: _summary(v) for name, v in named.items() if v} for jar, named in values.items()}
    pairs = [
        (measure, one, other)
        for measure in MEASURES
        for one, other in combinations(values, 2)
        if min(len(values[one][measure]), len(values[other][measure])) >= LEAST_CYCLES
    ]
    error = ERROR / LOOKS / max(len(pairs), 1)
    paces = {jar: _ln_pace(some) for jar, some in cycles.items()}
    comparisons = []
    for measure, one, other in pairs:
        doubt = _doubt(measure, paces[one] - paces[other], _Fed.of(cycles[one]), _Fed.of(cycles[other]))
        two = values[one][measure], values[other][measure]
        comparisons.append(_compared(measure, one, other, *two, error, math.hypot(*doubt), doubt.alike))
    return Trial(
        jars=jars,
        comparisons=tuple(comparisons),
        verdict=_verdict(values, comparisons),
        remarks=(
            *(words for jar, some in cycles.items() if (words := _undoubled(jar, some)) is not None),
            *_unlike(cycles),
        ),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Fed:
    """How a jar was fed, on average: shape of its dilution as `dilution.shape` has it, ln of its hydration."""

    shape: float
    ln_hydration: float
    ratio: str | None

    @staticmethod
    def of(cycles: Sequence[Cycle]) -> _Fed:
        """Of the cycles that count."""
        fed = [cycle.feeding for cycle, _ in _counted(cycles)]
        shapes = [dilution.shape(one.dilution) for one in fed]
        hydrations = [math.log(one.hydration or 1.0) for one in fed]
        return _Fed(
            shape=fmean(shapes) if shapes else 0.0,
            ln_hydration=fmean(hydrations) if hydrations else 0.0,
            ratio=fed[-1].ratio if fed else None,
        )


class _Doubt(NamedTuple):
    """What is not known of how each acts on just these starters, one standard deviation."""

    warmth: float
    dilution: float
    hydration: float

    @property
    def alike(self) -> str:
        """What to do about the largest."""
        if self.warmth >= max(self.dilution, self.hydration):
            return "their places differ in warmth: swap them, or find one place for both"
        if self.dilution >= self.hydration:
            return "they are fed in different ratios: feed them alike"
        return "one is fed wetter than the other: feed them alike"


def _doubt(measure: str, paces: float, one: _Fed, other: _Fed) -> _Doubt:
    hydration = abs(one.ln_hydration - other.ln_hydration)
    if not MEASURES[measure].is_time:
        return _Doubt(0.0, 0.0, RISE_PER_LN_HYDRATION * hydration)
    steep, steep_sd = beliefs.PRIOR[timing.STEEP]
    by_warmth = steep_sd / steep * abs(paces)
    by_dilution = beliefs.PRIOR[timing.DILUTION][1] * abs(one.shape - other.shape)
    return _Doubt(by_warmth, by_dilution, beliefs.PRIOR[timing.STIFF][1] * hydration)


def _unlike(cycles: Mapping[str, Sequence[Cycle]]) -> Iterator[str]:
    """What is not fair about it: other grams, another warmth."""
    fed = {jar: _Fed.of(some) for jar, some in cycles.items() if _counted(some)}
    for one, other in combinations(fed, 2):
        a, b = fed[one], fed[other]
        apart = max(abs(a.shape - b.shape), abs(a.ln_hydration - b.ln_hydration))
        if apart > UNLIKE_LN and a.ratio and b.ratio:
            yield (
                f"{one} was fed {a.ratio} and {other} {b.ratio}, which alone makes them differ in their hours: that is "
                "allowed for as far as possible; feed them alike to be sure"
            )
        warm = [_mean_c(cycles[jar]) for jar in (one, other)]
        if abs(warm[0] - warm[1]) > 1.0:
            yield (
                f"{one} stood at {warm[0]:.1f} °C and {other} at {warm[1]:.1f} °C: that is allowed for; swap their "
                "places"
            )


def _mean_c(cycles: Sequence[Cycle]) -> float:
    return fmean(c for cycle in cycles for c in growth_rate.filled(cycle.temperatures_c))


def _counted(cycles: Sequence[Cycle]) -> list[tuple[Cycle, float]]:
    """The cycles that count, with the hours to their peak."""
    sure = [cycle for cycle in cycles if cycle.sure and not cycle.rested]
    return [(one, (one.peak_at_s - one.fed_at_s) / 3600.0) for one in sure if one.peak_at_s is not None]


def _clock(cycle: Cycle) -> growth_rate.Clock:
    return growth_rate.Clock(growth_rate.filled(cycle.temperatures_c), growth_rate.growth_rate())


def _ln_pace(cycles: Sequence[Cycle]) -> float:
    """Mean logarithm of what an hour on the way to the peak was worth: how warm a jar's place is."""
    paces = [math.log(_clock(cycle).worth_h(max(h, FLOOR_H)) / max(h, FLOOR_H)) for cycle, h in _counted(cycles)]
    return sum(paces) / len(paces) if paces else 0.0


def _undoubled(jar: str, cycles: Sequence[Cycle]) -> str | None:
    known = [cycle for cycle, _ in _counted(cycles) if cycle.above_double_h is not None]
    doubled = sum(map(_doubled, known))
    if doubled == len(known):
        return None
    return f"{jar} doubled in {doubled} of its {len(known)} cycles; hours doubled are from those cycles"


def _doubled(cycle: Cycle) -> bool:
    """By the rise that is shown of it: single readings of one that all but doubles lie above."""
    return bool(cycle.above_double_h) and (cycle.peak_ratio is None or cycle.peak_ratio >= DOUBLE)


def _measured(cycles: Sequence[Cycle]) -> dict[str, list[float]]:
    out: dict[str, list[float]] = {name: [] for name in (*MEASURES, *SHOWN_ONLY)}
    for cycle, peak_h in _counted(cycles):
        clock = _clock(cycle)
        out["clock_h_to_peak"].append(max(peak_h, FLOOR_H))
        as_1_4_4 = math.exp(-beliefs.PRIOR[timing.DILUTION][0] * dilution.shape(cycle.feeding.dilution))
        out["equivalent_h_to_peak"].append(max(clock.worth_h(peak_h) * as_1_4_4, FLOOR_H))
        if cycle.peak_ratio is not None:
            out["rise_ratio"].append(cycle.peak_ratio)
        if cycle.above_double_h is not None and _doubled(cycle):  # one that never doubled has no length to compare
            # the time above doubled lies about the peak, and is worth what the hours about the peak are worth
            pace = clock.worth_h(peak_h + 1.0) - clock.worth_h(peak_h)
            out["clock_h_above_double"].append(max(cycle.above_double_h, FLOOR_H))
            out["equivalent_h_above_double"].append(max(cycle.above_double_h * pace * as_1_4_4, FLOOR_H))
    return out


def _summary(values: Sequence[float]) -> Summary:
    mean, variance = _moments(values)
    return Summary(mean=math.exp(mean), spread=math.sqrt(variance), cycles=len(values))


def _moments(values: Sequence[float]) -> tuple[float, float]:
    lns = [math.log(value) for value in values]
    mean = sum(lns) / len(lns)
    return mean, max(sum((ln - mean) ** 2 for ln in lns) / max(len(lns) - 1, 1), LEAST_SPREAD**2)


def _compared(
    measure: str,
    one: str,
    other: str,
    ones: Sequence[float],
    others: Sequence[float],
    error: float,
    doubt: float,
    alike: str = "",
) -> Comparison:
    """`doubt` is that of the difference itself, one standard deviation, and `alike` what would lessen it."""
    (mean_1, var_1), (mean_2, var_2) = _moments(ones), _moments(others)
    share_1, share_2 = var_1 / len(ones), var_2 / len(others)
    squared = share_1 + share_2
    freedom = squared**2 / (share_1**2 / (len(ones) - 1) + share_2**2 / (len(others) - 1))
    by_chance = t_quantile(1.0 - error / 2.0, max(freedom, 2.0)) * math.sqrt(squared)
    by_doubt = t_quantile(1.0 - error / 2.0, NORMAL) * doubt
    width = math.hypot(by_chance, by_doubt)
    difference = mean_1 - mean_2
    differs = abs(difference) > width
    had = min(len(ones), len(others))
    more = None if differs else _more_cycles(difference, var_1 + var_2, error, had, doubt)
    ratio, low, high = (math.exp(d) for d in (difference, difference - width, difference + width))
    words = _words(measure, one, other, (ratio, low, high), differs, more, 1.0 - error)
    if not differs and by_doubt > by_chance:
        words += f"; {alike}"
    return Comparison(
        measure=measure, first=one, second=other, ratio=ratio, low=low, high=high, differs=differs, more_cycles=more,
        words=words,
    )  # fmt: skip


def _more_cycles(difference: float, variance: float, error: float, had: int, doubt: float = 0.0) -> int:
    """Further cycles of each jar after which a difference like this one would show four times in five."""

    def shows(more: int) -> bool:
        cycles = max(had + more, LEAST_CYCLES)
        seen = abs(difference) / math.sqrt(variance / cycles + doubt**2)
        return seen >= t_quantile(1.0 - error / 2.0, 2.0 * (cycles - 1)) + POWER_Z

    return bisect_left(range(1, MOST_CYCLES), True, key=shows) + 1  # more cycles never show less


def _words(
    measure: str,
    one: str,
    other: str,
    ratio: tuple[float, float, float],
    differs: bool,
    more: int | None,
    confidence: float,
) -> str:
    figures = f"{ratio[0]:.2f} times, {confidence:.1%} interval {ratio[1]:.2f} to {ratio[2]:.2f}"
    name, more_of_it, less_of_it, _ = MEASURES[measure]
    if differs:
        return f"{one} {more_of_it if ratio[0] > 1.0 else less_of_it} {other} ({figures})"
    wait = f"more than {MOST_CYCLES}" if more is None or more >= MOST_CYCLES else f"about {more}"
    return f"{one} and {other}: no difference in {name} shown ({figures}); {wait} more cycles each would settle it"


def _verdict(values: Mapping[str, Mapping[str, Sequence[float]]], comparisons: Sequence[Comparison]) -> str:
    short = [jar for jar, named in values.items() if len(named["equivalent_h_to_peak"]) < LEAST_CYCLES]
    if not comparisons:
        have = f"{', '.join(short) or 'none'} {'have' if len(short) > 1 else 'has'}"
        return f"Too early: {have} fewer than {LEAST_CYCLES} whole cycles, which say nothing yet. {EXPECT}"
    found = [one for one in comparisons if one.differs]
    late = f" ({', '.join(short)}: too few cycles)" if short else ""
    if not found:
        return f"Too early to say: nothing here is more than noise{late}. {EXPECT}"
    said = [words for measure in MEASURES for words in _plainly(measure, found, values)]
    higher = any(one.measure == "rise_ratio" for one in found)
    return "; ".join(said) + f"{late}." + (" Higher is not stronger, and lower is not weaker." if higher else "")


def _plainly(
    measure: str, found: Sequence[Comparison], values: Mapping[str, Mapping[str, Sequence[float]]]
) -> Iterator[str]:
    """What a baker would say of one measure: who stands out from all others, else pair by pair."""
    of_it = [one for one in found if one.measure == measure]
    wins: dict[str, set[str]] = {}
    for one in of_it:
        first_more = one.ratio > 1.0
        less_is_more = measure == "equivalent_h_to_peak"  # sooner is what is named
        winner, loser = (one.first, one.second) if first_more != less_is_more else (one.second, one.first)
        wins.setdefault(winner, set()).add(loser)
    for jar, losers in wins.items():
        all_others = len(losers) == len(values) - 1 and len(values) > 2
        if measure == "equivalent_h_to_peak":
            sooner = ", ".join(f"{_sooner(values, jar, other)} before {other}" for other in sorted(losers))
            yield f"{jar} peaks {'first, ' if all_others else ''}{sooner}"
        elif all_others:
            yield f"{jar} {'rises highest' if measure == 'rise_ratio' else 'stays doubled longest'}"
        else:
            verb = "rises higher" if measure == "rise_ratio" else "stays doubled longer"
            yield f"{jar} {verb} than {' and '.join(sorted(losers))}"


def _sooner(values: Mapping[str, Mapping[str, Sequence[float]]], jar: str, other: str) -> str:
    """By how many hours of the clock, on average; as at 24 degC where the clock says otherwise, by another warmth."""
    for name in ("clock_h_to_peak", "equivalent_h_to_peak"):
        by_h = fmean(values[other][name]) - fmean(values[jar][name])
        if by_h > 0.0:
            break
    count = f"{round(2.0 * by_h) / 2.0:g}" if by_h >= 0.75 else "half an"
    return f"about {count} hour{'s' if by_h >= 1.25 else ''}"
