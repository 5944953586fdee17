"""The course that a forecast predicts, for pictures: how high the dough will probably stand, and how high it may.

`peak_time` says when the peak and the start of fall will come, with ranges; people understand a curve sooner than two
ranges. Here each pair of a peak (earliest to latest) and a height (low to high) becomes one course through the level
now, and the quantiles of all courses become bands. Nothing is decided by it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from monitor.core.forecast.rise_curve import grown
from monitor.values import H_S, Span

POINTS = 48  # a chart of a day shows no more
LINGER, ROUND = 2.4, 2.0  # the usual shape of a rise (see rise_curve.LINGERS, ROUNDS)
USUAL_HEIGHT = (2.1, 0.35)  # of a fed, healthy starter, and its spread, before any rise was seen: common practice
LEAST_SPREAD, ONE_SPREAD = 0.06, 0.15  # of the height: however alike the last rises were, and after a single one
RISES = 6  # so many of the latest count
LOSES = 0.5  # share of its rise that a peaked dough gives back in the end: gas leaves, the crumb of bran stays up
SLOW_SHARE = 0.6  # of the hours to the peak: how long the sinking takes (common practice: slower than the rise's end)
AFTER_SHARE = 0.45  # of the hours to the fall that are drawn after it
NORMAL_5_PCT = 1.645  # standard deviations above which 5 % of a normal lie
QUANTILES = (0.05, 0.25, 0.5, 0.75, 0.95)  # what is possible (90 %), likely (50 %), and the middle
HEIGHTS = (-1.2, 0.0, 1.2)  # in standard deviations: three points stand for the spread of heights
SOON_S, HIGHER = 600.0, 0.01  # a peak that is still to come lies at least so far ahead, and so far above the ratio now
LOSES_SPREAD = 0.25  # of what is lost, a standard deviation: how far down a dough sinks differs by about as much
SINKS_POWER = 1.7  # between an even start (1) and one that gathers pace (2), as in `signal/fall_onset.py`
_STEPS = tuple(-1.75 + 0.5 * k for k in range(8))  # in standard deviations, even steps weighted by the normal curve


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """Columns of equal length: times, and the rise ratio's 5, 25, 50, 75 and 95 % quantiles at each."""

    time_s: tuple[float, ...]
    rise_ratios: tuple[tuple[float, ...], ...]


def height(past_ratios: Sequence[float]) -> tuple[float, float]:
    """The height to expect and its spread, from the rise ratios of the latest cycles, newest first."""
    latest = [ratio for ratio in past_ratios[:RISES] if ratio > 1.0]
    if not latest:
        return USUAL_HEIGHT
    mean = sum(latest) / len(latest)
    spread = (
        math.sqrt(sum((ratio - mean) ** 2 for ratio in latest) / len(latest)) if len(latest) > 1 else ONE_SPREAD * mean
    )
    return mean, max(spread, LEAST_SPREAD * (mean - 1.0))


def course(
    *, fed_at_s: float, now_s: float, ratio_now: float, peak_at: Span | None, peak_was_s: float | None,
    fall_at: Span | None, expected: tuple[float, float],
) -> Course | None:  # fmt: skip
    """The course from `now_s` on: up to `peak_at`, or from a peak in the past, and down from `fall_at` on. None where
    neither a peak nor a fall is predicted. `expected` is what `height` returns."""
    last = fall_at or peak_at
    if last is None or (peak_at is None and peak_was_s is None):
        return None
    end_s = max(last.likely_s + AFTER_SHARE * max(last.likely_s - fed_at_s, H_S), now_s + H_S)
    times_s = [now_s + (end_s - now_s) * i / (POINTS - 1) for i in range(POINTS)]
    paths: list[tuple[float, list[float]]] = []
    for z in _STEPS:
        for z_height in HEIGHTS:
            weight = math.exp(-0.5 * (z * z + z_height * z_height))
            fall_s = max(_at(fall_at, z), now_s) if fall_at is not None else None
            if peak_at is not None:
                peak_s = max(_at(peak_at, z), now_s + SOON_S)
                top = max(expected[0] + z_height * expected[1], ratio_now + HIGHER)
                path = [_rising(t, fed_at_s, now_s, ratio_now, peak_s, top, fall_s) for t in times_s]
            else:
                lost = LOSES * (1.0 + LOSES_SPREAD * z_height)
                hours = max((peak_was_s or now_s) - fed_at_s, H_S)
                path = [_sunk(t, fall_s or now_s, ratio_now, hours, lost) for t in times_s]
            paths.append((weight, path))
    return Course(
        time_s=tuple(round(t) for t in times_s),
        rise_ratios=tuple(
            tuple(round(q, 3) for q in _quantiles([(path[i], w) for w, path in paths])) for i in range(POINTS)
        ),
    )


def _at(span: Span, z: float) -> float:
    """The time `z` standard deviations from the likely one; the spread may differ between earlier and later."""
    side_s = span.latest_s - span.likely_s if z > 0 else span.likely_s - span.earliest_s
    return span.likely_s + z * max(side_s, 0.0) / NORMAL_5_PCT


def _rising(
    t: float, fed_at_s: float, now_s: float, ratio_now: float, peak_s: float, top: float, fall_s: float | None
) -> float:
    """One course: the usual shape, shifted so that it goes through the ratio now; the shift fades until the peak."""
    if t >= peak_s:
        return _sunk(t, max(fall_s or peak_s, peak_s), top, peak_s - fed_at_s, LOSES)
    hours = max(peak_s - fed_at_s, 1.0)

    def shape(at_s: float) -> float:
        return 1.0 + (top - 1.0) * grown((at_s - fed_at_s) / hours, LINGER, ROUND)

    left = (peak_s - t) / max(peak_s - now_s, 1.0)
    return min(shape(t) + (ratio_now - shape(now_s)) * left, top)


def _sunk(t: float, fall_s: float, top: float, hours_s: float, lost: float) -> float:
    """The rise ratio at `t`, after a fall from `top` that began at `fall_s`."""
    if t <= fall_s:
        return top
    slow_s = SLOW_SHARE * hours_s
    return 1.0 + (top - 1.0) * (1.0 - lost * (1.0 - math.exp(-(((t - fall_s) / slow_s) ** SINKS_POWER))))


def _quantiles(weighted: list[tuple[float, float]]) -> list[float]:
    weighted.sort()
    total, out, sum_, k = sum(w for _, w in weighted), [], 0.0, 0
    for value, weight in weighted:
        sum_ += weight
        while k < len(QUANTILES) and sum_ >= QUANTILES[k] * total - 1e-12:
            out.append(value)
            k += 1
    return out
