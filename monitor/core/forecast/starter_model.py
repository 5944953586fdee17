"""What is believed about this baker's own starter: how long it takes to its peak and to the start of its fall.

`growth_rate` counts the hours; this module learns from each closed cycle and predicts the next one; `peak_time`
combines that with the rise seen so far, and `plan.feeding` looks for the grams that take as long as wanted.

The model (`timing`) is linear in logarithms, so that learning is the textbook update of a normal belief. As nobody
knows which yeast leads, there is one such belief under each temperature law (`beliefs`).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

from monitor.core.forecast import beliefs, growth_rate, kalman, timing
from monitor.core.forecast.beliefs import Bank, Belief
from monitor.core.forecast.kalman import Scatter
from monitor.core.forecast.timing import Feed
from monitor.values import Cycle, Feeding, Json, with_usual

# Scatter from cycle to cycle (one standard deviation of the logarithm), errors of dating included, and how many cycles
# that guess is worth: few, as starters, hands and scales differ in it by more than a factor of two. Replicates of a
# strain: 4.8 % (Guillerminet et al., INRAE 2022: hours to the fastest gas of 67 sourdough strains).
PEAK_SCATTER, WAIT_SCATTER, SCATTER_CYCLES = 0.055, 0.24, 3.0
# What makes a peak late may make the wait after it shorter (a peak that was dated late, or acid that comes in its own
# time) or longer (a weak day). So each starter's scatter of the fall is learnt, as a multiple of what peak and wait
# would give if they were independent; the prior of 1 is worth FALL_CYCLES cycles.
FALL_CYCLES, LEAST_ODDS = 5.0, 0.2
# The laws "differ" where ln(hours) under one that may well be this starter's is further than this from the likeliest
# one's. Beyond 28 degC, where one yeast slows down as the other gets faster, that is as much as a baker would notice;
# elsewhere as much as starters differ.
LAWS_DIFFER_HOT, LAWS_DIFFER = 0.15, 0.35
# Laws whose ln(hours) are no further than this from the likeliest one's count as one: starters differ by twice that.
SAME = 0.2
MAY_WELL_BE = 0.1  # the least chance, taken together, that such laws must have to count
NOT_YET_SD = 0.15  # spread for what had not come when it was fed again: it may have been just about to
UNTOLD_SD = 0.12  # spread for a feeding whose grams nobody reported: by eye, about the usual one
UNMEASURED_SD = 0.2  # spread for a cycle without any temperature: a kitchen two degrees to either side of the usual
HEIGHT, HEIGHT_SCATTER = (math.log(2.3), 0.32), 0.12  # ln of the rise ratio at the peak
# Variance in degC squared of a cycle's mean temperature about the one expected at its feeding, and how many cycles that
# guess is worth; fewer than WEATHER_HOURS of temperatures say nothing about it.
WEATHER, WEATHER_HOURS = (1.0**2, 3.0), 3
LEAST_SINKING_H = 0.1  # no logarithm of nothing
SUNK = (math.log(5.0), 0.6)  # ln hours (24 degC) from the start of fall to half-way back; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class Culture:
    """The belief about one starter: a normal one about the numbers of `timing` under each temperature law, and scatters
    that are learnt and common to all laws.

    `height` is (ln of the usual rise ratio at the peak, its variance). `last_*` belong to the last feeding learnt from.
    `day_c` is the jar's usual temperature at each hour of the day in UTC, once seen. `shapes` are the weights of the
    rise curves that `peak_time` tries, empty until one was seen. `flours` are those learnt so far, in the order of
    their numbers; the numbers of peak and wait are those of the first ("" where nobody said which).
    """

    bank: Bank
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
    flours: tuple[str, ...] = ("",)

    @property
    def mean(self) -> kalman.Mean:
        """The numbers of `timing` under the likeliest law."""
        return beliefs.likeliest(self.bank).mean


@dataclass(frozen=True, slots=True, kw_only=True)
class ByLaw:
    """The outcome of one feeding under one law, in ln(equivalent hours): means, variances, covariance, and degrees of
    freedom."""

    likely: float  # how likely the law is this starter's
    peak_ln: float
    peak_var: float
    wait_ln: float
    wait_var: float
    cov: float
    peak_freedom: float
    wait_freedom: float
    rise_rate: growth_rate.Rate
    wait_rate: growth_rate.Rate
    clock_h: tuple[float, float]  # peak and fall in hours of the clock
    own_var: float  # the part of the variance of ln(hours to the fall) that is scatter from cycle to cycle


@dataclass(frozen=True, slots=True, kw_only=True)
class Prediction:
    """The outcome of one feeding: under the likeliest law first, then under each law that says something else."""

    by_law: tuple[ByLaw, ...]
    sunk: tuple[float, float]  # ln(equivalent hours) from the start of fall to half-way back, and its variance
    laws_differ: bool  # the laws differ here, and this starter has not shown which one is its own

    @property
    def likeliest(self) -> ByLaw:
        """The outcome under the law that is most likely this starter's."""
        return self.by_law[0]


def prior(flour: str | None = None) -> Culture:
    """What is believed about a starter before any of its cycles was seen.

    >>> usual = prior()
    >>> round(math.exp(usual.mean[timing.PEAK]), 1)  # hours to the highest point, fed 1:4:4 at 24 degC
    9.0
    >>> [round(math.exp(prior(flour).mean[timing.PEAK]), 1) for flour in ("rye", "wholemeal")]
    [10.5, 8.1]
    """
    return Culture(
        bank=beliefs.prior(flour),
        peak_scatter=Scatter(variance=PEAK_SCATTER**2, cycles=SCATTER_CYCLES),
        wait_scatter=Scatter(variance=WAIT_SCATTER**2, cycles=SCATTER_CYCLES),
        fall_odds=Scatter(variance=1.0, cycles=FALL_CYCLES),
        weather=Scatter(variance=WEATHER[0], cycles=WEATHER[1]),
        last_flour=flour,
        flours=((flour or "").lower(),),
    )


def predict(
    culture: Culture,
    temperatures_c: Sequence[float],
    of_dilution: float | None,
    hydration: float | None = None,
    flour: str | None = None,
) -> Prediction:
    """What this starter will do after a feeding of that dilution, at these hourly temperatures from the feeding on.

    `of_dilution` is total over starter (None: not known), `hydration` is water over flour of what is added, and `flour`
    its name (None for either: as last time).
    """
    return _predicted(culture, temperatures_c, of_dilution, hydration, flour, UNTOLD_SD if of_dilution is None else 0.0)


def predict_fed(culture: Culture, temperatures_c: Sequence[float], fed: Feeding) -> Prediction:
    """`predict` for a feeding as it was reported: grams that nobody reported are taken as usual, with a doubt."""
    whole = with_usual(fed, usual_feeding(culture))
    untold_sd = UNTOLD_SD if fed.dilution is None else 0.0
    return _predicted(culture, temperatures_c, whole.dilution, whole.hydration, fed.flour, untold_sd)


def usual_feeding(culture: Culture) -> Feeding:
    """The last feeding that was reported; without grams where none was reported with all three."""
    flour_g, wet, diluted = culture.last_flour_g, culture.last_hydration, culture.last_dilution
    if flour_g is None or wet is None or diluted is None or diluted <= 1.0:
        return Feeding(flour=culture.last_flour)
    water_g = flour_g * wet
    starter_g = (flour_g + water_g) / (diluted - 1.0)
    return Feeding(starter_g=starter_g, flour_g=flour_g, water_g=water_g, flour=culture.last_flour)


def _predicted(
    culture: Culture,
    temperatures_c: Sequence[float],
    of_dilution: float | None,
    hydration: float | None,
    flour: str | None,
    untold_sd: float,
) -> Prediction:
    culture = _knowing(culture, flour)
    fed = _fed(culture, of_dilution or culture.last_dilution, hydration, flour)  # as usual where it is not known
    untold = untold_sd**2
    outcomes = [_by_law(culture, one, temperatures_c, fed, untold) for one in culture.bank]
    outcomes.sort(key=lambda one: -one.likely)
    first_h = outcomes[0].clock_h[0]
    off = [abs(math.log(one.clock_h[0] / first_h)) for one in outcomes]
    hot = growth_rate.mean_c(temperatures_c, 0.0, first_h) > growth_rate.PART_C
    far_ln = LAWS_DIFFER_HOT if hot else LAWS_DIFFER
    others = tuple(one for ln, one in zip(off, outcomes, strict=True) if ln > SAME)
    return Prediction(
        by_law=(replace(outcomes[0], likely=1.0 - sum(one.likely for one in others)), *others),
        sunk=(culture.sunk[0], culture.sunk[1] + culture.wait_scatter.variance),
        laws_differ=sum(one.likely for ln, one in zip(off, outcomes, strict=True) if ln > far_ln) > MAY_WELL_BE,
    )


# branches: what a cycle teaches, one thing after the other
def learn(culture: Culture, cycle: Cycle, usual_c: float = growth_rate.USUAL_C) -> Culture:
    """The belief after one closed cycle, by the normal update with one number at a time (a Kalman filter).

    Nothing is learnt from an uncertain feeding, from a rest in the fridge (which only widens the belief), or where
    nothing rose. What had not come when the starter was fed again is known to take longer than that: "not at its peak
    by 24 h" teaches something, or nothing could ever be learnt in a cold kitchen. A wild cycle moves the belief no more
    than one that is two standard deviations off. A cycle without temperatures is assumed to have been at about
    `usual_c`.

    >>> from monitor.values import of_grams
    >>> seen = Cycle(jar="rye", number=1, fed_at_s=0.0, feeding=of_grams((25.0, 100.0, 100.0)),
    ...              peak_at_s=7 * 3600.0, fall_at_s=9 * 3600.0, temperatures_c=(24.0,) * 9)
    >>> learnt = learn(prior(), seen)
    >>> learnt.cycles, round(math.exp(learnt.mean[timing.PEAK]), 1)  # 9.0 h before
    (1, 7.1)
    """
    if not cycle.sure:
        return culture
    feeding = cycle.feeding
    whole = with_usual(feeding, usual_feeding(culture))
    culture = _knowing(culture, cycle.feeding.flour)
    fed = _fed(culture, whole.dilution, whole.hydration, cycle.feeding.flour)
    if cycle.rested:
        culture = replace(culture, bank=beliefs.widened(culture.bank, beliefs.RESTED))
    culture = replace(
        culture,
        last_flour=cycle.feeding.flour or culture.last_flour,
    )
    if feeding.grams is not None or usual_feeding(culture).grams is None:  # the usual feeding is a whole reported one
        culture = replace(
            culture,
            last_hydration=feeding.hydration or culture.last_hydration,
            last_dilution=feeding.dilution or culture.last_dilution,
            last_flour_g=cycle.feeding.flour_g or culture.last_flour_g,
        )
    peak_h = None if cycle.peak_at_s is None else (cycle.peak_at_s - cycle.fed_at_s) / 3600.0
    fall_h = None if cycle.fall_at_s is None else (cycle.fall_at_s - cycle.fed_at_s) / 3600.0
    rose = cycle.rise_at_s is not None or (peak_h is not None and peak_h > 0.0)
    ended_h = None if cycle.ended_at_s is None or not rose else (cycle.ended_at_s - cycle.fed_at_s) / 3600.0
    if cycle.rested or not any(hours is not None and hours > 0.0 for hours in (peak_h, fall_h, ended_h)):
        return culture
    bank = beliefs.drifted(culture.bank, culture.peak_scatter, culture.wait_scatter)
    culture = replace(culture, bank=bank, cycles=culture.cycles + 1)
    temperatures_c = growth_rate.filled(cycle.temperatures_c, usual_c)
    doubt = 0.0 if feeding.dilution is not None else UNTOLD_SD**2
    doubt += 0.0 if any(t is not None for t in cycle.temperatures_c) else UNMEASURED_SD**2
    learnt = [
        _learn_by_law(culture, one, _Hours(peak_h, fall_h, ended_h), temperatures_c, fed, doubt) for one in culture.bank
    ]
    bank = beliefs.weighed([one.belief for one in learnt], [one.ln_likelihood for one in learnt])
    best = learnt[bank.index(beliefs.likeliest(bank))]
    culture = replace(
        culture,
        bank=bank,
        peak_scatter=best.peak_scatter,
        wait_scatter=best.wait_scatter,
        fall_odds=best.fall_odds,
    )
    if cycle.peak_ratio is not None and cycle.peak_ratio > 1.0:
        culture = replace(culture, height=kalman.averaged(culture.height, math.log(cycle.peak_ratio), HEIGHT_SCATTER))
    return replace(
        culture,
        weather=_learn_weather(culture, cycle),
        day_c=growth_rate.learn_day(culture.day_c, cycle.fed_at_s, cycle.temperatures_c),
    )


def learned_from(cycles: Iterable[Cycle], flour: str | None = None, usual_c: float = growth_rate.USUAL_C) -> Culture:
    """The belief after these cycles, oldest first, beginning with the prior. `usual_c` is for those without
    temperatures."""
    culture = prior(flour)
    for cycle in cycles:
        culture = learn(culture, cycle, usual_c)
    return culture


def learn_sinking(culture: Culture, hours: float, temperature_c: float) -> Culture:
    """The belief after the starter was seen to take `hours` from the start of its fall to half-way back down."""
    worth_h = hours * beliefs.likeliest(culture.bank).wait_rate(temperature_c)
    return replace(culture, sunk=kalman.averaged(culture.sunk, math.log(max(worth_h, LEAST_SINKING_H)), WAIT_SCATTER))


def to_json(culture: Culture) -> dict[str, Json]:
    """The whole belief as JSON, exact: `from_json` gives an equal one back."""
    return {name: _plain(getattr(culture, name)) for name in Culture.__slots__}


def from_json(data: Mapping[str, Json]) -> Culture:
    """The belief that `to_json` wrote; what an older version did not write yet is as before any cycle. Raises KeyError,
    TypeError or ValueError for anything else."""
    flour = data.get("last_flour")
    before = to_json(prior(flour if isinstance(flour, str) else None))
    frozen = {name: _frozen(data.get(name, before[name])) for name in Culture.__slots__}
    if "bank" in data:
        frozen["bank"] = tuple(
            Belief(law=law, likely=likely, mean=mean, cov=cov) for law, likely, mean, cov in _frozen(data["bank"])
        )
    else:
        frozen["bank"] = beliefs.of_one_law(_frozen(data["mean"]), _frozen(data["cov"]))
        frozen["flours"] = ((flour or "").lower() if isinstance(flour, str) else "",)
    beliefs.check(frozen["bank"], len(frozen["flours"]))
    for name in ("peak_scatter", "wait_scatter", "fall_odds", "weather"):
        variance, cycles = frozen[name]
        frozen[name] = Scatter(variance=float(variance), cycles=float(cycles))
    return Culture(**frozen)


def _plain(value: Any) -> Json:
    if isinstance(value, Scatter):
        return [value.variance, value.cycles]
    if isinstance(value, Belief):
        return [value.law, value.likely, _plain(value.mean), _plain(value.cov)]
    return [_plain(one) for one in value] if isinstance(value, tuple) else value


def _frozen(value: Json) -> Any:
    return tuple(_frozen(one) for one in value) if isinstance(value, list) else value


class _Hours(NamedTuple):
    """Hours from a feeding to the peak, to the fall and to the next feeding; None for what is not known."""

    peak: float | None
    fall: float | None
    ended: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Learnt:
    """The belief under one law after a cycle, and the scatters if that law is the right one."""

    belief: Belief
    ln_likelihood: float
    peak_scatter: Scatter
    wait_scatter: Scatter
    fall_odds: Scatter


def _learn_by_law(
    culture: Culture,
    one: Belief,
    hours: _Hours,
    temperatures_c: Sequence[float],
    fed: Feed,
    doubt: float,
) -> _Learnt:
    """Learn from the hours that are known; `doubt` is a variance that all of them have."""
    peak_h, fall_h, ended_h = hours
    predicted = _by_law(culture, one, temperatures_c, fed, UNTOLD_SD**2 if fed.bend is None else 0.0)
    peak_scatter, wait_scatter, odds, ln = culture.peak_scatter, culture.wait_scatter, culture.fall_odds, 0.0
    if peak_h is not None and peak_h > 0.0:
        what = timing.peak_seen(one.mean, one.law, peak_h, temperatures_c, fed)
        one, peak_scatter, ln = beliefs.seen(one, what, peak_scatter, doubt)
        if fall_h is not None and fall_h > 0.0:
            what = timing.wait_seen(one.mean, one.law, peak_h, fall_h, temperatures_c, fed)
            one, wait_scatter, _ = beliefs.seen(one, what, wait_scatter, doubt)
            if doubt == 0.0:
                odds = _learn_odds(odds, predicted, fall_h)
        elif ended_h is not None and ended_h > peak_h:
            what = timing.wait_seen(one.mean, one.law, peak_h, ended_h, temperatures_c, fed)
            one, _ = beliefs.seen_beyond(one, what, wait_scatter.variance + NOT_YET_SD**2 + doubt)
    elif fall_h is not None:  # a fall without its peak says nothing about the scatter of either
        what = timing.fall_seen(one.mean, one.law, predicted.clock_h, fall_h, temperatures_c, fed)
        scatter = Scatter(variance=predicted.own_var, cycles=SCATTER_CYCLES)
        one, _, ln = beliefs.seen(one, what, scatter, doubt)
    elif ended_h is not None:
        what = timing.peak_seen(one.mean, one.law, ended_h, temperatures_c, fed)
        one, ln = beliefs.seen_beyond(one, what, peak_scatter.variance + NOT_YET_SD**2 + doubt)
    return _Learnt(belief=one, ln_likelihood=ln, peak_scatter=peak_scatter, wait_scatter=wait_scatter, fall_odds=odds)


def _by_law(culture: Culture, one: Belief, temperatures_c: Sequence[float], fed: Feed, untold: float) -> ByLaw:
    """What the belief under one law predicts; `untold` is a variance of the peak for grams that nobody reported."""
    mean, cov = one.mean, one.cov
    peak_ln, wait_ln = timing.peak_ln(mean, fed), timing.wait_ln(mean, fed)
    rise_rate, wait_rate = one.rise_rate, one.wait_rate
    peak_h = growth_rate.Clock(temperatures_c, rise_rate).hour(math.exp(peak_ln))
    fall_h = growth_rate.Clock(temperatures_c, wait_rate).later(peak_h, math.exp(wait_ln))
    toward_peak = timing.toward_peak(mean, one.law, temperatures_c, fed, peak_h)
    toward_wait = timing.toward_wait(mean, one.law, temperatures_c, fed, peak_h, fall_h)
    doubt = timing.doubt(temperatures_c, 0.0, peak_h)
    peak_var = kalman.covariance(cov, toward_peak, toward_peak) + culture.peak_scatter.variance + untold + doubt
    wait_var = kalman.covariance(cov, toward_wait, toward_wait) + culture.wait_scatter.variance + doubt
    scatters = culture.peak_scatter.variance, culture.wait_scatter.variance
    own_var = culture.fall_odds.variance * kalman.variance_of_sum(peak_h, fall_h - peak_h, *scatters, 0.0)
    own_cov = kalman.covariance_in_sum(peak_h, fall_h - peak_h, *scatters, own_var)
    return ByLaw(
        likely=one.likely,
        peak_ln=peak_ln,
        peak_var=peak_var,
        wait_ln=wait_ln,
        wait_var=wait_var,
        cov=kalman.covariance(cov, toward_peak, toward_wait) + doubt + own_cov,
        peak_freedom=culture.peak_scatter.freedom(peak_var),
        wait_freedom=culture.wait_scatter.freedom(wait_var),
        rise_rate=rise_rate,
        wait_rate=wait_rate,
        clock_h=(peak_h, fall_h),
        own_var=own_var,
    )


def _learn_odds(odds: Scatter, predicted: ByLaw, fall_h: float) -> Scatter:
    """Learn how much more or less the fall scatters than if peak and wait were independent (`fall_odds`)."""
    peak_h, likely_h = predicted.clock_h
    variance = kalman.variance_of_sum(peak_h, likely_h - peak_h, predicted.peak_var, predicted.wait_var, predicted.cov)
    off = math.log(fall_h / likely_h)
    odds = odds.moved(min(off * off / variance, kalman.WILDEST) - 1.0, min(predicted.own_var / variance, 1.0))
    return replace(odds, variance=max(odds.variance, LEAST_ODDS))


def _learn_weather(culture: Culture, cycle: Cycle) -> Scatter:
    """Learn how far a cycle's mean temperature is off the usual day that was expected at its feeding."""
    known = [t for t in cycle.temperatures_c if t is not None]
    if len(known) < WEATHER_HOURS or all(t is None for t in culture.day_c):
        return culture.weather
    expected_c = growth_rate.expected_c(
        culture.day_c, cycle.fed_at_s, cycle.temperatures_c[:1], len(cycle.temperatures_c)
    )
    off_c = sum(known) / len(known) - sum(expected_c) / len(expected_c)
    return culture.weather.moved(min(off_c * off_c / culture.weather.variance, kalman.WILDEST) - 1.0)


def _knowing(culture: Culture, flour: str | None) -> Culture:
    """The belief with numbers for that flour; for a new one they begin with what it usually adds."""
    name, flours = (flour or "").lower(), culture.flours
    if not name or name in flours:
        return culture
    adds = beliefs.usual_of(name) - beliefs.usual_of(flours[0])
    if culture.cycles == 0:  # nothing was learnt about the flour before
        return replace(culture, bank=beliefs.shifted(culture.bank, adds), flours=(name,))
    bank = culture.bank
    if len(flours) == beliefs.MOST_FLOURS:
        bank, flours = beliefs.without_first_flour(bank), (flours[0], *flours[2:])
    return replace(culture, bank=beliefs.with_flour(bank, adds), flours=(*flours, name))


def _fed(culture: Culture, of_dilution: float | None, hydration: float | None, flour: str | None) -> Feed:
    """A feeding as the laws see it; a flour that nobody named is the last one."""
    return beliefs.fed(culture.flours, flour or culture.last_flour, culture.last_hydration, of_dilution, hydration)
