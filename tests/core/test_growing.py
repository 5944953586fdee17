"""A new starter from nothing, day by day, and one that rests, travels and wakes: what the program says of it. Common
practice; on the first days D. Wink (2009) and Ercolini et al. 2013."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.core.assess import growing, resting
from monitor.core.notify.due import due
from monitor.settings import JarSettings, NoticeSettings
from monitor.values import Cycle, Noting, Stage
from tests.core.believed import FED, RISEN, cycle, note, state
from tests.core.kitchen_stories import begun, flat, holds, judge, later, said
from tests.core.kitchen_stories import cycle as told_cycle
from tests.core.kitchen_stories import note as note_at

DAY = 86_400.0


@pytest.mark.parametrize(
    ("days", "says", "never"),
    [
        (0.5, ["Day 1", "Expect nothing", "50 g of wholegrain flour", "lid loose", "24 to 27 °C"], ["bake"]),
        (1.2, ["Day 2", "50 g flour and 50 g water"], ["dead"]),
        (2.9, ["Day 3", "mostly not yeast", "do not bake", "in the bin"], ["fit"]),
        (5.0, ["Day 6", "Silence is usual", "not dead", "every second day"], ["start over", "begin again"]),
        (8.0, ["Day 9", "first doubling", "Three alike", "day 10 to 14"], ["today it bakes"]),
        (14.0, ["Day 15", "another flour", "other water", "begin again", "below 20 °C"], ["dead"]),
    ],
)
def test_each_day_has_what_is_usual_and_what_to_weigh(days: float, says: list[str], never: list[str]) -> None:
    holds(growing.told(days).say, says, never)


def test_what_is_assessed_of_a_young_one_begins_with_today() -> None:
    made = judge(flat(5), 5.2 * 24.0, [begun(0)])
    assert made.advice[0].say.startswith("Today, on day 6: keep 50 g")
    # nothing is predicted of it to the minute, and it is said neither to be dead nor to be fed again at once
    opened = judge([*flat(5), told_cycle(120.0)], 5.2 * 24.0, [begun(0)])
    assert opened.now is None
    holds(said(opened), ["Silence" if "Silence" in said(opened) else "pause"], ("dead", "its peak comes about"))
    old = judge(flat(5), 5.2 * 24.0, [note_at(Noting.BEGUN, "old")])
    assert "on day" not in said(old)


def notices(days: float, stage: Stage = Stage.SETTLING, open_cycle: Cycle | None = None) -> dict[str, str]:
    """What is due of a jar that was begun so many days before its feeding, an hour after that."""
    began = note(-1.0, Noting.BEGUN, day_before(days))
    open_cycle = open_cycle or cycle()
    before = replace(open_cycle, number=3, fed_at_s=FED - DAY, ended_at_s=FED)
    hours = 1.0 if stage is Stage.SETTLING else 8.0
    believed = state(hours, stage, cycle=open_cycle, previous=before)
    return {
        one.kind: one.text
        for one in due(believed, {}, NoticeSettings(), JarSettings(name="rye"), believed.now_s, [began])
    }


def day_before(days: float) -> str:
    from datetime import UTC, datetime

    return f"{datetime.fromtimestamp(FED - days * DAY, UTC):%Y-%m-%d}"


def test_another_stretch_is_told_with_the_first_feeding_in_it_and_once() -> None:
    # fed at 16:00 on these days after it was begun: the stretches begin on days 2, 4, 7 and 14
    told = [day for day in range(17) if "growing" in notices(day)]
    assert told == [2, 4, 7, 14]
    holds(notices(4)["growing"], ["Silence is usual now", "keep 50 g"])
    assert "growing" not in notices(4, Stage.PEAKED, RISEN)  # hours later nobody stands at the jar


def test_a_young_one_at_its_peak_is_not_called_ready_to_bake() -> None:
    young = notices(3, Stage.PEAKED, RISEN)["at_peak"]
    holds(young, ["first week", "mostly not yeast", "don't bake"], ("time to bake",))
    holds(notices(9, Stage.PEAKED, RISEN)["at_peak"], ["three rises in a row"], ("This is the time to bake",))
    holds(notices(400, Stage.PEAKED, RISEN)["at_peak"], ["time to bake with it"])


def test_a_journey_is_answered_by_its_days() -> None:
    holds(resting.going_in(5.0).say, ["4 °C", "lid loose", "5 days it needs nothing more", "once or twice"], ("20 g",))
    says = ["20 g, add 40 g flour and 20 g water", "begin to rise", "4 °C", "lid loose", "Dry a spare", "two or three"]
    holds(resting.going_in(21.0).say, says, ("1:100", "must be fed"))


def test_one_out_of_the_fridge_is_told_to_be_woken_until_it_was_fed_twice() -> None:
    rested = [note_at(Noting.REST, "", -24.0 * 7), note_at(Noting.REST_OVER, "", 0.0)]
    waking = ["once or twice before you bake", "doubles in its usual time"]
    holds(said(judge([told_cycle(-200.0, end_h=40.0), told_cycle(0.5)], 2.0, rested)), waking)
    twice = [told_cycle(-200.0, end_h=40.0), *later([told_cycle(1.0, end_h=20.0)], 0), told_cycle(25.0)]
    assert "once or twice before you bake" not in said(judge(twice, 26.0, rested))
    holds(said(judge([told_cycle(-200.0, end_h=40.0)], 2.0, rested[:1])), ["It is resting in the cold", "once a week"])
