"""The peak and the start of the fall in hindsight, with their ranges: a smoother that looks both ways.

Works on one cycle's believable levels; which those are and where the cycle begins and ends is decided elsewhere. Used
for what is over (`review`, `compare`, lists of past cycles): nothing that is decided while a cycle runs may look ahead.

Method: Gaussian-process regression (Rasmussen and Williams 2006, chapters 2 and 5). Around the top the true level is a
parabola plus a smooth departure (Matern 5/2), the readings add the surface's breathing (an Ornstein-Uhlenbeck wander),
white noise learnt from successive readings, and an unknown offset each time the lid was set back. What cannot be known
in advance (how large and how quick departure and wander are) is not estimated but averaged over: under each setting,
paths of the true level are drawn from the posterior in proportion to its likelihood, and the ranges are those of the
paths.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from monitor.core.vessel.level import LID_SD_MM
from monitor.values import Span

Floats = NDArray[np.float64]

BLOCK_S = 300.0  # medians of five minutes: a surface moves by less than half a millimetre in that time near its top
MOST_BLOCKS = 100  # the work grows with the cube; a top lasts for hours, so blocks stay within minutes
# Plain ranges of 90 % held 82 % of the peak times and 81 % of the levels on the tune half of
# tests/bench/smoother_coverage.py, as mist, the seat of a lid and sudden collapses are not in the model. Stretched
# around the likely value by these factors they hold 90 %.
STRETCH_PEAK, STRETCH_LEVEL, STRETCH_FALL = 1.65, 1.25, 1.35
TOP_MM = 0.5  # the fall has begun for good when the surface last stood this near its peak: half a sensor's step
DRAWN = 400  # paths: then a 5 % point is known to about 1 % of probability
DEPARTURES_MM, DEPARTURE_H = (0.3, 1.0, 3.0, 9.0), (1.5, 3.0, 6.0)  # sizes and paces of the departure
# a surface breathes by 0.2 to 0.8 mm in 5 to 30 min, and mist adds to it
WANDERS_MM, WANDER_H = (0.3, 0.7, 1.2), (0.15, 0.5)


@dataclass(frozen=True, slots=True, kw_only=True)
class Top:
    """One cycle's top in hindsight. Ranges hold 90 %: (low, likely, high). `fall_at` is None when the surface has not
    gone down by `TOP_MM` with 95 % certainty."""

    peak_at: Span
    peak_mm: tuple[float, float, float]
    fall_at: Span | None


def smooth_top(time_s: Sequence[float], level_mm: Sequence[float], lid_s: Sequence[float] = ()) -> Top | None:
    """The top of the cycle whose levels (mm above the bottom, any order, single wild ones allowed) are given.

    `lid_s` are times at which the lid was set back within the cycle. None when there are fewer than 12 blocks of five
    minutes, or when the level rose by less than three spreads of its noise: then there is no peak to speak of.
    """
    order = np.argsort(np.asarray(time_s, dtype=float), kind="stable")
    at_s, level = np.asarray(time_s, dtype=float)[order], np.asarray(level_mm, dtype=float)[order]
    if at_s.size < 12:
        return None
    white = _white_sd(level)
    block_s, block_mm, block_var = _blocks(at_s, level, white, BLOCK_S)
    if block_s.size < 12:
        return None
    around = _around_top(block_mm, white)
    if around is None:
        return None
    begin_s, end_s = block_s[around[0]], block_s[around[1]]
    wide_s = BLOCK_S * max(1.0, np.ceil((end_s - begin_s) / BLOCK_S / MOST_BLOCKS))
    inside = (at_s >= begin_s - BLOCK_S) & (at_s <= end_s + BLOCK_S)
    block_s, block_mm, block_var = _blocks(at_s[inside], level[inside], white, wide_s)
    return _drawn(block_s, block_mm, block_var, np.sort(np.asarray(lid_s, dtype=float)))


def _white_sd(level: Floats) -> float:
    """White noise (one standard deviation) from successive differences. Wild ones are limited to four spreads before
    squaring; their median would not do, as the median of rounded differences is zero or one."""
    steps = np.abs(np.diff(level))
    most = 4.0 * max(float(np.median(steps)), 0.5)
    return max(float(np.sqrt(np.mean(np.minimum(steps, most) ** 2) / 2.0)), 0.05)


def _blocks(at_s: Floats, level: Floats, white: float, wide_s: float) -> tuple[Floats, Floats, Floats]:
    """Medians of blocks of `wide_s` that hold readings: mean time, median level, its variance (pi/2 of the mean's)."""
    number = ((at_s - at_s[0]) // wide_s).astype(int)
    cuts = np.flatnonzero(np.diff(number)) + 1
    times = np.array([part.mean() for part in np.split(at_s, cuts)])
    parts = np.split(level, cuts)
    middles = np.array([np.median(part) for part in parts])
    counts = np.array([part.size for part in parts], dtype=float)
    variances = np.where(counts > 2, np.pi / 2.0, 1.0) * white**2 / counts
    # a block that stands alone is wild; the median of five neighbours says what it should be
    if middles.size >= 5:
        padded = np.pad(middles, 2, mode="edge")
        usual = np.median(np.lib.stride_tricks.sliding_window_view(padded, 5), axis=1)
        keep = np.abs(middles - usual) <= 5.0 * np.sqrt(variances) + 3.0
        times, middles, variances = times[keep], middles[keep], variances[keep]
    return times, middles, variances


def _around_top(level: Floats, white: float) -> tuple[int, int] | None:
    """First and last block around the highest place that are within a quarter of the rise (at least 4 mm, and six
    spreads of noise) of it; None without a rise."""
    padded = np.pad(level, 3, mode="edge")
    calm = np.median(np.lib.stride_tricks.sliding_window_view(padded, 7), axis=1)
    top = int(np.argmax(calm))
    rise_mm = float(calm[top] - calm[: top + 1].min())
    if rise_mm < 3.0 * white / 2.0 + 1.0:
        return None
    near = calm >= calm[top] - max(0.25 * rise_mm, 4.0, 3.0 * white)
    begin, end = top, top
    while begin > 0 and near[begin - 1]:
        begin -= 1
    while end < level.size - 1 and near[end + 1]:
        end += 1
    return max(begin - 3, 0), min(end + 3, level.size - 1)


def _drawn(at_s: Floats, level: Floats, variance: Floats, lid_s: Floats) -> Top:
    """Draw paths of the true level and read the ranges from them."""
    hours = (at_s - at_s[0]) / 3600.0
    fine = np.linspace(0.0, hours[-1], 200)
    middle, half = hours[-1] / 2.0, max(hours[-1] / 2.0, 0.1)
    base = float(level.mean())
    seat, seat_fine = np.searchsorted(lid_s, at_s), np.searchsorted(lid_s, at_s[0] + 0.0 * fine)

    def parabola(t: Floats) -> Floats:
        x = (t - middle) / half
        return np.stack((np.ones_like(x), x, x**2), axis=1)

    broad = 30.0**2  # mm^2: the parabola may be anything that fits into a jar
    apart, apart_fine = np.abs(hours[:, None] - hours[None, :]), np.abs(fine[:, None] - hours[None, :])
    apart_both = np.abs(fine[:, None] - fine[None, :])
    trend = broad * parabola(hours) @ parabola(hours).T
    trend_fine, trend_both = broad * parabola(fine) @ parabola(hours).T, broad * parabola(fine) @ parabola(fine).T
    noise = np.diag(variance) + LID_SD_MM**2 * ((seat[:, None] == seat[None, :]) & (seat[:, None] != seat_fine[0]))
    settings = list(product(DEPARTURES_MM, DEPARTURE_H, WANDERS_MM, WANDER_H))
    departures = {pace_h: _matern(apart / pace_h) for pace_h in DEPARTURE_H}
    wanders = {wander_h: np.exp(-apart / wander_h) for wander_h in WANDER_H}
    lowers = np.linalg.cholesky(
        np.stack(
            [
                trend + noise + a**2 * departures[pace_h] + w**2 * wanders[wander_h]
                for a, pace_h, w, wander_h in settings
            ]
        )
    )
    solved = np.linalg.solve(lowers, np.broadcast_to((level - base)[:, None], (len(settings), level.size, 1)))[:, :, 0]
    logs = np.log(np.diagonal(lowers, axis1=1, axis2=2)).sum(axis=1)
    weights = -0.5 * np.square(solved).sum(axis=1) - logs
    chance = np.exp(weights - weights.max())
    chance /= chance.sum()
    rng = np.random.default_rng(0)  # fixed: the same run has the same review
    paths = []
    for i, count in enumerate(rng.multinomial(DRAWN, chance)):
        if count == 0:
            continue
        size_mm, pace_h, _, _ = settings[i]
        half_way = np.linalg.solve(lowers[i], (trend_fine + size_mm**2 * _matern(apart_fine / pace_h)).T)
        mean = base + half_way.T @ solved[i]
        spread = trend_both + size_mm**2 * _matern(apart_both / pace_h) - half_way.T @ half_way
        values, vectors = np.linalg.eigh(spread)
        root = vectors * np.sqrt(np.maximum(values, 0.0))
        paths.append(mean + rng.standard_normal((count, fine.size)) @ root.T)
    return _read_off(np.concatenate(paths), at_s[0] + fine * 3600.0)


def _matern(x: Floats) -> Floats:
    """Matern 5/2 correlation."""
    scaled = np.sqrt(5.0) * x
    return np.asarray((1.0 + scaled + scaled**2 / 3.0) * np.exp(-scaled))


def _read_off(paths: Floats, at_s: Floats) -> Top:
    peaks = paths.max(axis=1)
    near = paths >= peaks[:, None] - TOP_MM
    last = paths.shape[1] - 1 - np.argmax(near[:, ::-1], axis=1)
    fallen = last < paths.shape[1] - 1
    peak_at = _span(at_s[paths.argmax(axis=1)], at_s, STRETCH_PEAK)
    fall_at = _span(at_s[last[fallen]], at_s, STRETCH_FALL) if fallen.mean() >= 0.95 else None
    if fall_at is not None and fall_at.likely_s < peak_at.likely_s:  # paths that have not fallen have peaks only
        fall_at = replace(fall_at, likely_s=peak_at.likely_s, latest_s=max(fall_at.latest_s, peak_at.likely_s))
    return Top(peak_at=peak_at, peak_mm=_range(peaks, STRETCH_LEVEL), fall_at=fall_at)


def _range(values: Floats, stretch: float) -> tuple[float, float, float]:
    low, likely, high = (float(q) for q in np.percentile(values, [5, 50, 95]))
    return likely - stretch * (likely - low), likely, likely + stretch * (high - likely)


def _span(times_s: Floats, at_s: Floats, stretch: float) -> Span:
    """The range of drawn times; no narrower than the grid that they were drawn on, and within the readings."""
    low, likely, high = _range(times_s, stretch)
    step_s = float(at_s[1] - at_s[0])
    return Span(
        earliest_s=max(min(low, likely - step_s), float(at_s[0])),
        likely_s=likely,
        latest_s=min(max(high, likely + step_s), float(at_s[-1])),
    )
