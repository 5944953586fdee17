"""When the peak was: fitted to the levels on both sides of it. Asked by `rise_and_fall.py` once the level has turned.

Tops differ: round, flat, with a corner. No single polynomial suits them all, so several are fitted, from parabola to
quartic, over one to four hours on either side and over all that lies within a few millimetres of the top. The times of
their maxima are averaged (model averaging: the errors of different windows are only partly the same). The single
highest bin would be off by what noise does to a flat top.
"""

from __future__ import annotations

from monitor.core.signal.bins import BIN_S, BinSeries, window_mean

FITS = ((12, 2), (18, 3), (24, 2), (30, 3), (30, 4), (48, 3), (48, 4))  # bins to either side, degree
CAPS = ((3.0, 3), (3.0, 4), (4.0, 3), (4.0, 4))  # mm below the top, degree
CAP_BINS = 3  # half an hour's running mean finds where a cap ends; as many bins are added at both ends
CAP_FROM_BINS, CAP_LONGEST_BINS = 60, 96  # the top is looked for from 5 h before on, and its near side is 8 h at most
ROUNDS = 4  # a window is moved to its own maximum and fitted again


def fit_peak(series: BinSeries, around: int) -> tuple[float, float] | None:
    """(time_s, level_mm) of the peak near bin `around` of the series; None when too few bins have a level there."""
    by_time = [top for reach, degree in FITS if (top := _top(series, around, reach, degree)) is not None]
    by_level = [top for depth, degree in CAPS if (top := _cap(series, around, depth, degree)) is not None]
    if not by_time:
        return None
    time, level = _mean(by_time)
    if by_level:
        other = _mean(by_level)
        time, level = (time + other[0]) / 2.0, (level + other[1]) / 2.0
    return (series.first + time + 0.5) * BIN_S, level


def _mean(tops: list[tuple[float, float]]) -> tuple[float, float]:
    return sum(t for t, _ in tops) / len(tops), sum(y for _, y in tops) / len(tops)


def _cap(series: BinSeries, around: int, depth_mm: float, degree: int) -> tuple[float, float] | None:
    """(bin, level) of the maximum of one fit to the bins around the highest one that lie within `depth_mm` of it."""
    count = len(series.mean)
    smooth: dict[int, float] = {}
    for i in range(max(0, around - CAP_FROM_BINS), count):
        low, high = max(0, i - CAP_BINS), min(count, i + CAP_BINS + 1)
        if series.present[high] > series.present[low]:
            smooth[i] = window_mean(series, high, high - low)
    if not smooth:
        return None
    top = max(smooth, key=lambda i: smooth[i])
    low = high = top
    while low - 1 >= 0 and smooth.get(low - 1, smooth[top]) > smooth[top] - depth_mm and top - low < CAP_LONGEST_BINS:
        low -= 1
    while high + 1 < count and smooth.get(high + 1, smooth[top]) > smooth[top] - depth_mm:
        high += 1
    low, high = max(0, low - CAP_BINS), min(count - 1, high + CAP_BINS)
    middle, half = (low + high) / 2.0, max((high - low) / 2.0, 1.0)
    points = [((i - middle) / half, series.mean[i]) for i in range(low, high + 1) if series.readings[i] > 0.0]
    fitted = fit_polynomial(points, degree) if len(points) > degree + 2 else None
    if fitted is None:
        return None
    x, y = _maximum(fitted, -1.0, 1.0)
    return middle + x * half, y


def _top(series: BinSeries, around: int, reach: int, degree: int) -> tuple[float, float] | None:
    """(bin, level) of the maximum of one fit, its window centred on it."""
    last = len(series.mean) - 1
    best: tuple[float, float] | None = None
    for _ in range(ROUNDS):
        low, high = max(0, around - reach), min(last, around + reach)
        points = [((i - around) / reach, series.mean[i]) for i in range(low, high + 1) if series.readings[i] > 0.0]
        fitted = fit_polynomial(points, degree) if len(points) > degree + 1 else None
        if fitted is None:
            return best
        x, y = _maximum(fitted, (low - around) / reach, (high - around) / reach)
        best = (around + x * reach, y)
        moved = round(best[0])
        if abs(best[0] - around) < 1.0:
            break
        around = moved
    return best


def _maximum(c: list[float], low: float, high: float) -> tuple[float, float]:
    """(x, value) of the highest point of a polynomial between `low` and `high`, to a hundredth of that range: first on
    a coarse grid, then on a fine one around the best point."""

    def at(k: int) -> float:
        return low + (high - low) * k / 100.0

    def value(k: int) -> float:
        x, y = at(k), 0.0
        for a in reversed(c):
            y = y * x + a
        return y

    coarse = max(range(0, 101, 5), key=value)
    best = max(range(max(0, coarse - 4), min(100, coarse + 4) + 1), key=value)
    return at(best), value(best)


def fit_polynomial(points: list[tuple[float, float]], degree: int) -> list[float] | None:
    """Coefficients, constant first, of the least-squares polynomial through points (x, y) with x from about -1 to 1.
    Normal equations solved by Gaussian elimination, accurate to 1e-9 up to a quartic. None when the points do not
    determine it."""
    n = degree + 1
    xs, p = [x for x, _ in points], [1.0] * len(points)
    moments = [y for _, y in points]
    powers, right = [], []
    for k in range(2 * degree + 1):
        powers.append(sum(p))
        p = [a * x for a, x in zip(p, xs, strict=True)]
        if k < n:
            right.append(sum(moments))
            moments = [a * x for a, x in zip(moments, xs, strict=True)]
    rows = [[powers[i + j] for j in range(n)] + [right[i]] for i in range(n)]
    for i in range(n):
        pivot = max(range(i, n), key=lambda r: abs(rows[r][i]))
        if abs(rows[pivot][i]) < 1e-12 * max(1.0, powers[0]):
            return None
        rows[i], rows[pivot] = rows[pivot], rows[i]
        for r in range(i + 1, n):
            f = rows[r][i] / rows[i][i]
            for j in range(i, n + 1):
                rows[r][j] -= f * rows[i][j]
    out = [0.0] * n
    for i in reversed(range(n)):
        out[i] = (rows[i][n] - sum(rows[i][j] * out[j] for j in range(i + 1, n))) / rows[i][i]
    return out
