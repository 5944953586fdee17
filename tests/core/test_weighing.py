"""What a kitchen scale can weigh, and the way round it."""

from __future__ import annotations

import math
import re

import pytest

from monitor.core.forecast import starter_model as starter_models
from monitor.core.plan import feeding
from monitor.core.plan.weighing import Limits, scale_caution


def hours(dilution: float) -> float:
    return 4.0 * math.log(dilution)


@pytest.mark.parametrize("starter_g", [1, 2, 3, 4])
def test_the_way_round_a_coarse_scale_gives_the_same_feeding(starter_g: int) -> None:
    grams = (starter_g, 100, 100)
    said = scale_caution(grams, hours, 1e5)
    assert said is not None
    stirred, into, part, water = map(
        int, re.findall(r"stir (\d+) g .* into (\d+) g .* take (\d+) g .* only (\d+) g", said)[0]
    )
    # a dilution by weight: what is in a part is its share of the whole
    assert part * stirred / (stirred + into) == starter_g
    assert part * into / (stirred + into) + water == grams[2]
    assert part >= 5  # and the scale can weigh it
    # what rounding to whole grams may do (half a division, ISO 80000-1 on rounding) and the hours that it is worth
    assert f"from {starter_g - 0.5:g} to {starter_g + 0.5:g} g" in said
    low, high = (hours((kept + 200) / kept) for kept in (starter_g + 0.5, starter_g - 0.5))
    assert f"about {5 * round(6 * (high - low))} min more or less" in said
    times = int(re.findall(r"make (\d+) times", said.replace("twice", "2 times"))[0])
    assert 5 <= times * starter_g < 5 + starter_g


def test_from_five_grams_on_nothing_is_said_and_ways_that_cannot_be_gone_are_not_shown() -> None:
    assert scale_caution((5, 100, 100), hours, 1e5) is None
    small_jar = scale_caution((2, 100, 100), hours, 300.0)
    assert small_jar is not None
    assert "stir 10 g" in small_jar
    assert "times" not in small_jar
    dry = scale_caution((2, 10, 5), hours, 1e5)
    assert dry is not None
    assert "stir" not in dry
    assert "make 3 times as much" in dry


def test_a_plan_of_a_gram_or_two_carries_the_caution() -> None:
    plan = feeding.plan(starter_models.prior(), target_h=24.0, temperatures_c=(23.0,), limits=Limits(flour_g=40.0))
    assert plan.feeding.starter_g < 5
    assert plan.caution is not None
    plan = feeding.plan(starter_models.prior(), target_h=12.0, temperatures_c=(23.0,))
    assert plan.feeding.starter_g >= 5
    assert plan.caution is None
