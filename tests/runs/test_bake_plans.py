"""How warm plans take it to be: what the person says, else the jar's usual day, with the cycle that goes on in it."""

from __future__ import annotations

from dataclasses import replace

from monitor.core.forecast import starter_model as starter_models
from monitor.core.plan.ripeness import warmth_from
from tests.core.kitchen_stories import H, T, culture, cycle


def test_a_jar_that_never_came_to_its_top_is_planned_for_at_its_own_warmth() -> None:
    """Else a cold kitchen is told the hours of a warm one on the very days on which it matters."""
    cold = cycle(0.0, c=15.5, end_h=20.0)
    assert set(warmth_from(starter_models.prior(), cold, None)(T + 20 * H)) == {15.5}
    assert set(warmth_from(starter_models.prior(), None, None)(T)) == {22.0}  # nothing is known
    rested = replace(cold, rested=True, temperatures_c=(4.0,) * 20)
    assert set(warmth_from(starter_models.prior(), rested, None)(T)) == {22.0}  # a fridge is no kitchen
    assert set(warmth_from(culture(), cold, 27.0)(T)) == {27.0}
    usual = warmth_from(culture(c=22.0), cold, None)(T)
    assert all(15.5 < c <= 22.0 for c in usual)  # one cold day does not make a cold kitchen
