"""A bake days ahead: the starter may rest in the fridge meanwhile, in place of being fed twice a day to be kept going.

Fed, let begin to rise, into the cold, and fed once or twice before it is used, once more after weeks: common practice.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import pytest

from monitor.core.display.units import Display
from monitor.core.plan import bake
from monitor.core.plan.bake_plan import BakePlan, Recipe, meanwhile_words, rest_words
from monitor.core.plan.plain import bake_json
from monitor.core.plan.ripeness import Seed, seed_of
from monitor.core.plan.waking import awake_by
from monitor.runs import rfc3339
from tests.core.kitchen_stories import DAY, H, culture, cycle, holds

SATURDAY_9 = datetime.fromisoformat("2026-03-07T09:00:00+00:00").timestamp()
BY_DAY = awake_by(lambda _: 0.0)


def planned(days: float, seed: Seed | None = None, *, fridge: bool = False) -> BakePlan:
    """A bake for Saturday at nine, asked for so many days before, of a starter that takes nine hours at 22 degC."""
    now_s = SATURDAY_9 - DAY * days
    return bake.bake(
        culture(9.0), seed or seed_of(culture(9.0), None, now_s), Recipe(flour_g=900.0), now_s=now_s,
        wanted_s=SATURDAY_9, warmth_from=lambda _: (22.0,), awake_at=BY_DAY,
        clock=lambda at_s: Display().clock(at_s, now_s), fridge=fridge,
    )  # fmt: skip


def woken(made: BakePlan) -> int:
    assert made.rest is not None
    return sum(one.at_s >= made.rest.until_s for one in made.feedings)


@pytest.mark.parametrize("days", [3.0, 4.0, 6.0])
def test_days_ahead_the_fridge_is_offered_beside_feeding_on(days: float) -> None:
    often = planned(days)
    assert often.met
    assert often.rest is None
    made = often.meanwhile
    assert made is not None
    assert made.met
    assert made.rest is not None
    assert len(made.feedings) == 3  # before the cold, out of it, and the levain
    assert woken(made) == 2
    assert len(often.feedings) >= len(made.feedings) + 2
    assert made.discard_g < often.discard_g
    assert all(BY_DAY(one.at_s) for one in made.feedings)
    assert made.feedings[0].at_s < made.rest.from_s < made.rest.until_s == made.feedings[1].at_s
    assert made.rest.until_s - made.rest.from_s >= 24 * H
    assert SATURDAY_9 - made.rest.until_s <= 36 * H  # shortly before
    assert abs(made.ready.likely_s - SATURDAY_9) <= 1.5 * H
    assert (made.feedings[-1].feeding.total_g or 0) >= 200 / 0.98
    for before, after in zip(made.feedings[1:], made.feedings[2:], strict=False):  # and never from unripe seed
        assert (after.at_s - before.at_s) / H >= before.hours.peak[1] - 0.5
    said = meanwhile_words(often, lambda at_s: Display().clock(at_s, SATURDAY_9 - DAY * days))
    less = f"{made.discard_g} g left over instead of {often.discard_g} g"
    holds(said, ["let it begin to rise", "fridge, lid loose", "Friday", "feed it twice", "the last time as the levain",
          f"3 feedings instead of {len(often.feedings)}", less],
          ("sealed", "keep on feeding"))  # fmt: skip
    holds(" ".join(made.cautions), ["after the cold is slower", "jartide rest JAR"])


def test_tomorrow_it_is_not() -> None:
    for days in (0.5, 1.0, 1.5):
        assert planned(days).meanwhile is None


def test_asked_for_it_is_the_plan_itself() -> None:
    made = planned(6.0, fridge=True)
    assert made.rest is not None
    assert made.meanwhile is None
    assert made == planned(6.0).meanwhile


def test_what_was_just_fed_goes_in_as_it_is_and_what_rests_stays_there() -> None:
    now_s = SATURDAY_9 - 6 * DAY
    fed = seed_of(culture(9.0), replace(cycle(0.0), fed_at_s=now_s - 3 * H, number=3), now_s, 22.0)
    made = planned(6.0, fed, fridge=True)
    assert made.rest is not None
    assert made.feedings[0].at_s == made.rest.until_s
    clock = lambda at_s: Display().clock(at_s, now_s)  # noqa: E731
    holds(rest_words(made, clock), ["Put it in the fridge, lid loose"], ("Feed it", "begun to rise"))
    just = seed_of(culture(9.0), replace(cycle(0.0), fed_at_s=now_s - 600.0, number=3), now_s, 22.0)
    holds(rest_words(planned(6.0, just, fridge=True), clock), ["Once it has begun to rise"], ("Feed it",))
    resting = replace(cycle(0.0), fed_at_s=now_s - 3 * DAY, number=3, rested=True)
    made = planned(6.0, seed_of(culture(9.0), resting, now_s, 22.0))  # not asked: it lies there
    assert made.met
    assert len(made.feedings) == 2
    holds(rest_words(made, clock), ["Leave it in the fridge"], ("Feed it", "begun to rise"))
    soon = planned(0.6, seed_of(culture(9.0), resting, SATURDAY_9 - 0.6 * DAY, 22.0))
    assert soon.rest is None  # no time to wait


def test_beyond_what_feedings_reach_the_fridge_does_and_wakes_longer() -> None:
    made = planned(12.0)
    assert made.met
    assert made.rest is not None
    assert woken(made) == 3


def test_the_json_adds_to_the_contract_and_takes_nothing_away() -> None:
    often = planned(6.0)
    body = bake_json(often, rfc3339.text)
    assert {"feedings", "ready", "take_g", "keep_g", "discard_g", "met", "because"} <= set(body)
    assert "instead" not in body  # it is met
    other = body["meanwhile"]
    assert isinstance(other, dict)
    assert set(other) >= {"feedings", "ready", "discard_g", "met", "rest"}
    assert set(other["rest"]) == {"from", "until"}  # type: ignore[arg-type]
