"""How the time to the peak grows with the dilution of a feeding: plain arithmetic of the starter model."""

from __future__ import annotations

import math

USUAL_DILUTION = 9.0  # 1:4:4
LAG = 0.4  # what the lag is worth, in units of ln D: between the trade's tables (0) and growth of 0.4 per hour (1)
LEAST = 1.01  # hardly fed at all: there must be something to grow into


def shape(of_dilution: float | None) -> float:
    """How the logarithm of time grows with dilution, zero at 1:4:4: ln((c + ln D) / (c + ln 9)).

    Time grows with the number of doublings that the yeast must make, ln D, on top of a lag worth c (`LAG`). A dilution
    that is not known counts as 1:4:4.
    """
    ln_d = math.log(max(of_dilution or USUAL_DILUTION, LEAST))
    return math.log((LAG + ln_d) / (LAG + math.log(USUAL_DILUTION)))
