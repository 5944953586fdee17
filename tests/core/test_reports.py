"""A feeding that is told before, while and after hands are seen at the jar: one feeding, no disturbance."""

from __future__ import annotations

import random

import pytest

from monitor.core.detect.step import begin, current, take
from monitor.core.detect.superseded import not_superseded
from monitor.settings import JarSettings
from monitor.values import Arrival, Event, EventKind, Fed, Feeding, JarState, Reading, Stage, of_grams
from tests.core.stories import BEGAN_S, run, story
from tests.night import EMPTY_MM, START_S, night

FED_S = START_S + 600.0


@pytest.mark.parametrize("every_s", [30.0, 120.0])
@pytest.mark.parametrize("told_after_s", [-300.0, 0.0, 120.0, 300.0, 900.0, 3600.0])
def test_a_told_feeding_and_its_level_shift_are_one(told_after_s: float, every_s: float) -> None:
    jar = JarSettings(name="rye", empty_mm=EMPTY_MM)
    told_s = FED_S + told_after_s
    told = Fed(time_s=told_s, jar="rye", feeding=of_grams((25.0, 100.0, 100.0)))
    items = [(thing.received_s, thing.reading) for thing in night(every_s=every_s)]
    items = sorted([*items, (told_s, told)], key=lambda item: item[0])
    state, events = begin(jar), list[Event]()
    for seq, (received_s, item) in enumerate(items, start=1):
        state, found = take(state, Arrival(seq=seq, received_s=received_s, item=item), jar)
        events += found
    kinds = [event.kind for event in events]
    assert EventKind.DISTURBED not in kinds
    assert kinds.count(EventKind.FALL_BEGAN) == 1
    fed = [event for event in events if event.kind is EventKind.FED]
    assert len([event for event in fed if event.replaces is None]) == 1
    assert fed[-1].evidence["flour_g"] == 100.0
    shown = current(state, items[-1][0])
    assert shown.cycle is not None
    assert shown.cycle.peak_ratio == pytest.approx(2.0, abs=0.1)  # the night's curve doubles
    assert abs(shown.cycle.fed_at_s - FED_S) <= max(600.0, abs(told_after_s))


def test_what_is_told_again_in_part_completes_what_was_told() -> None:
    jar = JarSettings(name="rye", empty_mm=EMPTY_MM)
    items = [(thing.received_s, thing.reading) for thing in night(every_s=60.0)]
    first = Fed(time_s=FED_S, jar="rye", feeding=of_grams((25.0, 100.0, 100.0), "rye"))
    again = Fed(time_s=FED_S + 1800.0, jar="rye", feeding=Feeding(water_g=110.0))  # the water only: the rest was right
    told = [(FED_S + 60.0, first), (FED_S + 1800.0, again)]
    state = begin(jar)
    for seq, (received_s, item) in enumerate(sorted([*items, *told], key=lambda one: one[0]), start=1):
        state, _ = take(state, Arrival(seq=seq, received_s=received_s, item=item), jar)
    shown = current(state, state.now_s)
    assert shown.cycle is not None
    fed = shown.cycle.feeding
    assert (fed.grams, fed.flour) == ((25.0, 100.0, 110.0), "rye")


def moved(hours: float) -> float:
    """Sinks, is taken down to 45 mm at 6 h, stands, and rises from 11 h on."""
    if hours < 6.0:
        return 76.0 - hours
    return 45.0 + max(0.0, 6.0 * (hours - 11.0))


def taken_then_fed(fed_h: float, told_h: float) -> tuple[list[Event], JarState]:
    """The events of that jar, whose person says at `told_h` that it was fed at `fed_h`, and its state at 14 h."""
    jar = JarSettings(name="rye", empty_mm=180.0)
    chance = random.Random(5)
    state, events = begin(jar), list[Event]()
    told: list[Fed] = [Fed(time_s=START_S + 3600.0 * fed_h, jar="rye", feeding=of_grams((25.0, 100.0, 100.0)))]
    for k in range(14 * 60):
        hours, time_s = k / 60.0, START_S + 60.0 * k
        distance_mm = 8190.0 if 5.9 < hours < 6.0 else float(round(180.0 - moved(hours) + chance.gauss(0.0, 0.6)))
        items: list[Fed | Reading] = [Reading(time_s=time_s, jar="rye", distance_mm=distance_mm, temperature_c=24.0)]
        if told and hours >= told_h:
            items.append(told.pop())
        for item in items:
            state, found = take(state, Arrival(seq=k, received_s=time_s, item=item), jar)
            events += found
    return events, current(state, state.now_s)


@pytest.mark.parametrize("fed_h", [10.5, 2.0])
def test_a_seen_feeding_gives_way_to_one_reported_for_another_time_of_the_same_rise(fed_h: float) -> None:
    events, shown = taken_then_fed(fed_h, told_h=13.0)
    fed = [event for event in not_superseded(events) if event.kind is EventKind.FED]
    assert [event.happened_at_s for event in fed] == [START_S + 3600.0 * fed_h]
    assert shown.cycle is not None
    assert shown.cycle.number == 1
    assert shown.cycle.feeding.grams == (25.0, 100.0, 100.0)
    assert shown.stage is Stage.RISING


def test_grams_told_late_leave_the_stage_as_it_is() -> None:
    events, shown = taken_then_fed(6.5, told_h=13.0)
    assert shown.stage is Stage.RISING
    assert len([event for event in not_superseded(events) if event.kind is EventKind.FED]) == 1


@pytest.mark.parametrize("told_h", [0.2, 3.5, 9.0, 13.0])
def test_a_feeding_before_the_first_reading_begins_the_cycle_in_whose_middle_watching_began(told_h: float) -> None:
    """Told at once or hours later, it is one cycle with its grams, and none without any stands beside it."""
    told = Fed(time_s=BEGAN_S + 3600.0, jar="rye", feeding=of_grams((25.0, 100.0, 100.0)))
    readings = [one for one in story(20.0) if one.time_s >= told.time_s + 600.0]
    count = int(60 * told_h)
    state, events = run([*readings[:count], told, *readings[count:]])
    stands = not_superseded(events)
    assert [event.happened_at_s for event in stands if event.kind is EventKind.FED] == [told.time_s]
    assert len([event for event in stands if event.kind is EventKind.FALL_BEGAN]) == 1
    shown = current(state, state.now_s)
    assert shown.previous is None
    assert shown.cycle is not None
    assert (shown.cycle.fed_at_s, shown.cycle.feeding.grams) == (told.time_s, (25.0, 100.0, 100.0))
