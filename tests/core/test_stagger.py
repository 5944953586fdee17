"""A group's jars spread over ovens and hands."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.core.forecast.starter_model import learned_from
from monitor.core.plan import feeding
from monitor.core.plan.moment import WAIT_AT_MOST_H
from monitor.core.plan.stagger import Asked, for_hands, for_ovens
from monitor.core.plan.weighing import Limits
from monitor.settings import PlaceSettings
from monitor.values import Cycle, of_grams

H_S = 3600.0


def asked(quicker: float = 1.0, limits: Limits | None = None) -> Asked:
    """A starter fed 1:5:5 each day at 23 degC, at its peak after eight hours or in a part of that."""
    cycles = [
        Cycle(
            jar="a", number=n, fed_at_s=n * 86400.0, told=True, feeding=of_grams((20, 100, 100)),
            peak_at_s=n * 86400.0 + 8.0 * H_S * quicker, fall_at_s=n * 86400.0 + 10.0 * H_S * quicker, peak_ratio=2.5,
            ended_at_s=(n + 1) * 86400.0, temperatures_c=(23.0,) * 24,
        )
        for n in range(6)
    ]  # fmt: skip
    return Asked(culture=learned_from(cycles), temperatures_c=(23.0,), limits=limits or Limits())


JARS = {f"s{n}": asked(0.85 + 0.05 * n) for n in range(6)}


def test_about_as_many_for_each_oven_and_the_quickest_first() -> None:
    made = for_ovens(JARS, [8.0, 7.0])
    assert [one.target_h for one in made] == [7.0] * 3 + [8.0] * 3
    assert [one.jar for one in made] == sorted(JARS)
    for one in made:
        assert one.plan.met
        assert one.feed_in_h == 0.0
        assert one.plan.hours_to_peak[1] == pytest.approx(one.target_h, rel=0.05)


def test_a_late_oven_is_fed_for_later() -> None:
    (one,) = for_ovens({"a": asked()}, [18.0])
    assert one.plan.met
    assert 8.0 < one.feed_in_h < 12.0
    assert one.feed_in_h + one.plan.hours_to_peak[1] == pytest.approx(18.0, rel=0.05)


def test_an_oven_beyond_the_longest_wait_gets_a_leaner_feeding() -> None:
    (one,) = for_ovens({"a": asked()}, [21.5])
    assert one.plan.met
    assert one.feed_in_h == WAIT_AT_MOST_H
    assert one.feed_in_h + one.plan.hours_to_peak[1] == pytest.approx(21.5, rel=0.05)
    assert one.plan.feeding.starter_g < 20.0  # leaner than it is fed each day


def test_two_hands_get_them_one_after_another() -> None:
    made = for_hands(JARS, 10.0, apart_min=12.0)
    assert [one.target_h for one in made] == pytest.approx([9.5, 9.7, 9.9, 10.1, 10.3, 10.5])
    assert all(one.plan.met for one in made)
    # the quickest first: each stays near its usual 1:5:5
    assert all(10.0 <= one.plan.feeding.starter_g <= 35.0 for one in made)


def test_a_proofer_is_named_where_the_room_cannot() -> None:
    """Sixteen hours at 23 degC ask for more than 1:20; in a place that can be cooled the usual feeding does it."""
    plain = asked()
    limits = Limits(places=(PlaceSettings(name="retarder", coolest_c=10.0, warmest_c=20.0),))
    one = feeding.plan(plain.culture, target_h=20.0, temperatures_c=(23.0,), limits=limits)
    assert one.met is False
    first = one.instead[0]
    assert first.do.startswith("set the retarder to ")
    assert first.place_c is not None
    assert 10.0 <= first.place_c <= 20.0
    hot = replace(limits, places=(PlaceSettings(name="proofer", coolest_c=24.0, warmest_c=32.0),))
    other = feeding.plan(plain.culture, target_h=20.0, temperatures_c=(23.0,), limits=hot)
    assert not any("proofer" in one.do for one in other.instead)
