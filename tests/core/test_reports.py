"""A feeding that is told before, while and after hands are seen at the jar: one feeding, no disturbance."""

from __future__ import annotations

import pytest

from monitor.core.detect.step import begin, current, take
from monitor.settings import JarSettings
from monitor.values import Arrival, Event, EventKind, Fed
from tests.night import EMPTY_MM, START_S, night

FED_S = START_S + 600.0


@pytest.mark.parametrize("every_s", [30.0, 120.0])
@pytest.mark.parametrize("told_after_s", [-300.0, 0.0, 120.0, 300.0, 900.0, 3600.0])
def test_a_told_feeding_and_its_landing_are_one(told_after_s: float, every_s: float) -> None:
    jar = JarSettings(name="rye", empty_mm=EMPTY_MM)
    told_s = FED_S + told_after_s
    told = Fed(time_s=told_s, jar="rye", starter_g=25.0, flour_g=100.0, water_g=100.0)
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
    first = Fed(time_s=FED_S, jar="rye", starter_g=25.0, flour_g=100.0, water_g=100.0, flour="rye")
    again = Fed(time_s=FED_S + 1800.0, jar="rye", water_g=110.0)  # the water only: the rest was right
    told = [(FED_S + 60.0, first), (FED_S + 1800.0, again)]
    state = begin(jar)
    for seq, (received_s, item) in enumerate(sorted([*items, *told], key=lambda one: one[0]), start=1):
        state, _ = take(state, Arrival(seq=seq, received_s=received_s, item=item), jar)
    shown = current(state, state.now_s)
    assert shown.cycle is not None
    fed = shown.cycle.feeding
    assert (fed.grams, fed.flour) == ((25.0, 100.0, 110.0), "rye")
