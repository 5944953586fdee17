"""Over to another flour or stiffness, feeding by feeding. The sums are arithmetic, done beside; that it takes three
feedings, and lags for three or four, is common practice."""

from __future__ import annotations

from itertools import pairwise

import pytest

from monitor.core.plan.change_over import change_over
from monitor.core.plan.moment import Planned
from monitor.core.plan.weighing import Limits
from tests.core.kitchen_stories import DAY, H, T, culture, holds


def changed(limits: Limits, **more: object) -> tuple[Planned, ...]:
    return change_over(
        culture(**more), limits=limits, start_s=T + 8 * H, warmth_from=lambda _: (22.0,),  # type: ignore[arg-type]
        awake_at=lambda at_s: 7 * H <= at_s % DAY <= 22 * H,
    )  # fmt: skip


def test_from_wholegrain_to_white_takes_three_feedings() -> None:
    made = changed(Limits(flour="white"), flour="wholemeal rye")
    assert [one.plan.feeding.ratio for one in made] == ["1:4:4"] * 3
    # a ninth stays, then a ninth of that: 11 %, 1.2 %, 0.14 %
    holds(made[-1].plan.because, ["11 %, then 1.2 %, then 0.14 %", "slower", "not flagging", "tenth of rye"])
    for before, after in pairwise(made):
        gap_h = (after.at_s - before.at_s) / H
        assert before.plan.hours_to_peak[1] <= gap_h <= before.plan.hours_to_fall[1] + 12.0  # never unripe, nor spent
    assert all(7 * H <= one.at_s % DAY <= 22 * H for one in made)


@pytest.mark.parametrize(
    ("was", "wet", "water_g"),
    [
        # 25 g at 100 % hold 12.5 g of flour and of water: 0.5 x 112.5 - 12.5 = 43.75
        (100.0, 0.5, 44),
        # 25 g at 50 % hold 16.7 g of flour and 8.3 g of water: 116.7 - 8.3 = 108.3
        (50.0, 1.0, 108),
    ],
)
def test_another_hydration_is_right_after_one_feeding(was: float, wet: float, water_g: int) -> None:
    (made,) = changed(Limits(hydration=wet), grams=(25.0, 100.0, was))
    assert made.plan.feeding.grams == (25, 100, water_g)
    holds(made.plan.because, ["One feeding", "its own height and hours"], ("flour is left",))


def test_what_it_is_changed_over_to_must_be_said() -> None:
    with pytest.raises(ValueError, match="hydration_pct, or another flour"):
        changed(Limits())
