"""From a wanted dilution to whole grams on the scale, within what the baker, the bake and the jar allow.

`feeding` decides the dilution; this decides the amounts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from monitor.core import culture as cultures
from monitor.core.culture import Culture

Grams = tuple[int, int, int]  # starter, flour, water

USUAL_FLOUR_G = 100.0  # without any history
FRESH_G_PER_ML = 1.05  # a just fed starter, with the little air that stirring leaves in it; gas-free it is about 1.15
LOST = 0.02  # of the weight: gas that leaves, and what sticks to the jar
FULL = 0.95  # of the jar: the surface is a dome, and stands higher in the middle
HIGH_SD = 1.645  # the highest rise expected is that of one cycle in twenty
MOST_G = 1e5  # no limit


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What the baker fixes. `keep_g` and `flour_g` are exact; `least_keep_g` and `most_keep_g` bound what is kept.

    `ripe_g`: the bake takes this much ripe starter, what is kept for the next feeding included. `jar_ml`: it must not
    run over. `standing_g`: what is in the jar now, so that the discard is known and no more than it can be kept.
    """

    keep_g: float | None = None
    flour_g: float | None = None
    hydration: float | None = None
    least_keep_g: float = 1.0
    most_keep_g: float | None = None
    ripe_g: float | None = None
    jar_ml: float | None = None
    standing_g: float | None = None
    flour: str | None = None


def weighings(culture: Culture, wanted: float, hydration: float, limits: Limits) -> list[Grams]:
    """Whole grams near the wanted dilution, within the limits where that is possible.

    The flour is as much as last time unless it is given; for the bake, the jar or the bounds of what is kept it may be
    more or less. Two weighings where the starter's grams lie between two whole numbers.
    """
    least_g, most_g = total_bounds(culture, limits)
    if limits.keep_g is not None:
        flour_g = limits.flour_g or limits.keep_g * (wanted - 1.0) / (1.0 + hydration)
        keeps = {max(round(limits.keep_g), 1)}
    else:
        flour_g = limits.flour_g or culture.last_flour_g or USUAL_FLOUR_G
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
    return [one for one in out if low <= one[0] <= high] or out


def _water(flour_g: int, hydration: float) -> int:
    return max(round(flour_g * hydration), 1)


def _total(keep_g: int, flour_g: int, hydration: float) -> int:
    return keep_g + flour_g + _water(flour_g, hydration)


def _within(value: float, low: float, high: float) -> float:
    return min(max(value, low), high)  # when both cannot be, the upper bound holds


def keep_bounds(limits: Limits) -> tuple[float, float]:
    """Least and most grams of starter that can be kept."""
    most = min(limits.most_keep_g or MOST_G, limits.standing_g or MOST_G)
    return min(math.ceil(limits.least_keep_g), most), most


def total_bounds(culture: Culture, limits: Limits) -> tuple[float, float]:
    """Least weight of a feeding, for the bake, and the most, for the jar with its highest expected rise."""
    least_g = 0.0 if limits.ripe_g is None else limits.ripe_g / (1.0 - LOST)
    if limits.jar_ml is None:
        return least_g, MOST_G
    ln_height, variance = culture.height
    highest = math.exp(ln_height + HIGH_SD * math.sqrt(variance + cultures.HEIGHT_SCATTER**2))
    return least_g, FULL * limits.jar_ml * FRESH_G_PER_ML / highest


def dilution(grams: Grams) -> float:
    """Total over starter kept."""
    return sum(grams) / grams[0]
