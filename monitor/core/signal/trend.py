"""The level and slope now, with their spread, from recent levels. Shown to people and used to bridge short gaps;
whether a peak or a fall has come is decided elsewhere (`detect/`).

A straight line by least squares with weights that fade as exp(-age / MEMORY): the same answer as weighted least squares
on the whole prefix, kept in five sums (discounted regression, Brown 1963, Smoothing, Forecasting and Prediction).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp

MEMORY_S = 1500.0  # 25 min: a rise bends within hours, wander dies within tens of minutes


@dataclass(slots=True)
class Trend:
    """Weighted sums at the latest time: of 1, age, age^2, level, age x level."""

    time_s: float = 0.0
    w: float = 0.0
    wa: float = 0.0
    waa: float = 0.0
    wy: float = 0.0
    way: float = 0.0
    ww: float = 0.0  # squared weights: how much of the noise remains


def add(trend: Trend, time_s: float, level_mm: float, weight: float) -> None:
    """Take in a level (mm) of `weight` readings at `time_s`, not earlier than the latest."""
    dt = (time_s - trend.time_s) / 60.0
    if trend.w > 0.0:
        f = exp(-dt * 60.0 / MEMORY_S)
        # ages grow by dt, then weights fade
        trend.waa = f * (trend.waa - 2.0 * dt * trend.wa + dt * dt * trend.w)
        trend.way = f * (trend.way - dt * trend.wy)
        trend.wa = f * (trend.wa - dt * trend.w)
        trend.w *= f
        trend.wy *= f
        trend.ww *= f * f
    trend.time_s = time_s
    trend.w += weight
    trend.wy += weight * level_mm
    trend.ww += weight * weight


def line(trend: Trend) -> tuple[float, float, float] | None:
    """(level mm at the latest time, slope mm a minute, spread of the slope per unit noise). None before any level."""
    if trend.w <= 0.0:
        return None
    det = trend.w * trend.waa - trend.wa * trend.wa
    mean = trend.wy / trend.w
    if det < 1.0 * trend.w * trend.w:  # ages spread by less than a minute: no slope yet
        return mean, 0.0, 1.0
    slope = (trend.w * trend.way - trend.wa * trend.wy) / det
    return mean - slope * trend.wa / trend.w, slope, (trend.ww / det) ** 0.5
