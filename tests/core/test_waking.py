"""Nobody gets up at night to feed: plans and bakes put feedings where somebody is awake, by the quiet hours of the
config where there are any, and say what other hour does without where none can be put there.

That an evening's levain is made leaner, or the morning's richer, is common practice.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import pytest

from monitor.core.display.units import Display
from monitor.core.forecast import starter_model as starter_models
from monitor.core.plan import bake, moment
from monitor.core.plan.bake_plan import BakePlan, Recipe
from monitor.core.plan.hours import hours_of
from monitor.core.plan.ripeness import Seed, feed_from_s, seed_of
from monitor.core.plan.waking import awake_by, evening_before, morning_after, nearest_by_day
from monitor.settings import NoticeSettings
from tests.core.kitchen_stories import DAY, H, T, culture, cycle, holds

BY_DAY = awake_by(lambda _: 0.0)
LONG_NIGHT = awake_by(lambda _: 0.0, NoticeSettings(quiet_from="19:00", quiet_to="09:00"))
NO_NIGHT = awake_by(lambda _: 0.0, NoticeSettings(quiet_from="08:00", quiet_to="16:00"))  # a night shift's baker


def clock(at_s: float) -> str:
    return Display().about(at_s, T)


def plans(c: float, now_h: float, wanted_h: float, starter: starter_models.Culture) -> tuple[moment.Planned, ...]:
    return moment.plan_for(
        starter, now_s=T + H * now_h, wanted_s=T + H * wanted_h, warmth_from=lambda _: (c,), awake=BY_DAY, clock=clock
    )


def test_quiet_hours_are_when_nobody_feeds_and_who_asks_is_awake() -> None:
    assert BY_DAY(T + 7 * H)
    assert not BY_DAY(T + 3 * H)
    assert NO_NIGHT(T + 3 * H)
    assert not NO_NIGHT(T + 12 * H)
    assert awake_by(lambda _: 0.0, None, T + 3 * H)(T + 3 * H)
    over = awake_by(lambda _: 3600.0, NoticeSettings(quiet_from="22:30", quiet_to="06:30"))  # an hour east of UTC
    assert [over(T + hour * H) for hour in (5.0, 5.5, 21.5, 22.0)] == [False, True, True, False]
    assert evening_before(T + 27 * H, BY_DAY) == T + 22 * H
    assert morning_after(T + 27 * H, BY_DAY) == T + 31 * H


@pytest.mark.parametrize("c", [18.0, 22.0, 26.0])
def test_a_feeding_for_a_wanted_hour_is_by_day_or_says_which_other_hour_does(c: float) -> None:
    nights = 0
    for now_h, wanted_h, starter in product((8, 19), (27, 30, 33, 36, 42), (starter_models.prior(), culture(9.5))):
        planned = plans(c, now_h, wanted_h, starter)
        at_night = [one for one in planned if not BY_DAY(one.at_s)]
        assert at_night in ([], [planned[-1]]), f"{c} °C, {now_h}, {wanted_h}"
        for one in at_night:
            nights += 1
            holds(one.plan.caution or "", ["at night", "nobody need get up", "keep ", "it is ripe about"])
            assert one.plan.at_night
            assert one.plan.by_day is not None
    assert nights <= 3  # of twenty


def test_the_hour_that_is_said_is_what_the_forecast_says() -> None:
    starter = culture(9.5)
    night = plans(26.0, 8, 33, starter)[-1]
    assert not BY_DAY(night.at_s)
    instead = night.plan.by_day
    assert night.plan.instead == ()  # the wish itself is met
    assert instead is not None
    assert instead.feeding is not None
    assert instead.feeding.dilution is not None
    assert instead.hours_to_fall == hours_of(starter, (26.0,), instead.feeding.dilution, 1.0).fall
    comes = instead.because.split("ripe about ")[1].split(" ")[0]
    assert abs(int(comes[:2]) - 9) <= 2  # not far from the hour that was wanted


def test_a_lean_feeding_in_the_evening_takes_the_place_of_one_at_half_past_two() -> None:
    # at 22 °C 1:4:4 takes about 9.5 h: for noon it would be fed at 02:30
    planned = plans(22.0, 10, 36, culture(9.5))
    assert all(BY_DAY(one.at_s) for one in planned)
    assert all(one.plan.met for one in planned)
    last = planned[-1]
    assert last.plan.feeding.flour_g / last.plan.feeding.starter_g > 4.5 or last.at_s % DAY >= 7 * H


def test_what_is_ripe_at_night_is_fed_in_the_morning_and_no_later_than_it_keeps() -> None:
    starter = culture(9.5)
    fed = replace(cycle(0.0), fed_at_s=T + 17 * H)
    seed = seed_of(starter, fed, T + 18 * H, 22.0)
    assert not BY_DAY(seed.ripe_s)
    assert feed_from_s(seed, T + 18 * H, BY_DAY) == T + 31 * H
    spent = Seed(fed_at_s=T, ripe_at=None, ripe_s=T + 26 * H, spent_s=T + 28 * H)
    assert feed_from_s(spent, T + 18 * H, BY_DAY) == T + 26 * H  # it would be spent by then
    assert feed_from_s(seed, T + 18 * H, NO_NIGHT) == seed.ripe_s


def baked(wanted_h: float, good_h: float) -> BakePlan:
    """A bake asked for at 17:00 in a kitchen of 28 °C, whose seed is good for so many hours."""
    now_s = T + 17 * H
    seed = Seed(fed_at_s=None, ripe_at=None, ripe_s=now_s, spent_s=now_s + good_h * H)
    return bake.bake(
        culture(8.0, c=26.0), seed, Recipe(flour_g=900.0), now_s=now_s, wanted_s=T + H * wanted_h,
        warmth_from=lambda _: (28.0,), awake_at=LONG_NIGHT, clock=clock,
    )  # fmt: skip


@pytest.mark.parametrize(("good_h", "says"), [(12.0, "it may be fed at 19:00"), (20.0, "nobody need get up for it")])
def test_a_bake_that_wants_feeding_at_night_says_what_does_without(good_h: float, says: str) -> None:
    nights = [made for wanted_h in (33.0, 35.0) for made in [baked(wanted_h, good_h)]
              if not all(LONG_NIGHT(one.at_s) for one in made.feedings)]  # fmt: skip
    assert nights
    for made in nights:
        holds(" ".join([*made.cautions, *made.by_day]), ["at night", says])
    for said in [one for made in nights for one in made.by_day]:
        holds(said, ["mix at about", "feed the levain at 09:00", "keep ", " g flour and "])


def test_the_other_hour_is_the_nearest_and_lies_by_day() -> None:
    starter = culture(9.5)
    found = nearest_by_day(
        starter, night_s=T + 27 * H, wanted_s=T + 36 * H, within_s=(T, T + 60 * H), ratios=(1.0, 4.0, 10.0),
        hydration=1.0, flour=None, warmth_from=lambda _: (22.0,), comes_h=lambda hours: hours.peak[1], awake_at=BY_DAY,
    )  # fmt: skip
    assert found is not None
    assert BY_DAY(found.at_s)
    assert BY_DAY(found.comes_s)
    each_s = [
        at_s + H * hours_of(starter, (22.0,), 1.0 + 2.0 * parts, 1.0).peak[1]
        for at_s in (T + 22 * H, T + 31 * H)
        for parts in (1.0, 4.0, 10.0)
    ]
    assert abs(found.comes_s - (T + 36 * H)) == min(abs(at_s - (T + 36 * H)) for at_s in each_s if BY_DAY(at_s))
    assert nearest_by_day(
        starter, night_s=T + 27 * H, wanted_s=T + 36 * H, within_s=(T + 26 * H, T + 28 * H), ratios=(4.0,),
        hydration=1.0, flour=None, warmth_from=lambda _: (22.0,), comes_h=lambda hours: hours.peak[1], awake_at=BY_DAY,
    ) is None  # fmt: skip


@pytest.mark.parametrize("past_s", [123.0, 600.0, 899.0])
@pytest.mark.parametrize("ahead_h", [14.0, 20.0, 27.0, 38.0])
def test_no_feeding_is_put_before_now(past_s: float, ahead_h: float) -> None:
    """Feedings lie on quarters of an hour; the one that is just over is no time to feed."""
    starter = starter_models.prior()
    for hour in range(0, 24, 3):
        now_s = T + H * hour + past_s
        awake_at, wanted_s = awake_by(lambda _: 0.0, None, now_s), now_s + H * ahead_h
        made = bake.bake(
            starter, seed_of(starter, None, now_s), Recipe(flour_g=900.0), now_s=now_s, wanted_s=wanted_s,
            warmth_from=lambda _: (22.0,), awake_at=awake_at, clock=clock,
        )  # fmt: skip
        assert made.feedings[0].at_s >= now_s
        planned = moment.plan_for(
            starter, now_s=now_s, wanted_s=wanted_s, warmth_from=lambda _: (22.0,), awake=awake_at
        )
        assert planned[0].at_s >= now_s
