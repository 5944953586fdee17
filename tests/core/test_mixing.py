"""Warm or cold water in a dough: by the heats of its parts, and what that does to the hours."""

from __future__ import annotations

import pytest

from monitor.core.forecast import starter_model as starter_models
from monitor.core.plan import feeding
from monitor.core.plan.hours import mixed_with
from monitor.core.plan.weighing import Limits
from monitor.values import of_grams


def test_a_dough_begins_at_the_mean_of_its_parts() -> None:
    # 100 g of flour (1.8 kJ/(kg K)) at 20 degC and 100 g of water (4.18) at 10: (1.8 * 20 + 4.18 * 10) / 5.98
    first, *_, last = mixed_with((20.0,), (1e-9, 100.0, 100.0), 10.0)
    begins_c = (1.8 * 20.0 + 4.18 * 10.0) / 5.98
    assert begins_c < first < begins_c + 0.4 * (20.0 - begins_c)  # an hour's mean, on its way to the room's
    assert last == pytest.approx(20.0, abs=0.05)
    assert mixed_with((20.0,), (25.0, 100.0, 100.0), 20.0) == [20.0] * 12


def test_cold_water_delays_and_warm_water_hastens_by_an_hour_or_so() -> None:
    # bakers reckon with an hour or so (common practice); 1:4:4 at 22 degC
    fed = of_grams((25.0, 100.0, 100.0))

    def peak_h(water_c: float | None) -> float:
        limits = Limits(water_c=water_c)
        made = feeding.what_if(starter_models.prior(), feeding=fed, temperatures_c=(22.0,), limits=limits)
        return made.hours_to_peak[1]

    assert 0.25 < peak_h(8.0) - peak_h(None) < 2.0
    assert 0.25 < peak_h(None) - peak_h(36.0) < 2.0
    assert peak_h(22.0) == pytest.approx(peak_h(None), abs=0.01)


def test_a_plan_keeps_more_starter_with_cold_water() -> None:
    def kept_g(water_c: float | None) -> float:
        limits = Limits(flour_g=100.0, water_c=water_c)
        made = feeding.plan(starter_models.prior(), target_h=12.0, temperatures_c=(22.0,), limits=limits)
        return made.feeding.starter_g

    assert kept_g(8.0) > kept_g(None) > kept_g(36.0)


@pytest.mark.parametrize("water_c", [-1.0, 51.0])
def test_water_that_is_ice_or_scalds_is_refused(water_c: float) -> None:
    with pytest.raises(ValueError, match="water_c"):
        feeding.plan(starter_models.prior(), target_h=12.0, temperatures_c=(22.0,), limits=Limits(water_c=water_c))
