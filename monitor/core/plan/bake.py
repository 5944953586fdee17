"""The bake: the feedings from what is in the jar now to a levain that is ripe when the dough is mixed, with times and
grams, planned backwards from that hour. `jartide bake` prints it. `chain` searches, this weighs, `bake_plan` has the
words.

The hour is that of mixing, not of the oven. The levain is part of the recipe's flour and water. Where the bake is days
ahead the starter may rest in the fridge: it is fed, begins to rise, and is woken by a feeding later (common practice).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

from monitor.core.forecast import dilution as dilutions
from monitor.core.forecast import growth_rate
from monitor.core.forecast.starter_model import Culture
from monitor.core.plan import phrases
from monitor.core.plan.alternatives import CLOSE_LN, NEAR, PLACES_C, ratios_between
from monitor.core.plan.bake_plan import (
    LEAN,
    BakeFeeding,
    BakePlan,
    Recipe,
    Rest,
    because_words,
    cautions,
    left_g,
    source_words,
)
from monitor.core.plan.chain import Link, chain
from monitor.core.plan.hours import Hours, WarmthFrom, crossing, hours_of
from monitor.core.plan.ripeness import KEEPS_H, Seed, feed_from_s, good_to_feed_from
from monitor.core.plan.waking import AwakeAt, evening_before, nearest_by_day
from monitor.core.plan.weighing import DAILY_RATIO, LOST, MOST_G, Grams, Limits, at_ratio, hydration_of, weight_of_flour
from monitor.values import DAY_S, H_S, Feeding, Span, of_grams

KEEP_G = 20  # kept back for the next feeding, unless this baker is known to keep another weight
NEAR_H = 0.5  # a levain may be taken this long before its first touch of the top, or after the start of its fall
# Where on the way from first touch of the top to the start of fall a levain is best, and where it does as well
BEST, ALSO = 0.4, (0.1, 0.25, 0.6, 0.8)
# Common practice: a starter begins to rise before it goes into the cold; a rest of less than a day is none, and with
# less than two days until the bake it is not worth it. After one or two feedings it is itself again, after weeks it
# needs one more.
LET_RISE_H, REST_LEAST_H, FAR_H = 1.0, 24.0, 48.0
WOKEN, WOKEN_LONG = 2, 3  # feedings after the fridge, with the levain; and after more than LONG_H in it
LONG_H = 10 * 24.0  # a week or so
FEWER = 2  # how many feedings the fridge must save to be offered
HALF_C = 0.5  # a knob is turned, and a place found, by half degrees


@dataclass(frozen=True, slots=True, kw_only=True)
class _Asked:
    """What was asked for, with what every step of the planning needs."""

    culture: Culture
    recipe: Recipe
    now_s: float
    wanted_s: float
    warmth_from: WarmthFrom
    awake_at: AwakeAt
    clock: Callable[[float], str]
    limits: Limits
    keep_g: int
    hydration: float

    @property
    def total_g(self) -> int:
        """What the levain must weigh."""
        return math.ceil((self.recipe.take_g + self.keep_g) / (1.0 - LOST))

    @property
    def usual(self) -> float:
        """The baker's usual parts of flour, within the bounds."""
        parts = ((self.culture.last_dilution or dilutions.USUAL_DILUTION) - 1.0) / (1.0 + self.hydration)
        return min(max(parts, self.limits.least_ratio), self.limits.most_ratio)

    def hours(self, at_s: float, parts: float) -> Hours:
        """The hours of a feeding that is made at `at_s`."""
        dilution = 1.0 + parts * (1.0 + self.hydration)
        return hours_of(self.culture, self.warmth_from(at_s), dilution, self.hydration, self.limits.flour)

    def ratios(self) -> list[float]:
        """The ratios that bakers use, within the bounds."""
        return ratios_between(self.limits.least_ratio, self.limits.most_ratio)


def bake(
    culture: Culture,
    seed: Seed,
    recipe: Recipe,
    *,
    now_s: float,
    wanted_s: float,
    warmth_from: WarmthFrom,
    awake_at: AwakeAt,
    clock: Callable[[float], str],
    limits: Limits | None = None,
    keep_g: int | None = None,
    fridge: bool = False,
) -> BakePlan:
    """A plan for mixing the dough at `wanted_s`. `awake_at` says when people would feed, `clock` words a time. `limits`
    bound the ratio and give the levain's hydration, the jar and what is in it. With `fridge` the starter rests in
    between if there is time; without, that is offered in the plan's `meanwhile` where it saves feedings. A starter that
    rests already goes on resting. Where the time is too short for any feeding, the soonest one, with `met` False.
    Raises ValueError for a recipe or a time that makes no sense."""
    limits = limits or Limits()
    if not (0.0 < recipe.flour_g <= MOST_G and 1.0 <= recipe.levain_pct <= 100.0):
        raise ValueError(
            f"flour_g, levain_pct: {recipe.flour_g:g} g with {recipe.levain_pct:g} %; flour must be above zero and "
            "below 100000 g, the levain from 1 to 100 % of it"
        )
    if wanted_s <= now_s:
        raise ValueError("at: that is past; it must be a time to come")
    asked = _Asked(
        culture=culture, recipe=recipe, now_s=now_s, wanted_s=wanted_s, warmth_from=warmth_from, awake_at=awake_at,
        clock=clock, limits=limits, keep_g=KEEP_G if keep_g is None else keep_g,
        hydration=hydration_of(culture, limits),
    )  # fmt: skip
    standing_g = limits.standing_g if limits.standing_g is not None else seed.total_g
    far = wanted_s - max(now_s, seed.ripe_s) >= H_S * FAR_H
    rested = _rested(asked, seed, standing_g) if far or fridge or seed.rested else None
    if rested is not None and rested.met and (fridge or seed.rested):
        return rested
    made = _straight(asked, seed, standing_g)
    if rested is None or not rested.met:
        return made
    if not made.met:  # no chain of feedings reaches so far, but the fridge does
        return rested
    return replace(made, meanwhile=rested) if len(rested.feedings) <= len(made.feedings) - FEWER else made


def _straight(asked: _Asked, seed: Seed, standing_g: float | None) -> BakePlan:
    """The plan without a rest on the way."""
    links, met = _links(asked, seed, standing_g), True
    start_s = feed_from_s(seed, asked.now_s, asked.awake_at)
    if not links:
        links, met = (_soonest(asked, start_s, _least_parts(asked, standing_g)),), False
    feedings = _weighed(asked, links, standing_g, source_words(seed, asked.clock))
    return _whole(asked, seed, feedings, start_s, met=met)


def _rested(asked: _Asked, seed: Seed, standing_g: float | None) -> BakePlan | None:
    """The plan with a rest: fed if it is ripe, begun to rise, put in the fridge, and woken by a feeding before the
    levain; None where there is too little time for that."""
    first: tuple[BakeFeeding, ...] = ()
    in_s, source = asked.now_s, "the starter in the fridge"
    if not seed.rested and seed.ripe_at is None:
        at_s = feed_from_s(seed, asked.now_s, asked.awake_at)
        parts = min(asked.usual, DAILY_RATIO)
        link = Link(at_s=at_s, parts=parts, hours=asked.hours(at_s, parts))
        grams = at_ratio(parts, weight_of_flour(asked.culture, asked.limits), asked.hydration)
        grams = _no_more_than(standing_g, grams, parts, asked.hydration)
        first = (_feeding(asked, link, grams, standing_g, source_words(seed, asked.clock)),)
        in_s, standing_g = at_s + H_S * LET_RISE_H, float(sum(grams))
    elif not seed.rested and seed.fed_at_s is not None:  # it only has to begin to rise first
        in_s = max(in_s, seed.fed_at_s + H_S * LET_RISE_H)
    out_s = in_s + H_S * REST_LEAST_H
    if out_s >= asked.wanted_s:
        return None
    cold = Seed(fed_at_s=None, ripe_at=None, ripe_s=out_s, spent_s=asked.wanted_s, total_g=standing_g)
    woken = WOKEN_LONG if asked.wanted_s - in_s > H_S * LONG_H else WOKEN
    links = _links(replace(asked, now_s=out_s), cold, standing_g, least=woken)
    if not links:
        return None
    feedings = (*first, *_weighed(asked, links, standing_g, source))
    made = _whole(asked, cold, feedings, out_s, met=True)
    slower = (
        "The first rise after the cold is slower: feed the next when it has risen, and don't mind an hour or two. "
        "Tell the jar that it rests: jartide rest JAR."
    )
    rest = Rest(from_s=in_s, until_s=links[0].at_s, already=seed.rested, waits=in_s > asked.now_s)
    return replace(made, rest=rest, cautions=(*made.cautions, slower))


def _links(asked: _Asked, seed: Seed, standing_g: float | None, least: int = 1) -> tuple[Link, ...]:
    """The chain of at least `least` feedings from that seed; empty where none reaches the hour."""
    limits, total_g = asked.limits, asked.total_g

    def enough(links: tuple[Link, ...]) -> bool:
        grows = standing_g is None or _grown(links, standing_g, asked.hydration) >= total_g
        return grows and len(links) >= least

    def chained(leanest: float) -> tuple[Link, ...]:
        return chain(
            asked.culture, seed, now_s=asked.now_s, wanted_s=asked.wanted_s, warmth_from=asked.warmth_from, aim="peak",
            hydration=asked.hydration, usual=asked.usual,
            bounds=(limits.least_ratio, min(limits.most_ratio, leanest)), awake_at=asked.awake_at, enough=enough,
            last_shares=(BEST, *ALSO),
        )  # fmt: skip

    links = chained(DAILY_RATIO if _least_parts(asked, standing_g) <= DAILY_RATIO or least > 1 else LEAN)
    if not all(asked.awake_at(link.at_s) for link in links):  # a leaner levain rather than a feeding at night
        leaner = chained(LEAN)
        if leaner and all(asked.awake_at(link.at_s) for link in leaner):
            return leaner
    return links


def _whole(asked: _Asked, seed: Seed, feedings: tuple[BakeFeeding, ...], start_s: float, *, met: bool) -> BakePlan:
    """The plan of these feedings, with everything that has to be said about it."""
    last, recipe = feedings[-1], asked.recipe
    low_s, likely_s, high_s = (
        last.at_s + H_S * (peak_h + BEST * (fall_h - peak_h))
        for peak_h, fall_h in zip(last.hours.peak, last.hours.fall, strict=True)
    )
    ahead_h = (asked.wanted_s - last.at_s) / H_S
    met = met and last.hours.peak[1] - NEAR_H <= ahead_h <= last.hours.fall[1] + NEAR_H
    over_g = left_g(last, recipe, asked.keep_g)
    said = cautions(
        asked.culture, recipe, feedings, asked.keep_g, asked.hydration, asked.limits, seed, low_s, high_s, asked.clock,
        _one_long(asked),
    )  # fmt: skip
    return BakePlan(
        feedings=feedings,
        ready=Span(earliest_s=low_s, likely_s=likely_s, latest_s=high_s),
        take_g=recipe.take_g,
        keep_g=asked.keep_g,
        discard_g=sum(one.discard_g for one in feedings) + over_g,
        met=met,
        because=because_words(asked.culture, feedings, likely_s, asked.wanted_s, met, asked.clock),
        cautions=(*said, *_cooler_place(asked, feedings)),
        instead=() if met else _instead(asked, last, likely_s, start_s),
        by_day=tuple(_by_day(asked, feedings, seed)),
    )


def _one_long(asked: _Asked) -> str:
    """In words: the levain made in one feeding straight from the little there is, and how long that takes."""
    standing_g = asked.limits.standing_g
    if standing_g is None or _least_parts(asked, standing_g) > LEAN:
        return ""
    parts = _least_parts(asked, standing_g)
    flour_g = math.ceil(math.floor(standing_g) * parts)
    fed = of_grams((math.floor(standing_g), flour_g, math.ceil(flour_g * asked.hydration)))
    ripe_h = asked.hours(asked.wanted_s - H_S * _ready_h(asked.hours(asked.wanted_s, parts)), parts)
    return f"{phrases.weigh(fed)}, about {phrases.hours(ripe_h.peak[1])} before you mix"


def holds(
    culture: Culture,
    seed: Seed,
    feedings: Sequence[tuple[float, Feeding]],
    wanted_s: float,
    warmth_from: WarmthFrom,
    *,
    fridge: bool = False,
) -> bool:
    """Whether feedings that were planned earlier still work: the seed is ripe and not spent at the first, each feeding
    is ripe when the next is made from it, and the last when the dough is mixed. With `fridge` it may keep for days on
    the way."""
    ends_s = [*(at_s for at_s, _ in feedings[1:]), wanted_s]
    spent_s = max(seed.spent_s, wanted_s) if fridge else seed.spent_s
    if not seed.ripe_s - NEAR_H * H_S <= feedings[0][0] <= spent_s:
        return False
    for (at_s, fed), until_s in zip(feedings, ends_s, strict=True):
        if fridge and until_s - at_s > DAY_S:
            continue  # it lies in the cold
        dilution = fed.dilution or culture.last_dilution or dilutions.USUAL_DILUTION
        hours = hours_of(culture, warmth_from(at_s), dilution, fed.hydration, fed.flour)
        late_h = NEAR_H if until_s == wanted_s else KEEPS_H
        if not hours.peak[1] - NEAR_H <= (until_s - at_s) / H_S <= hours.fall[1] + late_h:
            return False
    return True


def _grown(links: tuple[Link, ...], standing_g: float, hydration: float) -> float:
    """How many grams a chain can make from that much seed."""
    return (
        standing_g * math.prod((1.0 - LOST) * (1.0 + link.parts * (1.0 + hydration)) for link in links) / (1.0 - LOST)
    )


def _least_parts(asked: _Asked, standing_g: float | None) -> float:
    """How lean the levain must be at least if it is made straight from what is in the jar."""
    if standing_g is None:
        return asked.limits.least_ratio
    return max(asked.limits.least_ratio, (asked.total_g / standing_g - 1.0) / (1.0 + asked.hydration))


def _soonest(asked: _Asked, start_s: float, least_parts: float) -> Link:
    """The single feeding, as soon as the seed is ripe, whose peak comes nearest to the hour."""
    limits = asked.limits
    ratios = ratios_between(max(limits.least_ratio, least_parts), min(limits.most_ratio, LEAN))
    ratios = ratios or [min(max(least_parts, limits.least_ratio), LEAN)]
    options = [Link(at_s=start_s, parts=parts, hours=asked.hours(start_s, parts)) for parts in ratios]
    return min(options, key=lambda link: abs(link.at_s + H_S * link.hours.peak[1] - asked.wanted_s))


def _weighed(asked: _Asked, links: tuple[Link, ...], standing_g: float | None, source: str) -> tuple[BakeFeeding, ...]:
    """Grams for each feeding of the chain. The last makes what the dough takes and what is kept; those before it make
    the usual amount, or more where the next one needs it."""
    hydration = asked.hydration
    wanted: list[Grams] = [_of_total(links[-1].parts, asked.total_g, hydration)]
    for link in reversed(links[:-1]):
        usual = at_ratio(link.parts, weight_of_flour(asked.culture, asked.limits), hydration)
        needed_g = math.ceil((wanted[0][0] + 1) / (1.0 - LOST))
        wanted.insert(0, usual if sum(usual) >= needed_g else _of_total(link.parts, needed_g, hydration))
    wanted[0] = _no_more_than(standing_g, wanted[0], links[0].parts, hydration)
    out: list[BakeFeeding] = []
    stands_g = standing_g
    for link, grams in zip(links, wanted, strict=True):
        out.append(_feeding(asked, link, grams, stands_g, source))
        stands_g, source = float(sum(grams)), f"the feeding of {asked.clock(link.at_s)}"
    return tuple(out)


def _no_more_than(standing_g: float | None, grams: Grams, parts: float, hydration: float) -> Grams:
    """The same ratio with no more starter than there is."""
    if standing_g is None or standing_g <= 0.0 or grams[0] <= standing_g:
        return grams
    first = max(math.floor(standing_g), 1)
    flour_g = math.ceil(first * parts)
    return first, flour_g, max(math.ceil(flour_g * hydration), 1)


def _feeding(asked: _Asked, link: Link, grams: Grams, stands_g: float | None, source: str) -> BakeFeeding:
    temperatures_c = asked.warmth_from(link.at_s)
    dilution = sum(grams) / grams[0]
    hours = hours_of(asked.culture, temperatures_c, dilution, asked.hydration, asked.limits.flour)
    return BakeFeeding(
        at_s=link.at_s,
        feeding=of_grams(grams, asked.limits.flour),
        source=source,
        place_c=round(2.0 * growth_rate.mean_c(temperatures_c, 0.0, hours.peak[1])) / 2.0,
        hours=hours,
        discard_g=0 if stands_g is None else max(round(stands_g * (1.0 - LOST) - grams[0]), 0),
        at_night=not asked.awake_at(link.at_s),
    )


def _of_total(parts: float, total_g: int, hydration: float) -> Grams:
    """Whole grams at that ratio that make at least `total_g`: 204 g at 1:8:8 are 12 + 96 + 96."""
    starter = max(round(total_g / (1.0 + parts * (1.0 + hydration))), 1)
    flour = math.ceil((total_g - starter) / (1.0 + hydration))
    return starter, max(flour, 1), max(math.ceil(total_g - starter - flour), round(flour * hydration), 1)


def _ready_h(hours: Hours) -> float:
    """Hours from its feeding to when a levain is at its best."""
    return hours.peak[1] + BEST * (hours.fall[1] - hours.peak[1])


def _cooler_place(asked: _Asked, feedings: tuple[BakeFeeding, ...]) -> Iterator[str]:
    """That feedings are at night; and for the levain, a cooler place where it can be fed in the evening before."""
    for one in feedings[:-1]:
        if one.at_night:
            yield f"The feeding at {asked.clock(one.at_s)} is at night."
    if not feedings[-1].at_night:
        return
    fed_s, limits, hydration = feedings[-1].at_s, asked.limits, asked.hydration
    evening_s = evening_before(fed_s, asked.awake_at)
    place = ""
    if evening_s is not None:
        ahead_h = (asked.wanted_s - evening_s) / H_S
        parts = min(limits.most_ratio, DAILY_RATIO)
        dilution = 1.0 + parts * (1.0 + hydration)

        def ripe_h(place_c: float) -> float:
            return _ready_h(hours_of(asked.culture, (place_c,), dilution, hydration, limits.flour))

        place_c = _half(crossing(lambda c: -math.log(ripe_h(c) / ahead_h), *PLACES_C, CLOSE_LN))
        if abs(ripe_h(place_c) / ahead_h - 1.0) < NEAR:
            named = _to_set(limits, place_c)
            at = f"the {named}, set to" if named else "a place of about"
            place = (
                f" In {at} {phrases.degrees(place_c)}, it may be fed at {asked.clock(evening_s)}, 1:{parts:g}, and is "
                "ripe by the hour."
            )
    yield f"The levain needs feeding at night, at {asked.clock(fed_s)}.{place}"


def _by_day(asked: _Asked, feedings: tuple[BakeFeeding, ...], seed: Seed) -> Iterator[str]:
    """The nearest other hour of mixing for which nobody has to get up to feed the levain, with its grams."""
    last, limits, total_g = feedings[-1], asked.limits, asked.total_g
    if not last.at_night:
        return
    if len(feedings) > 1:
        before = feedings[-2]
        good_s = good_to_feed_from(before.at_s, before.hours.peak[1], before.hours.fall[1])
    else:
        good_s = max(seed.ripe_s, asked.now_s), seed.spent_s
    most = total_g if limits.standing_g is None or len(feedings) > 1 else limits.standing_g
    ratios = [parts for parts in asked.ratios() if _of_total(parts, total_g, asked.hydration)[0] <= most]
    found = nearest_by_day(
        asked.culture, night_s=last.at_s, wanted_s=asked.wanted_s, within_s=good_s, ratios=ratios,
        hydration=asked.hydration, flour=limits.flour, warmth_from=asked.warmth_from, comes_h=_ready_h,
        awake_at=asked.awake_at,
    )  # fmt: skip
    if found is not None:
        fed = of_grams(_of_total(found.parts, total_g, asked.hydration))
        yield (
            f"mix at about {asked.clock(found.comes_s)}, and nobody need get up for it: feed the levain at "
            f"{asked.clock(found.at_s)}, {phrases.weigh(fed)}"
        )


def _instead(asked: _Asked, last: BakeFeeding, likely_s: float, start_s: float) -> tuple[str, ...]:
    """What can be done where the hour cannot be met; first what can be set to a temperature, as that is the easiest."""
    wanted_s, clock = asked.wanted_s, asked.clock
    out = [f"mix at about {clock(likely_s)}, when it is ripe"]
    ahead_h = (wanted_s - start_s) / H_S
    dilution = last.feeding.dilution or dilutions.USUAL_DILUTION
    place_c = last.place_c + HALF_C

    def peak_h(at_c: float) -> float:
        return hours_of(asked.culture, (at_c,), dilution, asked.hydration, asked.limits.flour).peak[1]

    if likely_s > wanted_s and ahead_h > 0.0:
        while place_c <= PLACES_C[1] and peak_h(place_c) > ahead_h:
            place_c += HALF_C
        named = _to_set(asked.limits, place_c)
        if named:
            out.insert(
                0,
                f"set the {named} to {phrases.degrees(place_c)}, {phrases.weigh(last.feeding)} {clock(start_s)} and "
                f"put it there: it is ripe by {clock(wanted_s)}",
            )
        elif place_c <= PLACES_C[1]:
            out.append(f"find the levain a place at {phrases.degrees(place_c)}: there it is ripe by {clock(wanted_s)}")
        else:
            out.append(
                f"bake with baker's yeast, or later: {phrases.hours(max(ahead_h, 0.5))} is too short for a levain"
            )
    elif likely_s < wanted_s:
        out.append("feed once more in between, or put the levain in the fridge at its top: it keeps there for a day")
    return tuple(out)


def _to_set(limits: Limits, place_c: float) -> str | None:
    """The name of a place that can be set to that temperature; None where there is none."""
    names = (one.name for one in limits.places if one.coolest_c <= place_c <= min(one.warmest_c, PLACES_C[1]))
    return next(names, None)


def _half(place_c: float) -> float:
    """Rounded to half degrees, as a knob is turned."""
    return round(2.0 * place_c) / 2.0
