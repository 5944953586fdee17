"""What is believed of a starter: the temperature laws against their published values, and what cycles teach."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from monitor.core.forecast import beliefs, growth_rate, kalman, peak_time, timing
from monitor.core.forecast import dilution as dilutions
from monitor.core.forecast import starter_model as starter_models
from monitor.core.forecast.starter_model import Culture
from monitor.core.forecast.student_t import t_quantile, t_share
from monitor.values import Cycle, Feeding, of_grams, unflat

T = 1_772_409_600.0  # 2026-03-02T00:00:00Z


def cycle(
    number: int = 0,
    *,
    dilution: float = 9.0,
    peak_h: float | None = 10.0,
    fall_h: float | None = 12.0,
    c: float | None = 22.0,
    **more: object,
) -> Cycle:
    fed_at_s = T + 86400.0 * number
    added_g = 12.5 * (dilution - 1.0)
    usual: dict[str, object] = {
        "jar": "x", "number": number, "fed_at_s": fed_at_s, "starter_g": 25.0, "flour_g": added_g, "water_g": added_g,
        "peak_at_s": None if peak_h is None else fed_at_s + 3600.0 * peak_h,
        "fall_at_s": None if fall_h is None else fed_at_s + 3600.0 * fall_h,
        "peak_ratio": 2.4, "temperatures_c": (c,) * 14,
    }  # fmt: skip
    return Cycle(**unflat(usual | more))  # type: ignore[arg-type]


def likely(culture: Culture, dilution: float, c: float) -> tuple[float, float]:
    ahead = peak_time.hours_ahead(starter_models.predict(culture, (c,), dilution), (c,))
    return ahead.peak_h[1], ahead.fall_h[1]


# --- what the prior says ---------------------------------------------------------------------------------------------


def test_dilution_arithmetic() -> None:
    # keep 25, feed 100 + 100: 1:4:4, nine times diluted
    assert of_grams((25, 100, 100)).dilution == 9.0
    assert Feeding(flour_g=100, water_g=100).dilution is None
    assert of_grams((0.0, 100, 100)).dilution is None
    assert dilutions.shape(9.0) == 0.0


@pytest.mark.parametrize(("parts", "low_h", "high_h"), [(1, 3, 6), (2, 5, 8), (5, 8, 12), (10, 10, 16)])
def test_prior_is_inside_the_trades_bands_at_25_degrees(parts: float, low_h: float, high_h: float) -> None:
    # common practice, no source: hours to the peak at 24 to 26 degC for 1:1:1 to 1:10:10
    assert low_h <= likely(starter_models.prior(), 1 + 2 * parts, 25.0)[0] <= high_h


def test_extra_time_of_more_dilution_is_that_of_more_doublings() -> None:
    # at equal lag and rate the difference in time is ln(D2 / D1) / rate: with rates of 0.2 to 0.6 per hour
    peaks = [likely(starter_models.prior(), d, 24.0)[0] for d in (3.0, 11.0)]
    assert math.log(11.0 / 3.0) / 0.6 <= peaks[1] - peaks[0] <= math.log(11.0 / 3.0) / 0.2


@settings(max_examples=40)
@given(st.floats(2, 150), st.floats(1.01, 2.0), st.floats(10, 32))
def test_more_starter_is_never_slower(dilution: float, more: float, c: float) -> None:
    fast, slow = likely(starter_models.prior(), dilution, c), likely(starter_models.prior(), dilution * more, c)
    assert fast[0] <= slow[0] + 1e-9
    assert fast[1] <= slow[1] + 1e-9


@settings(max_examples=40)
@given(st.floats(2, 150), st.floats(8, 27), st.floats(0.1, 5.0))
def test_warmer_up_to_the_best_is_never_slower(dilution: float, c: float, more_c: float) -> None:
    # below 12 degC laws part, and where one more is told apart the middle of their mixture moves by some percent
    cold, warm = (likely(starter_models.prior(), dilution, t)[0] for t in (c, min(c + more_c, growth_rate.PART_C)))
    assert warm <= cold * 1.1


@settings(max_examples=40)
@given(st.floats(0.03, 40.0), st.floats(1.5, 60), st.floats(15, 28))
def test_units_of_weight_do_not_matter(unit: float, dilution: float, c: float) -> None:
    grams, other = (
        cycle(starter_g=25.0 * u, flour_g=25.0 * u * dilution, water_g=25.0 * u * dilution, c=c) for u in (1.0, unit)
    )
    one, two = starter_models.learn(starter_models.prior(), grams), starter_models.learn(starter_models.prior(), other)
    assert one.mean == pytest.approx(two.mean, rel=1e-9)


def test_ranges_widen_in_the_cold_and_in_the_heat() -> None:
    def width(c: float) -> float:
        low, _, high = peak_time.hours_ahead(starter_models.predict(starter_models.prior(), (c,), 9.0), (c,)).peak_h
        return math.log(high / low)

    assert width(8.0) > width(11.0) > width(16.0)
    assert width(34.0) > width(31.0) > width(28.0)


# --- learning --------------------------------------------------------------------------------------------------------


def test_a_few_cycles_make_it_personal() -> None:
    # a starter that takes 7 h at 1:4:4 and 22 degC, where the prior says over 10
    learnt = starter_models.learned_from(cycle(i, peak_h=7.0, fall_h=8.5) for i in range(3))
    before, after = likely(starter_models.prior(), 9.0, 22.0), likely(learnt, 9.0, 22.0)
    assert before[0] > 9.5
    assert after[0] == pytest.approx(7.0, rel=0.06)
    assert after[1] == pytest.approx(8.5, rel=0.08)


def test_what_was_learnt_at_one_temperature_and_ratio_carries_to_others() -> None:
    learnt = starter_models.learned_from(cycle(i, peak_h=7.0, fall_h=8.5) for i in range(5))
    for dilution, c in ((3.0, 22.0), (21.0, 22.0), (9.0, 18.0), (9.0, 27.0)):
        share = likely(learnt, dilution, c)[0] / likely(starter_models.prior(), dilution, c)[0]
        assert share == pytest.approx(7.0 / likely(starter_models.prior(), 9.0, 22.0)[0], rel=0.12)


def test_the_temperature_response_itself_is_learnt() -> None:
    # a starter whose hours halve with every 5 degC, steeper than the law's
    def hours(c: float) -> float:
        return 10.0 * 2.0 ** ((22.0 - c) / 5.0)

    cycles = [
        cycle(i, peak_h=hours(c), fall_h=hours(c) + 2, c=c) for i, c in enumerate((22, 18, 25, 17, 24, 20, 26, 18))
    ]
    learnt = starter_models.learned_from(cycles)
    assert learnt.mean[timing.STEEP] > beliefs.STEEPNESS[beliefs.likeliest(learnt.bank).law] + 0.1
    assert likely(learnt, 9.0, 17.0)[0] == pytest.approx(hours(17.0), rel=0.1)


def test_one_wild_cycle_does_not_carry_it_away() -> None:
    usual = [cycle(i, peak_h=8.0, fall_h=9.5) for i in range(6)]
    calm = starter_models.learned_from(usual)
    wild = starter_models.learn(calm, cycle(6, peak_h=30.0, fall_h=33.0))
    assert likely(wild, 9.0, 22.0)[0] == pytest.approx(likely(calm, 9.0, 22.0)[0], rel=0.12)
    first = starter_models.learned_from([cycle(0, peak_h=48.0, fall_h=50.0), *usual[1:]])
    assert likely(first, 9.0, 22.0)[0] == pytest.approx(8.0, rel=0.2)


def test_it_follows_a_culture_that_changes() -> None:
    cycles = [cycle(i, peak_h=8.0, fall_h=10.0) for i in range(8)]
    cycles += [cycle(i, peak_h=11.0, fall_h=13.0) for i in range(8, 16)]
    assert likely(starter_models.learned_from(cycles), 9.0, 22.0)[0] == pytest.approx(11.0, rel=0.1)


def test_ranges_narrow_with_steady_cycles_and_less_with_scattered_ones() -> None:
    def width(peaks: list[float]) -> float:
        culture = starter_models.learned_from(cycle(i, peak_h=p, fall_h=p + 2) for i, p in enumerate(peaks))
        low, _, high = peak_time.hours_ahead(starter_models.predict(culture, (22.0,), 9.0), (22.0,)).peak_h
        return math.log(high / low)

    steady, scattered = width([9.0] * 8), width([7.0, 11.0, 8.0, 10.5, 7.5, 11.0, 8.0, 10.0])
    assert steady < width([]) / 2
    assert scattered > 1.5 * steady


def test_new_flour_a_rest_and_another_hydration_widen() -> None:
    culture = starter_models.learned_from(cycle(i, flour="white") for i in range(5))

    def variance(culture: Culture, hydration: float | None = None, flour: str | None = None) -> float:
        return starter_models.predict(culture, (22.0,), 9.0, hydration, flour).likeliest.peak_var

    usual = variance(culture, flour="white", hydration=1.0)
    assert variance(culture, flour="rye", hydration=1.0) > usual
    assert variance(culture, flour="white", hydration=0.6) > usual
    assert variance(starter_models.learn(culture, cycle(5, flour="white", rested=True))) > usual
    assert variance(culture, flour="WHITE") == pytest.approx(usual)


@pytest.mark.parametrize("what", [{"sure": False}, {"rested": True}, {"peak_at_s": None, "fall_at_s": None}])
def test_nothing_is_learnt_from_an_unsure_a_resting_or_an_empty_cycle(what: dict[str, object]) -> None:
    before = starter_models.learned_from(cycle(i) for i in range(3))
    after = starter_models.learn(before, cycle(3, peak_h=30.0, fall_h=40.0, **what))
    assert after.mean == before.mean
    assert after.cycles == before.cycles


def test_a_fall_without_its_peak_teaches_too_and_an_untold_or_unmeasured_cycle_less() -> None:
    fall_only = starter_models.learn(starter_models.prior(), cycle(peak_h=None, fall_h=8.0))
    assert likely(fall_only, 9.0, 22.0)[1] < likely(starter_models.prior(), 9.0, 22.0)[1]

    def moved(**what: object) -> float:
        after = starter_models.learn(starter_models.prior(), cycle(peak_h=6.0, fall_h=8.0, **what))  # type: ignore[arg-type]
        return beliefs.PRIOR[timing.PEAK][0] - after.mean[timing.PEAK]

    assert moved() > moved(starter_g=None) > 0.0
    assert moved() > moved(c=None) > 0.0


def width(culture: Culture, dilution: float | None) -> float:
    low, _, high = peak_time.hours_ahead(starter_models.predict(culture, (22.0,), dilution), (22.0,)).fall_h
    return math.log(high / low)


def test_what_is_fed_untold_teaches_its_own_time_and_little_of_another() -> None:
    untold = starter_models.learned_from(cycle(i, starter_g=None) for i in range(10))
    assert width(untold, None) < 0.6 * width(starter_models.prior(), None)
    assert width(untold, 9.0) > 1.2 * width(untold, None)


def test_falls_without_peaks_teach_when_falls_come_and_little_of_peaks() -> None:
    usual = starter_models.learned_from(cycle(i) for i in range(10))
    missed = starter_models.learned_from(cycle(i, peak_h=None) for i in range(10))
    assert likely(missed, 9.0, 22.0)[1] == pytest.approx(12.0, rel=0.04)
    assert width(missed, 9.0) < 0.5 * width(starter_models.prior(), 9.0)
    peaks = [starter_models.predict(culture, (22.0,), 9.0).likeliest.peak_var for culture in (usual, missed)]
    assert peaks[1] > 2.0 * peaks[0]


def test_cycles_without_a_temperature_are_taken_to_be_of_the_same_kitchen() -> None:
    cold = starter_models.learned_from((cycle(i, peak_h=15.0, fall_h=18.0, c=None) for i in range(6)), usual_c=18.0)
    assert likely(cold, 9.0, 18.0)[1] == pytest.approx(18.0, rel=0.05)
    assert likely(cold, 9.0, 25.0)[1] < 12.0


@settings(max_examples=50)
@given(st.lists(st.tuples(st.floats(2, 40), st.floats(1, 40), st.floats(0, 10), st.floats(5, 34)), max_size=12))
def test_any_history_leaves_a_sound_belief(rows: list[tuple[float, float, float, float]]) -> None:
    culture = starter_models.learned_from(
        cycle(i, dilution=d, peak_h=p, fall_h=p + w, c=c) for i, (d, p, w, c) in enumerate(rows)
    )
    assert sum(one.likely for one in culture.bank) == pytest.approx(1.0)
    for cov in (one.cov for one in culture.bank):
        for i, row in enumerate(cov):
            assert row[i] > 0.0
            assert row == pytest.approx([other[i] for other in cov], abs=1e-9)
    assert culture.peak_scatter.variance > 0.0
    low, middle, high = peak_time.hours_ahead(starter_models.predict(culture, (22.0,), 9.0), (22.0,)).fall_h
    assert 0.0 < low <= middle <= high < math.inf


HISTORIES = st.lists(
    st.tuples(st.floats(2, 40), st.floats(2, 30), st.floats(0, 10), st.floats(10, 30)), min_size=1, max_size=8
)


def learnt(rows: list[tuple[float, float, float, float]]) -> Culture:
    return starter_models.learned_from(
        cycle(i, dilution=d, peak_h=p, fall_h=p + w, c=c) for i, (d, p, w, c) in enumerate(rows)
    )


@settings(max_examples=40, deadline=None)
@given(HISTORIES, st.floats(2, 150), st.floats(1.01, 4.0), st.floats(12, 30))
def test_whatever_was_learnt_more_starter_is_never_slower(
    rows: list[tuple[float, float, float, float]], dilution: float, more: float, c: float
) -> None:
    # most of these histories are sheer noise; the middle of a mixture lies on a grid and may be off by a percent
    culture = learnt(rows)
    fast, slow = likely(culture, dilution, c), likely(culture, dilution * more, c)
    assert fast[0] <= slow[0] * 1.01
    assert fast[1] <= slow[1] * 1.01


@settings(max_examples=40, deadline=None)
@given(HISTORIES, st.floats(2, 150), st.floats(8, 27), st.floats(0.1, 5.0))
def test_whatever_was_learnt_warmer_up_to_the_best_is_never_slower(
    rows: list[tuple[float, float, float, float]], dilution: float, c: float, more_c: float
) -> None:
    culture = learnt(rows)
    cold, warm = (likely(culture, dilution, t) for t in (c, min(c + more_c, growth_rate.PART_C)))
    # below 12 degC laws part, and where one more is told apart the middle of their mixture moves by some percent
    assert warm[0] <= cold[0] * 1.1
    assert warm[1] <= cold[1] * 1.1


@pytest.mark.parametrize(("sign", "sure"), [(-1.0, True), (1.0, False)])
def test_how_sure_falls_are_beside_their_peaks_is_learnt(sign: float, sure: bool) -> None:
    # peaks and waits scatter alike in both; in one what is late is made good, in the other doubled
    late_h = (0.9, -0.8, 0.7, -1.0, 0.9, -0.7, 0.8, -0.9, 1.0, -0.8)
    culture = starter_models.learned_from(
        cycle(i, peak_h=9.0 + late, fall_h=12.0 + late + sign * 0.8 * late) for i, late in enumerate(late_h)
    )
    ahead = peak_time.hours_ahead(starter_models.predict(culture, (22.0,), 9.0), (22.0,))
    peak_h, fall_h = (span[2] - span[0] for span in (ahead.peak_h, ahead.fall_h))
    assert (fall_h < peak_h) is sure
    assert (culture.fall_odds.variance < 1.0) is sure


def test_the_belief_survives_json_exactly() -> None:
    culture = starter_models.learned_from(cycle(i, peak_h=7.0 + i / 3, fall_h=9.0 + i / 3) for i in range(4))
    culture = replace(starter_models.learn_sinking(culture, 4.2, 21.0), shapes=(0.25, 0.75))
    assert starter_models.from_json(json.loads(json.dumps(starter_models.to_json(culture)))) == culture


@pytest.mark.parametrize("lost", [*sorted({*starter_models.Culture.__slots__} - {"bank", "flours"}), "all of them"])
def test_what_an_older_program_did_not_keep_is_as_before_any_cycle(lost: str) -> None:
    culture = starter_models.learned_from(
        (cycle(i, peak_h=7.0 + i / 3, fall_h=9.0 + i / 3, flour="wholemeal rye") for i in range(4)), "rye"
    )
    culture = replace(starter_models.learn_sinking(culture, 4.2, 21.0), shapes=(0.25, 0.75))
    kept = json.loads(json.dumps(starter_models.to_json(culture)))
    names = set(kept) - {"bank", "flours"} if lost == "all of them" else {lost}
    old = {name: value for name, value in kept.items() if name not in names}
    read = starter_models.from_json(old)
    before = starter_models.prior(None if "last_flour" in names else culture.last_flour)
    for name in starter_models.Culture.__slots__:
        assert getattr(read, name) == getattr(before if name in names else culture, name), name
    starter_models.learn(read, cycle(5, peak_h=8.0, fall_h=10.0))  # and it goes on from there


def test_a_belief_by_one_law_as_an_older_program_wrote_it_is_gone_on_with() -> None:
    # seven numbers, PEAK to USUAL, of a starter that took 7 h to its peak at 24 degC; and what stood beside them then
    mean = [math.log(7.0), 0.85, 1.1, math.log(1.2), math.log(2.0), 0.4, 0.0]
    cov = [[0.01 if i == j else 0.0 for j in range(7)] for i in range(7)]
    beside = starter_models.to_json(starter_models.prior("rye"))
    old = {name: beside[name] for name in beside if name not in ("bank", "flours")} | {"mean": mean, "cov": cov}
    culture = starter_models.from_json(json.loads(json.dumps(old)) | {"cycles": 6})
    assert likely(culture, 9.0, 24.0)[0] == pytest.approx(7.0, rel=0.02)
    assert width(culture, 9.0) < 0.7 * width(starter_models.prior(), 9.0)
    assert culture.flours == ("rye",)
    again = starter_models.learn(culture, cycle(7, flour="rye"))
    assert starter_models.from_json(json.loads(json.dumps(starter_models.to_json(again)))) == again


@pytest.mark.parametrize(
    "wrong", [{"bank": []}, {"bank": 3.0}, {"bank": [[0, 1.0, [1.0], [[1.0]]]]}, {"weather": [1.0]}]
)
def test_what_is_no_belief_is_refused(wrong: dict[str, Any]) -> None:
    with pytest.raises((TypeError, ValueError)):
        starter_models.from_json({**starter_models.to_json(starter_models.prior()), **wrong})
    for nothing in ({}, {"flour": "rye"}, {"mean": [0.0] * 7}):
        with pytest.raises(KeyError):
            starter_models.from_json(nothing)


# --- the arithmetic of the belief ------------------------------------------------------------------------------------


def test_one_number_seen_is_averaged_by_precision() -> None:
    # the textbook normal update: mean by inverse variances, variance their harmonic sum
    mean, cov, *_ = kalman.update((2.0,), ((0.5,),), (1.0,), 1.0, kalman.Scatter(variance=0.25, cycles=10.0), 0.0)
    assert mean[0] == pytest.approx((2.0 / 0.5 + 3.0 / 0.25) / (1 / 0.5 + 1 / 0.25))
    assert cov[0][0] == pytest.approx(1 / (1 / 0.5 + 1 / 0.25))


def test_updates_equal_least_squares() -> None:
    # with a flat prior and known scatter, the belief is the line of least squares (mean 2.2 + 0.6 x, by hand)
    mean: kalman.Mean = (0.0, 0.0)
    cov: kalman.Matrix = ((1e8, 0.0), (0.0, 1e8))
    for x, y in ((1, 2), (2, 4), (3, 5), (4, 4), (5, 5)):
        scatter = kalman.Scatter(variance=100.0, cycles=1e9)
        mean, cov, *_ = kalman.update(mean, cov, (1.0, x), y - mean[0] - mean[1] * x, scatter, 0.0)
    assert mean == pytest.approx((2.2, 0.6), abs=1e-4)


@pytest.mark.parametrize(("least", "sd"), [(-1.0, 0.5), (0.0, 1.0), (0.4, 0.3), (1.2, 0.8)])
def test_what_is_only_known_to_lie_beyond_gives_the_moments_of_the_cut_normal(least: float, sd: float) -> None:
    # scipy's truncated normal; without scatter the belief itself is cut
    mean, cov, ln = kalman.update_beyond((0.0,), ((sd * sd,),), (1.0,), least, 0.0)
    cut = stats.truncnorm(least / sd, math.inf, scale=sd)
    assert mean[0] == pytest.approx(float(cut.mean()), rel=1e-6)
    assert cov[0][0] == pytest.approx(float(cut.var()), rel=1e-6)
    assert ln == pytest.approx(float(stats.norm.logsf(least, scale=sd)), rel=1e-6)


def test_a_cycle_fed_again_before_its_peak_teaches_that_it_takes_longer() -> None:
    # a cold kitchen, fed every 24 h: nothing is ever seen but a rise that is not over
    fed_again = [
        cycle(
            i, peak_h=None, fall_h=None, c=16.0, rise_at_s=T + 86400.0 * i + 30_000.0, ended_at_s=T + 86400.0 * (i + 1)
        )
        for i in range(4)
    ]
    learnt = starter_models.learned_from(fed_again)
    assert likely(learnt, 9.0, 16.0)[0] > 1.15 * likely(starter_models.prior(), 9.0, 16.0)[0]
    assert width(learnt, 9.0) < width(starter_models.prior(), 9.0)
    # one that lay flat may be slow or dead, and teaches nothing; one that should not have peaked yet, hardly anything
    flat = starter_models.learned_from(replace(one, rise_at_s=None) for one in fed_again)
    assert flat.mean == starter_models.prior().mean
    soon = starter_models.learned_from(replace(one, ended_at_s=one.fed_at_s + 4 * 3600.0) for one in fed_again)
    assert likely(soon, 9.0, 16.0)[0] == pytest.approx(likely(starter_models.prior(), 9.0, 16.0)[0], rel=0.02)


def test_a_peak_whose_fall_was_not_waited_for_teaches_both() -> None:
    known = cycle(peak_h=8.0, fall_h=None, ended_at_s=T + 11.5 * 3600.0)
    learnt = starter_models.learn(starter_models.prior(), known)
    assert likely(learnt, 9.0, 22.0)[0] == pytest.approx(8.0, rel=0.05)
    assert (
        learnt.mean[timing.WAIT]
        > starter_models.learn(starter_models.prior(), replace(known, ended_at_s=None)).mean[timing.WAIT]
    )


def test_the_scatter_finds_the_size_of_the_surprises() -> None:
    scatter, cov = kalman.Scatter(variance=0.01, cycles=5.0), ((1e-9,),)
    for i in range(200):
        _, _, scatter, _ = kalman.update((0.0,), cov, (1.0,), 0.3 if i % 2 else -0.3, scatter, 0.0)
    assert math.sqrt(scatter.variance) == pytest.approx(0.3, rel=0.1)


def test_the_scatter_moves_by_the_textbooks_rule_and_less_where_it_is_only_a_part() -> None:
    # West and Harrison 4.5: S = S + S / n (e^2 / Q - 1), n one more
    before = kalman.Scatter(variance=0.04, cycles=4.0)
    after = before.moved(2.0)
    assert (after.variance, after.cycles) == (pytest.approx(0.04 + 0.04 / 5.0 * 2.0), 5.0)
    part = before.moved(2.0, 0.5)
    assert before.variance < part.variance < before.moved(2.0).variance
    assert part.cycles == 4.25


def test_covariance_in_a_sum_undoes_its_variance() -> None:
    variance = kalman.variance_of_sum(9.0, 2.0, 0.01, 0.09, -0.015)
    # var(9 e^a + 2 e^b) / 11^2 to first order
    assert variance == pytest.approx((81 * 0.01 + 4 * 0.09 - 2 * 18 * 0.015) / 121)
    assert kalman.covariance_in_sum(9.0, 2.0, 0.01, 0.09, variance) == pytest.approx(-0.015)
    assert kalman.covariance_in_sum(9.0, 2.0, 0.01, 0.09, 0.0) == pytest.approx(-kalman.MOST_TOGETHER * 0.03)


@pytest.mark.parametrize(
    ("share", "freedom", "value"),
    # any table of Student's t
    [(0.975, 3, 3.182), (0.975, 5, 2.571), (0.975, 10, 2.228), (0.95, 4, 2.132), (0.99, 5, 3.365), (0.05, 8, -1.860)],
)
def test_quantiles_of_students_t(share: float, freedom: float, value: float) -> None:
    assert t_quantile(share, freedom) == pytest.approx(value, rel=0.03)
    assert t_share(value, freedom) == pytest.approx(share, abs=0.01)
