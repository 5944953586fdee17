"""The bake: feedings worked out backwards from the hour at which the dough is mixed, in grams, with their times, from
what is in the jar now. `jartide bake` prints it; `chain` searches, this makes weights and words of it.

The hour is that of mixing, not of the oven. The levain is part of the recipe's flour and water.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

from monitor.core.forecast import dilution as dilutions
from monitor.core.forecast import growth_rate
from monitor.core.forecast.starter_model import Culture
from monitor.core.plan import phrases
from monitor.core.plan.alternatives import NEAR, PLACES_C, ratios_between
from monitor.core.plan.chain import Link, chain
from monitor.core.plan.hours import Hours, WarmthFrom, crossing, hours_of
from monitor.core.plan.ripeness import KEEPS_H, Seed, feed_from_s, good_to_feed_from
from monitor.core.plan.waking import AwakeAt, evening_before, nearest_by_day
from monitor.core.plan.weighing import (
    DAILY_RATIO,
    LOST,
    Grams,
    Limits,
    at_ratio,
    highest_rise,
    total_bounds,
    weight_of_flour,
)
from monitor.values import H_S, Feeding, Span

KEEP_G = 20  # kept back for the next feeding where nobody is known to keep another weight
NEAR_H = 0.5  # before its first touch of the top it may be taken by so much, or after the start of its fall
# Of the way from first touch of the top to the start of fall: where a levain is best, and where it does as well
BEST, ALSO = 0.4, (0.1, 0.25, 0.6, 0.8)
LEAN = 20.0  # the leanest levain, where little seed is at hand


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipe:
    """What the dough takes: its flour, and the ripe starter in percent of it (baker's percent)."""

    flour_g: float
    levain_pct: float = 20.0

    @property
    def take_g(self) -> int:
        """Ripe starter that goes into the dough."""
        return max(round(self.flour_g * self.levain_pct / 100.0), 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class BakeFeeding:
    """One feeding on the way: `source` says in words what its starter is taken from."""

    at_s: float
    feeding: Feeding
    source: str
    place_c: float
    hours: Hours
    discard_g: int


@dataclass(frozen=True, slots=True, kw_only=True)
class BakePlan:
    """The feedings, when the levain will be ripe (90 %), what the dough takes and what is kept back, the discard in
    all, and what to look out for."""

    feedings: tuple[BakeFeeding, ...]
    ready: Span
    take_g: int
    keep_g: int
    discard_g: int
    met: bool
    because: str
    cautions: tuple[str, ...] = ()
    instead: tuple[str, ...] = ()


# branches: what keeps a bake from being met, one thing after the other
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
) -> BakePlan:
    """A plan for mixing at `wanted_s`. `awake_at` says when people would feed, `clock` words a time. `limits` bound the
    ratio, give the levain's hydration, the jar and what stands in it. Raises ValueError for a recipe that is none.

    Where the time is too short for any feeding, the soonest that can be, with `met` False."""
    limits = limits or Limits()
    if not (0.0 < recipe.flour_g <= 1e5 and 1.0 <= recipe.levain_pct <= 100.0):
        raise ValueError(
            f"flour_g, levain_pct: {recipe.flour_g:g} g with {recipe.levain_pct:g} %; flour must be above zero and "
            "below 100000 g, the levain from 1 to 100 % of it"
        )
    if wanted_s <= now_s:
        raise ValueError("at: that is past; it must be a time to come")
    keep = KEEP_G if keep_g is None else keep_g
    hydration = limits.hydration or culture.last_hydration or 1.0
    usual = ((culture.last_dilution or dilutions.USUAL_DILUTION) - 1.0) / (1.0 + hydration)
    total_g = math.ceil((recipe.take_g + keep) / (1.0 - LOST))
    standing_g = limits.standing_g if limits.standing_g is not None else seed.total_g
    least_parts = _least_parts(total_g, standing_g, hydration, limits)

    def chained(leanest: float) -> tuple[Link, ...]:
        return chain(
            culture, seed, now_s=now_s, wanted_s=wanted_s, warmth_from=warmth_from, aim="peak", hydration=hydration,
            usual=min(max(usual, limits.least_ratio), limits.most_ratio),
            bounds=(limits.least_ratio, min(limits.most_ratio, leanest)), awake_at=awake_at,
            enough=lambda links: standing_g is None or _grown(links, standing_g, hydration) >= total_g,
            last_shares=(BEST, *ALSO),
        )  # fmt: skip

    links = chained(DAILY_RATIO if least_parts <= DAILY_RATIO else LEAN)
    if not all(awake_at(link.at_s) for link in links):  # a leaner levain now and then, rather than a feeding at night
        leaner = chained(LEAN)
        if leaner and all(awake_at(link.at_s) for link in leaner):
            links = leaner
    start_s = feed_from_s(seed, now_s, awake_at)
    met = bool(links)
    if not links:
        links = (_soonest(culture, start_s, wanted_s, warmth_from, hydration, limits, least_parts),)
    feedings = _weighed(culture, links, total_g, standing_g, hydration, limits, seed, warmth_from, clock)
    last = feedings[-1]
    low_s, likely_s, high_s = (
        last.at_s + H_S * (peak_h + BEST * (fall_h - peak_h))
        for peak_h, fall_h in zip(last.hours.peak, last.hours.fall, strict=True)
    )
    ahead_h = (wanted_s - last.at_s) / H_S
    met = met and last.hours.peak[1] - NEAR_H <= ahead_h <= last.hours.fall[1] + NEAR_H
    return BakePlan(
        feedings=feedings,
        ready=Span(earliest_s=low_s, likely_s=likely_s, latest_s=high_s),
        take_g=recipe.take_g,
        keep_g=keep,
        discard_g=sum(one.discard_g for one in feedings) + max(_made(last) - recipe.take_g - keep - _lost(last), 0),
        met=met,
        because=_because(culture, feedings, likely_s, wanted_s, met, clock),
        cautions=(
            *_cautions(culture, recipe, feedings, keep, hydration, limits, seed, low_s, high_s, clock),
            *_at_night(culture, feedings, wanted_s, hydration, limits, awake_at, clock),
        ),
        instead=(
            *_by_day(
                culture, feedings, seed, now_s, wanted_s, warmth_from, total_g, hydration, limits, awake_at, clock
            ),
            *(() if met else _instead(culture, last, likely_s, wanted_s, start_s, hydration, limits, clock)),
        ),
    )


def holds(
    culture: Culture,
    seed: Seed,
    feedings: Sequence[tuple[float, Feeding]],
    wanted_s: float,
    warmth_from: WarmthFrom,
) -> bool:
    """Whether feedings that were planned before still do: the seed is ripe and not spent at the first, each is ripe
    when the next is made of it, and the last when the dough is mixed."""
    ends_s = [*(at_s for at_s, _ in feedings[1:]), wanted_s]
    if not seed.ripe_s - NEAR_H * H_S <= feedings[0][0] <= seed.spent_s:
        return False
    for (at_s, fed), until_s in zip(feedings, ends_s, strict=True):
        dilution = fed.dilution or culture.last_dilution or dilutions.USUAL_DILUTION
        hours = hours_of(culture, warmth_from(at_s), dilution, fed.hydration, fed.flour)
        late_h = NEAR_H if until_s == wanted_s else KEEPS_H
        if not hours.peak[1] - NEAR_H <= (until_s - at_s) / H_S <= hours.fall[1] + late_h:
            return False
    return True


def _grown(links: tuple[Link, ...], standing_g: float, hydration: float) -> float:
    """What a chain can make of so much seed, in grams."""
    return (
        standing_g * math.prod((1.0 - LOST) * (1.0 + link.parts * (1.0 + hydration)) for link in links) / (1.0 - LOST)
    )


def _made(one: BakeFeeding) -> int:
    return round(one.feeding.total_g or 0.0)


def _lost(one: BakeFeeding) -> int:
    return math.ceil(LOST * _made(one))


def _least_parts(total_g: int, standing_g: float | None, hydration: float, limits: Limits) -> float:
    """So lean the levain must be at least, when it is made straight from what stands there."""
    if standing_g is None:
        return limits.least_ratio
    return max(limits.least_ratio, (total_g / standing_g - 1.0) / (1.0 + hydration))


def _soonest(
    culture: Culture,
    start_s: float,
    wanted_s: float,
    warmth_from: WarmthFrom,
    hydration: float,
    limits: Limits,
    least_parts: float,
) -> Link:
    """The one feeding whose peak comes nearest to the hour, fed as soon as the seed is ripe."""
    ratios = ratios_between(max(limits.least_ratio, least_parts), min(limits.most_ratio, LEAN))
    options = []
    for parts in ratios or [min(max(least_parts, limits.least_ratio), LEAN)]:
        hours = hours_of(culture, warmth_from(start_s), 1.0 + parts * (1.0 + hydration), hydration)
        options.append(Link(at_s=start_s, parts=parts, hours=hours))
    return min(options, key=lambda link: abs(link.at_s + H_S * link.hours.peak[1] - wanted_s))


def _weighed(
    culture: Culture,
    links: tuple[Link, ...],
    total_g: int,
    standing_g: float | None,
    hydration: float,
    limits: Limits,
    seed: Seed,
    warmth_from: WarmthFrom,
    clock: Callable[[float], str],
) -> tuple[BakeFeeding, ...]:
    """Grams for each link. The last makes what the dough takes and what is kept; those before it make what the next
    takes, and no more than is usual."""
    wanted: list[Grams] = [_of_total(links[-1].parts, total_g, hydration)]
    for link in reversed(links[:-1]):
        usual = at_ratio(link.parts, weight_of_flour(culture, limits), hydration)
        needed_g = math.ceil((wanted[0][0] + 1) / (1.0 - LOST))
        wanted.insert(0, usual if sum(usual) >= needed_g else _of_total(link.parts, needed_g, hydration))
    if standing_g is not None and wanted[0][0] > standing_g > 0.0:  # no more can be kept than there is
        first = max(math.floor(standing_g), 1)
        flour_g = math.ceil(first * links[0].parts)
        wanted[0] = (first, flour_g, max(math.ceil(flour_g * hydration), 1))
    out: list[BakeFeeding] = []
    stands_g, before = standing_g, _source(seed, clock)
    for link, grams in zip(links, wanted, strict=True):
        starter_g, flour_g, water_g = grams
        temperatures_c = warmth_from(link.at_s)
        hours = hours_of(culture, temperatures_c, sum(grams) / starter_g, hydration, limits.flour)
        out.append(
            BakeFeeding(
                at_s=link.at_s,
                feeding=Feeding(starter_g=starter_g, flour_g=flour_g, water_g=water_g, flour=limits.flour),
                source=before,
                place_c=round(2.0 * growth_rate.mean_c(temperatures_c, 0.0, hours.peak[1])) / 2.0,
                hours=hours,
                discard_g=0 if stands_g is None else max(round(stands_g * (1.0 - LOST) - starter_g), 0),
            )
        )
        stands_g, before = float(sum(grams)), f"what was fed at {clock(link.at_s)}"
    return tuple(out)


def _of_total(parts: float, total_g: int, hydration: float) -> Grams:
    """Whole grams of that ratio that make at least so much: 204 g at 1:8:8 are 12 + 96 + 96."""
    starter = max(round(total_g / (1.0 + parts * (1.0 + hydration))), 1)
    flour = math.ceil((total_g - starter) / (1.0 + hydration))
    return starter, max(flour, 1), max(math.ceil(total_g - starter - flour), round(flour * hydration), 1)


def _source(seed: Seed, clock: Callable[[float], str]) -> str:
    if seed.fed_at_s is None:
        return "the starter in the jar, ripe"
    return f"the starter in the jar, fed at {clock(seed.fed_at_s)}"


def _because(
    culture: Culture,
    feedings: tuple[BakeFeeding, ...],
    likely_s: float,
    wanted_s: float,
    met: bool,
    clock: Callable[[float], str],
) -> str:
    basis = "what most starters do" if culture.cycles == 0 else f"{culture.cycles} cycles of this starter"
    said = f"Going by {basis}, the levain ({phrases.about(feedings[-1].feeding)}) is ripe about {clock(likely_s)}"
    if met:
        return f"{said}: time to mix."
    late = "after" if likely_s > wanted_s else "before"
    return f"{said}, {phrases.hours(abs(likely_s - wanted_s) / H_S)} {late} the hour you want; nothing comes nearer."


def _from_to(low: str, high: str) -> str:
    """Two times, the day said once where it is the same."""
    same_day = low.partition(" ")[2] == high.partition(" ")[2]
    return f"between {low.partition(' ')[0] if same_day else low} and {high}"


def _cautions(
    culture: Culture,
    recipe: Recipe,
    feedings: tuple[BakeFeeding, ...],
    keep_g: int,
    hydration: float,
    limits: Limits,
    seed: Seed,
    low_s: float,
    high_s: float,
    clock: Callable[[float], str],
) -> tuple[str, ...]:
    in_levain_g = round(recipe.take_g / (1.0 + hydration))
    made_g, lost_g = _made(feedings[-1]), _lost(feedings[-1])
    over_g = max(made_g - recipe.take_g - keep_g - lost_g, 0)
    out = [
        "The hour is that of mixing the dough, not of the oven.",
        f"Of the {made_g} g, {recipe.take_g} g go into the dough and {keep_g} g are kept; about {lost_g} g go as gas "
        f"and stay at the jar's wall{f', {over_g} g over' if over_g else ''}.",
        f"The {recipe.take_g} g of levain hold {in_levain_g} g of flour: if your {recipe.flour_g:g} g are all the "
        f"flour of the dough, add {recipe.flour_g - in_levain_g:g} g to it; if not, the bread is that much larger.",
        f"It may be ready {_from_to(clock(low_s), clock(high_s))}: look at it, and mix when it has about doubled and "
        "its top flattens. Early, it waits an hour or two in a cool place; late, wait for it.",
    ]
    if seed.ripe_at is not None:
        out.append(
            f"What is in the jar is not ripe before about {clock(seed.ripe_at.likely_s)}; don't take from it sooner."
        )
    rises = highest_rise(culture, limits)
    if limits.jar_ml is not None and made_g > total_bounds(culture, replace(limits, ripe_g=None))[1]:
        out.append(f"Your jar is too small for the {made_g} g: it may rise {rises:.1f} times, so take a bowl.")
    if limits.standing_g is not None and limits.standing_g < 0.2 * made_g:
        one_g = made_g / (1.0 + LEAN * (1.0 + hydration))
        steps = "one feeding" if len(feedings) == 1 else f"{len(feedings)} feedings"
        less = " One long feeding would do as well." if len(feedings) > 1 and limits.standing_g >= one_g else ""
        out.append(f"{limits.standing_g:g} g are enough to begin with: {steps} make {made_g} g of them.{less}")
    small = min(round(one.feeding.starter_g or 0.0) for one in feedings)
    if small < 5:
        out.append(f"{small} g of starter want a scale that shows tenths of a gram.")
    out.append("Raw flour and dough are not for tasting.")
    return tuple(out)


def _ready_h(hours: Hours) -> float:
    """Hours from its feeding to when a levain is at its best."""
    return hours.peak[1] + BEST * (hours.fall[1] - hours.peak[1])


def _at_night(
    culture: Culture,
    feedings: tuple[BakeFeeding, ...],
    wanted_s: float,
    hydration: float,
    limits: Limits,
    awake_at: AwakeAt,
    clock: Callable[[float], str],
) -> Iterator[str]:
    """What has to be fed at night; and for the levain the cooler place in which it may be fed in the evening before."""
    for one in feedings[:-1]:
        if not awake_at(one.at_s):
            yield f"The feeding at {clock(one.at_s)} is at night."
    fed_s = feedings[-1].at_s
    if awake_at(fed_s):
        return
    evening_s = evening_before(fed_s, awake_at)
    place = ""
    if evening_s is not None:
        ahead_h = (wanted_s - evening_s) / H_S
        parts = min(limits.most_ratio, DAILY_RATIO)
        dilution = 1.0 + parts * (1.0 + hydration)

        def ripe_h(place_c: float) -> float:
            return _ready_h(hours_of(culture, (place_c,), dilution, hydration, limits.flour))

        place_c = _half(crossing(lambda c: -math.log(ripe_h(c) / ahead_h), *PLACES_C, 0.005))
        if abs(ripe_h(place_c) / ahead_h - 1.0) < NEAR:
            named = _to_set(limits, place_c)
            at = f"the {named}, set to" if named else "a place of about"
            place = (
                f" In {at} {phrases.degrees(place_c)}, it may be fed at {clock(evening_s)}, 1:{parts:g}, and is ripe "
                "by the hour."
            )
    yield f"The levain needs feeding at night, at {clock(fed_s)}.{place}"


def _by_day(
    culture: Culture,
    feedings: tuple[BakeFeeding, ...],
    seed: Seed,
    now_s: float,
    wanted_s: float,
    warmth_from: WarmthFrom,
    total_g: int,
    hydration: float,
    limits: Limits,
    awake_at: AwakeAt,
    clock: Callable[[float], str],
) -> Iterator[str]:
    """The nearest other hour of mixing for which nobody need get up to feed the levain, with its grams."""
    last = feedings[-1]
    if awake_at(last.at_s):
        return
    if len(feedings) > 1:
        before = feedings[-2]
        good_s = good_to_feed_from(before.at_s, before.hours.peak[1], before.hours.fall[1])
    else:
        good_s = max(seed.ripe_s, now_s), seed.spent_s
    most = total_g if limits.standing_g is None or len(feedings) > 1 else limits.standing_g
    ratios = ratios_between(limits.least_ratio, limits.most_ratio)
    ratios = [p for p in ratios if _of_total(p, total_g, hydration)[0] <= most]
    found = nearest_by_day(
        culture, night_s=last.at_s, wanted_s=wanted_s, within_s=good_s, ratios=ratios, hydration=hydration,
        flour=limits.flour, warmth_from=warmth_from, comes_h=_ready_h, awake_at=awake_at,
    )  # fmt: skip
    if found is not None:
        starter_g, flour_g, water_g = _of_total(found.parts, total_g, hydration)
        fed = Feeding(starter_g=starter_g, flour_g=flour_g, water_g=water_g)
        yield (
            f"mix at about {clock(found.comes_s)}, and nobody need get up for it: feed the levain at "
            f"{clock(found.at_s)}, {phrases.weigh(fed)}"
        )


def _instead(
    culture: Culture,
    last: BakeFeeding,
    likely_s: float,
    wanted_s: float,
    start_s: float,
    hydration: float,
    limits: Limits,
    clock: Callable[[float], str],
) -> tuple[str, ...]:
    """What can be done where the hour cannot be met: what can be set to a temperature first, a turn of a knob."""
    out = [f"mix at about {clock(likely_s)}, when it is ripe"]
    ahead_h = (wanted_s - start_s) / H_S
    dilution = last.feeding.dilution or dilutions.USUAL_DILUTION
    place_c = last.place_c + 0.5

    def peak_h(at_c: float) -> float:
        return hours_of(culture, (at_c,), dilution, hydration, limits.flour).peak[1]

    if likely_s > wanted_s and ahead_h > 0.0:
        while place_c <= PLACES_C[1] and peak_h(place_c) > ahead_h:
            place_c += 0.5
        named = _to_set(limits, place_c)
        if named:
            out.insert(0, _set(named, place_c, last, start_s, wanted_s, clock))
        elif place_c <= PLACES_C[1]:
            out.append(f"find the levain a place at {phrases.degrees(place_c)}: there it is ripe by {clock(wanted_s)}")
        else:
            out.append(
                f"bake with baker's yeast, or later: {phrases.hours(max(ahead_h, 0.5))} is too short for a levain"
            )
    elif likely_s < wanted_s:
        out.append("feed once more in between, or put the levain in the fridge at its top: it keeps there for a day")
    return tuple(out)


def _set(
    named: str, place_c: float, last: BakeFeeding, start_s: float, wanted_s: float, clock: Callable[[float], str]
) -> str:
    return (
        f"set the {named} to {phrases.degrees(place_c)}, {phrases.weigh(last.feeding)} {clock(start_s)} and stand it "
        f"there: it is ripe by {clock(wanted_s)}"
    )


def _to_set(limits: Limits, place_c: float) -> str | None:
    """What can be set to that temperature, None where nothing can."""
    names = (one.name for one in limits.places if one.coolest_c <= place_c <= min(one.warmest_c, PLACES_C[1]))
    return next(names, None)


def _half(place_c: float) -> float:
    """In half degrees, as a knob is turned."""
    return round(2.0 * place_c) / 2.0
