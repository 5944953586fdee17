"""How fast yeast and bacteria grow at a temperature, and hours counted as if the kitchen were at 24 degC.

The first step of every forecast: `starter_model` learns and predicts in these equivalent hours, `peak_time` and `plan`
turn them back into hours of the clock. What this baker's own starter does is left to `starter_model`.

For a night that cools, the rate is integrated hour by hour over the temperatures seen.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable, Sequence
from itertools import accumulate, pairwise

REFERENCE_C = 24.0  # a usual warm kitchen, in the middle of what the trade's tables are written for
USUAL_C = 22.0  # assumed of a kitchen about which nothing is known

# Two yeasts lead sourdough starters, and which one a jar has is not known beforehand (Landis et al. 2021, eLife
# 10:e61644). Saccharomyces cerevisiae: least, best and greatest temperature of growth. Best and greatest: Salvado et
# al. 2011 (Appl. Environ. Microbiol. 77:2292); the least is the middle of what they give for its genus, 1.3 to 4.3.
CEREVISIAE_C = (2.8, 32.3, 45.4)
# Kazachstania humilis: share of its best rate at degC, from the letter in which Gaenzle gives the figures of Gaenzle et
# al. 1998 (Appl. Environ. Microbiol. 64:2616).
HUMILIS = ((8.0, 0.0), (14.0, 0.25), (20.0, 0.5), (28.0, 1.0), (32.0, 0.5), (34.0, 0.25), (35.0, 0.0))
# The same yeast in rye dough: best 28, stopped at 35 degC (Brandt et al. 2004, Eur. Food Res. Technol. 218:333), none
# at 8 as in the letter; by the cardinal model it stands the heat up to there better than by the letter.
HUMILIS_IN_DOUGH_C = (8.0, 28.0, 35.0)
PART_C = 28.0  # the best of K. humilis: beyond, one yeast slows down where the other still gets faster
# For a starter about which nothing is known, the law of *S. cerevisiae* is taken, but steeper: bakers' hours halve with
# 8 degC more (common practice), which the law alone does not give from 16 to 24 degC.
USUAL_STEEPNESS = 1.2

# Doubt about all laws where few have measured: a spread of ln(hours) that grows with each degC beyond.
COLD_C, COLD_SD_PER_C = 17.0, 0.04  # rates double every 4 to 10 degC there, by different tables
HOT_C, HOT_SD_PER_C = 34.0, 0.08
FLOOR_RATIO = 0.01  # of the rate at 24 degC; below it nothing is known except that it is slow
NEW_DAY_SHARE = 0.3  # weight of a new day in the usual one, which so follows the season within a week
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


def humilis(temperature_c: float) -> float:
    """Rate of *K. humilis* as a share (0 to 1) of its best: through each of its published points, smooth and without a
    turn between them (the monotone cubic of Fritsch and Carlson 1980, SIAM J. Numer. Anal. 17:238)."""
    place = bisect_right(_HUMILIS_C, temperature_c) - 1
    if not 0 <= place < len(HUMILIS) - 1:
        return 0.0
    (from_c, low), (to_c, high) = HUMILIS[place : place + 2]
    width_c = to_c - from_c
    x = (temperature_c - from_c) / width_c
    start, end = width_c * _HUMILIS_SLOPES[place], width_c * _HUMILIS_SLOPES[place + 1]
    bend = 3.0 * (high - low) - 2.0 * start - end
    return low + x * (start + x * (bend + x * (start + end - 2.0 * (high - low))))


def cerevisiae(temperature_c: float) -> float:
    """Rate of *S. cerevisiae* as a share (0 to 1) of its best, by the cardinal temperature model."""
    return cardinal(temperature_c, *CEREVISIAE_C)


def _slopes(points: Sequence[tuple[float, float]]) -> tuple[float, ...]:
    """Slope at each point for a monotone cubic: the harmonic mean of the slopes on both sides, weighted by their
    widths; 0 where they change sign. At the ends, the slope of the last step."""
    steps = [(c - a, (d - b) / (c - a)) for (a, b), (c, d) in pairwise(points)]
    inner = []
    for (before_c, before), (after_c, after) in pairwise(steps):
        turns = before * after <= 0.0
        weights = 2.0 * after_c + before_c, after_c + 2.0 * before_c
        inner.append(0.0 if turns else sum(weights) / (weights[0] / before + weights[1] / after))
    return (steps[0][1], *inner, steps[-1][1])


_HUMILIS_C = tuple(temperature_c for temperature_c, _ in HUMILIS)
_HUMILIS_SLOPES = _slopes(HUMILIS)


def humilis_in_dough(temperature_c: float) -> float:
    """Rate of *K. humilis* in rye dough as a share (0 to 1) of its best, by the cardinal temperature model."""
    return cardinal(temperature_c, *HUMILIS_IN_DOUGH_C)


LAWS = (cerevisiae, humilis, humilis_in_dough)  # a belief names its law by its place here
_AT_REFERENCE = tuple(law(REFERENCE_C) for law in LAWS)


def ln_rate(temperature_c: float, law: int) -> float:
    """ln of the rate by one of `LAWS` relative to 24 degC, never below ln(`FLOOR_RATIO`)."""
    return math.log(max(LAWS[law](temperature_c) / _AT_REFERENCE[law], FLOOR_RATIO))


def growth_rate(steepness: float = USUAL_STEEPNESS, law: int = 0) -> Rate:
    """The rate of rising at a temperature, relative to 24 degC. A `steepness` of 1 is the published law, 0 a starter
    that ignores temperature. Without arguments, that of the usual starter."""
    return lambda temperature_c: math.exp(steepness * ln_rate(temperature_c, law))


def doubt_sd(temperature_c: float) -> float:
    """Spread of ln(hours) for what the laws leave open: zero from 17 to 34 degC, growing beyond."""
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
    """Turns hours of the clock into hours at 24 degC and back, for given hourly temperatures and a rate.

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
    """Mean temperature from one hour to another (over a moment, where they are the same)."""
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
    """The jar's usual temperature at each of the 24 hours of the day (UTC), after the hourly ones since a feeding."""
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

    The hours to come begin as far off the usual day as the last hour seen was, and return to it within days.
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
