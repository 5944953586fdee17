"""The feedings that bring the starter to its peak, or another aim, at a wanted moment: one now, one put off, or a
chain.

`jartide plan --at` prints it. A bake with its levain is planned by `bake`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
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
from monitor.values import FeedPlan, Instead, Unmet, of_grams

AT_NIGHT = "That feeding is at night."
WAIT_AT_MOST_H = KEEPS_H  # a feeding may be put off by this for a wanted moment
LEAST_H = 0.25  # what is wanted sooner than this, or is over, is planned as if so far ahead: nothing rises sooner


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """One feeding of a plan for a wanted moment."""

    at_s: float
    plan: FeedPlan


@dataclass(frozen=True, slots=True, kw_only=True)
class _Wanted:
    """What was asked for, with what every way to it needs."""

    culture: Culture
    now_s: float
    wanted_s: float
    warmth_from: WarmthFrom
    aim: Aim
    limits: Limits
    seed: Seed
    awake: AwakeAt

    def fed_at(self, at_s: float, limits: Limits | None = None) -> Planned:
        """The feeding at `at_s` that comes nearest to the wanted moment."""
        made = feeding.plan(
            self.culture, target_h=max((self.wanted_s - at_s) / 3600.0, LEAST_H), temperatures_c=self.warmth_from(at_s),
            aim=self.aim, limits=limits or self.limits,
        )  # fmt: skip
        return Planned(at_s=at_s, plan=replace(made, at_night=not self.awake(at_s)))


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
    """The feedings in the order in which they are made. A single one as soon as the seed is ripe is tried first; then
    one that is put off, by half a day at most; then a chain of ordinary ones. None of them is at night if that can be
    helped; where it cannot, the caution names another hour that avoids it, worded by `clock`. Where nothing reaches
    the moment, the single feeding that comes nearest, with `met` False.

    `warmth_from(time_s)` gives the hourly temperatures from a moment on; `awake(time_s)` says when people would feed.
    """
    seed = seed or Seed(fed_at_s=None, ripe_at=None, ripe_s=now_s, spent_s=now_s + 3600.0 * WAIT_AT_MOST_H)
    asked = _Wanted(
        culture=culture, now_s=now_s, wanted_s=wanted_s, warmth_from=warmth_from, aim=aim, limits=limits or Limits(),
        seed=seed, awake=awake or (lambda _: True),
    )  # fmt: skip
    start_s = feed_from_s(seed, now_s, asked.awake)
    if start_s >= wanted_s:
        start_s = max(now_s, seed.ripe_s)
    now = asked.fed_at(start_s)
    usual = culture.last_dilution or dilutions.USUAL_DILUTION
    usual_h = hours_of(culture, warmth_from(start_s), usual, None, asked.limits.flour, asked.limits.water_c).of(aim)[1]
    ahead_h = (wanted_s - start_s) / 3600.0
    likely_h = feeding.hours_at(now.plan, aim)[1]
    if now.plan.met or likely_h >= ahead_h:
        return (now,)
    put_off_s = start_s + 3600.0 * min(max(ahead_h - usual_h, 0.0), WAIT_AT_MOST_H)
    put_off_s = max(STEP_S * round(put_off_s / STEP_S), start_s)
    found = _put_off(put_off_s, start_s, wanted_s, asked.awake, asked.fed_at)
    if found is not None:
        return (found,)
    later = asked.fed_at(put_off_s)
    planned: tuple[Planned, ...] = (later,) if later.plan.met else ()
    chained = _chained(asked, usual, awake)
    if chained and chained[-1].plan.met and (not planned or all(asked.awake(each.at_s) for each in chained)):
        planned = chained
    if planned and not asked.awake(planned[-1].at_s):
        return (*planned[:-1], _by_day(asked, planned, usual, clock or _hours_on(now_s)))
    if planned:
        return planned
    if now.plan.unmet is not Unmet.DOES_NOT_FIT:  # what does not fit can be mended now: that is said instead
        too_far = (
            f"That is {phrases.hours(ahead_h)} ahead, and no feedings reach so far; plan again at the next feeding."
        )
        return (replace(now, plan=replace(now.plan, because=too_far)),)
    return (now,)


def _usual_parts(asked: _Wanted, usual: float) -> float:
    """Flour to one of starter in the usual feeding, within the bounds of the ratio."""
    hydration = hydration_of(asked.culture, asked.limits)
    return min(max((usual - 1.0) / (1.0 + hydration), asked.limits.least_ratio), asked.limits.most_ratio)


def _chained(asked: _Wanted, usual: float, awake: AwakeAt | None) -> tuple[Planned, ...]:
    """Ordinary feedings and the last one, which is for the wanted moment; none where no chain reaches it."""
    culture, limits, hydration = asked.culture, asked.limits, hydration_of(asked.culture, asked.limits)
    links = chain(
        culture, asked.seed, now_s=asked.now_s, wanted_s=asked.wanted_s, warmth_from=asked.warmth_from, aim=asked.aim,
        hydration=hydration, usual=_usual_parts(asked, usual),
        bounds=(limits.least_ratio, min(limits.most_ratio, DAILY_RATIO)), awake_at=awake,
    )  # fmt: skip
    if not links:
        return ()
    # those before the last need not serve the bake, nor use up the flour that was asked for
    free = replace(limits, ripe_g=None, flour_g=None, keep_g=None)
    before = [_ordinary(culture, link, hydration, asked.warmth_from, free, asked.awake) for link in links[:-1]]
    ripe_s, spent_s = _good(before[-1]) if before else (asked.seed.ripe_s, asked.seed.spent_s)
    within, last_s = _fed_from(asked, before), links[-1].at_s
    until_s = min(asked.wanted_s, spent_s)
    last = _put_off(
        last_s, max(ripe_s, asked.now_s), until_s, asked.awake, lambda at_s: asked.fed_at(at_s, within)
    ) or asked.fed_at(last_s, within)
    return (*before, last)


def _fed_from(asked: _Wanted, before: Sequence[Planned]) -> Limits:
    """The limits of a feeding that is made from what the last of those before it makes."""
    return replace(asked.limits, standing_g=before[-1].plan.feeding.total_g) if before else asked.limits


def _by_day(asked: _Wanted, planned: Sequence[Planned], usual: float, clock: Callable[[float], str]) -> Planned:
    """In place of a last feeding at night: one by day that is still at its top at the wanted hour. Where there is
    none, the one at night, with a caution that says which other hour avoids it, if any does."""
    night, before, limits = planned[-1], planned[:-1], asked.limits
    from_s, until_s = _good(before[-1]) if before else (max(asked.seed.ripe_s, asked.now_s), asked.seed.spent_s)
    found = nearest_by_day(
        asked.culture, night_s=night.at_s, wanted_s=asked.wanted_s, within_s=(from_s, until_s),
        ratios=ratios_between(limits.least_ratio, limits.most_ratio) or [_usual_parts(asked, usual)],
        hydration=hydration_of(asked.culture, limits), flour=limits.flour, warmth_from=asked.warmth_from,
        comes_h=moment_h(asked.aim), awake_at=asked.awake,
    )  # fmt: skip
    if found is None:
        return replace(night, plan=replace(night.plan, caution=AT_NIGHT))
    made = feeding.plan(
        asked.culture, target_h=(found.comes_s - found.at_s) / 3600.0, temperatures_c=asked.warmth_from(found.at_s),
        aim=asked.aim, limits=_fed_from(asked, before),
    )  # fmt: skip
    if asked.aim == "peak" and made.met and found.comes_s <= asked.wanted_s <= found.falls_s:
        because = "Fed by day for it: it is ripe a little before, and still at its top at the hour you want."
        return Planned(at_s=found.at_s, plan=replace(made, because=because))
    return _cautioned(night, found, made, asked.aim, clock)


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
    """From when until when a feeding may be made from that one."""
    return good_to_feed_from(before.at_s, before.plan.hours_to_peak[1], before.plan.hours_to_fall[1])


def _hours_on(now_s: float) -> Callable[[float], str]:
    """Words for a time where no clock was given: the hours from now."""
    return lambda at_s: f"{phrases.hours((at_s - now_s) / 3600.0)} from now"


def _cautioned(night: Planned, found: ByDay, made: FeedPlan, aim: Aim, clock: Callable[[float], str]) -> Planned:
    """A feeding at night, with a caution that says which other one spares its baker getting up."""
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
    """A feeding of the chain in whole grams."""
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
