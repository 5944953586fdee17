"""When the peak was: a fit to the levels on both sides of it. Asked by `decide.py` once the level has turned.

A cubic by least squares over the top (a parabola with room for a slower rise or fall); its maximum is the peak. The raw
highest bin errs by the noise and by the flatness of the top: the fit halves that and more.
"""

from __future__ import annotations

from monitor.core.history import BIN_S, History

REACH_BINS = 36  # 3 h to either side: the top of a rise is round for hours


def summit(history: History, around: int) -> tuple[float, float] | None:
    """(time_s, level_mm) of the peak near bin `around`; None when fewer than four bins have a level there."""
    level, present = history.level, history.present
    last = len(level) - 1
    reach = min(REACH_BINS, max(6, last - around))
    for _ in range(3):
        low, high = max(1, around - reach), min(last, around + reach)
        points = [
            ((i - around) / reach, level[i] - level[i - 1]) for i in range(low, high + 1) if present[i] > present[i - 1]
        ]
        if len(points) < 4:
            return None
        best = _top_of_cubic(points)
        if best is None:
            break
        x, top = best
        moved = round(x * reach)
        if abs(moved) <= 1 or not low <= around + moved <= high:
            return (history.first + around - 0.5 + x * reach) * BIN_S, top
        around += moved
    return (history.first + around - 0.5) * BIN_S, max(y for _, y in points)


def _top_of_cubic(points: list[tuple[float, float]]) -> tuple[float, float] | None:
    """The local maximum within -1 to 1 of the least-squares cubic through (x, y), or of the parabola where the cubic
    has none; None when neither has one."""
    for degree in (3, 2):
        c = fit_polynomial(points, degree)
        if c is None:
            continue
        c = [*c, 0.0][:4]
        a, b, d = 3.0 * c[3], 2.0 * c[2], c[1]
        if abs(a) < 1e-9:
            roots = [-d / b] if b else []
        else:
            under = b * b - 4.0 * a * d
            roots = [] if under < 0.0 else [(-b - under**0.5) / (2.0 * a), (-b + under**0.5) / (2.0 * a)]
        for x in roots:
            if -1.0 <= x <= 1.0 and b + 2.0 * a * x < 0.0:
                return x, c[0] + x * (c[1] + x * (c[2] + x * c[3]))
    return None


def fit_polynomial(points: list[tuple[float, float]], degree: int) -> list[float] | None:
    """Coefficients, constant first, of the least-squares polynomial through (x, y), x within about -1 to 1: normal
    equations by Gaussian elimination, good to 1e-9 up to a cubic. None when the points do not determine it."""
    n = degree + 1
    powers = [0.0] * (2 * degree + 1)
    right = [0.0] * n
    for x, y in points:
        p = 1.0
        for k in range(2 * degree + 1):
            powers[k] += p
            if k < n:
                right[k] += p * y
            p *= x
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
