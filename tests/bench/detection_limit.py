"""How soon a fall could be known at all: the yardstick that a detector's delay is divided by.

A sequential test that knows the whole fall's shape and the noise adds up the log-likelihood ratio of "falling so"
against "still at the maximum"; after n readings its mean is sum(d_i^2) / (2 s2), d_i being the true drop below the
maximum. It may speak when that reaches ln(ARL), ARL being the wanted run length to a false alarm in readings: here one
in 200 days. First order after Lorden 1971 (Ann. Math. Stat. 42:1897) and Moustakides 1986 (Ann. Stat. 14:1379); for
finite run lengths an optimal CUSUM can come out a little faster, so it is a yardstick and not a wall.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

FALSE_ALARM_S = 200 * 86400.0  # one false alarm in 200 days


def noise_mm2(white_mm: float, round_mm: float, wander_mm: float, wander_s: float, every_s: float) -> float:
    """The variance of one reading as the limit counts it: white noise, rounding (step^2 / 12), and the surface's
    wander at slow scales: sd^2 * 2 tau / interval, the variance of a long mean times its number of readings."""
    return white_mm**2 + round_mm**2 / 12.0 + wander_mm**2 * 2.0 * wander_s / every_s


def limit_s(
    after_peak_s: NDArray[np.float64],
    drop_mm: NDArray[np.float64],
    variance_mm2: NDArray[np.float64] | float,
    every_s: float,
) -> float | None:
    """Time after the true maximum at which a fall can first be known; None if the readings end before.

    `after_peak_s` and `drop_mm` hold, for each reading after the maximum, its time since then and the true drop by
    then; `variance_mm2` is `noise_mm2` (one value, or one a reading where sampling changes); `every_s` the interval.
    """
    evidence = np.cumsum(np.square(drop_mm) / (2.0 * np.asarray(variance_mm2)))
    enough = math.log(FALSE_ALARM_S / every_s)
    index = int(np.searchsorted(evidence, enough))
    return float(after_peak_s[index]) if index < evidence.size else None
