"""From a wanted dilution to whole grams on the scale, within what the baker, the bake and the jar allow.

`feeding` decides the dilution; this decides the amounts.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias

from monitor.core.forecast import starter_model as starter_models
from monitor.core.forecast.beliefs import USUAL_HYDRATION
from monitor.core.forecast.starter_model import Culture
from monitor.core.vessel.level import volume_ml
from monitor.settings import JarSettings, PlaceSettings

Grams: TypeAlias = tuple[int, int, int]  # starter, flour, water

USUAL_FLOUR_G = 100.0  # without any history
FRESH_G_PER_ML = 1.05  # a just fed starter, with the little air that stirring leaves in it; gas-free it is about 1.15
LOST = 0.02  # of the weight: gas that leaves, and what sticks to the jar
FULL = 0.9  # of the jar: the surface is a dome, stands higher in the middle, and the lid should stay clean
HIGH_SD = 1.645  # the highest rise expected is that of one cycle in twenty
UNKNOWN_RISE, COARSE_RISE = 3.0, 2.0  # before any was seen: white flour, and rye or wet; common practice, no source
WET_HYDRATION = 1.2  # from here on it holds little gas
MOST_G = 1e5  # no limit
HOME_G = 2000.0  # the most of one feeding where no jar is configured: a four-litre crock, and what kitchen scales bear
# But what is asked for, or is usual, is not forbidden by a guess at the kitchen: a bit over what the bake takes, a
# feeding of 1:2:2 of the flour given, or three times the last flour.
OVER_RIPE, OVER_FLOUR, OVER_LAST = 1.05, 5.0, 3.0
LEAST_RATIO, MOST_RATIO = 1.0, 20.0  # grams of flour to each of starter, as `settings.JarSettings` has them
DAILY_RATIO = 10.0  # the leanest that is fed day by day (common practice)
SCALE_G = 0.5  # a scale that shows whole grams is off by up to half of one, by rounding alone
SURE_G = 5  # from here on that is 10 % at most, and shifts a cycle by less than its own scatter
STIRRED_G, INTO_G = 10, 40  # starter stirred into water: a fifth of what is then taken is starter
LEAST_SHIFT_H = 0.1  # what is said of a scale's rounding is at least this


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What the baker fixes. `keep_g` and `flour_g` are exact; `least_keep_g` and `most_keep_g` bound what is kept.

    `ripe_g`: the bake needs this much ripe starter, with what is kept for the next feeding. `jar_ml`: it must not run
    over. `standing_g`: what is in the jar now: no more can be kept, and the rest is discard.
    """

    keep_g: float | None = None
    flour_g: float | None = None
    least_ratio: float = LEAST_RATIO
    most_ratio: float = MOST_RATIO
    hydration: float | None = None
    least_keep_g: float = 1.0
    most_keep_g: float | None = None
    ripe_g: float | None = None
    jar_ml: float | None = None
    standing_g: float | None = None
    flour: str | None = None
    water_c: float | None = None  # of the water that is mixed in; None: as warm as the kitchen
    places: tuple[PlaceSettings, ...] = ()  # what can be set to a temperature


def limits_of(jar: JarSettings, places: tuple[PlaceSettings, ...] = ()) -> Limits:
    """What the config fixes: the jar's volume up to the rim, where that is known, the bounds of the ratio, and the
    places that can be set to a temperature."""
    return Limits(
        jar_ml=None if jar.rim_mm is None else volume_ml(jar.geometry, jar.rim_mm),
        least_ratio=jar.richest_ratio,
        most_ratio=jar.leanest_ratio,
        places=places,
    )


def weighings(culture: Culture, wanted: float, hydration: float, limits: Limits) -> list[Grams]:
    """Whole grams near the wanted dilution, within the limits where that is possible.

    There is as much flour as last time unless it is given; the bake, the jar or the bounds of what is kept may require
    more or less. Where the starter's grams lie between two whole numbers there are two weighings, of which only those
    within the bounds of the ratio are returned, if any is.
    """
    least_g, most_g = total_bounds(culture, limits)
    if limits.keep_g is not None:
        flour_g = limits.flour_g or limits.keep_g * (wanted - 1.0) / (1.0 + hydration)
        keeps = {max(round(limits.keep_g), 1)}
    else:
        flour_g = weight_of_flour(culture, limits)
        keep_g = flour_g * (1.0 + hydration) / (wanted - 1.0)
        total_g = keep_g + flour_g * (1.0 + hydration)
        kept_g = _within(keep_g, *keep_bounds(limits))
        if limits.flour_g is not None:
            fed_g = flour_g * (1.0 + hydration)
            kept_g = _within(kept_g, least_g - fed_g, most_g - fed_g)
        else:
            kept_g = _within(kept_g * _within(total_g, least_g, most_g) / total_g, *keep_bounds(limits))
            flour_g *= kept_g / keep_g
        keeps = {max(math.floor(kept_g), 1), max(math.ceil(kept_g), 1)}
    out = []
    for keep in sorted(keeps):
        flour = max(round(flour_g), 1)
        if limits.flour_g is None:
            low, high = ((total_g - keep) / (1.0 + hydration) for total_g in (least_g, most_g))
            flour = max(round(_within(flour, low, high)), 1)
            while _total(keep, flour, hydration) < least_g:
                flour += 1
            while flour > 1 and _total(keep, flour, hydration) > most_g:
                flour -= 1
        out.append((keep, flour, _water(flour, hydration)))
    low, high = keep_bounds(limits)
    out = [one for one in out if low <= one[0] <= high] or out
    slack = 0.5 / min(one[1] for one in out)  # whole grams: half a gram of flour
    return [
        one for one in out if limits.least_ratio * (1.0 - slack) <= one[1] / one[0] <= limits.most_ratio * (1.0 + slack)
    ] or out


def _water(flour_g: int, hydration: float) -> int:
    return max(round(flour_g * hydration), 1)


def _total(keep_g: int, flour_g: int, hydration: float) -> int:
    return keep_g + flour_g + _water(flour_g, hydration)


def _within(value: float, low: float, high: float) -> float:
    return min(max(value, low), high)  # where the bounds exclude each other, the upper one holds


def keep_bounds(limits: Limits) -> tuple[float, float]:
    """Least and most grams of starter that can be kept."""
    most = min(limits.most_keep_g or MOST_G, limits.standing_g or MOST_G)
    return min(math.ceil(limits.least_keep_g), most), most


def total_bounds(culture: Culture, limits: Limits) -> tuple[float, float]:
    """(least weight of a feeding in g, as the bake needs it; the most, so that its highest expected rise fits the
    jar)."""
    least_g = 0.0 if limits.ripe_g is None else limits.ripe_g / (1.0 - LOST)
    if limits.jar_ml is None:
        asked_g, last_g = OVER_FLOUR * (limits.flour_g or 0.0), OVER_LAST * (culture.last_flour_g or 0.0)
        return least_g, max(HOME_G, OVER_RIPE * least_g, asked_g, last_g)
    return least_g, FULL * limits.jar_ml * FRESH_G_PER_ML / highest_rise(culture, limits)


def least_jar_ml(culture: Culture, grams: tuple[float, float, float], limits: Limits) -> int:
    """The smallest jar in which a feeding does not run over, in ml, to the next ten."""
    return 10 * math.ceil(sum(grams) * highest_rise(culture, limits) / (FULL * FRESH_G_PER_ML) / 10.0)


def hydration_of(culture: Culture, limits: Limits) -> float:
    """The hydration: as asked, else as last fed, else the usual one."""
    return limits.hydration or culture.last_hydration or USUAL_HYDRATION


def highest_rise(culture: Culture, limits: Limits) -> float:
    """The rise ratio that one cycle in twenty exceeds; before any was seen, that of its flour."""
    ln_height, variance = culture.height
    if culture.cycles == 0 or variance >= starter_models.HEIGHT[1] ** 2:
        flour = (limits.flour or culture.last_flour or "").lower()
        wet = hydration_of(culture, limits) >= WET_HYDRATION
        return COARSE_RISE if wet or "rye" in flour else UNKNOWN_RISE
    return math.exp(ln_height + HIGH_SD * math.sqrt(variance + starter_models.HEIGHT_SCATTER**2))


def dilution_bounds(limits: Limits, hydration: float) -> tuple[float, float]:
    """Least and most dilution (total over starter) that the bounds of the ratio allow."""
    return 1.0 + limits.least_ratio * (1.0 + hydration), 1.0 + limits.most_ratio * (1.0 + hydration)


def weight_of_flour(culture: Culture, limits: Limits) -> float:
    """Grams of flour in the next feeding where nothing requires more or less: as asked, as last time, or 100 g."""
    return limits.flour_g or culture.last_flour_g or USUAL_FLOUR_G


def at_ratio(parts: float, flour_g: float, hydration: float) -> Grams:
    """Whole grams of 1:parts:(parts x hydration) for that much flour."""
    flour = max(round(flour_g), 1)
    return max(round(flour / parts), 1), flour, _water(flour, hydration)


def scale_caution(grams: Grams, hours_of: Callable[[float], float], most_g: float) -> str | None:
    """How far off a kitchen scale may be with so little starter, and ways around that; None from SURE_G on. `hours_of`
    gives the likely hours of a dilution, `most_g` is what the jar takes. To stir starter into water and weigh a part of
    that is the chemist's serial dilution."""
    starter_g, flour_g, water_g = grams
    if starter_g >= SURE_G:
        return None
    fed_g = flour_g + water_g
    least_h, most_h = (hours_of((kept_g + fed_g) / kept_g) for kept_g in (starter_g + SCALE_G, starter_g - SCALE_G))
    either_h = max((most_h - least_h) / 2.0, LEAST_SHIFT_H)
    said = (
        f"On a scale that shows whole grams {starter_g} g is anything from {starter_g - SCALE_G:g} to "
        f"{starter_g + SCALE_G:g} g, and that alone makes about {5 * round(12 * either_h)} min more or less."
    )
    ways = []
    part_g = starter_g * (STIRRED_G + INTO_G) // STIRRED_G
    less_g = part_g - starter_g
    if water_g >= less_g:
        ways.append(
            f"stir {STIRRED_G} g of it into {INTO_G} g of water, take {part_g} g of that as the starter and only "
            f"{water_g - less_g} g of water"
        )
    times = -(-SURE_G // starter_g)
    if times * sum(grams) <= most_g:
        ways.append(f"make {'twice' if times == 2 else f'{times} times'} as much of everything")
    return f"{said} Surer: {'; or '.join(ways)}." if ways else said


def dilution(grams: Grams) -> float:
    """The total over the starter that was kept."""
    return sum(grams) / grams[0]
