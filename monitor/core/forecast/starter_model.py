"""What is believed of this baker's own starter: how long it takes to its peak and to the start of its fall.

`warmth` counts the hours; this module learns from each closed cycle and foretells the next one; `forecast` joins that
with the rise seen so far, `feeding` turns it round into grams.

The model (`law`) is a plain linear one in logarithms, so that learning is the textbook update of a normal belief.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from monitor.core.forecast import growth_rate, kalman, timing
from monitor.core.forecast.kalman import Matrix, Mean, Scatter
from monitor.core.forecast.timing import DILUTION, PEAK, STEEP, USUAL, WAIT, WAIT_DILUTION, WAIT_STEEP, Seen
from monitor.values import Cycle, Json

# Before any cycle: mean and spread (one standard deviation). Common practice gives, at 24 to 26 degC, 3 to 6 h for
# 1:1:1, 5 to 8 for 1:2:2, 8 to 12 for 1:5:5 and 10 to 16 for 1:10:10; starters differ about twofold in vigour (Hou and
# Hsu 2013, Food Bioscience 3:75, on gas). Time that grows with ln D and no lag, as in the trade's tables, gives a
# DILUTION of 1.15; growth and gas until the sugar is gone one of 0.6 to 0.7. Steepness 1 is the published law; its
# spread spans Q10 of 2 to 4.
PRIOR = {
    PEAK: (math.log(9.0), 0.3),
    DILUTION: (0.9, 0.3),
    STEEP: (1.0, 0.25),
    WAIT: (math.log(1.6), 0.7),
    WAIT_STEEP: (math.log(2.0), 0.4),
    WAIT_DILUTION: (0.4, 0.4),
    USUAL: (0.0, 0.2),  # 1:4:4, or as far off as 1:2:2 and 1:8:8
}
SLOW_IN_BOTH = 0.4  # correlation of PEAK and WAIT between starters: a sluggish one is slow at both
# The cycle's own scatter (one standard deviation of the logarithm), errors of dating included, and how many cycles that
# guess is worth: few, since starters, hands and scales differ in it by more than twice.
PEAK_SCATTER, WAIT_SCATTER, SCATTER_CYCLES = 0.06, 0.24, 3.0
# What makes a peak late may make the wait after it short (a peak dated late does, or acid that comes in its own time)
# or long (a weak day): the scatter of the fall over what those of peak and wait make of it when independent is learnt
# for each starter; one is worth this many cycles.
FALL_CYCLES, LEAST_ODDS = 2.0, 0.2
# A culture changes: spread gained in each cycle, with new flour, and after a rest in the fridge.
DRIFT = {PEAK: 0.03, DILUTION: 0.01, STEEP: 0.01, WAIT: 0.06, WAIT_STEEP: 0.02, WAIT_DILUTION: 0.02}
NEW_FLOUR, RESTED = {PEAK: 0.15, WAIT: 0.25}, {PEAK: 0.2, WAIT: 0.25}
PER_LN_HYDRATION = 0.3  # spread for a change in hydration: runnier is faster, stiffer slower, by how much varies
UNTOLD_SD = 0.12  # spread for a feeding whose grams nobody told: by eye, about the usual one
UNMEASURED_SD = 0.2  # spread for a cycle without any temperature: a kitchen two degrees to either side of the usual
HEIGHT, HEIGHT_SCATTER = (math.log(2.3), 0.32), 0.12  # ln of the rise ratio at the peak
WEATHER = (1.0**2, 3.0)  # variance, degC squared, of a cycle's mean temperature about the one expected at its feeding
SUNK = (math.log(5.0), 0.6)  # ln hours (24 degC) from the start of fall to half-way back; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class Culture:
    """The belief about one starter: normal in the seven numbers of the law, with two scatters that are learnt.

    `height` is (ln of the usual rise ratio at the peak, its variance). `last_*` are those of the last feeding learnt.
    `day_c` is the jar's usual temperature at each hour of the day in UTC, once seen; `shapes` weighs the rise curves
    that `forecast` tries, empty until one was seen.
    """

    mean: Mean
    cov: Matrix
    peak_scatter: Scatter
    wait_scatter: Scatter
    fall_odds: Scatter  # the fall's own scatter over that of independent peak and wait
    weather: Scatter
    height: tuple[float, float] = HEIGHT[0], HEIGHT[1] ** 2
    sunk: tuple[float, float] = SUNK[0], SUNK[1] ** 2
    cycles: int = 0
    last_flour: str | None = None
    last_hydration: float | None = None
    last_dilution: float | None = None
    last_flour_g: float | None = None
    day_c: tuple[float | None, ...] = (None,) * 24
    shapes: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Foretold:
    """One feeding's outcome in ln(equivalent hours): means, variances and covariance, and the degrees of freedom."""

    peak_ln: float
    peak_var: float
    wait_ln: float
    wait_var: float
    cov: float
    peak_freedom: float
    wait_freedom: float
    steep: float
    wait_steep: float
    clock_h: tuple[float, float]  # what peak and fall come to on the clock
    own_var: float  # of ln(hours to the fall): the part that is the cycle's own scatter


def prior(flour: str | None = None) -> Culture:
    """What is believed before any cycle was seen. Rye and wholemeal go somewhat faster (common practice, no source)."""
    mean = [PRIOR[i][0] for i in range(len(PRIOR))]
    if flour is not None and any(word in flour.lower() for word in ("rye", "whole")):
        mean[PEAK] -= 0.1
    cov = [[PRIOR[i][1] ** 2 if i == j else 0.0 for j in range(len(PRIOR))] for i in range(len(PRIOR))]
    cov[PEAK][WAIT] = cov[WAIT][PEAK] = SLOW_IN_BOTH * PRIOR[PEAK][1] * PRIOR[WAIT][1]
    return Culture(
        mean=tuple(mean),
        cov=tuple(map(tuple, cov)),
        peak_scatter=Scatter(variance=PEAK_SCATTER**2, cycles=SCATTER_CYCLES),
        wait_scatter=Scatter(variance=WAIT_SCATTER**2, cycles=SCATTER_CYCLES),
        fall_odds=Scatter(variance=1.0, cycles=FALL_CYCLES),
        weather=Scatter(variance=WEATHER[0], cycles=WEATHER[1]),
        last_flour=flour,
    )


def foretell(
    culture: Culture,
    temperatures_c: Sequence[float],
    of_dilution: float | None,
    hydration: float | None = None,
    flour: str | None = None,
) -> Foretold:
    """What this starter will do after a feeding of that dilution, at these hourly temperatures from the feeding on."""
    culture = _widened(culture, hydration, flour, rested=False)
    mean, cov = culture.mean, culture.cov
    peak_ln, wait_ln = timing.peak_ln(mean, of_dilution), timing.wait_ln(mean, of_dilution)
    peak_h = growth_rate.Clock(temperatures_c, growth_rate.growth_rate(mean[STEEP])).hour(math.exp(peak_ln))
    fall_h = growth_rate.Clock(temperatures_c, growth_rate.wait_rate(mean[WAIT_STEEP])).later(peak_h, math.exp(wait_ln))
    toward_peak = timing.toward_peak(mean, temperatures_c, of_dilution, peak_h)
    toward_wait = timing.toward_wait(mean, temperatures_c, of_dilution, peak_h, fall_h)
    untold = UNTOLD_SD**2 if of_dilution is None else 0.0
    doubt = timing.doubt(temperatures_c, 0.0, peak_h)
    peak_var = kalman.covariance(cov, toward_peak, toward_peak) + culture.peak_scatter.variance + untold + doubt
    wait_var = kalman.covariance(cov, toward_wait, toward_wait) + culture.wait_scatter.variance + doubt
    scatters = culture.peak_scatter.variance, culture.wait_scatter.variance
    own_var = culture.fall_odds.variance * kalman.variance_of_sum(peak_h, fall_h - peak_h, *scatters, 0.0)
    own_cov = kalman.covariance_in_sum(peak_h, fall_h - peak_h, *scatters, own_var)
    both_cov = kalman.covariance(cov, toward_peak, toward_wait) + doubt + own_cov
    return Foretold(
        peak_ln=peak_ln,
        peak_var=peak_var,
        wait_ln=wait_ln,
        wait_var=wait_var,
        cov=both_cov,
        peak_freedom=culture.peak_scatter.freedom(peak_var),
        wait_freedom=culture.wait_scatter.freedom(wait_var),
        steep=mean[STEEP],
        wait_steep=mean[WAIT_STEEP],
        clock_h=(peak_h, fall_h),
        own_var=own_var,
    )


def learn(culture: Culture, cycle: Cycle, usual_c: float = growth_rate.USUAL_C) -> Culture:
    """The belief after one closed cycle, by the normal update of one number at a time (a Kalman filter's).

    Nothing is learnt from an unsure feeding, from a rest in the fridge (which only widens), or without a peak or a
    fall. A wild cycle moves the belief no more than one that is two standard deviations off. A cycle without any
    temperature is taken to have been at `usual_c`, roughly.
    """
    if not cycle.sure:
        return culture
    of_dilution = cycle.feeding.dilution
    hydration = cycle.feeding.hydration
    culture = replace(
        _widened(culture, hydration, cycle.flour, cycle.rested),
        last_flour=cycle.flour or culture.last_flour,
        last_hydration=hydration or culture.last_hydration,
        last_dilution=of_dilution or culture.last_dilution,
        last_flour_g=cycle.flour_g or culture.last_flour_g,
    )
    peak_h = None if cycle.peak_at_s is None else (cycle.peak_at_s - cycle.fed_at_s) / 3600.0
    fall_h = None if cycle.fall_at_s is None else (cycle.fall_at_s - cycle.fed_at_s) / 3600.0
    if cycle.rested or not any(hours is not None and hours > 0.0 for hours in (peak_h, fall_h)):
        return culture
    culture = replace(culture, cov=kalman.widened(culture.cov, DRIFT), cycles=culture.cycles + 1)
    temperatures_c = growth_rate.filled(cycle.temperatures_c, usual_c)
    untold = 0.0 if of_dilution is not None else UNTOLD_SD**2
    untold += 0.0 if any(t is not None for t in cycle.temperatures_c) else UNMEASURED_SD**2
    if peak_h is not None and peak_h > 0.0:
        foretold = foretell(culture, temperatures_c, of_dilution)
        culture = _learn_peak(culture, timing.peak_seen(culture.mean, peak_h, temperatures_c, of_dilution), untold)
        if fall_h is not None and fall_h > 0.0:
            culture = _learn_wait(
                culture, timing.wait_seen(culture.mean, peak_h, fall_h, temperatures_c, of_dilution), untold
            )
            if untold == 0.0:
                culture = replace(culture, fall_odds=_learn_odds(culture.fall_odds, foretold, fall_h))
    elif fall_h is not None:
        foretold = foretell(culture, temperatures_c, of_dilution)
        seen = timing.fall_seen(culture.mean, foretold.clock_h, fall_h, temperatures_c, of_dilution)
        culture = _learn_fall(culture, seen, foretold.own_var, untold)
    if cycle.peak_ratio is not None and cycle.peak_ratio > 1.0:
        culture = replace(culture, height=kalman.averaged(culture.height, math.log(cycle.peak_ratio), HEIGHT_SCATTER))
    return replace(
        culture,
        weather=_learn_weather(culture, cycle),
        day_c=growth_rate.learn_day(culture.day_c, cycle.fed_at_s, cycle.temperatures_c),
    )


def learned_from(cycles: Iterable[Cycle], flour: str | None = None, usual_c: float = growth_rate.USUAL_C) -> Culture:
    """The belief after these cycles, oldest first, from the prior on; `usual_c` for those without any temperature."""
    culture = prior(flour)
    for cycle in cycles:
        culture = learn(culture, cycle, usual_c)
    return culture


def learn_sinking(culture: Culture, hours: float, temperature_c: float) -> Culture:
    """The belief after it was seen how long the starter took from the start of its fall to half-way back down."""
    worth_h = hours * growth_rate.wait_rate(culture.mean[WAIT_STEEP])(temperature_c)
    return replace(culture, sunk=kalman.averaged(culture.sunk, math.log(max(worth_h, 0.1)), WAIT_SCATTER))


def to_json(culture: Culture) -> dict[str, Json]:
    """The whole belief as JSON, exact: `from_json` gives an equal one back."""
    return {name: _plain(getattr(culture, name)) for name in Culture.__slots__}


def from_json(data: Mapping[str, Json]) -> Culture:
    """The belief that `to_json` wrote; what an older program did not keep beside it is as before any cycle. Raises
    KeyError, TypeError or ValueError on anything else."""
    flour = data.get("last_flour")
    before = {**to_json(prior(flour if isinstance(flour, str) else None)), "mean": data["mean"], "cov": data["cov"]}
    frozen = {name: _frozen(data.get(name, before[name])) for name in Culture.__slots__}
    if not len(frozen["mean"]) == len(frozen["cov"]) == len(PRIOR):
        raise ValueError(f"a belief about {len(frozen['mean'])} numbers; it must be one about {len(PRIOR)}")
    for name in ("peak_scatter", "wait_scatter", "fall_odds", "weather"):
        variance, cycles = frozen[name]
        frozen[name] = Scatter(variance=float(variance), cycles=float(cycles))
    return Culture(**frozen)


def _plain(value: Any) -> Json:
    if isinstance(value, Scatter):
        return [value.variance, value.cycles]
    return [_plain(one) for one in value] if isinstance(value, tuple) else value


def _frozen(value: Json) -> Any:
    return tuple(_frozen(one) for one in value) if isinstance(value, list) else value


def _learn_peak(culture: Culture, seen: Seen, untold: float) -> Culture:
    toward, surprise, doubt = seen
    mean, cov, scatter = kalman.update(
        culture.mean, culture.cov, toward, surprise, culture.peak_scatter, doubt + untold
    )
    return replace(culture, mean=timing.possible(mean), cov=cov, peak_scatter=scatter)


def _learn_wait(culture: Culture, seen: Seen, untold: float) -> Culture:
    toward, surprise, doubt = seen
    mean, cov, scatter = kalman.update(
        culture.mean, culture.cov, toward, surprise, culture.wait_scatter, doubt + untold
    )
    return replace(culture, mean=timing.possible(mean), cov=cov, wait_scatter=scatter)


def _learn_fall(culture: Culture, seen: Seen, own_var: float, untold: float) -> Culture:
    """A fall without its peak says nothing of how the two scatter."""
    toward, surprise, doubt = seen
    scatter = Scatter(variance=own_var, cycles=SCATTER_CYCLES)
    mean, cov, _ = kalman.update(culture.mean, culture.cov, toward, surprise, scatter, doubt + untold)
    return replace(culture, mean=timing.possible(mean), cov=cov)


def _learn_odds(odds: Scatter, foretold: Foretold, fall_h: float) -> Scatter:
    """How much surer or less sure the fall was than the scatter of peak and wait, taken as independent, makes it."""
    peak_h, likely_h = foretold.clock_h
    variance = kalman.variance_of_sum(peak_h, likely_h - peak_h, foretold.peak_var, foretold.wait_var, foretold.cov)
    off = math.log(fall_h / likely_h)
    odds = odds.moved(min(off * off / variance, kalman.WILDEST) - 1.0, min(foretold.own_var / variance, 1.0))
    return replace(odds, variance=max(odds.variance, LEAST_ODDS))


def _learn_weather(culture: Culture, cycle: Cycle) -> Scatter:
    """How far the cycle's mean temperature was off the usual day that was expected at its feeding."""
    known = [t for t in cycle.temperatures_c if t is not None]
    if len(known) < 3 or all(t is None for t in culture.day_c):
        return culture.weather
    expected_c = growth_rate.expected_c(
        culture.day_c, cycle.fed_at_s, cycle.temperatures_c[:1], len(cycle.temperatures_c)
    )
    off_c = sum(known) / len(known) - sum(expected_c) / len(expected_c)
    return culture.weather.moved(min(off_c * off_c / culture.weather.variance, kalman.WILDEST) - 1.0)


def _widened(culture: Culture, hydration: float | None, flour: str | None, rested: bool) -> Culture:
    gains: list[Mapping[int, float]] = []
    if flour is not None and culture.cycles and flour.lower() != (culture.last_flour or "").lower():
        gains.append(NEW_FLOUR)
    if rested:
        gains.append(RESTED)
    if hydration and culture.last_hydration:
        change = PER_LN_HYDRATION * abs(math.log(hydration / culture.last_hydration))
        gains.append({PEAK: change, WAIT: change})
    cov = culture.cov
    for gained in gains:
        cov = kalman.widened(cov, gained)
    return replace(culture, cov=cov) if gains else culture
