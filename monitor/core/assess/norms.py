"""What a rise is measured against: doubling for white flour, its own norm for rye, stiff and wet ones; and how long a
cycle may take before it counts as flat. Asked by `vigour` and `remedies`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from monitor.core.forecast import growth_rate, peak_time
from monitor.core.forecast import starter_model as starter_models
from monitor.core.forecast.peak_time import Ahead
from monitor.core.forecast.starter_model import Culture
from monitor.values import Cycle

DOUBLED = 2.0  # common practice: a vigorous starter at least doubles
OF_ITS_OWN = 0.8  # of its own usual rise, where doubling is too much to ask (rye, wholegrain, stiff, wet)
OWN_FLOOR = 1.5  # but never less: below this it lifts no bread, whatever the flour
OWN_IN = 5  # its own rise is what one cycle in five reaches: the highest of many is luck, and grows with their number
WET_HYDRATION, STIFF_HYDRATION = 1.05, 0.65  # a wetter dough does not hold the gas, a stiffer one holds it down
FOAM_HYDRATION = 1.2  # from here on the height says nothing
LEAST_PEAK_H = 0.1  # no logarithm of nothing
COARSE = ("rye", "whole", "spelt", "einkorn", "gluten")
COLD_C, WARM_C = 18.0, 22.0  # a kitchen that slows a starter down, and one that does not: common practice
LEAST_RISE = 1.3  # less has hardly risen, whatever the flour


def flour_of(cycle: Cycle) -> str:
    """A cycle's flour in small letters, "" where nobody said."""
    return (cycle.feeding.flour or "").lower()


def doubling_counts(cycle: Cycle) -> bool:
    """Whether doubling is a fair measure: white flour from 65 to 105 % hydration holds its gas and can lift it."""
    hydration = cycle.feeding.hydration
    coarse = any(word in flour_of(cycle) for word in COARSE)
    return not coarse and (hydration is None or STIFF_HYDRATION < hydration <= WET_HYDRATION)


def own_rise(ratios: Sequence[float]) -> float:
    """The rise ratio that one cycle in five reaches."""
    return sorted(ratios, reverse=True)[len(ratios) // OWN_IN]


def risen(cycle: Cycle, own: float) -> bool:
    """Whether it rose as it should."""
    ratio = cycle.peak_ratio or 0.0
    if round(ratio, 1) >= DOUBLED:  # as it is shown; no sensor is more precise
        return True
    return not doubling_counts(cycle) and round(ratio, 1) >= OWN_FLOOR and ratio - 1.0 >= OF_ITS_OWN * (own - 1.0)


def temperatures_of(cycle: Cycle) -> tuple[float, ...]:
    """Its hourly temperatures, without gaps."""
    return growth_rate.filled(cycle.temperatures_c)


def due_h(culture: Culture, cycle: Cycle) -> tuple[float, float, float]:
    """Hours from its feeding to its peak as predicted: earliest, likely, latest."""
    return _ahead(culture, cycle).peak_h


def touch_share(culture: Culture, cycle: Cycle) -> float:
    """The share of the hours to its peak after which it first touches its top and is ripe."""
    ahead = _ahead(culture, cycle)
    return ahead.top_h[1] / ahead.peak_h[1]


def _ahead(culture: Culture, cycle: Cycle) -> Ahead:
    temperatures_c = temperatures_of(cycle)
    predicted = starter_models.predict_fed(culture, temperatures_c, cycle.feeding)
    return peak_time.hours_ahead(predicted, temperatures_c)


def flat_after_h(culture: Culture, cycle: Cycle) -> float:
    """After how many hours a cycle that has not begun to rise is flat: at the latest hour predicted for its peak."""
    return peak_time.flat_after_h(due_h(culture, cycle)[2])


def off_ln(culture: Culture, cycle: Cycle) -> float:
    """ln of the hours to its peak over those predicted for this culture at these temperatures and grams."""
    assert cycle.peak_at_s is not None
    predicted = starter_models.predict_fed(culture, temperatures_of(cycle), cycle.feeding)
    return math.log(max((cycle.peak_at_s - cycle.fed_at_s) / 3600.0, LEAST_PEAK_H) / predicted.likeliest.clock_h[0])
