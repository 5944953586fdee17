"""The smoother: against a plain least-squares answer, its symmetries, and a sample of its coverage."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.review.smoother import TOP_MM, Top, smooth_top
from tests.bench.detection_set import TUNE
from tests.bench.smoother_coverage import check
from tests.published import solar_cycles

START_S = 1_772_431_200.0
EVERY_S = 60.0


def tide(rng: np.random.Generator, noise_mm: float = 1.0, fall: float = 1.0) -> tuple[np.ndarray, np.ndarray]:
    """A parabola that rises by 40 mm to its top at 6 h, and comes down likewise (or `fall` times as steeply)."""
    time_s = START_S + np.arange(0.0, 10 * 3600.0, EVERY_S)
    hours = (time_s - START_S) / 3600.0 - 6.0
    level = 90.0 - 40.0 * (hours / 6.0) ** 2 * np.where(hours > 0, fall, 1.0)
    return time_s, np.round(level + rng.normal(0.0, noise_mm, hours.size))


def answer(time_s: np.ndarray, level: np.ndarray, lid_s: tuple[float, ...] = ()) -> Top:
    top = smooth_top(time_s.tolist(), level.tolist(), lid_s)
    assert top is not None
    return top


@pytest.mark.parametrize("seed", range(4))
def test_agrees_with_least_squares_where_the_truth_is_a_parabola(seed: int) -> None:
    time_s, level = tide(np.random.default_rng(seed))
    top = answer(time_s, level)
    near = np.abs((time_s - START_S) / 3600.0 - 6.0) < 2.5
    a, b, c = np.polyfit((time_s[near] - START_S) / 3600.0, level[near], 2)  # the batch answer
    assert (top.peak_at.likely_s - START_S) / 3600.0 == pytest.approx(-b / (2 * a), abs=0.3)
    assert top.peak_mm[1] == pytest.approx(c - b**2 / (4 * a), abs=0.6)
    assert top.peak_at.earliest_s <= START_S + 6 * 3600.0 <= top.peak_at.latest_s
    assert top.peak_mm[0] <= 90.0 <= top.peak_mm[2]
    assert top.fall_at is not None
    # 40 (h / 6)^2 = 0.5 mm at 0.67 h after the top
    assert (top.fall_at.likely_s - START_S) / 3600.0 == pytest.approx(6.0 + 6.0 * (TOP_MM / 40.0) ** 0.5, abs=0.4)


def test_the_order_of_readings_and_their_origin_do_not_matter() -> None:
    rng = np.random.default_rng(5)
    time_s, level = tide(rng)
    plain = answer(time_s, level)
    mixed = rng.permutation(time_s.size)
    assert answer(time_s[mixed], level[mixed]) == plain
    moved = answer(time_s + 86_400.0, level + 25.0)
    assert moved.peak_at.likely_s - 86_400.0 == pytest.approx(plain.peak_at.likely_s, abs=1.0)
    assert moved.peak_mm[1] - 25.0 == pytest.approx(plain.peak_mm[1], abs=1e-3)


def test_wild_readings_hardly_move_it() -> None:
    rng = np.random.default_rng(6)
    time_s, level = tide(rng)
    plain = answer(time_s, level)
    level[rng.uniform(size=level.size) < 0.03] = 150.0
    assert answer(time_s, level).peak_mm[1] == pytest.approx(plain.peak_mm[1], abs=0.5)
    assert answer(time_s, level).peak_at.likely_s == pytest.approx(plain.peak_at.likely_s, abs=900.0)


def test_more_noise_gives_wider_ranges() -> None:
    narrow = answer(*tide(np.random.default_rng(7), noise_mm=0.4))
    wide = answer(*tide(np.random.default_rng(7), noise_mm=4.0))
    assert wide.peak_mm[2] - wide.peak_mm[0] > narrow.peak_mm[2] - narrow.peak_mm[0]
    assert wide.peak_at.latest_s - wide.peak_at.earliest_s > narrow.peak_at.latest_s - narrow.peak_at.earliest_s


def test_a_lid_set_back_differently_is_no_turn_when_it_is_known() -> None:
    time_s, level = tide(np.random.default_rng(8), noise_mm=0.5)
    lid_s = START_S + 5.0 * 3600.0  # an hour before the top: 2 mm lower from here on
    level[time_s > lid_s] -= 2.0
    top = answer(time_s, level, (lid_s,))
    assert top.peak_at.earliest_s <= START_S + 6 * 3600.0 <= top.peak_at.latest_s
    blind = answer(time_s, level)
    assert abs(top.peak_at.likely_s - START_S - 6 * 3600.0) < abs(blind.peak_at.likely_s - START_S - 6 * 3600.0)


def test_no_peak_in_flat_noise_or_too_few_readings() -> None:
    rng = np.random.default_rng(9)
    time_s = START_S + np.arange(0.0, 10 * 3600.0, EVERY_S)
    assert smooth_top(time_s.tolist(), np.round(50.0 + rng.normal(0.0, 0.8, time_s.size)).tolist()) is None
    assert smooth_top([START_S, START_S + 60.0], [50.0, 51.0]) is None
    assert smooth_top([], []) is None


def test_no_fall_is_claimed_while_it_still_rises() -> None:
    time_s, level = tide(np.random.default_rng(10))
    rising = time_s < START_S + 5.0 * 3600.0
    top = answer(time_s[rising], level[rising])
    assert top.fall_at is None
    assert top.peak_at.latest_s >= time_s[rising][-1] - 900.0


def test_ranges_hold_the_truth_on_recordings_of_the_evaluation_set() -> None:
    # the whole figure is tests/bench/smoother_coverage.py's; of 20 at 88 % fewer than 12 hold once in 4000
    rows = [rows for seed in range(TUNE, TUNE + 8) for _, rows in check(seed)][:20]
    assert len(rows) >= 18
    assert all(rows)
    assert sum(low <= truth <= high for (low, _, high, truth), *_ in rows) >= len(rows) - 8


def test_published_solar_maxima_lie_within_its_ranges() -> None:
    # a month stands for ten minutes, so that eleven years are a day's cycle; 0.5 mm for each sunspot
    month_s = 600.0
    inside, errors_months = 0, []
    for spots, true in solar_cycles():
        top = answer(np.arange(spots.size) * month_s, 40.0 + 0.5 * spots)
        # the published month is itself that of a 13-month mean: three months of grace
        inside += top.peak_at.earliest_s - 3 * month_s <= true * month_s <= top.peak_at.latest_s + 3 * month_s
        errors_months.append(abs(top.peak_at.likely_s / month_s - true))
    assert inside >= 11
    assert max(errors_months) < 6.0
