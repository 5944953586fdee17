"""When the peak and the start of fall will come: earliest, likely, latest, at a 90 % range.

`starter_model` says what this starter usually does, and `rise_curve` how well each possible peak fits the rise seen so
far. Here the two are multiplied (Bayes) and turned into hours of the clock with the temperatures to come.
`plan.feeding` uses `hours_ahead` for a feeding that is still to come, `detect.expected` uses `forecast` once an hour.
Nothing is decided here: whether the peak or the fall has come is decided in `detect.rise_and_fall`.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import accumulate
from typing import NamedTuple

from monitor.core.forecast import beliefs, growth_rate, rise_curve, timing
from monitor.core.forecast import starter_model as starter_models
from monitor.core.forecast.starter_model import ByLaw, Culture, Prediction
from monitor.core.forecast.student_t import t_quantile, t_share
from monitor.values import CycleSoFar, Forecast, Span, Stage

FLAT_LEAST_H = 16.0  # a slow healthy starter at room temperature has begun to rise by then
FLAT_MOST_H = 60.0  # even one fed lean at 12 degC has
HORIZON_H = 96  # for so many hours after a feeding temperatures are expected; after that the last one stays
GRID = 17  # points on the time to the peak, in each of two passes
WAITS = 9  # equally likely waits after each
HALVINGS = 30  # between the hours that the laws say: accurate to a millionth
FURTHEST_SD = 3.5  # how far the grid reaches
UNDETECTED = 1.1  # a peak may be past for a tenth of its hours without having been decided yet
OVERDUE = 0.98  # when this share of all waits would be over, the fall is overdue
KNOWN_LATE_H = 2.0  # a fall becomes certain 40 to 140 min after it began: until then it may have begun unseen
LOOK_BEYOND_LN = 0.7  # for a starter later than anyone believed, the grid reaches to twice the hours gone
FAINT, FAINT_LN, LEAST_WEIGHT = 1e-3, -60.0, 1e-300  # of the best: outside of the second pass; no logarithm of zero
LEAST_WORTH_H = 0.1  # just fed: no logarithm of nothing
SKIPPED = 1e-4  # of the heaviest: peaks that unlikely change no quantile
SHAPE_RATIO, SHAPE_POINTS = 1.2, 5  # a lower rise, or one with fewer points, has no shape to learn from
LEAST_LN = -300.0  # of a likelihood: keeps it above zero
LOW, HIGH = 0.05, 0.95  # ranges hold 90 %
RANGE_SD = 1.645  # standard deviations of a normal to either side that hold 90 %

Weighted = list[tuple[float, float]]  # (value, weight)
Weathers = list[tuple[Sequence[float], float]]  # (hourly temperatures, weight)


class Hours(NamedTuple):
    """Hours from a feeding: earliest, likely and latest, a 90 % range."""

    earliest: float
    likely: float
    latest: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Rising:
    """Under one law: the outcome, how likely the law is, and weighted equivalent hours to the peak."""

    outcome: ByLaw
    likely: float
    peaks: Weighted


@dataclass(frozen=True, slots=True, kw_only=True)
class Ahead:
    """Hours from the feeding: earliest, likely, latest (a 90 % range) of the first touch of the top, of the highest
    point, of the start of fall and of being sunk half-way back."""

    top_h: Hours
    peak_h: Hours
    fall_h: Hours
    half_sunk_h: Hours


def hours_ahead(predicted: Prediction, temperatures_c: Sequence[float]) -> Ahead:
    """What to expect of a feeding at these hourly temperatures, before anything of its rise was seen."""
    laws = []
    for one in predicted.by_law:
        peaks = [(math.exp(ln_h), weight) for ln_h, weight in _grid(one, -math.inf, math.inf, GRID)]
        laws.append(_Rising(outcome=one, likely=one.likely, peaks=peaks))
    return _ahead(predicted, [(temperatures_c, 1.0)], laws, None)


def flat_after_h(latest_peak_h: float) -> float:
    """After how many hours a cycle that has not begun to rise counts as flat: at the latest hour predicted for its
    peak, within bounds. In such heat that the yeast may be dead, that hour alone would be too long to wait for.

    >>> flat_after_h(12.0), flat_after_h(30.0), flat_after_h(4000.0)
    (16.0, 30.0, 60.0)
    """
    return min(max(latest_peak_h, FLAT_LEAST_H), FLAT_MOST_H)


def forecast(culture: Culture, so_far: CycleSoFar) -> Forecast:
    """The forecast for an open cycle. Both parts are None where nothing can be said (resting, away, flat, no feeding
    known), and each is None once it has happened.

    >>> from monitor.values import Cycle, of_grams
    >>> fed = Cycle(jar="rye", number=1, fed_at_s=0.0, feeding=of_grams((25.0, 100.0, 100.0)))
    >>> just_fed = CycleSoFar(cycle=fed, now_s=0.0, stage=Stage.SETTLING, curve=(), temperature_c=24.0)
    >>> made = forecast(starter_models.prior(), just_fed)
    >>> [round(at_s / 3600.0) for at_s in (made.peak_at.earliest_s, made.peak_at.likely_s, made.peak_at.latest_s)]
    [5, 9, 17]
    """
    cycle, now_h = so_far.cycle, (so_far.now_s - so_far.cycle.fed_at_s) / 3600.0
    nothing = Forecast(made_at_s=so_far.now_s, peak_at=None, fall_at=None)
    if so_far.stage not in (Stage.SETTLING, Stage.RISING, Stage.PEAKED) or cycle.fall_at_s is not None:
        return nothing
    weathers = _weathers(culture, so_far)
    temperatures_c = weathers[0][0]
    predicted = starter_models.predict_fed(culture, temperatures_c, cycle.feeding)
    clocks = [(one, growth_rate.Clock(temperatures_c, one.rise_rate)) for one in predicted.by_law]
    if so_far.stage is Stage.PEAKED and cycle.peak_at_s is not None:
        peak_h = (cycle.peak_at_s - cycle.fed_at_s) / 3600.0
        laws = [_Rising(outcome=one, likely=one.likely, peaks=[(clock.worth_h(peak_h), 1.0)]) for one, clock in clocks]
        ahead = _ahead(predicted, weathers, laws, max(now_h - KNOWN_LATE_H, peak_h))
        return Forecast(made_at_s=so_far.now_s, peak_at=None, fall_at=_span(cycle.fed_at_s, ahead.fall_h))
    laws = [
        _peaks_given_rise(culture, one, _points(so_far.curve, clock), clock.worth_h(now_h)) for one, clock in clocks
    ]
    ahead = _ahead(predicted, weathers, laws, None)
    return Forecast(
        made_at_s=so_far.now_s,
        peak_at=_span(cycle.fed_at_s, ahead.peak_h),
        fall_at=_span(cycle.fed_at_s, ahead.fall_h),
    )


def learn_shape(culture: Culture, so_far: CycleSoFar) -> tuple[float, ...]:
    """The belief about the shape of this jar's rises after a closed cycle: `Culture.shapes` from now on."""
    cycle = so_far.cycle
    if cycle.peak_at_s is None or cycle.peak_ratio is None or cycle.peak_ratio < SHAPE_RATIO or not cycle.sure:
        return culture.shapes
    temperatures_c = growth_rate.filled(cycle.temperatures_c)
    growth = growth_rate.Clock(temperatures_c, beliefs.likeliest(culture.bank).rise_rate)
    peak_h = (cycle.peak_at_s - cycle.fed_at_s) / 3600.0
    rise = [point for point in so_far.curve if point[0] <= peak_h]
    if peak_h <= 0.0 or len(rise) < SHAPE_POINTS:
        return culture.shapes
    points = _points(rise, growth)
    return rise_curve.learned(culture.shapes, points, growth.worth_h(peak_h), cycle.peak_ratio - 1.0)


def _weathers(culture: Culture, so_far: CycleSoFar) -> Weathers:
    """The temperatures that may come: the usual ones, and ones as much warmer or colder as this jar's days differ.

    Three points stand for the normal spread (Gauss-Hermite quadrature: the middle, and the root of three variances to
    either side, with weights 4, 1, 1).
    """
    cycle, seen_c = so_far.cycle, so_far.cycle.temperatures_c
    if all(t is None for t in seen_c) and so_far.temperature_c is not None:
        seen_c = (so_far.temperature_c,)
    off_c = math.sqrt(3.0 * culture.weather.variance)
    return [
        (growth_rate.expected_c(culture.day_c, cycle.fed_at_s, seen_c, HORIZON_H, off), weight)
        for off, weight in ((0.0, 4.0), (off_c, 1.0), (-off_c, 1.0))
    ]


def _points(curve: Sequence[tuple[float, float, float]], growth: growth_rate.Clock) -> tuple[rise_curve.Point, ...]:
    """The rise seen so far in equivalent hours, thinned out."""
    return tuple((growth.worth_h(hours), ratio - 1.0, sd) for hours, ratio, sd in rise_curve.thinned(curve))


def _peaks_given_rise(culture: Culture, outcome: ByLaw, points: Sequence[rise_curve.Point], worth_h: float) -> _Rising:
    """Equivalent hours to the peak, weighted by the culture's belief times how well the rise fits; in two passes, the
    second only where the first found weight. The law's own chance is multiplied by how well the rise fits it
    overall."""
    ln_height, variance = culture.height
    height = math.exp(ln_height) - 1.0
    spread = math.exp(ln_height) * math.sqrt(variance + starter_models.HEIGHT_SCATTER**2)
    ln_shares = [math.log(share) for share in culture.shapes or rise_curve.USUAL]
    least_ln = math.log(max(worth_h, LEAST_WORTH_H) / UNDETECTED)
    low_ln, high_ln = least_ln, math.inf
    weighted: Weighted = []
    for _ in range(2):
        grid = _grid(outcome, low_ln, high_ln, GRID)
        lns = []
        for ln_h, weight in grid:
            alone = rise_curve.ln_fits(points, math.exp(ln_h), (height, spread))
            fits = [ln_share + fit for ln_share, fit in zip(ln_shares, alone, strict=True)]
            best = max(fits)
            lns.append(math.log(weight + LEAST_WEIGHT) + best + math.log(sum(math.exp(f - best) for f in fits)))
        best = max(lns)
        weights = [math.exp(max(value - best, FAINT_LN)) for value in lns]
        weighted = [(math.exp(ln_h), w) for (ln_h, _), w in zip(grid, weights, strict=True)]
        held = [i for i, w in enumerate(weights) if w > FAINT]
        low_ln = grid[max(held[0] - 1, 0)][0]
        high_ln = grid[min(held[-1] + 1, GRID - 1)][0]
    area = sum(weights) * (grid[1][0] - grid[0][0]) / math.sqrt(outcome.peak_var)
    return _Rising(outcome=outcome, likely=outcome.likely * math.exp(max(best, LEAST_LN)) * area, peaks=weighted)


def _grid(predicted: ByLaw, low_ln: float, high_ln: float, points: int) -> Weighted:
    """(ln equivalent hours to the peak, density) on an even grid where the belief is, cut to [low_ln, high_ln]."""
    sd, freedom = math.sqrt(predicted.peak_var), predicted.peak_freedom
    start = max(predicted.peak_ln - FURTHEST_SD * sd, low_ln)
    stop = min(
        max(predicted.peak_ln + FURTHEST_SD * sd, low_ln + LOOK_BEYOND_LN if low_ln > -math.inf else -math.inf), high_ln
    )
    step = (stop - start) / (points - 1)
    out = []
    for i in range(points):
        z = (start + i * step - predicted.peak_ln) / sd
        out.append((start + i * step, (1.0 + z * z / freedom) ** (-(freedom + 1.0) / 2.0)))
    return out


def _ahead(predicted: Prediction, weathers: Weathers, laws: Sequence[_Rising], not_before_h: float | None) -> Ahead:
    """Turn weighted equivalent hours to the peak into clock hours and add the wait until the fall to each, under each
    law with its share.

    `not_before_h`: the peak is past, and by that hour the fall had not come.
    """
    peak_times: list[Weighted] = []
    fall_times: list[Weighted] = []
    for one in laws:
        total = sum(weight for _, weight in one.peaks) / one.likely
        peaks, falls = [], []
        for temperatures_c, chance in weathers:
            some_peaks, some_falls = _on_the_clock(one.outcome, temperatures_c, one.peaks, not_before_h)
            peaks += [(hours, weight * chance / total) for hours, weight in some_peaks]
            falls += [(hours, weight * chance / total) for hours, weight in some_falls]
        peak_times.append(peaks)
        fall_times.append(falls)
    peak = _three(peak_times)
    fall = Hours(*(max(pair) for pair in zip(_three(fall_times), peak, strict=True)))
    share = timing.first_touch_h(peak.likely, fall.likely) / peak.likely
    return Ahead(
        top_h=Hours(*(share * hours for hours in peak)),
        peak_h=peak,
        fall_h=fall,
        half_sunk_h=_half_sunk(predicted, weathers[0][0], fall),
    )


def _on_the_clock(
    outcome: ByLaw, temperatures_c: Sequence[float], peaks: Weighted, not_before_h: float | None
) -> tuple[Weighted, Weighted]:
    """Clock hours of the peaks and of the falls after them, weighted."""
    slope = outcome.cov / outcome.peak_var
    sd = math.sqrt(max(outcome.wait_var - slope * outcome.cov, 1e-6))
    freedom = max(round(outcome.wait_freedom), 3)
    heaviest = max(weight for _, weight in peaks)
    usual_waits = [math.exp(sd * deviate) for deviate in _deviates(freedom)]
    growth = growth_rate.Clock(temperatures_c, outcome.rise_rate)
    waiting = growth_rate.Clock(temperatures_c, outcome.wait_rate)
    peak_times: Weighted = []
    fall_times: Weighted = []
    for worth_h, weight in peaks:
        if weight < SKIPPED * heaviest:
            continue
        peak_h = growth.hour(worth_h)
        peak_times.append((peak_h, weight))
        usual_h = math.exp(outcome.wait_ln + slope * (math.log(worth_h) - outcome.peak_ln))
        begun_h = waiting.worth_h(peak_h)
        waits = usual_waits
        if not_before_h is not None:
            gone_h = max(waiting.worth_h(not_before_h) - begun_h, 1e-3)
            waits = [math.exp(sd * deviate) for deviate in _beyond(math.log(gone_h / usual_h) / sd, freedom)]
        fall_times += [(waiting.hour(begun_h + usual_h * wait), weight / WAITS) for wait in waits]
    return peak_times, fall_times


def _half_sunk(predicted: Prediction, temperatures_c: Sequence[float], fall: Hours) -> Hours:
    """Hours to being sunk half-way back: those to the fall plus the time from there, which scatter independently."""
    sinking = growth_rate.Clock(temperatures_c, predicted.likeliest.wait_rate)
    ln_h, variance = predicted.sunk
    reach = RANGE_SD * math.sqrt(variance)
    least, likely, most = (sinking.later(fall.likely, math.exp(ln_h + off)) for off in (-reach, 0.0, reach))
    earlier = math.hypot(math.log(likely / least), math.log(fall.likely / fall.earliest) * fall.likely / likely)
    later = math.hypot(math.log(most / likely), math.log(fall.latest / fall.likely) * fall.likely / likely)
    return Hours(likely * math.exp(-earlier), likely, likely * math.exp(later))


@lru_cache(maxsize=64)
def _deviates(freedom: int) -> tuple[float, ...]:
    """`WAITS` equally likely values of Student's t."""
    return tuple(t_quantile((i + 0.5) / WAITS, freedom) for i in range(WAITS))


def _beyond(least: float, freedom: int) -> list[float]:
    """`WAITS` equally likely values of Student's t among those above `least`."""
    gone = t_share(least, freedom)
    if gone > OVERDUE:  # later than it has ever been: then soon, on the scale of the wait itself
        return [least + (i + 0.5) / WAITS for i in range(WAITS)]
    return [max(t_quantile(gone + (1.0 - gone) * (i + 0.5) / WAITS, freedom), least) for i in range(WAITS)]


def _three(by_law: Sequence[Weighted]) -> Hours:
    """The 5 %, 50 % and 95 % points of a mixture of weighted values, with one list for each law."""
    shares = [_Shares(values) for values in by_law]
    return Hours(*(_quantile(shares, share) for share in (LOW, 0.5, HIGH)))


class _Shares:
    """How much weight lies below a value: linear between the values' centres of weight."""

    def __init__(self, weighted: Weighted) -> None:
        weighted = sorted(weighted)
        below = list(accumulate((weight for _, weight in weighted), initial=0.0))
        self.values = [value for value, _ in weighted]
        self.below = [before + weight / 2.0 for before, (_, weight) in zip(below, weighted, strict=False)]
        self.total = below[-1]

    def under(self, value: float) -> float:
        """The weight below `value`."""
        if not self.values[0] < value < self.values[-1]:
            return 0.0 if value <= self.values[0] else self.total
        return _between(self.values, self.below, value)

    def at(self, weight: float) -> float:
        """The value below which that weight lies."""
        return _between(self.below, self.values, min(max(weight, self.below[0]), self.below[-1]))


def _between(marks: Sequence[float], values: Sequence[float], wanted: float) -> float:
    """The value at `wanted`, interpolated between `values` that stand at the ordered `marks`."""
    i = min(max(bisect_left(marks, wanted), 1), len(marks) - 1) if len(marks) > 1 else 0
    if i == 0 or marks[i] <= marks[i - 1]:
        return values[i]
    return values[i - 1] + (values[i] - values[i - 1]) * (wanted - marks[i - 1]) / (marks[i] - marks[i - 1])


def _quantile(shares: Sequence[_Shares], share: float) -> float:
    """The value below which that share of the mixture lies, found by halving where it has more than one part."""
    if len(shares) == 1:
        return shares[0].at(share * shares[0].total)
    low, high = (bound(one.at(share * one.total) for one in shares) for bound in (min, max))
    wanted = share * sum(one.total for one in shares)
    for _ in range(HALVINGS):
        middle = (low + high) / 2.0
        if sum(one.under(middle) for one in shares) < wanted:
            low = middle
        else:
            high = middle
    return (low + high) / 2.0


def _span(fed_at_s: float, hours: Hours) -> Span:
    low, likely, high = (fed_at_s + 3600.0 * h for h in hours)
    return Span(earliest_s=low, likely_s=likely, latest_s=high)
