"""How well a rise seen so far fits a peak at a given time: the part of the forecast that looks at the jar itself.

Used by `forecast` while the starter rises, and once a cycle by `learned` to see which shape this jar's rises have.

A rise is taken to be height x G(x), where x is the share of the (equivalent) hours to the peak that has passed, and
G(x) = 1 - (1 - x^p)^q (Kumaraswamy 1980, J. Hydrology 46:79): p says how long it lingers, q how round its top is. Every
pair of `SHAPES` is tried. The height is integrated out, as it is linear and normal.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

# (p, share of jars assumed to have it), and the same for q, before any rise of a jar was seen. Fresh dough first takes
# up its own gas, so a rise begins slowly, and half of it is reached at 0.5 to 0.7 of the time (common practice).
LINGERS = ((1.6, 0.12), (2.4, 0.38), (3.6, 0.36), (5.5, 0.14))
ROUNDS = ((1.3, 0.25), (2.0, 0.45), (3.2, 0.30))
SHAPES = tuple((p, q) for p, _ in LINGERS for q, _ in ROUNDS)
USUAL = tuple(some * others for _, some in LINGERS for _, others in ROUNDS)
MISFIT = 0.07  # of the height: no dough follows a formula, and its errors at neighbouring moments are alike
LEVEL_SD = 0.02  # of the rise ratio: how well the starting level is known
POINTS = 10  # taken from a rise: more of them would count the same misfit twice
PAST_PEAK, LEAST_LEFT = 0.25, 0.5  # how a rise is lost after its peak: slowly, as it only must not go on rising here
FORGET = 0.85  # what is known about the shape is raised to this power with each cycle, so it slowly fades
KNOWN_HEIGHT_SD = 0.05  # of the height of a rise whose peak was seen
FAINT_LN = -50.0  # a shape that much less likely than the best counts as this
LEAST_SHARE = 0.01  # no shape is ever ruled out

Point = tuple[float, float, float]  # equivalent hours since feeding, rise ratio - 1, its spread


def grown(x: float, p: float, q: float) -> float:
    """Share of the height reached at share `x` of the time to the peak."""
    if x <= 0.0:
        return 0.0
    if x >= 1.0:
        return max(1.0 - PAST_PEAK * (x - 1.0) ** 2, LEAST_LEFT)
    return 1.0 - math.pow(1.0 - math.pow(x, p), q)


def thinned(curve: Sequence[tuple[float, float, float]]) -> tuple[tuple[float, float, float], ...]:
    """At most `POINTS` of the points, evenly spread over the time so far and always with the last one."""
    if len(curve) <= POINTS:
        return tuple(curve)
    last_h = curve[-1][0]
    out, due_h, step_h = [], curve[0][0], (last_h - curve[0][0]) / (POINTS - 1)
    for point in curve:
        if point[0] >= due_h - 1e-9:
            out.append(point)
            due_h = max(due_h + step_h, point[0] + 0.5 * step_h)
    if out[-1] is not curve[-1]:
        out.append(curve[-1])
    return tuple(out)


def ln_fits(points: Sequence[Point], peak_h: float, height: tuple[float, float]) -> list[float]:
    """For each of `SHAPES`, ln of how likely these points are if the peak comes after `peak_h` equivalent hours, up to
    a constant. `height` is the expected height (rise ratio - 1) and its spread; it is integrated out.

    A forecast asks for this a few hundred times, so what the shapes have in common is computed once.
    """
    blur = LEVEL_SD**2 + (MISFIT * height[0]) ** 2
    precision = 1.0 / height[1] ** 2
    weighted, squares = height[0] * precision, height[0] ** 2 * precision
    before: list[Point] = []  # (share of the time, weight, weight x rise) of the points before the peak
    for at_h, rise, sd in points:
        weight = 1.0 / (sd * sd + blur)
        squares += weight * rise * rise
        x = at_h / peak_h
        if x >= 1.0:
            share = grown(x, *SHAPES[0])  # the same for all shapes
            precision += weight * share * share
            weighted += weight * share * rise
        elif x > 0.0:
            before.append((x, weight, weight * rise))
    fits = []
    for p, _ in LINGERS:
        left = [(1.0 - x**p, weight, of_rise) for x, weight, of_rise in before]
        for q, _ in ROUNDS:
            precise, by_rise = precision, weighted
            for rest, weight, of_rise in left:
                share = 1.0 - rest**q
                precise += weight * share * share
                by_rise += of_rise * share
            fits.append(0.5 * (by_rise * by_rise / precise - squares - math.log(precise)))
    return fits


def learned(shares: Sequence[float], points: Sequence[Point], peak_h: float, height: float) -> tuple[float, ...]:
    """How likely each shape is for this jar after a whole rise whose peak and height are known."""
    before = shares or USUAL
    fits = ln_fits(points, peak_h, (height, KNOWN_HEIGHT_SD * height))
    best = max(fits)
    after = [s**FORGET * math.exp(max(f - best, FAINT_LN)) for s, f in zip(before, fits, strict=True)]
    total = sum(after)
    return tuple((a / total + LEAST_SHARE) / (1.0 + LEAST_SHARE * len(SHAPES)) for a in after)
