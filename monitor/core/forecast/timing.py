"""The law that `culture` holds a belief about: seven numbers, and how a peak and the wait after it depend on them.

    ln(hours to the peak, at 24 degC) = PEAK + DILUTION * shape(D)
    ln(hours from peak to fall, at 24 degC) = WAIT + WAIT_DILUTION * shape(D)

D is the dilution, shape(D) how time grows with it (`mix`): with DILUTION = 1 exactly as lag + ln(D) / rate, other
values bend it. STEEP and WAIT_STEEP say how strongly temperature acts on each of the two (`warmth`). USUAL is the
shape of what this baker feeds without telling: such cycles teach how long it takes, but not how long another would.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from monitor.core.forecast import dilution, growth_rate

PEAK, DILUTION, STEEP, WAIT, WAIT_STEEP, WAIT_DILUTION, USUAL = range(7)

# What no starter does, whatever a few odd cycles seem to show: be faster for less starter kept, ignore temperature, or
# outlast its food the shorter the more of it there is.
LEAST = {DILUTION: 0.2, STEEP: 0.2, WAIT_STEEP: 0.0, WAIT_DILUTION: 0.0}
TIMING_H = 0.3  # how well a peak can be dated at all: its top is flat; a shorter wait counts as this

Numbers = Sequence[float]  # one for each of the seven
Seen = tuple[Numbers, float, float]  # how it depends on the seven, its surprise, its doubt (a variance)


def possible(mean: Numbers) -> tuple[float, ...]:
    """The nearest numbers that a starter can have."""
    return tuple(max(value, LEAST.get(i, value)) for i, value in enumerate(mean))


def bend(mean: Numbers, of_dilution: float | None) -> float:
    """shape(D), or what is believed of it where nobody told."""
    return mean[USUAL] if of_dilution is None else dilution.shape(of_dilution)


def peak_ln(mean: Numbers, of_dilution: float | None) -> float:
    """ln of the equivalent hours to the peak."""
    return mean[PEAK] + mean[DILUTION] * bend(mean, of_dilution)


def wait_ln(mean: Numbers, of_dilution: float | None) -> float:
    """ln of the equivalent hours from the peak to the start of fall."""
    return mean[WAIT] + mean[WAIT_DILUTION] * bend(mean, of_dilution)


def toward_peak(mean: Numbers, temperatures_c: Numbers, of_dilution: float | None, peak_h: float) -> Numbers:
    """How ln of the hours to a peak depends on the seven; temperature acts through its mean until then."""
    steep = -growth_rate.ln_yeast(growth_rate.mean_c(temperatures_c, 0.0, peak_h))
    usual = mean[DILUTION] if of_dilution is None else 0.0
    return (1.0, bend(mean, of_dilution), steep, 0.0, 0.0, 0.0, usual)


def toward_wait(
    mean: Numbers, temperatures_c: Numbers, of_dilution: float | None, peak_h: float, fall_h: float
) -> Numbers:
    """How ln of the wait from a peak to a fall depends on the seven."""
    tenths = (growth_rate.mean_c(temperatures_c, peak_h, fall_h) - growth_rate.REFERENCE_C) / 10.0
    usual = mean[WAIT_DILUTION] if of_dilution is None else 0.0
    return (0.0, 0.0, 0.0, 1.0, -tenths, bend(mean, of_dilution), usual)


def doubt(temperatures_c: Numbers, from_h: float, to_h: float) -> float:
    """Variance of ln(hours) for temperatures at which few have measured."""
    return growth_rate.doubt_sd(growth_rate.mean_c(temperatures_c, from_h, to_h)) ** 2


def peak_seen(mean: Numbers, peak_h: float, temperatures_c: Numbers, of_dilution: float | None) -> Seen:
    """A peak that came `peak_h` after the feeding, as an observation of the seven."""
    worth_h = growth_rate.Clock(temperatures_c, growth_rate.growth_rate(mean[STEEP])).worth_h(peak_h)
    surprise = math.log(worth_h) - peak_ln(mean, of_dilution)
    return toward_peak(mean, temperatures_c, of_dilution, peak_h), surprise, doubt(temperatures_c, 0.0, peak_h)


def wait_seen(mean: Numbers, peak_h: float, fall_h: float, temperatures_c: Numbers, of_dilution: float | None) -> Seen:
    """The wait after it, as an observation of the seven."""
    fall_h = max(fall_h, peak_h + TIMING_H)
    clock = growth_rate.Clock(temperatures_c, growth_rate.wait_rate(mean[WAIT_STEEP]))
    surprise = math.log(clock.worth_h(fall_h) - clock.worth_h(peak_h)) - wait_ln(mean, of_dilution)
    toward = toward_wait(mean, temperatures_c, of_dilution, peak_h, fall_h)
    return toward, surprise, doubt(temperatures_c, peak_h, fall_h)


def fall_seen(
    mean: Numbers, expected_h: tuple[float, float], fall_h: float, temperatures_c: Numbers, of_dilution: float | None
) -> Seen:
    """A fall whose peak was missed, beside the clock hours of peak and fall that were expected: to first order it
    depends on each of the seven as peak and wait do, by their shares of the time."""
    share = expected_h[0] / expected_h[1]
    to_peak = toward_peak(mean, temperatures_c, of_dilution, expected_h[0])
    to_wait = toward_wait(mean, temperatures_c, of_dilution, *expected_h)
    toward = tuple(share * a + (1.0 - share) * b for a, b in zip(to_peak, to_wait, strict=True))
    return toward, math.log(fall_h / expected_h[1]), doubt(temperatures_c, 0.0, fall_h)
