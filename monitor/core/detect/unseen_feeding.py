"""A feeding that caused no jump shows only in what follows: the level rises again after its fall, or it sank during a
silence and has been rising since. This module decides whether there was such a feeding, and when.

Asked by `rise_and_fall.py` (which opens the cycle) and `fall.py`.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp

from monitor.core.detect.cycle import OpenCycle
from monitor.core.signal.bins import BIN_MIN, BIN_S, BinSeries, window_mean
from monitor.core.signal.change_point import NOTHING

# The rise that shows a feeding in hindsight: more than lid, mist and wander add up to; even a weak starter rises 20 %.
FRESH_LEAST_MM, FRESH_LEAST_SHARE = 7.0, 0.14
RISE_AFTER_MM = 3.0  # mist and lids do up to 2 mm
FOOT_SHARE = 0.3  # of that rise: a level below it has not begun to rise
STEP_LEAST_MM = 3.0  # in 25 min: a starter sinks by 2 mm at most
LAG_MOST_S = 8 * 3600.0  # what is fed has begun to rise by then
# What is fed rises within hours, so its lowest level comes soon after the feeding. The longer it went on sinking after
# an opening of the lid, the more likely that was only a look; hands that were only guessed at have to lie nearer.
SOON_LOW_S, LATE_LOW_S, OPENED_MOST_S, HANDLED_MOST_S = 3600.0, 7200.0, 3 * 3600.0, 2 * 3600.0
SLOW_BINS = 5  # 25 min: the mean from which the lowest level and the rise are counted
SLOW_MIN = SLOW_BINS * BIN_MIN
STEP_BINS, STEP_LOOK_BINS = 5, 36
SINKS_BINS = 12  # an hour shows which way it goes
# A feeding takes two minutes at least, so readings each minute or oftener show whether the lid stayed on, unless more
# than a seventh of them are missing in two neighbouring bins.
SHOWING_S, SHOWN_SHARE = 75.0, 0.85


def since_silence(series: BinSeries, back_s: float) -> tuple[float, float] | None:
    """(mm, mm): how far the latest half hour lies above the first half hour after a silence that ended at `back_s`, and
    above the lowest half hour since. None before there are SINKS_BINS bins."""
    first, last, half = int(back_s // BIN_S) - series.first + 1, len(series.mean), SINKS_BINS // 2
    if first < 0 or last - first < SINKS_BINS:
        return None
    ends = [i for i in range(first + half, last + 1) if series.present[i] > series.present[i - half]]
    means = [window_mean(series, i, half) for i in ends]
    return (means[-1] - means[0], means[-1] - min(means)) if means else None


def highest_before(series: BinSeries, time_s: float) -> float:
    """The highest 25 min mean that ended before `time_s`, mm; NOTHING when there is none."""
    last = min(int(time_s // BIN_S) - series.first, len(series.mean))
    full = (i for i in range(SLOW_BINS, last + 1) if series.present[i] > series.present[i - SLOW_BINS])
    return max((window_mean(series, i, SLOW_BINS) for i in full), default=NOTHING)


def lowest_since(series: BinSeries, since_s: float) -> tuple[float, float]:
    """(the lowest 25 min mean in mm since `since_s`, its time); the newest of equal ones. There must be a level."""
    first, last = max(SLOW_BINS, int(since_s // BIN_S) - series.first), len(series.mean)
    full = (i for i in range(first, last + 1) if series.present[i] > series.present[i - SLOW_BINS])
    low_mm, newest = min((window_mean(series, i, SLOW_BINS), -i) for i in full)
    return low_mm, (series.first - newest - SLOW_BINS / 2) * BIN_S


def step_down(series: BinSeries, low_at_s: float) -> tuple[float, float]:
    """(when, by how much in mm) the level went down most steeply before its lowest at `low_at_s`: a feeding that was no
    jump hides there. Where that is a silence, it may have been at any time in it, and its middle errs least."""
    lowest = int(low_at_s // BIN_S) - series.first
    from_i, to_i = max(0, lowest - STEP_LOOK_BINS - STEP_BINS), min(lowest + 2 * STEP_BINS, len(series.mean))
    held = [i for i in range(from_i, to_i) if series.readings[i] > 0.0]
    best, at = 0.0, float(lowest)
    for k in range(STEP_BINS, len(held) - STEP_BINS + 1):
        before, after = held[k - STEP_BINS : k], held[k : k + STEP_BINS]
        down = (sum(series.mean[i] for i in before) - sum(series.mean[i] for i in after)) / STEP_BINS
        if down > best:
            best, at = down, (before[-1] + 1 + after[0]) / 2.0
    return (series.first + at) * BIN_S, best


@dataclass(frozen=True, slots=True)
class RoseAgain:
    """A feeding known by the rise after it: when it was, how far the level has risen since (mm), and, where no opening
    of the lid dates it, between which times it was (`about`)."""

    fed_at_s: float
    rose_mm: float
    about: tuple[float, float] | None


def rose_again(
    cycle: OpenCycle,
    series: BinSeries,
    level_mm: float,
    at_s: float,
    needed_mm: float,
    bottom_mm: float,
    sampling_s: float | None = None,
) -> RoseAgain | None:
    """The feeding that a fresh rise shows; None while the level does not rise afresh.

    After its fall, a starter rises again only when it was fed (or stirred). This finds, hours late, a feeding that was
    too small for a jump or put back as much as it took. `level_mm` is the latest 25 min mean, its middle at `at_s`;
    `needed_mm` is the least rise that counts as one. Where readings each `sampling_s` show that the lid stayed on all
    the while, it rose by itself (from warmth, for one), and the next rise is counted from there.
    """
    if cycle.low_mm is None or level_mm < cycle.low_mm:
        cycle.low_mm, cycle.low_at_s = level_mm, at_s
    elif at_s - cycle.low_at_s > LAG_MOST_S:  # a slow drift is no rise
        cycle.low_mm, cycle.low_at_s = lowest_since(series, at_s - LAG_MOST_S)
    least_mm = max(needed_mm, FRESH_LEAST_MM, FRESH_LEAST_SHARE * (cycle.low_mm - bottom_mm))
    if level_mm - cycle.low_mm <= least_mm or cycle.stirred:
        return None
    dated = _dated(cycle, series, at_s, cycle.low_mm + FOOT_SHARE * least_mm, sampling_s)
    if dated is None:
        cycle.low_mm, cycle.low_at_s = level_mm, at_s
        return None
    fed_at_s, about = dated
    return RoseAgain(fed_at_s, level_mm - cycle.low_mm, about)


def _dated(
    cycle: OpenCycle, series: BinSeries, at_s: float, foot_mm: float, sampling_s: float | None
) -> tuple[float, tuple[float, float] | None] | None:
    """When it was fed: at the opening of the lid that looks most like a feeding, among those that the rise can have
    come from; else where the level stepped as at a feeding; else, roughly, where it stepped down unseen or stood
    lowest, but never while readings show that the lid was on. None when the readings show that throughout."""
    first_s, last_s = at_s - LAG_MOST_S, _foot_end_s(series, foot_mm)
    opened = [
        (one.fed_odds * exp(-max(cycle.low_at_s - one.time_s - SOON_LOW_S, 0.0) / LATE_LOW_S), one.time_s)
        for one in cycle.openings
        if first_s <= one.time_s <= last_s and cycle.low_at_s - one.time_s <= OPENED_MOST_S
    ]
    if opened:
        return max(opened)[1], None
    handled_s = cycle.handled_at_s
    if handled_s is not None and at_s - handled_s <= LAG_MOST_S and cycle.low_at_s - handled_s <= HANDLED_MOST_S:
        return handled_s, None
    about_s, down_mm = step_down(series, cycle.low_at_s)
    if down_mm < STEP_LEAST_MM or cycle.low_at_s - about_s > HANDLED_MOST_S:
        about_s = cycle.low_at_s
    from_s, to_s = min(about_s, max(first_s, cycle.fall_at_s or first_s)), max(about_s, last_s)
    if sampling_s is None or sampling_s > SHOWING_S:
        return about_s, (from_s, to_s)
    perhaps = _not_shown(series, from_s, to_s, sampling_s)
    if not perhaps:
        return None
    return min(perhaps, key=lambda time_s: abs(time_s - about_s)), (perhaps[0] - BIN_S / 2, perhaps[-1] + BIN_S / 2)


def _not_shown(series: BinSeries, from_s: float, to_s: float, sampling_s: float) -> list[float]:
    """The middles of those bins between the two times in which too many readings are missing to know that the lid was
    on."""
    usual = 2.0 * BIN_S / sampling_s
    first, last = (min(max(int(time_s // BIN_S) - series.first, 0), len(series.mean) - 1) for time_s in (from_s, to_s))
    read = series.readings
    pairs = (i for i in range(first, last) if read[i] + read[i + 1] < SHOWN_SHARE * usual)
    return [(series.first + i + 0.5) * BIN_S for i in sorted({bin_ for i in pairs for bin_ in (i, i + 1)})]


def _foot_end_s(series: BinSeries, foot_mm: float) -> float:
    """When the last 25 min mean that was not above `foot_mm` ended: since then the level has been rising."""
    last = len(series.mean)
    for i in range(last, SLOW_BINS - 1, -1):
        held = series.present[i] > series.present[i - SLOW_BINS]
        if held and window_mean(series, i, SLOW_BINS) <= foot_mm:
            return (series.first + i) * BIN_S
    return (series.first + last) * BIN_S
