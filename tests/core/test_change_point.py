"""The scan for the fall and the fit of the peak: against brute force, published run lengths and certified peaks."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.core.detect.cycle import TABLE, follows
from monitor.core.signal.bins import (
    BIN_MIN,
    BIN_S,
    MOST,
    BinSeries,
    add,
    append,
    close_until,
    packed,
    unpacked,
    window_mean,
)
from monitor.core.signal.change_point import FALL_Z, LUCK, SCALES, ScanMaxima, catch_up, search
from monitor.core.signal.noise import Noise, wander_of_mean
from monitor.core.signal.peak_fit import fit_peak, fit_polynomial
from monitor.values import EventKind, Stage

STILL = Noise(white_mm2=1.0, wander_mm2=0.0, tau_min=10.0)


def history_of(levels: list[float | None]) -> BinSeries:
    series = BinSeries(first=0)
    for level in levels:
        append(series, math.nan if level is None else level, 0.0 if level is None else 1.0)
    return series


# --- the scan -------------------------------------------------------------------------------------------------------


@settings(max_examples=25, deadline=None)
@given(st.lists(st.one_of(st.none(), st.floats(20.0, 120.0), st.floats(20.0, 120.0)), min_size=8, max_size=90))
def test_the_running_scan_is_the_brute_force_one(levels: list[float | None]) -> None:
    noise = Noise(white_mm2=0.7, wander_mm2=0.2, tau_min=12.0)
    running, series, found = ScanMaxima(), BinSeries(first=0), None
    for level in levels:
        append(series, math.nan if level is None else level, 0.0 if level is None else 1.0)
        found = search(running, series, noise)
    y = np.array([math.nan if level is None else level for level in levels])

    def mean(end: int, bins: int) -> float | None:
        part = y[end - bins : end] if end >= bins else y[:0]
        good = part[~np.isnan(part)]
        return float(good.mean()) if part.size and good.size >= bins / 3.0 and good.size else None

    n = y.size
    best = None
    hour = y[max(0, n - 12) :]
    filled = max(int((~np.isnan(hour)).sum()), 1)
    white = noise.white_mm2 * (~np.isnan(hour)).sum() / filled * hour.size / filled
    for late in SCALES:
        now = mean(n, late)
        for early in SCALES:
            before = [m for end in range(1, n - late + 1) if (m := mean(end, early)) is not None]
            if now is None or not before:
                continue
            of_late, of_early = (white / bins + wander_of_mean(noise, bins * BIN_MIN) for bins in (late, early))
            luck = LUCK * (2.0 * math.log(max(n / early, 1.0)) * of_early) ** 0.5
            z = (max(before) - luck - now) / (of_late + of_early) ** 0.5
            best = z if best is None or z > best else best
    if best is None or best < 1e-9:  # nothing stands lower than before
        assert found is None or found.z < 1e-9
    else:
        assert found is not None
        assert found.z == pytest.approx(best, rel=1e-9, abs=1e-9)


def run_lengths(shift: float, threshold: float, runs: int, most: int, warm: int, seed: int) -> list[int]:
    """Bins from a change by `shift` standard deviations (down) to the first z at or above `threshold`."""
    rng = random.Random(seed)
    lengths = []
    for _ in range(runs):
        scan, series = ScanMaxima(), BinSeries(first=0)
        for k in range(most):
            append(series, rng.gauss(60.0 - (shift if k >= warm else 0.0), 1.0), 1.0)
            drop = search(scan, series, STILL)
            if drop is not None and drop.z >= threshold:
                break
        lengths.append(k + 1 - warm)
    return lengths


@pytest.mark.parametrize("shift", [1.0, 2.0])
def test_no_faster_than_the_optimal_test_and_not_much_slower(shift: float) -> None:
    """At equal run length to a false alarm, no rule can beat CUSUM by more than chance (Moustakides 1986), and one that
    knows neither the size nor the level before (60 bins are all it has of that) takes up to 2.5 times as long.

    The scan's own run length is measured on its noise at a threshold low enough to be reached; CUSUM's delay at that
    run length is Siegmund's approximation (1985; it gives 465 and 10.4 for h = 5 where Lucas and Crosier 1982 print
    465 and 10.4, two-sided).
    """
    threshold = 3.4
    quiet = run_lengths(0.0, threshold, 60, 800, 0, 1)
    arl0 = sum(quiet) / sum(length < 800 for length in quiet)  # exponential, with runs cut at 800
    delays = [length for length in run_lengths(shift, threshold, 80, 400, 60, 2) if length > 0]
    delay = float(np.mean(delays))

    def siegmund(d: float, h: float) -> float:
        b = h + 1.166
        return (math.exp(-2.0 * d * b) + 2.0 * d * b - 1.0) / (2.0 * d * d)

    assert 1.0 / (2.0 / siegmund(-0.5, 5.0)) == pytest.approx(465.4, rel=0.01)  # published: 465
    assert siegmund(0.5, 5.0) == pytest.approx(10.376, rel=0.01)  # published: 10.4
    k = shift / 2.0
    h = next(x / 100.0 for x in range(1, 3000) if siegmund(-k, x / 100.0) >= arl0)
    optimal = siegmund(k, h)
    assert optimal * 0.9 <= delay <= optimal * 2.5


def test_noise_alone_does_not_reach_the_threshold() -> None:
    assert max(run_lengths(0.0, FALL_Z, 6, MOST, 0, 3)) == MOST


def test_the_scan_can_be_made_again_from_the_history() -> None:
    rng = random.Random(4)
    levels: list[float | None] = [None if rng.random() < 0.2 else rng.gauss(60.0, 2.0) for _ in range(200)]
    one = ScanMaxima()
    series = BinSeries(first=5)
    for level in levels:
        append(series, math.nan if level is None else level, 0.0 if level is None else 3.0)
        catch_up(one, series)
    other = ScanMaxima()
    catch_up(other, unpacked(packed(series)))
    assert (one.best, one.best_at, one.bins) == (other.best, other.best_at, other.bins)


# --- the series ----------------------------------------------------------------------------------------------------


def test_bins_close_on_the_grid_and_gaps_are_empty_bins() -> None:
    series = BinSeries()
    add(series, 10 * BIN_S + 20.0, 50.0, 2.0)
    add(series, 10 * BIN_S + 80.0, 53.0, 1.0)
    assert not close_until(series, 11 * BIN_S - 1.0)
    assert close_until(series, 13 * BIN_S)
    assert (series.first, series.open_number) == (10, 13)
    assert list(series.mean)[:1] == [51.0]
    assert list(series.readings) == [3.0, 0.0, 0.0]
    assert window_mean(series, 3, 3) == 51.0


def test_the_history_is_bounded() -> None:
    series = BinSeries()
    for k in range(2000):
        close_until(series, k * BIN_S)
        add(series, k * BIN_S, 50.0, 1.0)
    assert len(series.mean) == MOST


# --- the peak's time ------------------------------------------------------------------------------------------------


@settings(max_examples=30, deadline=None)
@given(st.lists(st.floats(-5.0, 5.0), min_size=12, max_size=40), st.integers(1, 4))
def test_polynomials_are_least_squares(values: list[float], degree: int) -> None:
    x = np.linspace(-1.0, 1.0, len(values))
    found = fit_polynomial(list(zip(x.tolist(), values, strict=True)), degree)
    assert found == pytest.approx(np.polynomial.polynomial.polyfit(x, values, degree).tolist(), abs=1e-7)


def eckerle4(x: float) -> float:
    """NIST StRD Eckerle4 at its certified parameters: a peak at x = 451.54121844."""
    return 1.5543827178 / 4.0888321754 * math.exp(-0.5 * ((x - 451.54121844) / 4.0888321754) ** 2)


def test_certified_peaks_are_found() -> None:
    # Eckerle4, a bin each 0.2: certified centre 451.541
    levels: list[float | None] = [100.0 * eckerle4(435.0 + 0.2 * k) for k in range(140)]
    found = fit_peak(history_of(levels), 80)
    assert found is not None
    assert 435.0 + 0.2 * (found[0] / BIN_S - 0.5) == pytest.approx(451.541, abs=0.1)
    # MGH17, a bin each 0.5: its maximum is at x = 28.416, y = 0.93726 (from the certified parameters)
    b1, b2, b3, b4, b5 = 0.37541005211, 1.9358469127, -1.4646871366, 0.012867534640, 0.022122699662
    mgh17 = [b1 + b2 * math.exp(-0.5 * k * b4) + b3 * math.exp(-0.5 * k * b5) for k in range(120)]
    found = fit_peak(history_of([100.0 * y for y in mgh17]), 50)
    assert found is not None
    assert 0.5 * (found[0] / BIN_S - 0.5) == pytest.approx(28.416, abs=0.6)
    assert found[1] == pytest.approx(93.726, abs=0.1)


def test_the_fit_errs_less_than_the_highest_bin() -> None:
    rng = random.Random(6)
    fitted, raw = [], []
    for _ in range(60):
        levels = [80.0 - 25.0 * ((k - 90.3) / 80.0) ** 2 + rng.gauss(0.0, 0.4) for k in range(125)]
        found = fit_peak(history_of(list(levels)), 88)
        assert found is not None
        fitted.append(abs(found[0] / BIN_S - 0.5 - 90.3))
        raw.append(abs(max(range(125), key=levels.__getitem__) - 90.3))
    assert np.median(fitted) < 0.6 * np.median(raw)


def test_too_little_is_no_peak() -> None:
    assert fit_peak(history_of([50.0, None, 51.0]), 1) is None


# --- the table of stages --------------------------------------------------------------------------------------------


def test_the_table_covers_each_stage_and_only_known_events() -> None:
    assert set(TABLE) <= set(EventKind)
    assert {after for moves in TABLE.values() for after in moves.values()} == set(Stage) - {Stage.UNKNOWN}
    for stage in Stage:
        assert follows(stage, EventKind.FED, stage) is Stage.SETTLING  # a feeding begins again from anywhere
        assert follows(stage, EventKind.LID_OFF, stage) is stage
        assert follows(stage, EventKind.JAR_BACK, Stage.RISING) is Stage.RISING
    assert follows(Stage.FALLING, EventKind.PEAK_REACHED, Stage.FALLING) is Stage.FALLING
    assert follows(Stage.SETTLING, EventKind.FALL_BEGAN, Stage.SETTLING) is Stage.SETTLING  # no fall without a rise
