"""The feedings that bring the starter to its peak, or other aim, at a wanted moment: one now, one put off, or a chain.

`jartide plan --at` prints it; a bake with its levain is `bake`'s.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from monitor.core.forecast import dilution as dilutions
from monitor.core.forecast.starter_model import Culture
from monitor.core.plan import feeding, phrases
from monitor.core.plan.alternatives import ratios_between
from monitor.core.plan.chain import Link, chain
from monitor.core.plan.hours import Aim, WarmthFrom, hours_of
from monitor.core.plan.ripeness import KEEPS_H, Seed, feed_from_s, good_to_feed_from
from monitor.core.plan.waking import STEP_S, AwakeAt, ByDay, evening_before, moment_h, morning_after, nearest_by_day
from monitor.core.plan.weighing import DAILY_RATIO, Limits, at_ratio, hydration_of, weight_of_flour
from monitor.values import FeedPlan, Instead, of_grams

AT_NIGHT = "That feeding is at night."
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
    awake: AwakeAt | None = None,
    clock: Callable[[float], str] | None = None,
) -> tuple[Planned, ...]:
    """The feedings, first one first. One as soon as the seed is ripe is tried first; then one put off, by half a day at
    most; then a chain of ordinary ones. None of them is at night if that can be helped; where it cannot, the caution
    says what other hour does without, worded by `clock`. The nearest single feeding, with `met` False, where nothing
    reaches it.

    `warmth_from(time_s)` gives the hourly temperatures from a moment on; `awake(time_s)` says when people would feed.
    """
    limits = limits or Limits()
    seed = seed or Seed(fed_at_s=None, ripe_at=None, ripe_s=now_s, spent_s=now_s + 3600.0 * WAIT_AT_MOST_H)
    by_day = awake or (lambda _: True)
    start_s = feed_from_s(seed, now_s, by_day)
    if start_s >= wanted_s:
        start_s = max(now_s, seed.ripe_s)

    def one(at_s: float, within: Limits) -> Planned:
        target_h = max((wanted_s - at_s) / 3600.0, 0.25)
        made = feeding.plan(culture, target_h=target_h, temperatures_c=warmth_from(at_s), aim=aim, limits=within)
        return Planned(at_s=at_s, plan=replace(made, at_night=not by_day(at_s)))

    now = one(start_s, limits)
    usual = culture.last_dilution or dilutions.USUAL_DILUTION
    usual_h = hours_of(culture, warmth_from(start_s), usual, None, limits.flour, limits.water_c).of(aim)[1]
    ahead_h = (wanted_s - start_s) / 3600.0
    likely_h = feeding.hours_at(now.plan, aim)[1]
    if now.plan.met or likely_h >= ahead_h:
        return (now,)
    put_off_s = start_s + 3600.0 * min(max(ahead_h - usual_h, 0.0), WAIT_AT_MOST_H)
    put_off_s = max(STEP_S * round(put_off_s / STEP_S), start_s)
    found = _put_off(put_off_s, start_s, wanted_s, by_day, lambda at_s: one(at_s, limits))
    if found is not None:
        return (found,)
    hydration = hydration_of(culture, limits)
    usual_parts = min(max((usual - 1.0) / (1.0 + hydration), limits.least_ratio), limits.most_ratio)
    links = chain(
        culture, seed, now_s=now_s, wanted_s=wanted_s, warmth_from=warmth_from, aim=aim, hydration=hydration,
        usual=usual_parts, bounds=(limits.least_ratio, min(limits.most_ratio, DAILY_RATIO)), awake_at=awake,
    )  # fmt: skip
    later, made_g = one(put_off_s, limits), limits.standing_g
    planned: tuple[Planned, ...] = (later,) if later.plan.met else ()
    if links:
        # those before the last need not serve the bake, nor use up the flour that was asked for
        free = replace(limits, ripe_g=None, flour_g=None, keep_g=None)
        before = [_ordinary(culture, link, hydration, warmth_from, free, by_day) for link in links[:-1]]
        made_g = before[-1].plan.feeding.total_g if before else made_g
        ripe_s, spent_s = (seed.ripe_s, seed.spent_s) if not before else _good(before[-1])
        within = replace(limits, standing_g=made_g)
        last_s = links[-1].at_s
        by_then = _put_off(last_s, max(ripe_s, now_s), min(wanted_s, spent_s), by_day, lambda at_s: one(at_s, within))
        last = by_then or one(last_s, within)
        chained = (*before, last)
        if last.plan.met and (not planned or all(by_day(each.at_s) for each in chained)):
            planned = chained
    if planned and not by_day(planned[-1].at_s):
        good_s = (max(seed.ripe_s, now_s), seed.spent_s) if len(planned) == 1 else _good(planned[-2])
        instead = nearest_by_day(
            culture, night_s=planned[-1].at_s, wanted_s=wanted_s, within_s=good_s,
            ratios=ratios_between(limits.least_ratio, limits.most_ratio) or [usual_parts], hydration=hydration,
            flour=limits.flour, warmth_from=warmth_from, comes_h=moment_h(aim), awake_at=by_day,
        )  # fmt: skip
        if instead is None:
            return (*planned[:-1], replace(planned[-1], plan=replace(planned[-1].plan, caution=AT_NIGHT)))
        made = feeding.plan(
            culture, target_h=(instead.comes_s - instead.at_s) / 3600.0, temperatures_c=warmth_from(instead.at_s),
            aim=aim, limits=replace(limits, standing_g=made_g if len(planned) > 1 else limits.standing_g),
        )  # fmt: skip
        if aim == "peak" and made.met and instead.comes_s <= wanted_s <= instead.falls_s:
            because = "Fed by day for it: it is ripe a little before, and still at its top at the hour you want."
            return (*planned[:-1], Planned(at_s=instead.at_s, plan=replace(made, because=because)))
        return (*planned[:-1], _cautioned(planned[-1], instead, made, aim, clock or _hours_on(now_s)))
    if planned:
        return planned
    if likely_h < ahead_h and not now.plan.because.startswith(("Its rise", "That makes", "It takes")):
        too_far = (
            f"That is {phrases.hours(ahead_h)} ahead, and no feedings reach so far; plan again at the next feeding."
        )
        return (replace(now, plan=replace(now.plan, because=too_far)),)
    return (now,)


def _put_off(
    at_s: float, from_s: float, until_s: float, awake: AwakeAt, one: Callable[[float], Planned]
) -> Planned | None:
    """The feeding at that time if somebody is awake then, else in the evening before or the morning after, whichever
    is met and nearer; None where none is met."""
    times = (at_s,) if awake(at_s) else (evening_before(at_s, awake), morning_after(at_s, awake))
    known = sorted((each for each in times if each is not None), key=lambda each: abs(each - at_s))
    made = (one(each) for each in known if from_s <= each < until_s)
    return next((each for each in made if each.plan.met), None)


def _good(before: Planned) -> tuple[float, float]:
    """From when until when a feeding may be made of that one."""
    return good_to_feed_from(before.at_s, before.plan.hours_to_peak[1], before.plan.hours_to_fall[1])


def _hours_on(now_s: float) -> Callable[[float], str]:
    """Words for a time where nobody gave a clock: the hours from now."""
    return lambda at_s: f"{phrases.hours((at_s - now_s) / 3600.0)} from now"


def _cautioned(night: Planned, found: ByDay, made: FeedPlan, aim: Aim, clock: Callable[[float], str]) -> Planned:
    """A feeding at night, with what does without getting up."""
    do = f"feed it at {clock(found.at_s)}: {phrases.weigh(made.feeding)}"
    comes = f"{feeding.AIM_SAYS[aim]} about {clock(found.comes_s)}"
    if aim == "peak":
        comes += f" and begins to sink about {clock(found.falls_s)}"
    said = f"{AT_NIGHT} Nobody need get up for it: {do}, and {comes}."
    instead = Instead(do=do, hours_to_fall=made.hours_to_fall, because=f"Then {comes}.", feeding=made.feeding)
    return replace(night, plan=replace(night.plan, caution=said, by_day=instead))


def _ordinary(
    culture: Culture, link: Link, hydration: float, warmth_from: WarmthFrom, limits: Limits, awake: AwakeAt
) -> Planned:
    """A link of the chain in whole grams."""
    grams, warm = at_ratio(link.parts, weight_of_flour(culture, limits), hydration), warmth_from(link.at_s)
    hours = hours_of(culture, warm, sum(grams) / grams[0], hydration, limits.flour, limits.water_c)
    made = FeedPlan(
        feeding=of_grams(grams), hours_to_peak=hours.peak, hours_to_fall=hours.fall,
        hours_to_half_sunk=hours.half_sunk, hours_to_highest=hours.highest, met=True,
        because="An ordinary feeding, to have ripe starter for the next.",
        discard_g=None if limits.standing_g is None else max(round(limits.standing_g - grams[0]), 0),
        at_night=not awake(link.at_s),
    )  # fmt: skip
    return Planned(at_s=link.at_s, plan=made)
