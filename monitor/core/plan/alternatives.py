"""What can be done where no feeding alone meets a wish: feed all the same, feed twice, another place, other water, a
stiffer dough, the fridge after the top. Each comes with what the forecast says it will do.

`feeding.plan` asks for it. One thing at a time is changed and its hours are looked up; what is nearest to the baker's
own ways comes first. The things to do are common practice; the hours are the starter's own.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from monitor.core.forecast import dilution as dilutions
from monitor.core.forecast import growth_rate
from monitor.core.forecast.starter_model import Culture
from monitor.core.plan import phrases
from monitor.core.plan.hours import Hours, Triple, crossing, hours_of, mixed_with
from monitor.core.plan.weighing import (
    DAILY_RATIO,
    SURE_G,
    Grams,
    Limits,
    at_ratio,
    dilution,
    keep_bounds,
    total_bounds,
    weight_of_flour,
)
from monitor.settings import PlaceSettings
from monitor.values import Instead, of_grams

SINKING_FINE_H = 11.5  # common practice: ten to twelve hours past the start of its fall do a starter no harm
SOURER_H = 9.0  # after so many it is a little sourer
PLACES_C = (12.0, 28.0)  # a cellar, and the warmest place that is no gamble
ROOMS_C, CELLAR_OFF_C = (20.0, 22.0), 3.0  # not everybody has a cellar: where rooms are cooler by this they help too
FRIDGE_C = 4.0  # what household fridges are set to
KEEPS_H = 7 * 24.0  # common practice: in the fridge it is fed about once a week
COLD_WATER_C, WARM_WATER_C = 12.0, 29.0  # from a cold tap or the fridge; lukewarm, and no danger to yeast
STIFF = 0.6  # hydration of a stiff starter, 50 to 65 % in the trade
NEAR = 0.05  # share of the wanted hours that the likely ones may be off
LADDER = (1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 15.0, 20.0)  # ratios that bakers say
MOST = 6  # alternatives; more are a lecture
CLOSE_LN = 0.005  # a place is looked for until ln of its hours is this near: a tenth of NEAR
EACH_LEAST_H, TIMES_MOST = 6.0, 14  # nobody feeds more often than that, and after a fortnight it lies in the fridge
JAR_SHARE = 0.99  # of what the jar takes: rounding to whole grams must not run over
ELSEWHERE_C = 0.5  # a place that differs by less is the same
WARMER_SHARE = 0.8  # of the hours here: a place that is not that much quicker is not worth the move
WATER_OFF_C = 4.0  # water that differs by less does nothing to speak of
WATER_GAINS_H, WATER_HELPS = 0.25, 0.3  # the least to mention; and the share of what is missing that is a real help
STIFFER_BY, STIFFER_SLOWER = 0.1, 1.05  # a dough nearly as stiff, or no slower when stiff, is not worth making stiffer
AWAY_G: Grams = (20, 40, 20)  # a small stiff feeding for weeks in the fridge: 1:2:1
# How far each thing is from what a baker does anyway; the least is said first. Only the order matters, and it is our
# own judgement (no source): a knob to turn, feeding all the same, the same feeding twice, another place, the fridge,
# ...
KNOB_COST, ANYWAY_COST, TIMES_COST, EACH_TIME_COST, PLACE_COST, FRIDGE_COST = 0.0, 0.1, 0.5, 0.2, 0.6, 0.9
STIFFER_COST, WARMEST_COST, WATER_COST, LITTLE_WATER_COST = 1.1, 1.4, 1.6, 3.0
RATIO_COST = 0.3  # for each ln of the ratio off the usual one
DAY_H, PLACE_OFF_C, EACH_OFF_H = 24.0, 12.0, 6.0  # sinking, degrees and hours off that cost 1


def ratios_between(least: float, most: float) -> list[float]:
    """Those of the ratios that bakers say that lie within the bounds, both included; none where none does."""
    return [parts for parts in LADDER if least <= parts <= most]


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """A wish that the ratio alone cannot meet."""

    culture: Culture
    target_h: float
    temperatures_c: Sequence[float]
    hydration: float
    limits: Limits
    known: dict[tuple[object, ...], Hours] = field(default_factory=dict, compare=False, repr=False)  # asked before

    @property
    def mean_c(self) -> float:
        """The mean temperature until the wanted moment."""
        return growth_rate.mean_c(self.temperatures_c, 0.0, self.target_h)

    @property
    def usual(self) -> float:
        """The baker's usual parts of flour, within the bounds; 4 (of 1:4:4) where nothing was fed yet."""
        parts = ((self.culture.last_dilution or dilutions.USUAL_DILUTION) - 1.0) / (1.0 + self.hydration)
        return min(max(parts, self.limits.least_ratio), min(self.limits.most_ratio, DAILY_RATIO))

    def grams(self, parts: float) -> Grams:
        """Whole grams at a ratio, with the usual flour or, where the jar takes no more, with less."""
        weighable_g = SURE_G * parts  # by a kitchen's scale
        flour_g = max(weight_of_flour(self.culture, self.limits), weighable_g)
        most_g = total_bounds(self.culture, self.limits)[1]
        total = flour_g * (1.0 / parts + 1.0 + self.hydration)
        return at_ratio(parts, flour_g * min(1.0, JAR_SHARE * most_g / total), self.hydration)

    def hours(
        self, grams: Grams, temperatures_c: Sequence[float] | None = None, hydration: float | None = None
    ) -> Hours:
        """The hours of that feeding, here or at other temperatures."""
        where = tuple(self.temperatures_c if temperatures_c is None else temperatures_c)
        key = (where, dilution(grams), hydration)
        if key not in self.known:
            wet = hydration or self.hydration
            water_c = self.limits.water_c
            self.known[key] = hours_of(self.culture, where, dilution(grams), wet, self.limits.flour, water_c)
        return self.known[key]


Scored = tuple[float, Instead]


def alternatives(wish: Wish, nearest: Grams) -> tuple[Instead, ...]:
    """What can be done, nearest to the baker's ways first. Never empty: one can always wait for the starter."""
    fall_h = wish.hours(nearest).fall
    if wish.target_h > KEEPS_H:
        return (_away(wish),)
    found: list[Scored] = []
    if fall_h[1] < wish.target_h:
        found += [*_anyway(wish), *_more_feedings(wish), *_fridge(wish), *_stiffer(wish)]
    found += [*_place(wish), *_water(wish, nearest, fall_h)]
    found.sort(key=lambda one: one[0])
    said = [one for _, one in found[:MOST]]
    if fall_h[1] >= wish.target_h or not said:
        said.append(_when_ripe(wish, nearest, fall_h))
    return tuple(said)


def _distance(wish: Wish, parts: float) -> float:
    return abs(math.log(parts / wish.usual))


def _instead(
    grams: Grams, do: str, fall_h: Triple, because: str, place_c: float | None = None, times: int = 1
) -> Instead:
    feeding = of_grams(grams)
    return Instead(do=do, hours_to_fall=fall_h, because=because, feeding=feeding, place_c=place_c, times=times)


def _says(grams: Grams) -> str:
    return phrases.weigh(of_grams(grams))


def _ratios(wish: Wish) -> list[float]:
    """Ratios for every day that a scale can weigh, the usual one among them."""
    low, high = keep_bounds(wish.limits)
    some = sorted({wish.usual, *(parts for parts in LADDER if parts <= DAILY_RATIO)})
    bounded = [p for p in some if wish.limits.least_ratio <= p <= wish.limits.most_ratio]
    return [p for p in bounded if low <= wish.grams(p)[0] <= high] or [wish.usual]


def _anyway(wish: Wish) -> Iterator[Scored]:
    """Feed at the wanted hour all the same: a starter that has been sinking for some hours is no worse for it."""
    done: set[float] = set()
    for parts in (max(_ratios(wish)), wish.usual):
        grams = wish.grams(parts)
        fall_h = wish.hours(grams).fall
        sinking_h = wish.target_h - fall_h[1]
        if parts in done or not 0.0 <= sinking_h <= SINKING_FINE_H:
            continue
        done.add(parts)
        own = "your usual feeding works: " if parts == wish.usual and wish.culture.last_dilution else ""
        sourer = " A little sourer each time." if sinking_h > SOURER_H else ""
        yield (
            ANYWAY_COST + sinking_h / DAY_H,
            _instead(
                grams,
                f"{own}{_says(grams)} and feed every {phrases.hours(wish.target_h)} anyway",
                fall_h,
                f"It will have been sinking for about {phrases.hours(sinking_h)} by then, and that is fine: "
                f"hungry for hours is not starved.{sourer}",
            ),
        )


def _more_feedings(wish: Wish) -> Iterator[Scored]:
    """Two feedings in that time, or as many as it takes."""
    for times in range(2, TIMES_MOST + 1):
        each_h = wish.target_h / times
        if each_h < EACH_LEAST_H:
            return
        options = [(parts, grams, wish.hours(grams)) for parts in _ratios(wish) for grams in (wish.grams(parts),)]
        fits = [one for one in options if one[2].peak[1] <= each_h and each_h - one[2].fall[1] <= SINKING_FINE_H / 2.0]
        if fits:
            parts, grams, hours = min(
                fits, key=lambda one: abs(one[2].fall[1] - each_h) / EACH_OFF_H + _distance(wish, one[0])
            )
            often = "twice" if times == 2 else f"{times} times"
            yield (
                TIMES_COST + EACH_TIME_COST * times + RATIO_COST * _distance(wish, parts),
                _instead(
                    grams,
                    f"feed it {often}, every {phrases.hours(each_h)}: {_says(grams)} each time",
                    hours.fall,
                    f"It begins to sink after about {phrases.hours(hours.fall[1])}, so every feeding comes in time.",
                    times=times,
                ),
            )
            return


def _place(wish: Wish) -> Iterator[Scored]:
    """A place where an ordinary ratio, if possible the usual one, takes exactly as long as is wanted."""
    found: list[tuple[float, float, Grams, Hours]] = []
    ratios = _ratios(wish)
    for parts in dict.fromkeys((wish.usual, ratios[len(ratios) // 2], ratios[0], ratios[-1])):
        grams = wish.grams(parts)
        place_c = _solved(wish, grams)
        if place_c is None or abs(place_c - wish.mean_c) < ELSEWHERE_C:
            continue
        hours = wish.hours(grams, (place_c,))
        if abs(hours.fall[1] / wish.target_h - 1.0) <= NEAR:
            cost = PLACE_COST + abs(place_c - wish.mean_c) / PLACE_OFF_C + RATIO_COST * _distance(wish, parts)
            found.append((cost, place_c, grams, hours))
    if not found:
        yield from _warmest(wish, min(ratios))
        return
    settable = [(one, place) for one in found for place in wish.limits.places if _can_hold(place, one[1])]
    if settable:
        (cost, place_c, grams, hours), place = min(settable, key=lambda one: one[0][0])
        do = f"set the {place.name} to {phrases.degrees(place_c)}, put the jar there, and {_says(grams)}"
        because = f"There it begins to sink about {phrases.hours(hours.fall[1])} after the feeding."
        yield KNOB_COST, _instead(grams, do, hours.fall, because, place_c=place_c)
        return
    cost, place_c, grams, hours = min(found, key=lambda one: one[0])
    word = "cooler" if place_c < wish.mean_c else "warmer"
    more = ""
    if word == "cooler" and place_c < ROOMS_C[0] <= wish.mean_c - CELLAR_OFF_C:
        at_20, at_22 = (wish.hours(wish.grams(max(_ratios(wish))), (c,)).fall[1] for c in ROOMS_C)
        leanest = _about(wish.grams(max(_ratios(wish))))
        more = f" Even 20 to 22 °C helps: {leanest} lasts {phrases.between(at_22, at_20)} there."
    yield (
        cost,
        _instead(
            grams,
            f"find it a {word} place, at about {phrases.degrees(place_c)}, and {_says(grams)}",
            hours.fall,
            f"There it begins to sink about {phrases.hours(hours.fall[1])} after the feeding.{more}",
            place_c=place_c,
        ),
    )


def _can_hold(place: PlaceSettings, place_c: float) -> bool:
    return place.coolest_c <= place_c <= place.warmest_c


def _warmest(wish: Wish, parts: float) -> Iterator[Scored]:
    """Where even the warmest place is too slow: how much quicker it is all the same."""
    grams, place_c = wish.grams(parts), PLACES_C[1]
    there_h, here_h = wish.hours(grams, (place_c,)).fall, wish.hours(grams).fall
    if there_h[1] <= wish.target_h or there_h[1] > WARMER_SHARE * here_h[1]:
        return
    yield (
        WARMEST_COST,
        _instead(
            grams,
            f"find it a warmer place, at up to {phrases.degrees(place_c)}, and {_says(grams)}",
            there_h,
            f"That is the soonest possible: it begins to sink about {phrases.hours(there_h[1])} after the feeding "
            f"instead of {phrases.hours(here_h[1])}.",
            place_c=place_c,
        ),
    )


def _about(grams: Grams) -> str:
    return phrases.about(of_grams(grams))


def _solved(wish: Wish, grams: Grams) -> float | None:
    """The temperature, in half degrees, at which that feeding takes the wanted hours; None where none does."""
    low_c, high_c = PLACES_C
    soonest_h, latest_h = (wish.hours(grams, (c,)).fall[1] for c in (high_c, low_c))
    if soonest_h > wish.target_h * (1.0 + NEAR) or latest_h < wish.target_h * (1.0 - NEAR):
        return None
    place_c = crossing(lambda c: -math.log(wish.hours(grams, (c,)).fall[1] / wish.target_h), low_c, high_c, CLOSE_LN)
    return round(2.0 * place_c) / 2.0


def _water(wish: Wish, nearest: Grams, fall_h: Triple) -> Iterator[Scored]:
    """Colder or warmer water, which helps by an hour or two and not more."""
    colder = fall_h[1] < wish.target_h
    water_c = COLD_WATER_C if colder else WARM_WATER_C
    if wish.limits.water_c is not None:
        return  # it is fixed
    if (water_c < wish.mean_c - WATER_OFF_C) != colder or (not colder and water_c < wish.mean_c + WATER_OFF_C):
        return
    grams = wish.grams(max(_ratios(wish))) if colder else nearest
    before_h = wish.hours(grams).fall[1]
    hours = wish.hours(grams, mixed_with(wish.temperatures_c, grams, water_c))
    gained_h = abs(hours.fall[1] - before_h)
    if gained_h < WATER_GAINS_H:
        return
    helps = gained_h > WATER_HELPS * abs(wish.target_h - before_h)
    said = "10 to 15 °C" if colder else "28 to 30 °C"
    yield (
        WATER_COST if helps else LITTLE_WATER_COST,
        _instead(
            grams,
            f"mix it with {'cold' if colder else 'warm'} water, {said}, and {_says(grams)}",
            hours.fall,
            f"That {'delays it' if colder else 'brings it forward'} by about {phrases.hours(gained_h)}; the jar takes "
            "on the kitchen's temperature within a few hours.",
        ),
    )


def _stiffer(wish: Wish) -> Iterator[Scored]:
    """A stiffer dough, which is slower; not of rye, which is kept wet."""
    if wish.hydration <= STIFF + STIFFER_BY or (wish.limits.flour or wish.culture.last_flour or "").lower() == "rye":
        return
    parts = max(_ratios(wish))
    starter_g, flour_g, _ = wish.grams(parts)
    grams = (starter_g, flour_g, max(round(STIFF * flour_g), 1))
    hours = wish.hours(grams, hydration=STIFF)
    soft_h = wish.hours(wish.grams(parts)).fall[1]
    if hours.fall[1] < STIFFER_SLOWER * soft_h:
        return
    yield (
        STIFFER_COST,
        _instead(
            grams,
            f"make it stiffer: {_says(grams)}",
            hours.fall,
            f"A stiff dough is slower: about {phrases.hours(hours.fall[1])} instead of {phrases.hours(soft_h)}.",
        ),
    )


def _away(wish: Wish) -> Instead:
    """For longer than a week: fed stiff and put into the fridge (common practice)."""
    hours = hours_of(wish.culture, (FRIDGE_C,), dilution(AWAY_G), AWAY_G[2] / AWAY_G[1], wish.limits.flour)
    return _instead(
        AWAY_G,
        f"for {phrases.hours(wish.target_h)} {_says(AWAY_G)}: this stiff, it keeps. Let it begin to rise, for about an "
        "hour, and put it in the fridge, at about 4 °C, lid loose",
        hours.fall,
        "It may sink there, and needs no feeding until you are back; then feed it two or three times before you bake. "
        "Dry a spare too. (Say how long it rests: jartide rest JAR --days.)",
        place_c=FRIDGE_C,
    )


def _fridge(wish: Wish) -> Iterator[Scored]:
    """In the kitchen until its top, then in the fridge until it is fed."""
    options = [(parts, wish.grams(parts)) for parts in _ratios(wish)]
    kept: list[tuple[float, Grams, float, Triple]] = []
    for parts, grams in options:
        peak_h = wish.hours(grams).peak[1]
        here = [growth_rate.mean_c(wish.temperatures_c, float(i), i + 1.0) for i in range(max(math.ceil(peak_h), 1))]
        hours = wish.hours(grams, [*here, FRIDGE_C])
        if peak_h <= wish.target_h - 1.0 and wish.target_h - hours.fall[1] <= SINKING_FINE_H:
            low, likely, high = hours.fall
            fall_h = (min(max(low, peak_h), KEEPS_H), min(likely, KEEPS_H), min(high, 2.0 * KEEPS_H))
            kept.append((parts, grams, peak_h, fall_h))
    if not kept:
        return
    parts, grams, peak_h, fall_h = min(kept, key=lambda one: _distance(wish, one[0]))
    yield (
        FRIDGE_COST + RATIO_COST * _distance(wish, parts),
        _instead(
            grams,
            f"{_says(grams)}, let it rise to its top, about {phrases.hours(peak_h)}, then keep it in the fridge until "
            "you feed it",
            fall_h,
            "In the cold it hardly moves and keeps for days; it may sink a little, and that is fine.",
            place_c=FRIDGE_C,
        ),
    )


def _when_ripe(wish: Wish, nearest: Grams, fall_h: Triple) -> Instead:
    """Feed it when it is ripe instead of by the clock, which is always possible."""
    if fall_h[1] > wish.target_h and wish.mean_c < growth_rate.REFERENCE_C:
        usual = wish.grams(wish.usual)
        more = f" {_about(usual)} takes about {phrases.hours(wish.hours(usual).fall[1])}."
    else:
        more = ""
    return _instead(
        nearest,
        f"{_says(nearest)}, and feed it when it begins to sink, about {phrases.hours(fall_h[1])} later, not by the "
        "clock",
        fall_h,
        "Fed before its top it gets thinner each time; fed when it sinks it stays strong." + more,
    )
