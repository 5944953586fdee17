"""The temperature laws against their published values, and hours counted as if the kitchen stood at 24 degC."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import interpolate

from monitor.core.forecast import growth_rate
from tests.growth_table import EXPANSUM_RATES

T = 1_772_409_600.0  # 2026-03-02T00:00:00Z


# --- the cardinal temperature model ---------------------------------------------------------------------------------


@pytest.mark.parametrize(("temperature_c", "rate"), EXPANSUM_RATES)
def test_cardinal_model_gives_the_values_of_a_published_parameter_set(temperature_c: float, rate: float) -> None:
    # P. expansum: GroPIN model 171 (least -4.4, best 23.9, greatest 32.5 degC, best rate 2.4)
    assert 2.4 * growth_rate.cardinal(temperature_c, -4.4, 23.9, 32.5) == pytest.approx(rate, abs=1e-5)


@given(st.floats(-5, 10), st.floats(15, 25), st.floats(0.02, 0.9))
def test_cardinal_model_has_its_published_properties(least_c: float, span_c: float, short: float) -> None:
    # Rosso, Lobry, Flandrois 1993: zero at both ends, one and flat at the best
    best_c, greatest_c = least_c + span_c, least_c + span_c * (1 + short)
    assert growth_rate.cardinal(least_c, least_c, best_c, greatest_c) == 0.0
    assert growth_rate.cardinal(greatest_c, least_c, best_c, greatest_c) == 0.0
    assert growth_rate.cardinal(best_c, least_c, best_c, greatest_c) == pytest.approx(1.0, abs=1e-9)
    step = 1e-4 * (greatest_c - best_c)
    near = [growth_rate.cardinal(best_c + side * step, least_c, best_c, greatest_c) for side in (-1, 1)]
    assert abs(near[1] - near[0]) / (2 * step) < 1e-2
    assert all(0.0 <= growth_rate.cardinal(c, least_c, best_c, greatest_c) <= 1.0 + 1e-9 for c in range(-20, 60))


def test_cardinal_model_refuses_a_best_in_the_lower_half() -> None:
    with pytest.raises(ValueError, match="upper half"):
        growth_rate.cardinal(20.0, 0.0, 15.0, 40.0)


@pytest.mark.parametrize(("temperature_c", "share"), growth_rate.HUMILIS)
def test_one_yeasts_law_goes_through_each_published_point(temperature_c: float, share: float) -> None:
    # Gaenzle on Gaenzle et al. 1998, Appl. Environ. Microbiol. 64:2616: 0, 1/4, 1/2, 1, 1/2, 1/4, 0 of the best
    # rate of C. milleri (now K. humilis) at 8, 14, 20, 28, 32, 34, 35 degC
    assert growth_rate.HUMILIS == ((8, 0), (14, 0.25), (20, 0.5), (28, 1), (32, 0.5), (34, 0.25), (35, 0))
    assert growth_rate.humilis(temperature_c) == pytest.approx(share, abs=1e-12)


def test_one_yeasts_law_turns_only_at_its_best() -> None:
    # a monotone cubic (Fritsch and Carlson 1980), as scipy's PchipInterpolator is: slopes at the ends aside, the same
    rates = [growth_rate.humilis(8.0 + 0.1 * i) for i in range(271)]
    assert rates[:201] == sorted(rates[:201])
    assert rates[200:] == sorted(rates[200:], reverse=True)
    theirs = interpolate.PchipInterpolator(*zip(*growth_rate.HUMILIS, strict=True))
    for temperature_c in (15.0, 18.5, 22.0, 26.0, 29.0, 31.5, 33.0):
        assert growth_rate.humilis(temperature_c) == pytest.approx(float(theirs(temperature_c)), abs=1e-9)
    assert growth_rate.humilis(7.9) == growth_rate.humilis(35.1) == 0.0


def test_the_other_yeasts_law_has_its_published_best_and_end() -> None:
    # Salvado et al. 2011, Appl. Environ. Microbiol. 77:2292: S. cerevisiae best at 32.3, greatest 45.4 degC
    rates = {tenth / 10: growth_rate.cerevisiae(tenth / 10) for tenth in range(20, 460)}
    assert max(rates, key=lambda c: rates[c]) == 32.3
    assert rates[45.3] > 0.0 == growth_rate.cerevisiae(45.4)
    # a Q10 of 2.3 from 15 to 25 degC is what these two and a least of 2 degC give
    assert rates[25.0] / rates[15.0] == pytest.approx(2.3, rel=0.05)


def test_in_dough_the_first_yeast_is_best_at_28_and_stopped_at_35() -> None:
    # Brandt et al. 2004, Eur. Food Res. Technol. 218:333, in rye dough
    rates = {c: growth_rate.humilis_in_dough(c) for c in range(8, 36)}
    assert max(rates, key=lambda c: rates[c]) == 28
    assert rates[35] == 0.0


def test_q10_of_the_prior_is_between_two_and_six_and_larger_when_colder() -> None:
    # FAQ 37 on Gaenzle's data: rates double about every 3.9 degC low in the range; and by common practice 8 degC halve
    # the time
    usual = growth_rate.growth_rate()
    q10 = [usual(c + 10) / usual(c) for c in (12, 13, 15)]
    assert all(2.0 <= q <= 6.0 for q in q10)
    assert q10 == sorted(q10, reverse=True)
    assert 1.6 <= usual(25) / usual(17) <= 2.8


# --- equivalent hours ------------------------------------------------------------------------------------------------


@given(st.lists(st.floats(5, 34), min_size=1, max_size=40), st.floats(0, 60), st.floats(0.1, 30), st.floats(0.5, 1.5))
def test_clock_and_equivalent_hours_are_inverse(
    temperatures: list[float], from_h: float, hours: float, steep: float
) -> None:
    clock = growth_rate.Clock(temperatures, growth_rate.growth_rate(steep))
    worth_h = clock.worth_h(from_h + hours) - clock.worth_h(from_h)
    assert worth_h > 0.0
    assert clock.later(from_h, worth_h) == pytest.approx(from_h + hours, rel=1e-6)


def test_hours_at_the_reference_are_hours_of_the_clock() -> None:
    assert growth_rate.Clock((24.0,), growth_rate.growth_rate(1.3)).worth_h(7.5) == pytest.approx(7.5)


def test_a_night_that_cools_counts_less() -> None:
    warm, cooling = (
        growth_rate.Clock(c, growth_rate.growth_rate(1.0)) for c in ((24.0,) * 10, (24.0,) * 5 + (18.0,) * 5)
    )
    assert cooling.worth_h(10.0) == pytest.approx(5.0 + 5.0 * growth_rate.growth_rate(1.0)(18.0))
    assert cooling.hour(8.0) > warm.hour(8.0)


def test_gaps_in_the_temperature_take_the_value_before_or_the_first_after() -> None:
    assert growth_rate.filled((None, 20.0, None, 22.0)) == (20.0, 20.0, 20.0, 22.0)
    assert growth_rate.filled((None,), 21.0) == (21.0,)
    assert growth_rate.filled(()) == (growth_rate.USUAL_C,)


def test_the_temperature_to_come_is_the_jars_own_day() -> None:
    day = tuple(20.0 + 3.0 * math.sin(math.tau * (hour - 9) / 24) for hour in range(24))
    learnt: tuple[float | None, ...] = (None,) * 24
    for number in range(6):
        learnt = growth_rate.learn_day(learnt, T + 86400.0 * number, day)
    ahead = growth_rate.expected_c(learnt, T + 8 * 3600.0, (day[8],), 24)
    assert ahead[7] == pytest.approx(day[15], abs=0.2)
    assert ahead[18] == pytest.approx(day[2], abs=0.2)
    # an unusually warm day is followed back to the usual one
    hot = growth_rate.expected_c(learnt, T + 8 * 3600.0, (day[8] + 3.0,), 96)
    assert hot[1] > day[9] + 1.5
    assert hot[90] == pytest.approx(day[(90 + 8) % 24], abs=0.5)
