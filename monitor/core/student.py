"""Quantiles of Student's t, for ranges from few cycles: for `forecast` and `trial`, without scipy."""

from __future__ import annotations

import math
from statistics import NormalDist


def t_quantile(share: float, freedom: float) -> float:
    """The value below which that share lies, for `freedom` of at least 2: Cornish and Fisher's expansion to four terms
    (Abramowitz and Stegun 26.7.5), within 3 % of the exact value for shares from 0.01 to 0.99."""
    z = NormalDist().inv_cdf(share)
    return (
        z
        + (z**3 + z) / (4 * freedom)
        + (5 * z**5 + 16 * z**3 + 3 * z) / (96 * freedom**2)
        + (3 * z**7 + 19 * z**5 + 17 * z**3 - 15 * z) / (384 * freedom**3)
    )


def t_share(value: float, freedom: float) -> float:
    """The share below a value, for `freedom` of at least 2: the normal's after Wallace's transformation (1959, Ann.
    Math. Statist. 30:1121), within 0.01 of the exact one."""
    z = (8 * freedom + 1) / (8 * freedom + 3) * math.sqrt(freedom * math.log1p(value * value / freedom))
    return NormalDist().cdf(math.copysign(z, value))
