"""The proportions of a feeding: dilution, hydration, and how the time to the peak grows with the dilution.

Plain arithmetic used by `culture`, `forecast`, `feeding` and `vigour`.
"""

from __future__ import annotations

import math

from monitor.values import Cycle

USUAL_DILUTION = 9.0  # 1:4:4
LAG = 0.4  # what the lag is worth, in units of ln D: between the trade's tables (0) and growth of 0.4 per hour (1)


def dilution(starter_g: float | None, flour_g: float | None, water_g: float | None) -> float | None:
    """Total after feeding over starter kept: 25 + 100 + 100 g gives 9. None when a weight is missing or no starter."""
    if starter_g is None or flour_g is None or water_g is None or starter_g <= 0.0:
        return None
    return (starter_g + flour_g + water_g) / starter_g


def hydration_of(cycle: Cycle) -> float | None:
    """Water over flour of what was fed. None when either is missing or zero."""
    return cycle.water_g / cycle.flour_g if cycle.water_g and cycle.flour_g else None


def shape(of_dilution: float | None) -> float:
    """How the logarithm of time grows with dilution, zero at 1:4:4: ln((c + ln D) / (c + ln 9)).

    Time grows with the number of doublings that the yeast must make, ln D, on top of a lag worth c (`LAG`). An untold
    dilution counts as 1:4:4.
    """
    ln_d = math.log(max(of_dilution or USUAL_DILUTION, 1.01))
    return math.log((LAG + ln_d) / (LAG + math.log(USUAL_DILUTION)))
