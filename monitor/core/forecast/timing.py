"""The law that a starter model has a belief about: eight numbers, two more for each further flour, and how the peak and
the wait after it depend on them.

    ln(hours to the peak, at 24 degC) = PEAK + DILUTION * shape(D) + STIFF * stiffness + the flour's own
    ln(hours from peak to fall, at 24 degC) = WAIT + WAIT_DILUTION * shape(D) + WAIT_STIFFER * STIFF * stiffness + ...

D is the dilution of the seed's flour, and shape(D) says how time grows with it (`dilution`): with DILUTION = 1 exactly
as lag + ln(D) / rate; other values bend it. Stiffness is how much drier than 100 % the dough is. STEEP says how
strongly temperature acts under one of the laws of `growth_rate`, and WAIT_STEEP how much of that the wait feels. USUAL
is the shape of the feedings that this baker does not report: such cycles teach how long those take, but not how another
would.

A peak is the highest point, as the sensor fits it. A person calls "peak" the first touch of the top: `highest_h` and
`first_touch_h` turn one into the other.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from monitor.core.forecast import growth_rate

# places in the state: ln(hours) of the peak and of the wait, and their slopes by dilution, warmth and stiffness
PEAK, DILUTION, STEEP, WAIT, WAIT_STEEP, WAIT_DILUTION, USUAL, STIFF = range(8)
FIRST_FLOUR = 8  # from here on two numbers for each flour: what it adds to ln(hours) of the peak, and of the wait

# Bounds for what no starter does, whatever a few odd cycles seem to show: be faster when less starter is kept, ignore
# temperature, or wait shorter with more food or with less water.
LEAST = {DILUTION: 0.2, STEEP: 0.2, WAIT_STEEP: 0.0, WAIT_DILUTION: 0.0, STIFF: 0.0}
TIMING_H = 0.3  # how well a peak can be dated at all: its top is flat; a shorter wait counts as this

# Dryness lengthens the wait at the top more than the way to it (bakers who kept 70 to 100 % side by side).
WAIT_STIFFER = 1.5
# Being wetter than 100 % hastens less than being drier slows: water is then no longer what the yeast lacks (common
# practice).
WETTER_SHARE = 0.4
# Of the time from the first touch of the top (2 % of the rise below it) to the start of fall, this share has passed at
# the fitted highest point: the middle of the plateau, a little earlier as a fall begins after some sinking.
MIDDLE = 0.4
USUAL_TOP = 0.33  # that time over the one to the first touch, where nobody saw the fall: by eye it is 0.21 to 0.50

Numbers = Sequence[float]  # one for each of the law's numbers


class Feed(NamedTuple):
    """A feeding as the law sees it. `bend` is shape(D), None where the grams are not known; `flour` is the place of the
    flour's own numbers, None for the flour that the others are compared with."""

    bend: float | None
    stiffness: float
    flour: int | None


class Seen(NamedTuple):
    """An observation: how it depends on the law's numbers, how far it was off what was expected, its doubt (a
    variance)."""

    toward: Numbers
    surprise: float
    doubt: float


def stiffness(hydration: float) -> float:
    """How much drier than 100 % a dough is, as ln(flour / water)."""
    dry = -math.log(hydration)
    return dry if dry > 0.0 else WETTER_SHARE * dry


def highest_h(touch_h: float, fall_h: float | None) -> float:
    """Hours to the highest point, from those to the first touch of the top and, where it was seen, to the fall."""
    return touch_h + MIDDLE * (USUAL_TOP * touch_h if fall_h is None else max(fall_h - touch_h, 0.0))


def first_touch_h(peak_h: float, fall_h: float | None) -> float:
    """Hours to the first touch of the top, from those to the highest point and to the fall: the inverse of `highest_h`,
    and at least half of the former."""
    if fall_h is None:
        return peak_h / (1.0 + MIDDLE * USUAL_TOP)
    return max(peak_h - MIDDLE / (1.0 - MIDDLE) * max(fall_h - peak_h, 0.0), 0.5 * peak_h)


def possible(mean: Numbers) -> tuple[float, ...]:
    """The nearest numbers within the bounds of what a starter can do (LEAST)."""
    return tuple(max(value, LEAST.get(i, value)) for i, value in enumerate(mean))


def rise_rate(mean: Numbers, law: int) -> growth_rate.Rate:
    """How fast it rises at a temperature under one of the laws, relative to 24 degC."""
    return growth_rate.growth_rate(mean[STEEP], law)


def wait_rate(mean: Numbers, law: int) -> growth_rate.Rate:
    """How fast the wait at the top is used up at a temperature under one of the laws, relative to 24 degC."""
    return growth_rate.growth_rate(mean[WAIT_STEEP] * mean[STEEP], law)


def peak_ln(mean: Numbers, fed: Feed) -> float:
    """ln of the equivalent hours to the peak."""
    own = 0.0 if fed.flour is None else mean[fed.flour]
    bend = mean[USUAL] if fed.bend is None else fed.bend
    return mean[PEAK] + mean[DILUTION] * bend + mean[STIFF] * fed.stiffness + own


def wait_ln(mean: Numbers, fed: Feed) -> float:
    """ln of the equivalent hours from the peak to the start of fall."""
    own = 0.0 if fed.flour is None else mean[fed.flour + 1]
    bend = mean[USUAL] if fed.bend is None else fed.bend
    return mean[WAIT] + mean[WAIT_DILUTION] * bend + WAIT_STIFFER * mean[STIFF] * fed.stiffness + own


def toward_peak(mean: Numbers, law: int, temperatures_c: Numbers, fed: Feed, peak_h: float) -> Numbers:
    """How ln of the hours to a peak depends on each of the numbers; temperature acts through its mean until then."""
    toward = [0.0] * len(mean)
    toward[PEAK], toward[STIFF] = 1.0, fed.stiffness
    toward[STEEP] = -growth_rate.ln_rate(growth_rate.mean_c(temperatures_c, 0.0, peak_h), law)
    toward[DILUTION] = mean[USUAL] if fed.bend is None else fed.bend
    toward[USUAL] = mean[DILUTION] if fed.bend is None else 0.0
    if fed.flour is not None:
        toward[fed.flour] = 1.0
    return toward


def toward_wait(mean: Numbers, law: int, temperatures_c: Numbers, fed: Feed, peak_h: float, fall_h: float) -> Numbers:
    """How ln of the wait from a peak to a fall depends on each of the numbers."""
    ln_rate = growth_rate.ln_rate(growth_rate.mean_c(temperatures_c, peak_h, fall_h), law)
    toward = [0.0] * len(mean)
    toward[WAIT], toward[STIFF] = 1.0, WAIT_STIFFER * fed.stiffness
    toward[STEEP], toward[WAIT_STEEP] = -mean[WAIT_STEEP] * ln_rate, -mean[STEEP] * ln_rate
    toward[WAIT_DILUTION] = mean[USUAL] if fed.bend is None else fed.bend
    toward[USUAL] = mean[WAIT_DILUTION] if fed.bend is None else 0.0
    if fed.flour is not None:
        toward[fed.flour + 1] = 1.0
    return toward


def doubt(temperatures_c: Numbers, from_h: float, to_h: float) -> float:
    """Variance of ln(hours) for temperatures at which few have measured."""
    return growth_rate.doubt_sd(growth_rate.mean_c(temperatures_c, from_h, to_h)) ** 2


def peak_seen(mean: Numbers, law: int, peak_h: float, temperatures_c: Numbers, fed: Feed) -> Seen:
    """A peak that came `peak_h` after the feeding, as an observation."""
    worth_h = growth_rate.Clock(temperatures_c, rise_rate(mean, law)).worth_h(peak_h)
    surprise = math.log(worth_h) - peak_ln(mean, fed)
    return Seen(toward_peak(mean, law, temperatures_c, fed, peak_h), surprise, doubt(temperatures_c, 0.0, peak_h))


def wait_seen(mean: Numbers, law: int, peak_h: float, fall_h: float, temperatures_c: Numbers, fed: Feed) -> Seen:
    """The wait from a peak to a fall, as an observation."""
    fall_h = max(fall_h, peak_h + TIMING_H)
    clock = growth_rate.Clock(temperatures_c, wait_rate(mean, law))
    surprise = math.log(clock.worth_h(fall_h) - clock.worth_h(peak_h)) - wait_ln(mean, fed)
    toward = toward_wait(mean, law, temperatures_c, fed, peak_h, fall_h)
    return Seen(toward, surprise, doubt(temperatures_c, peak_h, fall_h))


def fall_seen(
    mean: Numbers, law: int, expected_h: tuple[float, float], fall_h: float, temperatures_c: Numbers, fed: Feed
) -> Seen:
    """A fall whose peak was missed, as an observation. To first order it depends on each of the numbers as the peak and
    the wait do, by their shares of the clock hours that were expected (`expected_h`: of peak and fall)."""
    share = expected_h[0] / expected_h[1]
    to_peak = toward_peak(mean, law, temperatures_c, fed, expected_h[0])
    to_wait = toward_wait(mean, law, temperatures_c, fed, *expected_h)
    toward = tuple(share * a + (1.0 - share) * b for a, b in zip(to_peak, to_wait, strict=True))
    return Seen(toward, math.log(fall_h / expected_h[1]), doubt(temperatures_c, 0.0, fall_h))
