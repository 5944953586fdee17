"""The growth laws against what was published."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.simulator.growth_law import (
    BACTERIA,
    CEREVISIAE,
    FLOOR_AT_C,
    KAZACHSTANIA,
    WILD,
    Cardinals,
    ctmi,
    ph_factor,
    q10_factor,
    temperature_factor,
)
from tests.growth_table import EXPANSUM_RATES

# Rosso et al. 1993's law with the parameters of Penicillium expansum (GroPIN database, entry 171): rates 1/d or so
EXPANSUM = Cardinals(min_c=-4.4, best_c=23.9, max_c=32.5, bend=1.0)


@pytest.mark.parametrize(("temperature_c", "rate"), EXPANSUM_RATES)
def test_the_cardinal_model_gives_the_databases_rates(temperature_c, rate):
    assert 2.4 * ctmi(temperature_c, EXPANSUM) == pytest.approx(rate, abs=1e-5)


@pytest.mark.parametrize("cardinals", [KAZACHSTANIA, BACTERIA, WILD, EXPANSUM])
def test_the_cardinal_model_is_one_at_its_best_and_nothing_outside(cardinals):
    assert ctmi(cardinals.best_c, cardinals) == pytest.approx(1.0, abs=1e-9)
    assert ctmi(cardinals.min_c, cardinals) == ctmi(cardinals.max_c, cardinals) == 0.0
    step = 1e-5
    slope = (ctmi(cardinals.best_c + step, cardinals) - ctmi(cardinals.best_c - step, cardinals)) / (2 * step)
    assert slope == pytest.approx(0.0, abs=1e-4)


# Fractions of the best rate, Gaenzle quoted in the rec.food.sourdough FAQ (section 39)
YEAST_FRACTIONS = [(14, 0.25), (20, 0.5), (32, 0.5), (34, 0.25)]
BACTERIA_FRACTIONS = [(15, 0.25), (20, 0.5), (37, 0.5), (39, 0.25)]


@pytest.mark.parametrize(("temperature_c", "share"), YEAST_FRACTIONS)
def test_the_yeasts_fractions(temperature_c, share):
    factor = 1.5 if temperature_c < KAZACHSTANIA.best_c else 1.35
    assert share / factor <= temperature_factor(temperature_c, KAZACHSTANIA) <= share * factor


@pytest.mark.parametrize(("temperature_c", "share"), BACTERIA_FRACTIONS)
def test_the_bacterias_fractions(temperature_c, share):
    assert share / 1.3 <= temperature_factor(temperature_c, BACTERIA) <= share * 1.3


def test_the_other_yeast_likes_it_warmer():
    """Salvado et al. 2011: S. cerevisiae is at its best at 32.3 degC and stops at 45.4."""
    assert temperature_factor(32.3, CEREVISIAE) == pytest.approx(1.0)
    assert temperature_factor(45.4, CEREVISIAE) == 0.0
    assert (
        temperature_factor(32.0, CEREVISIAE)
        > temperature_factor(28.0, CEREVISIAE)
        > temperature_factor(24.0, CEREVISIAE)
    )
    assert temperature_factor(32.0, KAZACHSTANIA) < temperature_factor(28.0, KAZACHSTANIA)


@given(st.floats(28.0, 35.0), st.floats(28.0, 35.0))
def test_hotter_than_best_only_slows_the_yeast(one_c, other_c):
    low, high = sorted((one_c, other_c))
    assert temperature_factor(low, KAZACHSTANIA) >= temperature_factor(high, KAZACHSTANIA)
    assert temperature_factor(high, KAZACHSTANIA) <= ctmi(high, KAZACHSTANIA) + 1e-9 or high == KAZACHSTANIA.max_c


@given(st.floats(-10, 60))
def test_it_stays_between_nothing_and_the_best(temperature_c):
    for cardinals in (KAZACHSTANIA, CEREVISIAE, BACTERIA, WILD):
        rate = temperature_factor(temperature_c, cardinals)
        assert 0 <= rate <= 1 + 1e-9
        if temperature_c < cardinals.best_c:
            assert rate >= 0.02 * ctmi(FLOOR_AT_C, cardinals)  # a fridge slows it and does not stop it
        if temperature_c >= cardinals.max_c:
            assert rate == 0


def test_the_cardinal_ph_model():
    """Rosso et al. 1995: nothing at the ends, one at the best."""
    assert ph_factor(5.3, 3.8, 5.3, 6.9) == pytest.approx(1.0)
    assert ph_factor(3.8, 3.8, 5.3, 6.9) == ph_factor(6.9, 3.8, 5.3, 6.9) == 0.0
    assert 0 < ph_factor(4.2, 3.8, 5.3, 6.9) < ph_factor(4.8, 3.8, 5.3, 6.9) < 1


def test_q10():
    assert q10_factor(35.0, 2.0) == pytest.approx(2.0)
    assert q10_factor(15.0, 2.0) == pytest.approx(0.5)
