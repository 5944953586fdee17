"""The next feeding in grams for a wanted cycle, and what a given feeding will do, each with its hours and the reason.

The forecast says how long a feeding takes; this searches for the dilution that takes as long as is wanted. `weighing`
makes whole grams of it, `alternatives` says what else can be done. `jartide plan` prints it. Feedings for a wanted
moment are planned by `moment`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

from monitor.core.forecast import dilution as dilutions
from monitor.core.forecast import growth_rate
from monitor.core.forecast.starter_model import Culture
from monitor.core.plan import alternatives, phrases
from monitor.core.plan.alternatives import NEAR, Wish
from monitor.core.plan.hours import LONGEST_H, Aim, Hours, Triple, crossing, hours_of
from monitor.core.plan.weighing import (
    MOST_G,
    SCALE_G,
    Grams,
    Limits,
    dilution,
    dilution_bounds,
    hydration_of,
    keep_bounds,
    least_jar_ml,
    scale_caution,
    total_bounds,
    weighings,
)
from monitor.values import Feeding, FeedPlan, Instead, Unmet, of_grams

AIMS: dict[str, Aim] = {"fall": "fall", "half_sunk": "half_sunk", "peak": "peak"}
AIM_SAYS: dict[Aim, str] = {"fall": "it begins to sink", "half_sunk": "it is half sunk", "peak": "it is ripe"}

ALIKE = 0.01  # of the target: plans this close are equally good, and the one nearest to the usual feeding is taken
SOLVED_LN = 0.001  # the dilution is searched until ln of its hours is this near: well within ALIKE
DEAD_RATE_RATIO = 0.1  # below this share of the rate at 24 degC nothing useful rises
TINY_G, SURELY_G = 60.0, 10.0  # of one feeding; and of starter that any kitchen scale weighs well
COLD_C, HOT_C = 12.0, 31.0  # beyond, cultures differ too much for hours to be promised
# What makes sense at all: temperatures, water over flour, and water to mix in, which no baker takes hotter
PLANS_C, HYDRATIONS, MIXES_C = (-10.0, 60.0), (0.3, 3.0), (0.0, 50.0)
JAR_FULL = 0.95  # of what the jar takes: then more is no way out
INSIDE = (1.02, 0.98)  # of the bounds of the dilution: a wish within them only misses by rounding to whole grams
AT_EDGE = (1.1, 0.9)  # of the bounds: a weighing this near to one cannot be moved further
SAME_LN = 0.05  # a dilution this near to the last one is not a change to speak of


def plan(
    culture: Culture,
    *,
    target_h: float,
    temperatures_c: Sequence[float],
    aim: Aim = "fall",
    limits: Limits | None = None,
) -> FeedPlan:
    """The feeding after which the start of fall (or half-sunk, or the peak) likely comes `target_h` hours later.

    `temperatures_c` are hourly from the feeding on, and the last one stays. Where no feeding within the limits reaches
    the target, the nearest one, with `met` False, the reason, and what can be done `instead`. Raises ValueError for a
    target, temperature or limit that makes no sense.

    >>> from monitor.core.forecast.starter_model import prior
    >>> made = plan(prior(), target_h=12.0, temperatures_c=(21.0,))
    >>> made.grams, ratio(made)
    ((39, 100, 100), '1:2.6:2.6')
    """
    limits = limits or Limits()
    _check(target_h, temperatures_c, limits)
    hydration = hydration_of(culture, limits)
    most_kept_g = math.floor(total_bounds(culture, limits)[1] / dilution_bounds(limits, hydration)[0])
    if limits.keep_g is not None and limits.flour_g is None and limits.keep_g > max(most_kept_g, 1):
        return _keeping_less(culture, target_h, temperatures_c, aim, limits, max(most_kept_g, 1))

    def likely_h(of_dilution: float) -> float:
        return hours_of(culture, temperatures_c, of_dilution, hydration, limits.flour, limits.water_c).of(aim)[1]

    mean_c = growth_rate.mean_c(temperatures_c, 0.0, min(target_h, LONGEST_H))
    usual = culture.last_dilution or dilutions.USUAL_DILUTION
    wanted = usual if _too_extreme(mean_c) else _solve(likely_h, target_h, dilution_bounds(limits, hydration))
    grams = _best(weighings(culture, wanted, hydration, limits), lambda one: likely_h(dilution(one)) / target_h, usual)
    hours = hours_of(culture, temperatures_c, dilution(grams), hydration, limits.flour, limits.water_c)
    unmet, why_not = _first_that_holds(
        (Unmet.TOO_EXTREME, lambda: _too_extreme(mean_c)),
        (Unmet.LAWS_DIFFER, lambda: _laws_differ(hours, mean_c)),
        (Unmet.DOES_NOT_FIT, lambda: _does_not_fit(culture, grams, limits)),
        (Unmet.OUT_OF_REACH, lambda: _out_of_reach(grams, wanted, hours.of(aim)[1], target_h, mean_c, limits, aim)),
    )
    made = FeedPlan(
        feeding=of_grams(grams),
        hours_to_peak=hours.peak,
        hours_to_fall=hours.fall,
        hours_to_half_sunk=hours.half_sunk,
        hours_to_highest=hours.highest,
        met=unmet is None,
        because="",
        unmet=unmet,
        discard_g=None if limits.standing_g is None else max(round(limits.standing_g) - grams[0], 0),
        least_jar_ml=None if limits.jar_ml is not None else least_jar_ml(culture, grams, limits),
        caution=None if _too_extreme(mean_c) else scale_caution(grams, likely_h, total_bounds(culture, limits)[1]),
    )
    if why_not is None:
        return replace(made, because=_reason(culture, made, aim, mean_c) + _doubt(mean_c))
    wish = Wish(
        culture=culture, target_h=target_h, temperatures_c=temperatures_c, hydration=hydration, limits=free(limits)
    )
    return replace(made, because=why_not + _doubt(mean_c), instead=alternatives.alternatives(wish, grams))


def _first_that_holds(*reasons: tuple[Unmet, Callable[[], str | None]]) -> tuple[Unmet | None, str | None]:
    """The first reason that has words for this plan, with them; (None, None) where none has."""
    return next(((unmet, said) for unmet, words in reasons if (said := words()) is not None), (None, None))


def _keeping_less(
    culture: Culture, target_h: float, temperatures_c: Sequence[float], aim: Aim, limits: Limits, most_kept_g: int
) -> FeedPlan:
    """For somebody who wants to keep more than even the least flour allows: the plan that keeps as much as possible."""
    within = replace(limits, keep_g=None, most_keep_g=float(most_kept_g), least_keep_g=1.0)
    made = plan(culture, target_h=target_h, temperatures_c=temperatures_c, aim=aim, limits=within)
    too_much = "is more than a kitchen's jar can do" if limits.jar_ml is None else "would run over in this jar"
    because = f"{limits.keep_g:g} g of starter, with as much flour at least, {too_much}: keep {most_kept_g} g or less."
    less = Instead(
        do=f"keep less: {phrases.weigh(made.feeding)}",
        hours_to_fall=made.hours_to_fall,
        because=f"{AIM_SAYS[aim].capitalize()} about {phrases.hours(hours_at(made, aim)[1])} after that feeding.",
        feeding=made.feeding,
    )
    unmet = made.unmet or Unmet.DOES_NOT_FIT
    return replace(made, met=False, because=because, unmet=unmet, instead=made.instead or (less,))


def what_if(
    culture: Culture, *, feeding: Feeding, temperatures_c: Sequence[float], limits: Limits | None = None
) -> FeedPlan:
    """What a given feeding of starter, flour and water will do. It is a question and not a wish, so `met` is None.
    Raises ValueError for grams or temperatures that make no sense."""
    limits = replace(limits or Limits(), flour=feeding.flour)
    if feeding.grams is None or feeding.dilution is None:
        raise ValueError("keep_g: starter, flour and water must all be given, and some starter kept")
    starter_g, flour_g, water_g = feeding.grams
    if not all(math.isfinite(one_g) and 0.0 < one_g < MOST_G for one_g in feeding.grams):
        raise ValueError(f"keep_g: {starter_g:g}, {flour_g:g} and {water_g:g} g; each must be above 0 and below 100000")
    _check(24.0, temperatures_c, replace(limits, hydration=feeding.hydration))
    hours = hours_of(culture, temperatures_c, feeding.dilution, feeding.hydration, feeding.flour, limits.water_c)
    mean_c = growth_rate.mean_c(temperatures_c, 0.0, min(hours.fall[1], LONGEST_H))
    parts = flour_g / starter_g
    odd = ""
    if parts > limits.most_ratio:
        odd = f" It is leaner than 1:{limits.most_ratio:g}: acid comes late, and the flour's own flora competes."
    elif parts < limits.least_ratio:
        odd = f" With less than {limits.least_ratio:g} part of flour there is little for it to eat."
    return FeedPlan(
        feeding=of_grams(feeding.grams),
        hours_to_peak=hours.peak,
        hours_to_fall=hours.fall,
        hours_to_half_sunk=hours.half_sunk,
        hours_to_highest=hours.highest,
        met=None,
        because=_what_if_words(culture, feeding, hours, mean_c) + odd + _doubt(mean_c),
        least_jar_ml=least_jar_ml(culture, feeding.grams, limits),
        caution=_runs_over(culture, feeding, limits)
        or _too_little(culture, feeding, temperatures_c, limits)
        or _tiny(culture, feeding, limits),
        discard_g=None if limits.standing_g is None else max(round(limits.standing_g - starter_g), 0),
    )


def _too_little(culture: Culture, feeding: Feeding, temperatures_c: Sequence[float], limits: Limits) -> str | None:
    """How far off a kitchen scale may be with so little starter; None from 5 g on, and for what a finer scale
    weighed."""
    grams = feeding.grams
    if grams is None or any(one_g != int(one_g) for one_g in grams):
        return None

    def likely_h(of_dilution: float) -> float:
        return hours_of(culture, temperatures_c, of_dilution, feeding.hydration, feeding.flour, limits.water_c).fall[1]

    whole = (int(grams[0]), int(grams[1]), int(grams[2]))
    return scale_caution(whole, likely_h, total_bounds(culture, limits)[1])


def _tiny(culture: Culture, feeding: Feeding, limits: Limits) -> str | None:
    """That such a little feeding lives as well, with the jar for it and what to take care of; None from a usual amount
    on. The smallest that are kept are 20 to 45 g (King Arthur's bakers 2018, "Maintaining a smaller sourdough
    starter")."""
    grams, total_g = feeding.grams, feeding.total_g
    if grams is None or total_g is None or total_g > TINY_G:
        return None
    jar_ml = least_jar_ml(culture, grams, limits)
    said = f"{total_g:g} g is little, and enough for it to live on, in a jar of {jar_ml} ml."
    if grams[0] < SURELY_G:
        said += (
            f" {grams[0]:g} g needs a careful hand: on a scale that shows whole grams it is anything from "
            f"{grams[0] - SCALE_G:g} to {grams[0] + SCALE_G:g} g. 20 g with 20 g flour and 20 g water, in a jar of "
            "240 ml, do as well."
        )
    return said


def _runs_over(culture: Culture, feeding: Feeding, limits: Limits) -> str | None:
    """That it is too much for the jar; None where it is not, and where no jar is known."""
    most_g = total_bounds(culture, limits)[1]
    total_g = feeding.total_g or 0.0
    if limits.jar_ml is None or total_g <= most_g:
        return None
    return f"It may run over as it rises: the jar takes about {most_g:.0f} g, and this is {total_g:.0f} g."


def ratio(made: FeedPlan) -> str:
    """starter:flour:water with the starter as 1: 25 + 100 + 100 g is "1:4:4"."""
    return made.feeding.ratio or ""  # a plan always keeps some starter


def hours_at(made: FeedPlan, aim: Aim) -> Triple:
    """A plan's hours to the moment that was aimed at."""
    return {"peak": made.hours_to_peak, "fall": made.hours_to_fall, "half_sunk": made.hours_to_half_sunk}[aim]


def _check(target_h: float, temperatures_c: Sequence[float], limits: Limits) -> None:
    if not (math.isfinite(target_h) and target_h > 0.0):
        raise ValueError(f"target_h: {target_h:g}; it must be a number of hours above zero")
    for temperature_c in temperatures_c:
        if not PLANS_C[0] <= temperature_c <= PLANS_C[1]:
            raise ValueError(f"temperature_c: {temperature_c:g}; it must be from -10 to 60")
    if not temperatures_c:
        raise ValueError("temperature_c: none given")
    if limits.hydration is not None and not HYDRATIONS[0] <= limits.hydration <= HYDRATIONS[1]:
        raise ValueError(f"hydration_pct: {100 * limits.hydration:g}; it must be from 30 to 300")
    if limits.water_c is not None and not MIXES_C[0] <= limits.water_c <= MIXES_C[1]:
        raise ValueError(f"water_c: {limits.water_c:g}; water to mix in must be from 0 to 50")
    for name in ("keep_g", "flour_g", "least_keep_g", "most_keep_g", "ripe_g", "jar_ml", "standing_g"):
        value = getattr(limits, name)
        if value is not None and not (math.isfinite(value) and 0.0 < value < MOST_G):
            raise ValueError(f"{name}: {value:g}; it must be above zero and below 100000")
    if limits.keep_g is not None and limits.keep_g < 0.5:
        raise ValueError(f"keep_g: {limits.keep_g:g}; plans are in whole grams, it must be at least 1")
    if limits.most_keep_g is not None and limits.most_keep_g < limits.least_keep_g:
        raise ValueError(
            f"most_keep_g: {limits.most_keep_g:g}; it must be at least least_keep_g, {limits.least_keep_g:g}"
        )


def _solve(likely_h: Callable[[float], float], target_h: float, bounds: tuple[float, float]) -> float:
    """The dilution within the bounds whose likely time is the target; more dilution is never faster."""
    low, high = map(math.log, bounds)
    return math.exp(crossing(lambda ln: math.log(likely_h(math.exp(ln)) / target_h), low, high, SOLVED_LN))


def _best(options: Sequence[Grams], off: Callable[[Grams], float], usual: float) -> Grams:
    """The weighing nearest to the target; among those that are as good as on it, the one nearest to the usual
    feeding."""
    misses = {one: abs(math.log(off(one))) for one in options}
    good = [one for one, miss in misses.items() if miss <= ALIKE]
    if good:
        return min(good, key=lambda one: abs(math.log(dilution(one) / usual)))
    return min(options, key=lambda one: misses[one])


def free(limits: Limits) -> Limits:
    """The limits that hold for whatever is done instead: the jar, the flour, the bounds of the ratio, but no grams."""
    return replace(limits, keep_g=None, ripe_g=None, least_keep_g=1.0, most_keep_g=None)


def _too_extreme(mean_c: float) -> str | None:
    if growth_rate.growth_rate()(mean_c) > DEAD_RATE_RATIO:
        return None
    here = f"At {phrases.degrees(mean_c)} it is"
    if mean_c < growth_rate.REFERENCE_C:
        return f"{here} too cold to rise: it rests, as in a fridge. Bring it to about 20 °C when you need it."
    return f"{here} too hot for its yeast, and no feeding helps: move it to 24 to 28 °C."


def _laws_differ(hours: Hours, mean_c: float) -> str | None:
    """Why no hour can be promised where the yeasts that may lead the starter differ at that temperature; else None."""
    if not hours.laws_differ:
        return None
    what = "cold" if mean_c < growth_rate.REFERENCE_C else "warmth"
    return f"No hour can be promised at {phrases.degrees(mean_c)}: it has not yet shown how it reacts to such {what}."


def _does_not_fit(culture: Culture, grams: Grams, limits: Limits) -> str | None:
    least_g, most_g = total_bounds(culture, limits)
    total_g = sum(grams)
    low, high = keep_bounds(limits)
    if total_g > most_g:
        if limits.jar_ml is None:
            return f"{total_g} g is too much for a kitchen; keep less starter."
        return f"Its rise would run over: the jar takes a feeding of {most_g:.0f} g at most, and this is {total_g} g."
    if total_g < math.floor(least_g):
        room = "; the jar takes no more" if total_g > JAR_FULL * most_g else ""
        return (
            f"That makes {total_g} g, but for the {limits.ripe_g:.0f} g that the bake takes, {math.ceil(least_g)} g "
            f"are needed: some is lost as gas and on the jar's wall{room}."
        )
    if not low <= grams[0] <= high:
        return f"It takes {grams[0]} g of starter, but you can keep only {low:g} to {high:g} g."
    return None


def _out_of_reach(
    grams: Grams, wanted: float, likely_h: float, target_h: float, mean_c: float, limits: Limits, aim: Aim
) -> str | None:
    """Why the likely time is not the target; None when it is near enough. `wanted` is the dilution before rounding."""
    if abs(likely_h / target_h - 1.0) <= NEAR:
        return None
    said = phrases.about(of_grams(grams))
    low, high = dilution_bounds(limits, grams[2] / grams[1])
    when = f"after about {phrases.hours(likely_h)} at {phrases.degrees(mean_c)}"
    if limits.keep_g is None and INSIDE[0] * low < wanted < INSIDE[1] * high:
        # it could be had, but for the whole grams
        return f"In whole grams this is the nearest ({said}), {when}; twice as much of everything comes closer."
    fixed = limits.keep_g is not None or limits.most_keep_g is not None or limits.least_keep_g > 1.0
    edge = dilution(grams) < AT_EDGE[0] * low if likely_h > target_h else dilution(grams) > AT_EDGE[1] * high
    if fixed and not edge:
        return f"Within what you fixed, this is the nearest ({said}), {when}."
    if likely_h < target_h:
        scale = "" if edge else f" In whole grams, and in this jar, {said} is the leanest."
        return (
            f"{phrases.hours(target_h)} is out of reach: with {said} {AIM_SAYS[aim]} {when}, and leaner than "
            f"1:{limits.most_ratio:g} is not for every day.{scale}"
        )
    rich = "With more starter there is little left for it to eat."
    return f"Even {said} takes longer: {AIM_SAYS[aim]} {when}. {rich}"


def _doubt(mean_c: float) -> str:
    """What nobody knows where it is very warm or very cold; "" elsewhere."""
    if mean_c >= HOT_C:
        return (
            " Starters react differently to such heat: one stops at 35 °C, another likes 32 °C. It may race, turn sour "
            "or weaken, so treat these hours as a guess, and move it to 24 to 28 °C."
        )
    if mean_c <= COLD_C:
        return " In such cold it may take days and hardly rise: it rests. Bring it to 20 °C when you need it."
    return ""


def _basis(culture: Culture) -> str:
    if culture.cycles == 0:
        return "what most starters do"
    return "one cycle of this starter" if culture.cycles == 1 else f"{culture.cycles} cycles of this starter"


def _reason(culture: Culture, made: FeedPlan, aim: Aim, mean_c: float) -> str:
    """Why these grams, in one sentence."""
    likely_h = hours_at(made, aim)[1]
    this, before = made.feeding.dilution or dilutions.USUAL_DILUTION, culture.last_dilution
    said = phrases.about(made.feeding)
    if before is None or abs(math.log(this / before)) < SAME_LN:
        change = f"at {said}"
    elif this > before:
        change = f"with less starter kept than last time ({said}), and so slower,"
    else:
        change = f"with more starter kept than last time ({said}), and so sooner,"
    return (
        f"Going by {_basis(culture)}, {change} {AIM_SAYS[aim]} about {phrases.hours(likely_h)} after feeding at "
        f"{phrases.degrees(mean_c)}."
    )


def _what_if_words(culture: Culture, fed: Feeding, hours: Hours, mean_c: float) -> str:
    return (
        f"{phrases.about(fed)} at {phrases.degrees(mean_c)}, going by {_basis(culture)}: ripe after about "
        f"{phrases.hours(hours.peak[1])}, at its peak after about {phrases.hours(hours.highest[1])}, sinking from "
        f"about {phrases.hours(hours.fall[1])} on."
    )
