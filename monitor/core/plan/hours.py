"""How many hours a feeding takes to its peak, to the start of its fall and to half-way back down, each with its range.

The one place where plans ask the forecast: `feeding` searches by it, `alternatives`, `daily` and `bake` look it up.
Also how warm a dough is that was mixed with colder or warmer water, as its hours depend on that.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

from monitor.core.forecast import peak_time
from monitor.core.forecast import starter_model as starter_models
from monitor.core.forecast.starter_model import Culture

Aim = Literal["fall", "half_sunk", "peak"]
Triple = tuple[float, float, float]  # earliest, likely, latest; 90 %
WarmthFrom = Callable[[float], Sequence[float]]  # Unix time -> hourly temperatures from then on, the last holding on

COOLS_H = 1.5  # time constant of a jar in air: Newton's law for 225 g of dough in glass gives one to two hours
WATER_HEAT, FLOUR_HEAT = 4.18, 1.8  # kJ/(kg K); flour as usual tables have it (1.6 to 2.0)
LONGEST_H = 240.0  # no temperature is known further ahead, and such hours only mean that it is too cold or too hot
COOLED_H = 12  # eight time constants: a dough is as warm as its room
TURNS_MOST = 20  # a search this long has found its place or there is none


@dataclass(frozen=True, slots=True, kw_only=True)
class Hours:
    """Hours from the feeding. `peak` is the first touch of the top, from which on it is ripe; `highest` is the highest
    point, which pictures and forecasts call the peak. Where `laws_differ`, the yeasts that this starter may have grow
    at very different speeds, and it has not yet shown which it has."""

    peak: Triple
    highest: Triple
    fall: Triple
    half_sunk: Triple
    laws_differ: bool

    def of(self, aim: Aim) -> Triple:
        """The hours to the moment that is aimed at."""
        return {"peak": self.peak, "fall": self.fall, "half_sunk": self.half_sunk}[aim]


def crossing(of: Callable[[float], float], low: float, high: float, near: float) -> float:
    """Where a rising function crosses zero between `low` and `high`: a place at which its value is within `near` of
    zero, or the nearer end where it does not cross. By the Illinois method of regula falsi (Dowell and Jarratt 1971,
    BIT 11:168), which takes a fifth of the evaluations that halving does."""
    at_low, at_high = of(low), of(high)
    if at_low >= 0.0:
        return low
    if at_high <= 0.0:
        return high
    kept = 0
    for _ in range(TURNS_MOST):
        middle = high - at_high * (high - low) / (at_high - at_low)
        at_middle = of(middle)
        if abs(at_middle) <= near:
            return middle
        if at_middle < 0.0:
            low, at_low = middle, at_middle
            at_high = at_high / 2.0 if kept == -1 else at_high
            kept = -1
        else:
            high, at_high = middle, at_middle
            at_low = at_low / 2.0 if kept == 1 else at_low
            kept = 1
    return (low + high) / 2.0


def mixed_with(temperatures_c: Sequence[float], grams: tuple[float, float, float], water_c: float) -> list[float]:
    """The hourly temperatures of a dough that is mixed with water at `water_c` in a kitchen with these temperatures. It
    begins at the mean of its parts, weighted by their heat capacities, and approaches the room's by Newton's law. Half
    of the starter counts as flour and half as water."""
    starter_g, flour_g, water_g = grams
    heats = ((starter_g + flour_g) * FLOUR_HEAT + 0.5 * starter_g * (WATER_HEAT - FLOUR_HEAT), water_g * WATER_HEAT)
    off_c = (water_c - temperatures_c[0]) * heats[1] / sum(heats)
    hours = [*temperatures_c, *[temperatures_c[-1]] * max(COOLED_H - len(temperatures_c), 0)]
    decay = COOLS_H * (1.0 - math.exp(-1.0 / COOLS_H))  # the mean over an hour
    return [c + off_c * decay * math.exp(-i / COOLS_H) for i, c in enumerate(hours)]


def hours_of(
    culture: Culture,
    temperatures_c: Sequence[float],
    dilution: float,
    hydration: float | None = None,
    flour: str | None = None,
    water_c: float | None = None,
) -> Hours:
    """What to expect of a feeding of that dilution at these hourly temperatures, mixed with water at `water_c` (None:
    as warm as the kitchen)."""
    if water_c is not None:
        wet = hydration or culture.last_hydration or 1.0
        flour_parts = (dilution - 1.0) / (1.0 + wet)
        temperatures_c = mixed_with(temperatures_c, (1.0, flour_parts, wet * flour_parts), water_c)
    return _hours_of(culture, tuple(temperatures_c), dilution, hydration, flour)


@lru_cache(maxsize=1024)  # a plan, its alternatives and the next turn of a slider ask for the same feedings
def _hours_of(
    culture: Culture, temperatures_c: tuple[float, ...], dilution: float, hydration: float | None, flour: str | None
) -> Hours:
    predicted = starter_models.predict(culture, temperatures_c, dilution, hydration, flour)
    ahead = peak_time.hours_ahead(predicted, temperatures_c)
    return Hours(
        peak=ahead.top_h, highest=ahead.peak_h, fall=ahead.fall_h, half_sunk=ahead.half_sunk_h,
        laws_differ=predicted.laws_differ,
    )  # fmt: skip
