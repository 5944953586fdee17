"""Quantiles of Student's t, for ranges from few cycles: for `forecast` and `trial`, without scipy."""

from __future__ import annotations

import math
from statistics import NormalDist


def t_quantile(share: float, freedom: float) -> float:
    """The value below which that share lies, for `freedom` of at least 2: Hill's expansion (1970, Commun. ACM 13:619,
    algorithm 396), within 0.01 % of the exact value far into the tails."""
    both = 2.0 * min(share, 1.0 - share)  # the share in both tails
    if freedom == 2.0:
        squared = 2.0 / (both * (2.0 - both)) - 2.0
        return math.copysign(math.sqrt(max(squared, 0.0)), share - 0.5)
    a = 1.0 / (freedom - 0.5)
    b = 48.0 / (a * a)
    c = ((20700.0 * a / b - 98.0) * a - 16.0) * a + 96.36
    d = ((94.5 / (b + c) - 3.0) / b + 1.0) * math.sqrt(a * math.pi / 2.0) * freedom
    x = d * both
    y = x ** (2.0 / freedom)
    if y > 0.05 + a:  # from the normal's quantile
        x = NormalDist().inv_cdf(both / 2.0)
        y = x * x
        if freedom < 5.0:
            c += 0.3 * (freedom - 4.5) * (x + 0.6)
        c += (((0.05 * d * x - 5.0) * x - 7.0) * x - 2.0) * x + b
        y = (((((0.4 * y + 6.3) * y + 36.0) * y + 94.5) / c - y - 3.0) / b + 1.0) * x
        y = math.expm1(a * y * y)
    else:  # from the tail inwards
        tail = ((freedom + 6.0) / (freedom * y) - 0.089 * d - 0.822) * (freedom + 2.0) * 3.0
        y = ((1.0 / tail + 0.5 / (freedom + 4.0)) * y - 1.0) * (freedom + 1.0) / (freedom + 2.0) + 1.0 / y
    return math.copysign(math.sqrt(freedom * y), share - 0.5)


def t_share(value: float, freedom: float) -> float:
    """The share below a value, for `freedom` of at least 2: the normal's after Wallace's transformation (1959, Ann.
    Math. Statist. 30:1121), within 0.01 of the exact one."""
    z = (8 * freedom + 1) / (8 * freedom + 3) * math.sqrt(freedom * math.log1p(value * value / freedom))
    return NormalDist().cdf(math.copysign(z, value))
