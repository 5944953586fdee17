"""Changes a starter over to another flour or stiffness: feeding by feeding, each made when the one before is ripe, with
the share of the old flour that is left. The shares are arithmetic; three feedings, and that three or four of them are
slower, are common practice.
"""

from __future__ import annotations

from dataclasses import replace

from monitor.core.forecast import dilution as dilutions
from monitor.core.forecast.starter_model import Culture
from monitor.core.plan import phrases
from monitor.core.plan.hours import Hours, WarmthFrom, hours_of
from monitor.core.plan.moment import Planned
from monitor.core.plan.ripeness import good_to_feed_from
from monitor.core.plan.waking import STEP_S, AwakeAt
from monitor.core.plan.weighing import DAILY_RATIO, Grams, Limits, least_jar_ml, weight_of_flour
from monitor.values import FeedPlan, of_grams

FEEDINGS = 3  # after that many at 1:4:4, a tenth of a percent of the old flour is left
COARSE = ("rye", "whole", "spelt", "einkorn")


def change_over(
    culture: Culture, *, limits: Limits, start_s: float, warmth_from: WarmthFrom, awake_at: AwakeAt
) -> tuple[Planned, ...]:
    """The feedings in order. `limits.flour` is what it is fed from now on, `limits.hydration` how wet; one of them must
    be given, else ValueError. The first is made at `start_s`, each further one when it is ripe and its baker awake."""
    if limits.flour is None and limits.hydration is None:
        raise ValueError("hydration_pct, or another flour: say what to change to")
    was = culture.last_hydration or 1.0
    wet = limits.hydration or was
    parts = ((culture.last_dilution or dilutions.USUAL_DILUTION) - 1.0) / (1.0 + was)
    parts = min(max(parts, limits.least_ratio), min(limits.most_ratio, DAILY_RATIO))
    flour_g = max(round(weight_of_flour(culture, limits)), 1)
    keep_g = round(limits.keep_g) if limits.keep_g else max(round(flour_g / parts), 1)
    out: list[Planned] = []
    at_s, left = STEP_S * -(-start_s // STEP_S), 1.0  # share of the old flour
    for _ in range(FEEDINGS if limits.flour is not None else 1):
        grams = (keep_g, flour_g, _water(keep_g, flour_g, was, wet))
        dilution = sum(grams) / keep_g
        left /= dilution
        hours = hours_of(culture, warmth_from(at_s), dilution, grams[2] / flour_g, limits.flour)
        out.append(Planned(at_s=at_s, plan=_plan(culture, grams, hours, limits, left)))
        at_s, was = _next(at_s, hours, awake_at), wet
    whole = _because(culture, limits, [one.plan for one in out])
    return (*out[:-1], replace(out[-1], plan=replace(out[-1].plan, because=whole)))


def _water(keep_g: int, flour_g: int, was: float, wet: float) -> int:
    """Grams of water that make the whole as wet as wanted: 25 g at 100 % with 100 g of flour need 44 g for 50 %."""
    flour_in_g = keep_g / (1.0 + was)
    return max(round(wet * (flour_g + flour_in_g) - was * flour_in_g), 1)


def _next(at_s: float, hours: Hours, awake_at: AwakeAt) -> float:
    """The first quarter of an hour at which it is ripe and its baker is awake; at the latest when it is nearly
    spent."""
    ripe_s, spent_s = good_to_feed_from(at_s, hours.peak[1], hours.fall[1])
    found_s = STEP_S * -(-ripe_s // STEP_S)
    while not awake_at(found_s) and found_s < spent_s:
        found_s += STEP_S
    return found_s


def _plan(culture: Culture, grams: Grams, hours: Hours, limits: Limits, left: float) -> FeedPlan:
    flour = f" Of the old flour {_percent(left)} is left." if limits.flour is not None else ""
    return FeedPlan(
        feeding=of_grams(grams),
        hours_to_peak=hours.peak,
        hours_to_fall=hours.fall,
        hours_to_half_sunk=hours.half_sunk,
        hours_to_highest=hours.highest,
        met=True,
        because=f"Ripe after about {phrases.hours(hours.peak[1])}.{flour}",
        least_jar_ml=least_jar_ml(culture, grams, limits),
    )


def _because(culture: Culture, limits: Limits, plans: list[FeedPlan]) -> str:
    lag = (
        "For three or four feedings it is slower, and perhaps lower, and then finds its own height and hours: that is "
        "not flagging, so don't compare them with those before."
    )
    if limits.flour is None:
        return f"One feeding makes it as wet as you want. {lag}"
    shares = ", then ".join(_percent(_left(plans[: i + 1])) for i in range(len(plans)))
    before = (culture.last_flour or "").lower()
    coarse = any(word in before for word in COARSE) and not any(word in limits.flour.lower() for word in COARSE)
    rye = " A tenth of rye in it keeps its vigour." if coarse else ""
    return f"Of the old flour {shares} is left. {lag}{rye}"


def _left(plans: list[FeedPlan]) -> float:
    left = 1.0
    for one in plans:
        left /= one.feeding.dilution or 1.0
    return left


def _percent(share: float) -> str:
    """0.111 -> "11 %", 0.0123 -> "1.2 %", 0.00137 -> "0.14 %"."""
    return f"{100.0 * share:.2g} %"
