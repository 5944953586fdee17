"""Sour or mild: where a starter leans by when it is fed, what moves it, and the next feeding for a milder or a sourer
bread. The levers are common practice, and disputed in part; what is judged is bread, never raw starter.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from monitor.core.assess.advice import Advice
from monitor.core.forecast import dilution as dilutions
from monitor.core.forecast import growth_rate
from monitor.core.forecast.starter_model import Culture
from monitor.core.plan import phrases
from monitor.core.plan.hours import hours_of
from monitor.core.plan.weighing import Limits, at_ratio, hydration_of, weight_of_flour
from monitor.values import Cycle, of_grams

SOUR_AFTER_H, MILD_WITHIN_H = 6.0, 2.0  # hours (24 degC) from the peak to the next feeding
MILD, SOUR = (5.0, 25.5), (2.0, 20.0)  # parts of flour and place: common practice
RIPER_H = (3.0, 5.0)  # past its top, for sourer bread

Leaning = Literal["sour", "mild", "neither"]


def past_peak_h(cycle: Cycle) -> tuple[float, float] | None:
    """Hours from its peak to its end: as at 24 degC, and by the clock. None while one of them is unknown."""
    if cycle.ended_at_s is None or cycle.peak_at_s is None:
        return None
    clock = growth_rate.Clock(growth_rate.filled(cycle.temperatures_c), growth_rate.growth_rate())
    peak_h, end_h = ((at_s - cycle.fed_at_s) / 3600.0 for at_s in (cycle.peak_at_s, cycle.ended_at_s))
    return max(clock.worth_h(end_h) - clock.worth_h(peak_h), 0.0), max(end_h - peak_h, 0.0)


def leaning(past_h: float) -> Leaning:
    """Where it leans when it is fed so long after its peak, in hours at 24 degC."""
    if past_h >= SOUR_AFTER_H:
        return "sour"
    return "mild" if past_h <= MILD_WITHIN_H else "neither"


def levers(seen: Sequence[Cycle], leans: Leaning | None) -> tuple[str, ...]:
    """What moves the taste, the strongest first."""
    if leans is None:
        return ()
    usual = next((c.feeding.dilution for c in reversed(seen) if c.feeding.dilution is not None), None)
    kept = "" if usual is None else f" (last fed at one part in {usual:.0f})"
    return (
        "Hours past the peak matter most: feed at the peak for milder bread, some hours later for sourer.",
        f"Keeping more starter{kept} makes it sourer, keeping less milder.",
        "Cooler is said to be sharper and warmer milder; bakers differ.",
    )


def milder(culture: Culture) -> Advice:
    """The bread was too sour: the next feeding, its place and its hour."""
    say, peak_h = _next(culture, *MILD)
    return Advice(
        say=f"For milder bread feed more often and keep less: {say}, and use it at its top, about "
        f"{phrases.hours(peak_h)} later, not after. Bakers differ on the rest; a shorter rise of the dough helps as "
        "much.",
        guide="mild",
    )


def sourer(culture: Culture) -> Advice:
    """The bread was too mild."""
    say, peak_h = _next(culture, *SOUR)
    low_h, high_h = (peak_h + more_h for more_h in RIPER_H)
    return Advice(
        say=f"For sourer bread keep more, cooler, and let it ripen: {say}, and use it {RIPER_H[0]:g} to "
        f"{RIPER_H[1]:g} h past its top, {phrases.between(low_h, high_h)} after the feeding. Ten percent of rye in "
        "its flour helps too. Change one of these at a time, to taste what each does; bakers differ.",
        guide="sour",
    )


def _next(culture: Culture, parts: float, place_c: float) -> tuple[str, float]:
    limits = Limits()
    hydration = hydration_of(culture, limits)
    fed = of_grams(at_ratio(parts, weight_of_flour(culture, limits), hydration))
    hours = hours_of(culture, (place_c,), fed.dilution or dilutions.USUAL_DILUTION, hydration)
    place = "20 °C" if place_c == SOUR[1] else "25 to 26 °C"
    return f"{phrases.weigh(fed)} at {place}", hours.peak[1]
