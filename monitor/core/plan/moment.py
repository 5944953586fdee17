"""The feedings that bring the starter to its peak, or other aim, at a wanted moment: one now, one put off, or a chain.

`jartide plan --at` prints it; a bake with its levain is `bake`'s.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from monitor.core.forecast import dilution as dilutions
from monitor.core.forecast.starter_model import Culture
from monitor.core.plan import feeding
from monitor.core.plan.chain import chain
from monitor.core.plan.hours import Aim, WarmthFrom, hours_of
from monitor.core.plan.ripeness import KEEPS_H, Seed
from monitor.core.plan.weighing import DAILY_RATIO, Limits, at_ratio, weight_of_flour
from monitor.values import FeedPlan

WAIT_AT_MOST_H = KEEPS_H  # a feeding may be put off by this for a wanted moment


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
    warmth_from: WarmthFrom,
    aim: Aim = "peak",
    limits: Limits | None = None,
    seed: Seed | None = None,
    awake: Callable[[float], bool] | None = None,
) -> tuple[Planned, ...]:
    """The feedings, first one first. One as soon as the seed is ripe is tried first; then one put off, by half a day at
    most; then a chain of ordinary ones. The nearest single feeding, with `met` False, where nothing reaches it.

    `warmth_from(time_s)` gives the hourly temperatures from a moment on; `awake(time_s)` says when people would feed.
    """
    limits = limits or Limits()
    seed = seed or Seed(fed_at_s=None, ripe_at=None, ripe_s=now_s, spent_s=now_s + 3600.0 * WAIT_AT_MOST_H)
    start_s = max(now_s, seed.ripe_s)

    def one(at_s: float, within: Limits) -> Planned:
        target_h = max((wanted_s - at_s) / 3600.0, 0.25)
        made = feeding.plan(culture, target_h=target_h, temperatures_c=warmth_from(at_s), aim=aim, limits=within)
        return Planned(at_s=at_s, plan=made)

    now = one(start_s, limits)
    usual = culture.last_dilution or dilutions.USUAL_DILUTION
    usual_h = hours_of(culture, warmth_from(start_s), usual, None, limits.flour, limits.water_c).of(aim)[1]
    ahead_h = (wanted_s - start_s) / 3600.0
    likely_h = feeding.hours_at(now.plan, aim)[1]
    if now.plan.met or likely_h >= ahead_h:
        return (now,)
    later = one(start_s + 3600.0 * min(max(ahead_h - usual_h, 0.0), WAIT_AT_MOST_H), limits)
    if later.plan.met:
        return (later,)
    hydration = limits.hydration or culture.last_hydration or feeding.USUAL_HYDRATION
    links = chain(
        culture, seed, now_s=now_s, wanted_s=wanted_s, warmth_from=warmth_from, aim=aim, hydration=hydration,
        usual=min(max((usual - 1.0) / (1.0 + hydration), limits.least_ratio), limits.most_ratio),
        bounds=(limits.least_ratio, min(limits.most_ratio, DAILY_RATIO)), awake_at=awake,
    )  # fmt: skip
    if links:
        # those before the last need not serve the bake, nor use up the flour that was asked for
        free = replace(limits, ripe_g=None, flour_g=None, keep_g=None)
        before = [_ordinary(culture, link.at_s, link.parts, hydration, warmth_from, free) for link in links[:-1]]
        made_g = before[-1].plan.feeding.total_g if before else limits.standing_g
        last = one(links[-1].at_s, replace(limits, standing_g=made_g))
        if last.plan.met:
            return (*before, last)
    if likely_h < ahead_h and not now.plan.because.startswith(("Its rise", "That makes", "It takes")):
        too_far = f"That is {ahead_h:.0f} h ahead, and no feedings reach so far; plan again at the next feeding."
        return (replace(now, plan=replace(now.plan, because=too_far)),)
    return (now,)


def _ordinary(
    culture: Culture, at_s: float, parts: float, hydration: float, warmth_from: WarmthFrom, limits: Limits
) -> Planned:
    """A link of the chain in whole grams."""
    grams = at_ratio(parts, weight_of_flour(culture, limits), hydration)
    starter_g, flour_g, water_g = grams
    hours = hours_of(culture, warmth_from(at_s), sum(grams) / starter_g, hydration, limits.flour, limits.water_c)
    made = FeedPlan(
        starter_g=starter_g, flour_g=flour_g, water_g=water_g, hours_to_peak=hours.peak, hours_to_fall=hours.fall,
        hours_to_half_sunk=hours.half_sunk, hours_to_highest=hours.highest, met=True,
        because="An ordinary feeding, to have ripe starter for the next.",
        discard_g=None if limits.standing_g is None else max(round(limits.standing_g - starter_g), 0),
    )  # fmt: skip
    return Planned(at_s=at_s, plan=made)
