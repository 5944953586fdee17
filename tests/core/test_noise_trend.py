"""Noise and trend against closed forms, simulation and a plain weighted least-squares answer."""

from __future__ import annotations

from math import exp

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy import stats

from monitor.core.signal import noise as noises
from monitor.core.signal.block import OpenBlock, close, put
from monitor.core.signal.noise import Noise, fit_wander, learn_block, learn_wander, spreads, wander_of_mean
from monitor.core.signal.trend import MEMORY_S, Trend, add, line


def wander(rng: np.random.Generator, count: int, sd_mm: float, tau_min: float, step_min: float = 5.0) -> np.ndarray:
    """Means over 5 min of an Ornstein-Uhlenbeck process, simulated at ten points a bin."""
    fine = 10
    keep = exp(-step_min / fine / tau_min)
    shocks = rng.normal(0.0, sd_mm * (1.0 - keep * keep) ** 0.5, count * fine)
    x = np.empty(count * fine)
    value = rng.normal(0.0, sd_mm)
    for i, shock in enumerate(shocks):
        value = keep * value + shock
        x[i] = value
    return x.reshape(count, fine).mean(axis=1)


@pytest.mark.parametrize(("sd_mm", "step_mm"), [(0.4, 1.0), (1.0, 1.0), (3.0, 1.0), (0.8, 0.1)])
@pytest.mark.parametrize("a_minute", [6, 1])
def test_white_noise_is_learnt_with_its_rounding(sd_mm: float, step_mm: float, a_minute: int) -> None:
    rng = np.random.default_rng(3)
    found = Noise()
    for number in range(1500):
        minute = OpenBlock()
        for k in range(a_minute):
            # the level moves by 12 mm/h under it
            value = round((100.3 - number * 0.2 + rng.normal(0.0, sd_mm)) / step_mm) * step_mm
            put(minute, number, number * 60.0 + k * 60.0 / a_minute, value)
        learn_block(found, close(minute, noises.white_sd(found)))
    assert noises.white_sd(found) == pytest.approx((sd_mm**2 + step_mm**2 / 12.0) ** 0.5, rel=0.12)


def test_variance_of_a_mean_of_wander_is_that_of_the_process() -> None:
    rng = np.random.default_rng(5)
    found = Noise(wander_mm2=0.36, tau_min=15.0)
    x = wander(rng, 60_000, 0.6, 15.0)
    for bins in (1, 4, 12):
        means = x[: x.size // bins * bins].reshape(-1, bins).mean(axis=1)
        assert wander_of_mean(found, 5.0 * bins) == pytest.approx(means.var(), rel=0.08)
    assert wander_of_mean(found, 1e5) == pytest.approx(0.36 * 2.0 * 15.0 / 1e5, rel=0.01)  # sd^2 2 tau / T


@pytest.mark.parametrize("tau_min", [5.0, 12.0, 27.0])
def test_expected_third_differences_are_those_of_the_process(tau_min: float) -> None:
    rng = np.random.default_rng(7)
    x = wander(rng, 60_000, 1.0, tau_min)
    for span in noises.SPANS:
        means = x[: x.size // span * span].reshape(-1, span).mean(axis=1)
        third = means[3:] - 3.0 * means[2:-1] + 3.0 * means[1:-2] - means[:-3]
        assert noises._rough(span, tau_min) == pytest.approx((third**2).mean() / 20.0, rel=0.06)


@pytest.mark.parametrize(("sd_mm", "tau_min"), [(0.3, 8.0), (0.5, 15.0), (0.7, 25.0)])
def test_slow_power_of_the_wander_is_learnt_within_a_factor_of_four(sd_mm: float, tau_min: float) -> None:
    rng = np.random.default_rng(11)
    found = Noise()
    white_mm2 = 0.05
    x = wander(rng, 400, sd_mm, tau_min) + rng.normal(0.0, white_mm2**0.5, 400)
    x = x + 60.0 / (1.0 + np.exp(-(np.arange(400) - 150) / 20.0))  # under a rise of 60 mm
    for i in range(16, 400):
        for number, span in enumerate(noises.SPANS):
            newest, second, third, oldest = (float(x[i - (k + 1) * span : i - k * span].mean()) for k in range(4))
            learn_wander(found, number, newest - 3.0 * second + 3.0 * third - oldest, white_mm2 / span)
    fit_wander(found)
    power = found.wander_mm2 * 2.0 * found.tau_min
    assert 0.25 <= power / (sd_mm**2 * 2.0 * tau_min) <= 4.0


def test_the_wander_is_the_posterior_mean_over_its_candidates() -> None:
    """scipy's gamma density is the reference: a mean of squares that count as so many free ones is a scaled chi-square
    (Cox and Miller 1965 for means of squares), and differences over longer spans overlap the more."""
    found = Noise()
    found.rough_n, found.rough_mm2, found.rough_white_mm2 = [300.0, 200.0, 120.0], [0.5, 0.9, 1.6], [0.1, 0.05, 0.02]
    fit_wander(found)
    logs = []
    for _, _, weight, expected in noises.WANDERS:
        free = [n / (2.0 * span) for n, span in zip(found.rough_n, noises.SPANS, strict=True)]
        mean = [m + white for m, white in zip(expected, found.rough_white_mm2, strict=True)]
        logs.append(
            weight
            + sum(
                stats.gamma.logpdf(seen, a=k / 2.0, scale=m / (k / 2.0))
                for seen, k, m in zip(found.rough_mm2, free, mean, strict=True)
            )
        )
    chance = np.exp(np.array(logs) - max(logs))
    chance /= chance.sum()
    variance, power = (
        sum(p * value for p, value in zip(chance, values, strict=True))
        for values in ([v for v, *_ in noises.WANDERS], [v * tau for v, tau, *_ in noises.WANDERS])
    )
    assert found.wander_mm2 == pytest.approx(variance, rel=1e-9)
    assert found.tau_min == pytest.approx(power / variance, rel=1e-9)


@given(
    st.lists(
        st.tuples(st.integers(1, 20), st.floats(-50.0, 50.0), st.sampled_from([1.0, 2.0, 6.0])), min_size=4, max_size=60
    )
)
def test_the_trend_is_weighted_least_squares_on_the_whole_prefix(rows: list[tuple[int, float, float]]) -> None:
    trend = Trend()
    time_s, times, levels, weights = 0.0, [], [], []
    for minutes, level, weight in rows:
        time_s += minutes * 60.0
        add(trend, time_s, level, weight)
        times.append(time_s)
        levels.append(level)
        weights.append(weight)
    age_min = (np.array(times) - time_s) / 60.0
    share = np.array(weights) * np.exp(age_min * 60.0 / MEMORY_S)
    middle = np.average(age_min, weights=share)
    assume(np.average((age_min - middle) ** 2, weights=share) > 1.01)  # below a minute's spread no slope is said
    w = np.sqrt(np.array(weights) * np.exp(age_min * 60.0 / MEMORY_S))
    (level, slope), *_ = np.linalg.lstsq(np.stack([w, w * age_min], axis=1), w * np.array(levels), rcond=None)
    found = line(trend)
    assert found is not None
    assert found[0] == pytest.approx(level, abs=1e-6)
    assert found[1] == pytest.approx(slope, abs=1e-6)


def test_the_slopes_spread_is_that_of_many_noises() -> None:
    rng = np.random.default_rng(13)
    slopes = []
    for _ in range(400):
        trend = Trend()
        for k in range(60):
            add(trend, k * 60.0, float(rng.normal()), 1.0)
        found = line(trend)
        assert found is not None
        slopes.append(found[1])
    assert np.std(slopes) == pytest.approx(
        found[2], rel=0.2
    )  # squared weights are taken to fade about the same mean age


@pytest.mark.parametrize(("freedom", "quantile"), [(5, 2.571), (10, 2.228), (30, 2.042), (600, 1.964)])
def test_what_is_rare_while_the_noise_is_hardly_known(freedom: int, quantile: float) -> None:
    """Student's two-sided 5 % points, as in any handbook's table; normal: 1.960. The approximation errs by 6 % at 5."""
    assert spreads(Noise(white_n=freedom - 1.0), 1.960) == pytest.approx(quantile, rel=0.07)


def test_of_two_readings_in_a_minute_that_disagree_neither_is_believed() -> None:
    minute = OpenBlock()
    put(minute, 0, 10.0, 120.0)
    put(minute, 0, 40.0, 160.0)
    block = close(minute, 1.0)
    assert (block.distance_mm, block.n, block.bad_n) == (None, 0, 2)
    put(minute, 0, 10.0, 120.0)
    put(minute, 0, 40.0, 126.0)  # as far apart as noise alone may bring two
    assert close(minute, 1.0).distance_mm == 123.0
