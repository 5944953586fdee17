"""Rivals of the detector: what general libraries and a plain scan make of the same recordings.

Each is helped: it is given the true feeding times and begins afresh at each, readings outside the jar are left out,
five-minute medians take away single wild values, nothing is claimed before a rise of 5 mm, each claims once a cycle,
and its thresholds were chosen on the tune half (`python -m tests.bench.detection_tune`): the most hits after
three hits are taken off for each false claim.
"""

from __future__ import annotations

import importlib
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache, partial

import numpy as np
from numpy.typing import NDArray

from tests.bench.detection_score import Claims
from tests.bench.detection_set import Recording, recording

Floats = NDArray[np.float64]
BLOCK_S = 300.0
RISEN_MM = 5.0


@dataclass(frozen=True, slots=True)
class Blocks:
    """One cycle's five-minute medians: when each block ends, its level, and the noise of blocks known by then."""

    at_s: Floats
    level_mm: Floats
    noise_mm: Floats
    risen: NDArray[np.bool_]


@cache
def helped(seed: int) -> tuple[Blocks, ...]:
    """The helped input of one recording, cycle by cycle; kept, since every rival and threshold asks for it."""
    return tuple(blocks(recording(seed)))


def blocks(given: Recording) -> Iterator[Blocks]:
    """The helped input, cycle by cycle."""
    inside = (given.distance_mm > 10.0) & (given.distance_mm < given.empty_mm)
    time_s, level_mm = given.time_s[inside], given.empty_mm - given.distance_mm[inside]
    order = np.argsort(time_s, kind="stable")
    time_s, level_mm = time_s[order], level_mm[order]
    for cycle in given.cycles:
        here = (time_s >= cycle.begin_s) & (time_s <= cycle.end_s)
        number = ((time_s[here] - cycle.begin_s) // BLOCK_S).astype(int)
        if number.size < 3:
            continue
        starts = np.concatenate(([0], np.flatnonzero(np.diff(number)) + 1))
        medians = np.array([np.median(part) for part in np.split(level_mm[here], starts[1:])])
        at_s = cycle.begin_s + (number[starts] + 1) * BLOCK_S
        steps = np.abs(np.diff(medians))
        noise = np.array([1.4826 * np.median(steps[:i]) / 2**0.5 if i > 5 else 1.0 for i in range(medians.size)])
        foot = np.median(medians[:12])
        yield Blocks(
            at_s, medians, np.maximum(noise, 0.2), np.maximum.accumulate(_smooth(medians, 6)) > foot + RISEN_MM
        )


def _smooth(values: Floats, width: int) -> Floats:
    """Trailing mean of the last `width` values (fewer at the beginning)."""
    total = np.concatenate(([0.0], np.cumsum(values)))
    index = np.arange(1, values.size + 1)
    first = np.maximum(index - width, 0)
    return (total[index] - total[first]) / (index - first)


def highest(given: Blocks, width: int, drop_mm: float) -> float | None:
    """scipy's `find_peaks` on what is known so far: a peak whose prominence (its right side included) is enough."""
    from scipy.signal import find_peaks

    level = _smooth(given.level_mm, width)
    top = np.maximum.accumulate(level)
    for i in np.flatnonzero(given.risen & (top - level >= drop_mm)):  # elsewhere the top peak cannot be that prominent
        if find_peaks(level[: i + 1], prominence=drop_mm)[0].size:
            return float(given.at_s[i])
    return None


def kalman(given: Blocks, drift: float, sigmas: float) -> float | None:
    """filterpy's Kalman filter with a level and a slope; the slope lies `sigmas` spreads below zero."""
    from filterpy.kalman import KalmanFilter

    follow = KalmanFilter(dim_x=2, dim_z=1)
    follow.x = np.array([[given.level_mm[0]], [0.0]])
    follow.P = np.diag([25.0, 25.0])
    follow.H = np.array([[1.0, 0.0]])
    before_s = given.at_s[0]
    for at_s, level, noise, risen in zip(given.at_s, given.level_mm, given.noise_mm, given.risen, strict=True):
        h = (at_s - before_s) / 3600.0
        before_s = at_s
        follow.F = np.array([[1.0, h], [0.0, 1.0]])
        follow.predict(Q=drift**2 * np.array([[h**3 / 3.0, h**2 / 2.0], [h**2 / 2.0, h]]))
        follow.update(level, R=noise**2)
        if risen and follow.x[1, 0] < -sigmas * follow.P[1, 1] ** 0.5:
            return float(at_s)
    return None


def page_hinkley(given: Blocks, width: int, delta: float, threshold: float) -> float | None:
    """river's Page-Hinkley test, downwards, on the smoothed level below its highest (against the plain level's own mean
    it could not speak before the surface is back at the middle of its rise)."""
    from river.drift import PageHinkley

    level = _smooth(given.level_mm, width)
    below = level - np.maximum.accumulate(level)
    test = PageHinkley(min_instances=6, delta=delta, threshold=threshold, alpha=1.0, mode="down")
    for at_s, value, noise, risen in zip(given.at_s, below, given.noise_mm, given.risen, strict=True):
        test.update(float(value / noise))
        if test.drift_detected and risen:
            return float(at_s)
    return None


def focus(given: Blocks, width: int, threshold: float) -> float | None:
    """FOCuS (Romano et al. 2023) for slopes below zero: differences of means of `width` blocks, over their spread.

    Begun afresh at each new highest mean: the library's one-sided test does not hold the sign of a change at its very
    first sample, so that a rise would set it off."""
    from changepoint_online import Focus, Gaussian

    test, top = Focus(Gaussian(loc=0.0), side="right"), -np.inf
    for i in range(2 * width - 1, given.level_mm.size, width):
        late, early = (
            given.level_mm[i - width + 1 : i + 1].mean(),
            given.level_mm[i - 2 * width + 1 : i - width + 1].mean(),
        )
        if late > top:
            test, top = Focus(Gaussian(loc=0.0), side="right"), late
            continue
        test.update(float((early - late) / (given.noise_mm[i] * (2.0 / width) ** 0.5)))
        if given.risen[i] and test.statistic() >= threshold:
            return float(given.at_s[i])
    return None


def piecewise(given: Blocks, penalty: float, slope_mm_per_h: float) -> float | None:
    """ruptures' bottom-up search for a continuous piecewise line, again every 15 min on all that is known of the cycle:
    the last piece goes down."""
    import ruptures

    for i in range(11, given.level_mm.size, 3):
        if not given.risen[i]:
            continue
        level = given.level_mm[: i + 1]
        search = ruptures.BottomUp(model="clinear", min_size=6, jump=3).fit(level)
        ends = search.predict(pen=penalty * given.noise_mm[i] ** 2 * np.log(level.size))
        begin = ends[-2] if len(ends) > 1 else 0
        piece_h = (given.at_s[begin : i + 1] - given.at_s[begin]) / 3600.0
        if begin and np.polyfit(piece_h, level[begin:], 1)[0] < -slope_mm_per_h:
            return float(given.at_s[i])
    return None


def scan(given: Blocks, sigmas: float, wander_mm: float) -> float | None:
    """Seven window lengths: the mean of the last window against the best earlier one of that length."""
    best: float | None = None
    for width in (2, 4, 8, 16, 32, 64, 96):
        if given.level_mm.size < 2 * width:
            break
        means = np.convolve(given.level_mm, np.ones(width) / width, mode="valid")
        now, at = means[width:], np.arange(2 * width - 1, given.level_mm.size)
        highest_mm = np.maximum.accumulate(means[:-width])
        spread = (given.noise_mm[at] ** 2 * 2.0 / width + wander_mm**2 * 2.0 / (1.0 + width / 6.0)) ** 0.5
        found = np.flatnonzero((highest_mm - now > sigmas * spread) & given.risen[at])
        if found.size:
            at_s = float(given.at_s[at[found[0]]])
            best = at_s if best is None else min(best, at_s)
    return best


Rival = Callable[..., float | None]
Thresholds = dict[str, float]


@dataclass(frozen=True, slots=True)
class Entry:
    """A rival, the package that it needs, its thresholds as tuned, and those that were tried."""

    rival: Rival
    package: str
    tuned: Thresholds
    tried: dict[str, tuple[float, ...]]


RIVALS = {
    "drop from the highest (find_peaks)": Entry(
        highest,
        "scipy",
        {"width": 12, "drop_mm": 3.0},
        {"width": (3, 6, 12), "drop_mm": (1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0)},
    ),
    "level-and-slope Kalman (filterpy)": Entry(
        kalman,
        "filterpy",
        {"drift": 0.05, "sigmas": 2.5},
        {"drift": (0.05, 0.1, 0.2, 0.4), "sigmas": (1.0, 1.5, 2.0, 2.5)},
    ),
    "Page-Hinkley (river)": Entry(
        page_hinkley,
        "river",
        {"width": 12, "delta": 0.3, "threshold": 70.0},
        {"width": (6, 12, 18), "delta": (0.1, 0.3, 0.6), "threshold": (30.0, 45.0, 70.0, 100.0, 150.0)},
    ),
    "FOCuS on slopes (changepoint-online)": Entry(
        focus,
        "changepoint_online",
        {"width": 18, "threshold": 4.0},
        {"width": (3, 6, 12, 18), "threshold": (2.0, 3.0, 4.0, 6.0, 8.0, 10.0, 13.0)},
    ),
    "piecewise linear (ruptures)": Entry(
        piecewise,
        "ruptures",
        {"penalty": 60.0, "slope_mm_per_h": 2.5},
        {"penalty": (30.0, 60.0, 120.0), "slope_mm_per_h": (1.5, 2.5, 4.0)},
    ),
    "seven-window scan": Entry(
        scan,
        "numpy",
        {"sigmas": 6.0, "wander_mm": 0.5},
        {"sigmas": (3.0, 3.5, 4.0, 4.5, 5.0, 6.0, 7.0), "wander_mm": (0.0, 0.3, 0.5, 0.7)},
    ),
}


def run(rival: Rival, thresholds: Thresholds, given: Recording) -> Claims:
    """The rival's claims, at most one a cycle."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        said = [rival(cycle, **thresholds) for cycle in helped(given.seed)]
    return Claims([at_s for at_s in said if at_s is not None])


def peers() -> dict[str, Callable[[Recording], Claims] | str]:
    """Name -> the rival with its tuned thresholds, or why it cannot run here."""
    found: dict[str, Callable[[Recording], Claims] | str] = {}
    for name, entry in RIVALS.items():
        try:
            importlib.import_module(entry.package)
        except ImportError as error:
            found[name] = f"{entry.package} is not installed ({error})"
        else:
            found[name] = partial(run, entry.rival, entry.tuned)
    return found
