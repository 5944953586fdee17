"""The shape that a starter's cycles have in common, learnt from the closed ones: one curve over x = (equivalent hours
since the feeding) / S, which is 0 at the feeding and 1 at the top, where x = 1. S, the time scale, is the time to the
top.

A shape-invariant model (Lawton, Sylvestre and Maggio 1972, Technometrics 14:513): each closed cycle is scaled by its
own S, height and base so that it lies on the curve; then all are smoothed together by a local quadratic (Fan and
Gijbels 1996, Local Polynomial Modelling, 3), in which older ones count for less. How S depends on the dilution is
learnt by a Kalman filter with two numbers. `curve_filter.py` compares the current cycle with the curve. Nothing is
decided here.
"""

from __future__ import annotations

from array import array
from collections.abc import Sequence
from dataclasses import dataclass, field
from math import ceil, exp, log, sqrt
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    Doubles = array[float]
    Floats = array[float]
else:
    Doubles = Floats = array  # which takes no subscript when the program runs

DX = 0.02  # of S: ten minutes of a slow cycle
POINTS = 121  # to 2.4 S: the fall, for most until it is half-way down
BANDS = (0.09, 0.07, 0.06, 0.05, 0.045, 0.04)  # of S, by the number of cycles: more of them need less smoothing
FORGET = 0.9  # weight of a cycle beside the one after it: a starter changes over weeks
KEPT = 6  # cycles; by the bench even one is nearly as good as more
KEPT_POINTS = 150  # of one cycle
DECIMALS = 4  # of what is kept of a cycle: equivalent hours, mm, 1/mm2
TOPS = (0.5, 1.6)  # the top of the pooled curve is looked for here
HOUR_BINS, HALF_HOUR_BINS = 12, 6  # of 5 min
MISFIT_MEMORY = 6.0  # cycles, as many as are kept
# Smoothing: the kernel is cut off at KERNEL_REACH bands; a point needs NEAR_LEAST cells, and none is further than
# BEYOND bands after the last cell. There the slope over the last SLOPE_POINTS goes on and fades within FADES of S.
KERNEL_REACH, NEAR_LEAST, BEYOND, SLOPE_POINTS, FADES = 3.0, 5, 0.5, 8, 0.5

# ln S of a feeding of 1:4:4 at 24 degC, and what the shape of another dilution adds (as in forecasts): mean and spread
SCALE, PER_SHAPE = (log(9.0), 0.35), (0.9, 0.3)
SCATTER, SCATTER_CYCLES = 0.055, 4.0  # scatter of ln S from cycle to cycle; how many cycles that guess is worth
CLOSE_LN = 0.15  # a cycle that is off by less is learnt in full, one further off as if by two spreads at most
CLIP_VARIANCES = 4.0  # one odd cycle says no more about the scatter than this
DRIFT, LEAST_SCATTER = (0.035, 0.01), 0.02
MISFIT, MISFIT_CYCLES, MISFIT_MOST = 0.015, 2.0, 0.06  # how far a cycle leaves the curve, as a share of its height
HEIGHT_FORGET = 0.7
LEAST_HEIGHT_MM = 3.0  # less is no rise to learn from
LEAST_BINS = 30


@dataclass(slots=True)
class Placed:
    """A closed cycle as it lies on the curve: equivalent hours and levels (mm above its first bin) with weights
    (1/mm2), and its time scale, height and base. `shape` is that of its dilution (`forecast/dilution.py`). Single
    precision holds the decimals to which they are rounded, in half the memory; whoever reads them rounds again."""

    scale_h: float
    height_mm: float
    base_mm: float
    start_mm: float  # height of the dough just fed, above the inside bottom
    shape: float
    tau_h: Floats = field(default_factory=lambda: array("f"))  # a list of floats takes eight times the memory
    level_mm: Floats = field(default_factory=lambda: array("f"))
    weight: Floats = field(default_factory=lambda: array("f"))


@dataclass(slots=True)
class LearntCurve:
    """What was learnt: the curve (empty before any cycle) and the cycles that it was made of; and what to expect of the
    next one: ln S (`scale_*`), the height as a share of the starting level, and how far it will leave the curve
    (`misfit`: a variance, as a share of the height)."""

    curve: Doubles = field(default_factory=lambda: array("d"))
    placed: list[Placed] = field(default_factory=list)
    scale_mean: list[float] = field(default_factory=list)  # [ln S at 1:4:4, what a shape of the dilution adds]
    scale_cov: list[float] = field(default_factory=list)  # [var, cov, var]
    scatter: float = SCATTER**2
    height_share: float = 1.0
    misfit: float = MISFIT**2
    misfit_n: float = MISFIT_CYCLES
    steepness: float = 1.0  # of the temperature law by which equivalent hours are counted
    law: int = 0  # which law that is


def at(curve: Sequence[float], x: float) -> float:
    """The curve at x, by linear interpolation; beyond its end, its last value."""
    place = x / DX
    i = int(place)
    if i >= POINTS - 1:
        return curve[-1]
    return curve[i] + (curve[i + 1] - curve[i]) * (place - i)


def flat_share(curve: Sequence[float], share: float) -> float:
    """How long the curve stands within a share of its height of its top, in S.

    >>> tent = [1.0 - abs(k * DX - 1.0) for k in range(POINTS)]
    >>> round(flat_share(tent, 0.11), 2)
    0.2
    """
    first = last = round(1.0 / DX)
    while first > 0 and curve[first - 1] >= 1.0 - share:
        first -= 1
    while last < POINTS - 1 and curve[last + 1] >= 1.0 - share:
        last += 1
    return (last - first) * DX


def expected_scale(learnt: LearntCurve, shape: float) -> tuple[float, float]:
    """(mean, variance) of ln S of the next cycle, for a dilution of this shape."""
    a, b, c = learnt.scale_cov
    mean = learnt.scale_mean[0] + learnt.scale_mean[1] * shape
    return mean, a + 2.0 * b * shape + c * shape * shape + learnt.scatter


def learn(
    learnt: LearntCurve,
    tau_h: Sequence[float],
    level_mm: Sequence[float],
    weight: Sequence[float],
    top_h: float,
    scale_h: float | None,
    start_mm: float,
    shape: float,
    luck_mm2: float,
) -> None:
    """Learn from a closed cycle: its bins of 5 min that have a level (equivalent hours, mm above the first, weight
    1/mm2), its fitted top in equivalent hours, the time scale that the filter gave it (None: that of the top), the
    height of the dough just fed, and what noise and wander leave in an hour's mean (mm2). A cycle that is too short or
    too flat teaches nothing."""
    if len(tau_h) < LEAST_BINS or top_h <= 0.0:
        return
    base = sorted(level_mm[:HALF_HOUR_BINS])[HALF_HOUR_BINS // 2]
    height = sum(sorted(level_mm)[-HOUR_BINS:]) / HOUR_BINS - base
    scale = top_h
    if height < LEAST_HEIGHT_MM:
        return
    if learnt.curve and scale_h is not None:
        scale = scale_h
        on_curve = [at(learnt.curve, tau / scale) for tau in tau_h]
        height, base = _line_through(on_curve, level_mm)
        if height < LEAST_HEIGHT_MM:
            return
        _learn_misfit(
            learnt, [y - height * f - base for y, f in zip(level_mm, on_curve, strict=True)], height, luck_mm2
        )
    every = max(2, ceil(len(tau_h) / KEPT_POINTS))
    one = Placed(scale, height, base, start_mm, shape)
    for i in range(0, len(tau_h) - every + 1, every):
        weights = weight[i : i + every]
        total = sum(weights)
        mean_h, mean_mm = (
            sum(w * value for w, value in zip(weights, some[i : i + every], strict=True)) / total
            for some in (tau_h, level_mm)
        )
        one.tau_h.append(round(mean_h, DECIMALS))
        one.level_mm.append(round(mean_mm, 3))
        one.weight.append(round(total, DECIMALS))
    learnt.placed = [*learnt.placed, one][-KEPT:]
    for _ in range(2):  # again, now that each cycle lies where the first time put it
        _pool(learnt)
    _learn_scale(learnt)


def _line_through(x: Sequence[float], y: Sequence[float]) -> tuple[float, float]:
    """Slope and intercept by least squares."""
    n = len(x)
    mean_x, mean_y = sum(x) / n, sum(y) / n
    across = sum((a - mean_x) ** 2 for a in x)
    slope = sum((a - mean_x) * (b - mean_y) for a, b in zip(x, y, strict=True)) / max(across, 1e-9)
    return slope, mean_y - slope * mean_x


def _learn_misfit(learnt: LearntCurve, off_mm: Sequence[float], height_mm: float, luck_mm2: float) -> None:
    """Learn how far off a curve is from a cycle that it was not made of: in hourly means, less what noise explains."""
    ends = range(HOUR_BINS, len(off_mm) + 1, HOUR_BINS)
    hours = [sum(off_mm[end - HOUR_BINS : end]) / HOUR_BINS for end in ends]
    if not hours:
        return
    seen = max(sum(h * h for h in hours) / len(hours) - luck_mm2, 0.0) / height_mm**2
    learnt.misfit += (min(seen, MISFIT_MOST**2) - learnt.misfit) / (learnt.misfit_n + 1.0)
    learnt.misfit_n = min(learnt.misfit_n + 1.0, MISFIT_MEMORY)


def _pool(learnt: LearntCurve) -> None:
    """Compute the common curve anew, and scale every cycle so that the curve's top is at x = 1 and is 1 high."""
    sums = [[0.0, 0.0, 0.0] for _ in range(POINTS)]  # weight, weight x, weight y of each cell
    for age, one in enumerate(reversed(learnt.placed)):
        share = one.height_mm**2 * FORGET**age
        for values in zip(one.tau_h, one.level_mm, one.weight, strict=True):
            tau, y, w = (round(value, DECIMALS) for value in values)
            x = tau / one.scale_h
            cell = sums[min(int(x / DX), POINTS - 1)]
            if x < DX * POINTS:
                cell[0] += w * share
                cell[1] += w * share * x
                cell[2] += w * share * (y - one.base_mm) / one.height_mm
    cells = [(wx / w, wy / w, w) for w, wx, wy in sums if w > 0.0]
    smooth = _smooth(cells, BANDS[min(len(learnt.placed), len(BANDS)) - 1])
    low, high = int(TOPS[0] / DX), int(TOPS[1] / DX)
    i = max(range(low, high), key=lambda k: smooth[k])
    before, top, after = smooth[i - 1], smooth[i], smooth[i + 1]
    bend = before - 2.0 * top + after
    top_x = (i + (0.5 * (before - after) / bend if abs(bend) > 1e-12 else 0.0)) * DX
    foot, tall = smooth[1], max(top - smooth[1], 1e-3)
    for one in learnt.placed:
        one.scale_h *= top_x
        one.base_mm += one.height_mm * foot
        one.height_mm *= tall
    learnt.curve = array("d", [round((at(smooth, k * DX * top_x) - foot) / tall, 5) for k in range(POINTS)])


def _smooth(cells: Sequence[tuple[float, float, float]], band: float) -> list[float]:
    """The local quadratic through (x, y, weight) at each point of the curve. Beyond the last cell its slope fades."""
    out: list[float | None] = []
    last_x = cells[-1][0]
    for k in range(POINTS):
        x0 = k * DX
        near = [
            (x - x0, y, w * exp(-0.5 * ((x - x0) / band) ** 2))
            for x, y, w in cells
            if abs(x - x0) < KERNEL_REACH * band
        ]
        out.append(None if len(near) < NEAR_LEAST or x0 > last_x + BEYOND * band else _quadratic_at_0(near))
    known = [k for k, value in enumerate(out) if value is not None]
    first, last = known[0], known[-1]
    full = [0.0] * POINTS
    before = first
    for k in known:
        a, b = out[before], out[k]
        assert a is not None
        assert b is not None
        for j in range(before, k + 1):
            full[j] = b if k == before else a + (b - a) * (j - before) / (k - before)
        before = k
    for j in range(first):
        full[j] = full[first]
    back = max(first, last - SLOPE_POINTS)
    slope = min(0.0, (full[last] - full[back]) / max((last - back) * DX, DX))
    for j in range(last + 1, POINTS):
        gone = (j - last) * DX
        full[j] = full[last] + slope * gone * exp(-gone / FADES)
    return full


def _quadratic_at_0(near: Sequence[tuple[float, float, float]]) -> float:
    """The value at d = 0 of the weighted least-squares parabola through (d, y, weight), by Cramer's rule."""
    m0 = m1 = m2 = m3 = m4 = r0 = r1 = r2 = 0.0
    for d, y, w in near:
        wd = w * d
        m0 += w
        m1 += wd
        m2 += wd * d
        m3 += wd * d * d
        m4 += wd * d * d * d
        r0 += w * y
        r1 += wd * y
        r2 += wd * d * y
    tiny = 1e-9 * m0
    m2, m4 = m2 + tiny * 1e-3, m4 + tiny * 1e-3
    det = m0 * (m2 * m4 - m3 * m3) - m1 * (m1 * m4 - m3 * m2) + m2 * (m1 * m3 - m2 * m2)
    if abs(det) < 1e-300:
        return r0 / m0
    return (r0 * (m2 * m4 - m3 * m3) - m1 * (r1 * m4 - m3 * r2) + m2 * (r1 * m3 - m2 * r2)) / det


def _learn_scale(learnt: LearntCurve) -> None:
    """Learn ln S as a line over the shape of the dilution, and the height, from all cycles kept, oldest first."""
    mean = [SCALE[0], PER_SHAPE[0]]
    a, b, c = SCALE[1] ** 2, 0.0, PER_SHAPE[1] ** 2
    scatter, n = SCATTER**2, SCATTER_CYCLES
    for number, one in enumerate(learnt.placed):
        a, c = a + DRIFT[0] ** 2, c + DRIFT[1] ** 2
        g0, g1 = a + b * one.shape, b + c * one.shape
        variance = g0 + g1 * one.shape + scatter
        off = log(one.scale_h) - mean[0] - mean[1] * one.shape
        most = 2.0 * sqrt(variance)
        taken = off if abs(off) < CLOSE_LN else min(max(off, -most), most)
        mean = [mean[0] + g0 / variance * taken, mean[1] + g1 / variance * taken]
        a, b, c = a - g0 * g0 / variance, b - g0 * g1 / variance, c - g1 * g1 / variance
        if number > 0:
            n += 1.0
            scatter += (min(off * off, CLIP_VARIANCES * variance) * scatter / variance - scatter) / n
    learnt.scale_mean, learnt.scale_cov = mean, [a, b, c]
    learnt.scatter = max(scatter, LEAST_SCATTER**2)
    weights = [HEIGHT_FORGET**age for age in reversed(range(len(learnt.placed)))]
    ln_share = sum(w * log(one.height_mm / one.start_mm) for w, one in zip(weights, learnt.placed, strict=True))
    learnt.height_share = exp(ln_share / sum(weights))
