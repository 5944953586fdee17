"""True level curves for judging detectors: families of rise and of fall, and kitchens, all invented.

No family here is a detector's own model: the rise comes from one of six published or plain shapes, the fall from one of
six others, and both run on a culture's own hours, which a kitchen's temperature stretches. `detection_set` joins them
into recordings and adds what a sensor does to them.

Shapes of the rise, all scaled to go from 0 to 1: Gompertz and logistic as in Zwietering et al. 1990 (Appl. Environ.
Microbiol. 56:1875), Richards 1959 (J. Exp. Bot. 10:290), Baranyi and Roberts 1994 (Int. J. Food Microbiol. 23:277),
a line with a knee (Buchanan et al. 1997, Food Microbiol. 14:313, with two slopes), and Weibull's.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Curve = Callable[[Floats], Floats]


def _scaled(raw: Curve, end_h: float) -> Curve:
    """`raw` shifted and scaled so that it is 0 at 0 h and 1 at `end_h`, and 0 before."""
    first, last = (float(raw(np.array([hours]))[0]) for hours in (0.0, end_h))
    return lambda hours: np.where(hours > 0, (raw(np.maximum(hours, 0.0)) - first) / (last - first), 0.0)


def gompertz(rng: np.random.Generator, top_h: float) -> Curve:
    """Steepest early, with a long approach to the top."""
    lag_h = top_h * rng.uniform(0.1, 0.35)
    slope_per_h = rng.uniform(1.6, 3.0) / (top_h - lag_h)
    return _scaled(lambda hours: np.exp(-np.exp(np.e * slope_per_h * (lag_h - hours) + 1.0)), 2.0 * top_h)


def logistic(rng: np.random.Generator, top_h: float) -> Curve:
    """As steep before the middle as after it."""
    middle_h, width_h = top_h * rng.uniform(0.45, 0.65), top_h * rng.uniform(0.07, 0.13)
    return _scaled(lambda hours: 1.0 / (1.0 + np.exp((middle_h - hours) / width_h)), 2.0 * top_h)


def richards(rng: np.random.Generator, top_h: float) -> Curve:
    """A logistic whose bend is moved towards the foot or the top."""
    bend = rng.uniform(0.3, 4.0)
    middle_h, width_h = top_h * rng.uniform(0.45, 0.7), top_h * rng.uniform(0.07, 0.12)
    return _scaled(
        lambda hours: (1.0 + bend * np.exp((middle_h - hours) / width_h)) ** (-1.0 / bend),
        2.0 * top_h,
    )


def baranyi(rng: np.random.Generator, top_h: float) -> Curve:
    """A lag, a nearly straight middle and a rather sharp bend at the top."""
    lag_h = top_h * rng.uniform(0.1, 0.4)
    rate_per_h = rng.uniform(5.0, 9.0) / (top_h - lag_h)
    growth = rate_per_h * (top_h - lag_h) * rng.uniform(0.75, 0.95)

    def raw(hours: Floats) -> Floats:
        ahead = np.log(
            np.exp(-rate_per_h * hours) + np.exp(-rate_per_h * lag_h) - np.exp(-rate_per_h * (hours + lag_h))
        )
        grown = rate_per_h * hours + ahead
        return np.asarray(grown - np.log1p(np.expm1(grown) / np.exp(growth)))

    return _scaled(raw, 2.0 * top_h)


def knee(rng: np.random.Generator, top_h: float) -> Curve:
    """Straight pieces: a lag, two slopes, and a flat top with a sharp corner."""
    lag_h, knee_h = top_h * rng.uniform(0.05, 0.3), top_h * rng.uniform(0.5, 0.75)
    at_knee = rng.uniform(0.55, 0.9)
    return lambda hours: np.interp(hours, [0.0, lag_h, knee_h, top_h], [0.0, 0.0, at_knee, 1.0])


def weibull(rng: np.random.Generator, top_h: float) -> Curve:
    """No lag to speak of, and an unhurried top."""
    power = rng.uniform(1.4, 3.0)
    scale_h = top_h / (-np.log(0.02)) ** (1.0 / power)
    return _scaled(lambda hours: -np.expm1(-((hours / scale_h) ** power)), 2.0 * top_h)


RISES: dict[str, Callable[[np.random.Generator, float], Curve]] = {
    f.__name__: f for f in (gompertz, logistic, richards, baranyi, knee, weibull)
}


def linear(rng: np.random.Generator, fall_h: float) -> Curve:
    """Down at one pace, then still."""
    return lambda hours: np.clip(hours / fall_h, 0.0, 1.0)


def relaxing(rng: np.random.Generator, fall_h: float) -> Curve:
    """Fastest at once, then slower and slower."""
    return lambda hours: -np.expm1(-3.0 * np.maximum(hours, 0.0) / fall_h)


def accelerating(rng: np.random.Generator, fall_h: float) -> Curve:
    """Hardly at first, then faster and faster, then still."""
    power = rng.uniform(1.5, 3.0)
    return lambda hours: np.clip(hours / fall_h, 0.0, 1.0) ** power


def easing(rng: np.random.Generator, fall_h: float) -> Curve:
    """Slow, fast, slow."""

    def fall(hours: Floats) -> Floats:
        part = np.clip(hours / fall_h, 0.0, 1.0)
        return np.asarray(part**2 * (3.0 - 2.0 * part))

    return fall


def stepwise(rng: np.random.Generator, fall_h: float) -> Curve:
    """A sag with several sudden collapses of a few minutes each, as when big bubbles burst."""
    count = int(rng.integers(3, 7))
    at_h = np.sort(rng.uniform(0.05, 1.0, count)) * fall_h
    share = rng.dirichlet(np.ones(count)) * rng.uniform(0.4, 0.8)
    width_h = rng.uniform(0.01, 0.08, count)

    def fall(hours: Floats) -> Floats:
        steps = sum(
            s / (1.0 + np.exp(np.clip((a - hours) / w, -50, 50))) for s, a, w in zip(share, at_h, width_h, strict=True)
        )
        return np.asarray(np.where(hours > 0, steps, 0.0) + (1.0 - share.sum()) * np.clip(hours / fall_h, 0.0, 1.0))

    return fall


def sagging(rng: np.random.Generator, fall_h: float) -> Curve:
    """A slow sag that takes half as long again, the hardest to tell."""
    return lambda hours: np.clip(hours / (1.5 * fall_h), 0.0, 1.0) ** 1.2


FALLS: dict[str, Callable[[np.random.Generator, float], Curve]] = {
    f.__name__: f for f in (linear, relaxing, accelerating, easing, stepwise, sagging)
}


def kitchen(rng: np.random.Generator, time_s: Floats, roughness: str) -> Floats:
    """Temperature (degC) at `time_s` in a kitchen that is "still", "daily" (warmer by day) or "rough" (also steps of
    2 to 5 degC that last for hours, reached within half an hour: a window, an oven, a heating that goes off)."""
    warm_c = rng.uniform(19.0, 27.0)
    temperature_c = np.full(time_s.size, warm_c)
    if roughness != "still":
        temperature_c += rng.uniform(0.5, 2.5) * np.sin(2.0 * np.pi * (time_s / 86400.0 + rng.uniform()))
    if roughness == "rough":
        for _ in range(int(rng.poisson(1.5 * (time_s[-1] - time_s[0]) / 86400.0)) + 1):
            begin_s = rng.uniform(time_s[0], time_s[-1])
            step_c, hold_s = rng.choice([-1.0, 1.0]) * rng.uniform(2.0, 5.0), rng.uniform(0.5, 4.0) * 3600.0
            temperature_c += step_in_temperature(time_s, begin_s, hold_s, step_c)
    return np.clip(temperature_c, 14.0, 31.0)


def step_in_temperature(time_s: Floats, begin_s: float, hold_s: float, step_c: float) -> Floats:
    """A change by `step_c` from `begin_s` for `hold_s`, taken up and given back with a 15 min lag (a jar's wall)."""
    lag_s = 900.0
    up = -np.expm1(-np.maximum(time_s - begin_s, 0.0) / lag_s)
    down = -np.expm1(-np.maximum(time_s - begin_s - hold_s, 0.0) / lag_s)
    return step_c * (up - down)


def own_hours(time_s: Floats, temperature_c: Floats, q10: float) -> Floats:
    """Hours that the culture has lived since `time_s[0]`, as at 24 degC: the integral of q10^((T - 24) / 10)."""
    rate = q10 ** ((temperature_c - 24.0) / 10.0)
    return np.concatenate(([0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1]) * np.diff(time_s)))) / 3600.0
