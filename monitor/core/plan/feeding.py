"""The next feeding in grams, for a wanted cycle or a wanted moment, with its expected times and the reason.

It turns `culture` and `forecast` round: they say how long a feeding takes, this searches the dilution that takes as
long as is wanted; `weighing` makes whole grams of it. `jartide plan` prints it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from monitor.core.forecast import dilution as dilutions
from monitor.core.forecast import growth_rate, peak_time
from monitor.core.forecast import starter_model as starter_models
from monitor.core.forecast.starter_model import Culture
from monitor.core.plan.weighing import Grams, Limits, dilution, keep_bounds, scale_caution, total_bounds, weighings
from monitor.values import FeedPlan

Aim = Literal["fall", "half_sunk", "peak"]
AIMS: dict[str, Aim] = {"fall": "fall", "half_sunk": "half_sunk", "peak": "peak"}

# Dilutions that a starter is kept at: below 1:0.5:0.5 there is little to eat, above 1:100:100 other microbes of the
# flour may be first (common practice, no source).
LEAST_DILUTION, MOST_DILUTION = 2.0, 201.0
NEAR = 0.05  # share of the target that the likely time may be off for the plan to count as met
USUAL_HYDRATION = 1.0  # without any history
LONGEST_H = 240.0  # further ahead temperatures tell nothing, and hours mean only that it is too cold or too hot
DEAD_RATE_RATIO = 0.03  # below this share of the rate at 24 degC nothing useful rises
WAIT_AT_MOST_H = 12.0  # a feeding may be put off by this for a wanted moment


def plan(
    culture: Culture,
    *,
    target_h: float,
    temperatures_c: Sequence[float],
    aim: Aim = "fall",
    limits: Limits | None = None,
) -> FeedPlan:
    """The feeding after which the start of fall (or half-sunk, or the peak) likely comes `target_h` hours later.

    `temperatures_c` are hourly from the feeding on, the last holding on. When it cannot be reached, the nearest feeding
    with `met` False and why. Raises ValueError for a target, temperature or limit that makes no sense.
    """
    limits = limits or Limits()
    _check(target_h, temperatures_c, limits)
    hydration = limits.hydration or culture.last_hydration or USUAL_HYDRATION

    def likely_h(of_dilution: float) -> float:
        return _hours(culture, temperatures_c, of_dilution, hydration, limits.flour)[aim][1]

    mean_c = growth_rate.mean_c(temperatures_c, 0.0, min(target_h, LONGEST_H))
    usual = culture.last_dilution or dilutions.USUAL_DILUTION
    wanted = usual if _too_extreme(mean_c) else _solve(likely_h, target_h)
    options = weighings(culture, wanted, hydration, limits)
    grams = min(options, key=lambda one: abs(math.log(likely_h(dilution(one)) / target_h)))
    hours = _hours(culture, temperatures_c, dilution(grams), hydration, limits.flour)
    why_not = (
        _too_extreme(mean_c)
        or _does_not_fit(culture, grams, limits)
        or _out_of_reach(grams, wanted, hours[aim][1], target_h, mean_c, limits)
    )
    starter_g, flour_g, water_g = grams
    made = FeedPlan(
        starter_g=starter_g,
        flour_g=flour_g,
        water_g=water_g,
        hours_to_peak=hours["peak"],
        hours_to_fall=hours["fall"],
        hours_to_half_sunk=hours["half_sunk"][1],
        met=why_not is None,
        because="",
        discard_g=None if limits.standing_g is None else max(round(limits.standing_g) - starter_g, 0),
        caution=None if _too_extreme(mean_c) else scale_caution(grams, likely_h, total_bounds(culture, limits)[1]),
    )
    return replace(made, because=why_not or _reason(culture, made, aim, mean_c))


def ratio(made: FeedPlan) -> str:
    """starter:flour:water with the starter as one: 25 + 100 + 100 g is "1:4:4"."""
    return made.feeding.ratio or ""  # a plan always keeps some starter


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """One feeding of a plan for a wanted moment."""

    at_s: float
    plan: FeedPlan


def plan_for(
    culture: Culture,
    *,
    now_s: float,
    wanted_s: float,
    warmth_from: Callable[[float], Sequence[float]],
    aim: Aim = "peak",
    limits: Limits | None = None,
) -> tuple[Planned, ...]:
    """The feedings that bring the starter to its peak (or other aim) at `wanted_s`: one now, one put off, or two.

    `warmth_from(time_s)` gives the hourly temperatures from a moment on. One feeding now is tried first; if the moment
    is too far for that, it is put off, by half a day at most; else one feeding runs its course and a second follows at
    its start of fall. The nearest single feeding, with `met` False, where nothing reaches it.
    """
    limits = limits or Limits()
    ahead_h = (wanted_s - now_s) / 3600.0

    def one(at_s: float, until_s: float, toward: Aim, within: Limits) -> Planned:
        target_h = (until_s - at_s) / 3600.0
        made = plan(culture, target_h=target_h, temperatures_c=warmth_from(at_s), aim=toward, limits=within)
        return Planned(at_s=at_s, plan=made)

    now = one(now_s, wanted_s, aim, limits)
    usual = culture.last_dilution or dilutions.USUAL_DILUTION
    usual_h = _hours(culture, warmth_from(now_s), usual, None, limits.flour)[aim][1]
    if now.plan.met or min(_aimed(now.plan, aim), usual_h) >= ahead_h:
        return (now,)
    put_off_s = 3600.0 * min(max(ahead_h - usual_h, 0.0), WAIT_AT_MOST_H)
    later = one(now_s + put_off_s, wanted_s, aim, limits)
    if later.plan.met:
        return (later,)
    # the first of two need not serve the bake, nor use up the flour
    free = replace(limits, ripe_g=None, flour_g=None)
    between = range(1, math.ceil(put_off_s / 3600.0))  # whole grams leave gaps
    for start_s in (now_s, now_s + put_off_s, *(now_s + 3600.0 * hours for hours in between)):
        first = one(start_s, (start_s + wanted_s) / 2.0, "fall", free)
        second_s = start_s + 3600.0 * first.plan.hours_to_fall[1]
        if second_s < wanted_s:
            made_g = first.plan.feeding.total_g or 0.0
            second = one(second_s, wanted_s, aim, replace(limits, standing_g=float(made_g)))
            if first.plan.met and second.plan.met:
                return first, second
    grams = now.plan.starter_g, now.plan.flour_g, now.plan.water_g
    if _aimed(now.plan, aim) < ahead_h and _does_not_fit(culture, grams, limits) is None:
        too_far = f"That is {ahead_h:.0f} h ahead, and no two feedings reach so far; plan again at the next feeding."
        return (replace(now, plan=replace(now.plan, because=too_far)),)
    return (now,)


def _check(target_h: float, temperatures_c: Sequence[float], limits: Limits) -> None:
    if not (math.isfinite(target_h) and target_h > 0.0):
        raise ValueError(f"target_h: {target_h:g}; it must be a number of hours above zero")
    for temperature_c in temperatures_c:
        if not -10.0 <= temperature_c <= 60.0:
            raise ValueError(f"temperature_c: {temperature_c:g}; that is no kitchen, it must be from -10 to 60")
    if not temperatures_c:
        raise ValueError("temperature_c: none given")
    if limits.hydration is not None and not 0.3 <= limits.hydration <= 3.0:
        raise ValueError(f"hydration_pct: {100 * limits.hydration:g}; it must be from 30 to 300")
    for name in ("keep_g", "flour_g", "least_keep_g", "most_keep_g", "ripe_g", "jar_ml", "standing_g"):
        value = getattr(limits, name)
        if value is not None and not (math.isfinite(value) and 0.0 < value < 1e5):
            raise ValueError(f"{name}: {value:g}; it must be above zero and below 100000")
    if limits.keep_g is not None and limits.keep_g < 0.5:
        raise ValueError(f"keep_g: {limits.keep_g:g}; plans are in whole grams, it must be at least 1")
    if limits.most_keep_g is not None and limits.most_keep_g < limits.least_keep_g:
        raise ValueError(
            f"most_keep_g: {limits.most_keep_g:g}; it must be at least least_keep_g, {limits.least_keep_g:g}"
        )


def _hours(
    culture: Culture, temperatures_c: Sequence[float], dilution: float, hydration: float | None, flour: str | None
) -> dict[Aim, tuple[float, float, float]]:
    foretold = starter_models.foretell(culture, temperatures_c, dilution, hydration, flour)
    ahead = peak_time.hours_ahead(foretold, temperatures_c)
    sinking = growth_rate.Clock(temperatures_c, growth_rate.wait_rate(foretold.wait_steep))
    low, likely, high = (sinking.later(fall_h, math.exp(culture.sunk[0])) for fall_h in ahead.fall_h)
    return {"peak": ahead.peak_h, "fall": ahead.fall_h, "half_sunk": (low, likely, high)}


def _solve(likely_h: Callable[[float], float], target_h: float) -> float:
    """The dilution whose likely time is the target, by halving: more dilution is never faster."""
    low, high = math.log(LEAST_DILUTION), math.log(MOST_DILUTION)
    for _ in range(24):
        middle = (low + high) / 2.0
        if likely_h(math.exp(middle)) < target_h:
            low = middle
        else:
            high = middle
    return math.exp((low + high) / 2.0)


def _aimed(made: FeedPlan, aim: Aim) -> float:
    likely = {"peak": made.hours_to_peak[1], "fall": made.hours_to_fall[1], "half_sunk": made.hours_to_half_sunk}[aim]
    assert likely is not None
    return likely


def _too_extreme(mean_c: float) -> str | None:
    if math.exp(growth_rate.ln_yeast(mean_c)) > DEAD_RATE_RATIO:
        return None
    end = (
        "too cold for it to rise; that is a fridge's rest"
        if mean_c < growth_rate.REFERENCE_C
        else "too hot for its yeast"
    )
    return f"At {mean_c:.0f} °C it is {end}, so no feeding reaches the wanted time; bring it to between 16 and 30 °C."


def _does_not_fit(culture: Culture, grams: Grams, limits: Limits) -> str | None:
    least_g, most_g = total_bounds(culture, limits)
    total_g = sum(grams)
    low, high = keep_bounds(limits)
    if total_g > most_g:
        return f"Its rise would run over: the jar takes a feeding of {most_g:.0f} g at most, and this is {total_g} g."
    if total_g < math.floor(least_g):
        room = "; the jar takes no more" if total_g > 0.95 * most_g else ""
        return (
            f"That makes {total_g} g, and for the {limits.ripe_g:.0f} g that the bake takes it must be "
            f"{math.ceil(least_g)} g: some is lost as gas and at the jar's wall{room}."
        )
    if not low <= grams[0] <= high:
        return f"It takes {grams[0]} g of starter, and what can be kept is {low:g} to {high:g} g."
    return None


def _out_of_reach(
    grams: Grams, wanted: float, likely_h: float, target_h: float, mean_c: float, limits: Limits
) -> str | None:
    """Why the likely time is not the target, as the `wanted` dilution's would be, and what would help; None when it is
    near enough."""
    if abs(likely_h / target_h - 1.0) <= NEAR:
        return None
    free = replace(limits, hydration=None, flour=None) == Limits()
    if free and 1.01 * LEAST_DILUTION < wanted < 0.99 * MOST_DILUTION:  # it could be had, but for the whole grams
        return (
            f"In whole grams this is the nearest: it likely takes {likely_h:.1f} h at {mean_c:.0f} °C. With twice as "
            "much of everything you can come closer."
        )
    held = limits.keep_g is not None or limits.flour_g is not None or dilution(grams) < MOST_DILUTION / 2.0
    if likely_h < target_h:
        way = "these limits" if held and dilution(grams) < MOST_DILUTION / 1.5 else f"only {grams[0]} g kept"
        return (
            f"Even with {way} it is likely over after {likely_h:.1f} h at {mean_c:.0f} °C; this is the nearest, and a "
            "cooler place would lengthen it."
        )
    way = "these limits" if dilution(grams) > LEAST_DILUTION * 1.2 else "the most starter that still leaves it food"
    return (
        f"Even with {way} it likely takes {likely_h:.1f} h at {mean_c:.0f} °C; this is the nearest, and a warmer place "
        "would shorten it."
    )


def _reason(culture: Culture, made: FeedPlan, aim: Aim, mean_c: float) -> str:
    """Why these grams, in one sentence."""
    what = {"fall": "start of the fall", "half_sunk": "half-sunk moment", "peak": "peak"}[aim]
    base = "the usual starter" if culture.cycles == 0 else f"{culture.cycles} cycles of this starter"
    if culture.cycles == 1:
        base = "one cycle of this starter"
    dilution = made.feeding.dilution or dilutions.USUAL_DILUTION
    before = culture.last_dilution
    if before is None or abs(math.log(dilution / before)) < 0.05:
        change = f"at {ratio(made)}"
    elif dilution > before:
        change = f"with less starter kept than last time ({ratio(made)}), which it needs longer to outgrow,"
    else:
        change = f"with more starter kept than last time ({ratio(made)}), which is ready sooner,"
    return (
        f"Going by {base}, {change} the {what} comes about {_aimed(made, aim):.1f} h after feeding at {mean_c:.0f} °C."
    )
