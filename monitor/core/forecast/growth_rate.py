"""How fast yeast and bacteria go at a temperature, and hours counted as if the kitchen stood at 24 degC.

First step of every foretelling: `culture` learns and foretells in these equivalent hours, `forecast` and `feeding` turn
them back into hours of the clock. It leaves what this baker's own starter does to `culture`.

A night that cools is handled by integrating the rate over the temperature seen, hour by hour.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable, Sequence
from itertools import accumulate

REFERENCE_C = 24.0  # a usual warm kitchen, in the middle of what the trade's tables are written for
USUAL_C = 22.0  # believed of a kitchen of which nothing is known

# Least, best and greatest temperature of growth. Sourdough yeast: optimum 27 to 28 degC, held back at 35 (Gaenzle et
# al. 1998, Appl. Environ. Microbiol. 64:2616; Brandt et al. 2004, Eur. Food Res. Technol. 218:333). The least is set so
# that the rate at 20 and 14 degC is about a half and a quarter of the best, as Gaenzle reports.
YEAST_C = (6.0, 28.0, 36.0)
BACTERIA_C = (4.0, 32.5, 41.0)

# Doubt about the law itself where few have measured: as a spread of ln(hours), growing with each degC beyond.
COLD_C, COLD_SD_PER_C = 12.0, 0.08
HOT_C, HOT_SD_PER_C = 29.0, 0.08
FLOOR_RATIO = 0.01  # of the rate at 24 degC; below it nothing is known except that it is slow
NEW_DAY_SHARE = 0.3  # of a new day in the usual one: follows the season within a week
WEATHER_H = 36.0  # how long unusual weather lasts in a kitchen

Rate = Callable[[float], float]


def cardinal(temperature_c: float, least_c: float, best_c: float, greatest_c: float) -> float:
    """Rate of growth as a share (0 to 1) of the best, by the cardinal temperature model.

    Zero outside (least, greatest), one at `best_c`, flat there. Rosso, Lobry, Flandrois 1993, J. Theor. Biol. 162:447.
    Raises ValueError unless least < best < greatest and best is above the middle of the two others, where it holds.
    """
    if not least_c < best_c < greatest_c or best_c <= (least_c + greatest_c) / 2:
        raise ValueError(f"cardinal temperatures {least_c}, {best_c}, {greatest_c}: best must lie in the upper half")
    if not least_c < temperature_c < greatest_c:
        return 0.0
    above, span = temperature_c - least_c, best_c - least_c
    below = span * (temperature_c - best_c) - (best_c - greatest_c) * (best_c + least_c - 2.0 * temperature_c)
    return (temperature_c - greatest_c) * above * above / (span * below)


_YEAST_AT_REFERENCE = cardinal(REFERENCE_C, *YEAST_C)


def ln_yeast(temperature_c: float) -> float:
    """ln of the yeast's rate relative to 24 degC, never below ln(`FLOOR_RATIO`)."""
    return math.log(max(cardinal(temperature_c, *YEAST_C) / _YEAST_AT_REFERENCE, FLOOR_RATIO))


def growth_rate(steepness: float) -> Rate:
    """Rate of rising relative to 24 degC; `steepness` 1 is the published law, 0 a starter that ignores temperature."""
    return lambda temperature_c: math.exp(steepness * ln_yeast(temperature_c))


def wait_rate(ln_per_10c: float) -> Rate:
    """Rate at which the wait at the peak is used up, relative to 24 degC: exponential, `ln_per_10c` = ln Q10."""
    return lambda temperature_c: math.exp(ln_per_10c * (temperature_c - REFERENCE_C) / 10.0)


def doubt_sd(temperature_c: float) -> float:
    """Spread of ln(hours) for the law's own uncertainty: zero from 12 to 29 degC, growing outside."""
    return COLD_SD_PER_C * max(0.0, COLD_C - temperature_c) + HOT_SD_PER_C * max(0.0, temperature_c - HOT_C)


def filled(temperatures_c: Sequence[float | None], default_c: float = USUAL_C) -> tuple[float, ...]:
    """Hourly temperatures with each gap given the last value before it (or the first after it, or `default_c`)."""
    known = [t for t in temperatures_c if t is not None]
    last, out = (known[0] if known else default_c), []
    for temperature_c in temperatures_c:
        last = last if temperature_c is None else temperature_c
        out.append(last)
    return tuple(out) or (default_c,)


class Clock:
    """Hours of the clock and hours at 24 degC, turned into each other at given hourly temperatures and a rate.

    `temperatures_c[i]` holds from hour i to i+1 (at least one value); the last one holds on after its hour.
    """

    def __init__(self, temperatures_c: Sequence[float], rate: Rate) -> None:
        self._rates = [rate(temperature_c) for temperature_c in temperatures_c]
        self._worth_h = [0.0, *accumulate(self._rates)]

    def worth_h(self, to_h: float) -> float:
        """Equivalent hours from hour 0 to clock hour `to_h`."""
        hour = min(int(to_h), len(self._rates) - 1)
        return self._worth_h[hour] + (to_h - hour) * self._rates[hour]

    def hour(self, worth_h: float) -> float:
        """The clock hour by which `worth_h` equivalent hours have passed: the inverse of `worth_h`."""
        hour = min(max(bisect_right(self._worth_h, worth_h) - 1, 0), len(self._rates) - 1)
        return hour + (worth_h - self._worth_h[hour]) / self._rates[hour]

    def later(self, from_h: float, worth_h: float) -> float:
        """The clock hour by which `worth_h` equivalent hours have passed since clock hour `from_h`."""
        return self.hour(self.worth_h(from_h) + worth_h)


def mean_c(temperatures_c: Sequence[float], from_h: float, to_h: float) -> float:
    """Mean temperature over a stretch of hours (at least a moment of it)."""
    to_h = max(to_h, from_h + 1e-6)
    last = len(temperatures_c) - 1
    total, at_h = 0.0, from_h
    while at_h < to_h:
        end_h = to_h if int(at_h) >= last else min(to_h, int(at_h) + 1.0)
        total += (end_h - at_h) * temperatures_c[min(int(at_h), last)]
        at_h = end_h
    return total / (to_h - from_h)


def learn_day(
    day_c: Sequence[float | None], fed_at_s: float, temperatures_c: Sequence[float | None]
) -> tuple[float | None, ...]:
    """The jar's usual temperature at each of the 24 hours of the day (UTC) after these hours from a feeding on."""
    day = list(day_c)
    for i, seen_c in enumerate(temperatures_c):
        if seen_c is not None:
            hour = int(fed_at_s // 3600 + i) % 24
            before_c = day[hour]
            day[hour] = seen_c if before_c is None else before_c + NEW_DAY_SHARE * (seen_c - before_c)
    return tuple(day)


def expected_c(
    day_c: Sequence[float | None], fed_at_s: float, seen_c: Sequence[float | None], hours: int, off_c: float = 0.0
) -> tuple[float, ...]:
    """Hourly temperatures from a feeding on, `hours` of them: those seen, then the jar's usual day, `off_c` warmer.

    What is to come starts from how far the last hour seen was off the usual day, and goes back to it within days.
    """
    day = learn_day(day_c, fed_at_s, seen_c)
    known = [t for t in day if t is not None]
    usual_c = sum(known) / len(known) if known else USUAL_C
    out = list(filled(seen_c)[:hours]) if any(t is not None for t in seen_c) else []

    def usual_at(i: int) -> float:
        at_c = day[int(fed_at_s // 3600 + i) % 24]
        return usual_c if at_c is None else at_c

    start = len(out)
    now_off_c = out[-1] - usual_at(start - 1) if out else 0.0
    for i in range(start, hours):
        out.append(usual_at(i) + off_c + now_off_c * math.exp(-(i - start + 1) / WEATHER_H))
    return tuple(out)
