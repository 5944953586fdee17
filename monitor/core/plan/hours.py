"""How many hours a feeding takes to its peak, to the start of its fall and to half-way back down, each with its range.

The one place where plans ask the forecast: `feeding` turns it round, `alternatives`, `daily` and `bake` look it up.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

from monitor.core.forecast import peak_time
from monitor.core.forecast import starter_model as starter_models
from monitor.core.forecast.starter_model import Culture

Aim = Literal["fall", "half_sunk", "peak"]
Triple = tuple[float, float, float]  # earliest, likely, latest; 90 %
WarmthFrom = Callable[[float], Sequence[float]]  # Unix time -> hourly temperatures from then on, the last holding on

LONGEST_H = 240.0  # further ahead temperatures tell nothing, and hours mean only that it is too cold or too hot


@dataclass(frozen=True, slots=True, kw_only=True)
class Hours:
    """Hours from the feeding. `peak` is the first touch of the top; where `laws_differ`, the yeasts that this starter
    may have go at very different speeds, and it has not shown yet which it has."""

    peak: Triple
    fall: Triple
    half_sunk: Triple
    laws_differ: bool

    def of(self, aim: Aim) -> Triple:
        """Those of one moment."""
        return {"peak": self.peak, "fall": self.fall, "half_sunk": self.half_sunk}[aim]


def hours_of(
    culture: Culture,
    temperatures_c: Sequence[float],
    dilution: float,
    hydration: float | None = None,
    flour: str | None = None,
) -> Hours:
    """What is to be expected of a feeding of that dilution at these hourly temperatures."""
    predicted = starter_models.predict(culture, temperatures_c, dilution, hydration, flour)
    ahead = peak_time.hours_ahead(predicted, temperatures_c)
    return Hours(peak=ahead.top_h, fall=ahead.fall_h, half_sunk=ahead.half_sunk_h, laws_differ=predicted.laws_differ)
