"""A top that is told from what earlier cycles have in common: screen, notice and event rest on one chance, and where
the dough climbs on after all, it is taken back. The dough is invented."""

from __future__ import annotations

import math
import random
from collections.abc import Iterator

import pytest

from monitor.core.detect import step as core
from monitor.core.detect.superseded import name_of
from monitor.core.notify.due import due
from monitor.settings import JarSettings, NoticeSettings
from monitor.values import Arrival, Event, EventKind, Fed, JarState, Notice, Reading, Stage, of_grams

H_S = 3600.0
BEGIN_S = 1_772_409_600.0
JAR = JarSettings(name="rye", empty_mm=180.0)
CYCLE_H, CYCLES = 14.0, 5
EVERY_S = 60.0


def level_mm(hours: float, *, second_wind: bool) -> float:
    """Up by 30 mm in six hours, and down from the seventh on; with a second wind, 12 mm more after an hour's rest."""
    first = 40.0 + 30.0 * math.sin(math.pi / 2.0 * min(hours / 6.0, 1.0)) ** 2
    if second_wind:
        return first + 12.0 * min(max(hours - 7.5, 0.0) / 2.5, 1.0) - 4.0 * max(hours - 11.0, 0.0)
    return first - 4.0 * max(hours - 7.0, 0.0)


def watched(second_wind: bool) -> Iterator[tuple[JarState, list[Event]]]:
    """What is believed after each reading, and what was decided at it: four cycles alike, then the one in question."""
    chance, state = random.Random(5), core.begin(JAR)
    fed_s, time_s, seq = BEGIN_S, BEGIN_S - 600.0, 0
    for k in range(CYCLES):
        fed = Fed(time_s=fed_s, jar="rye", feeding=of_grams((25, 100, 100)))
        while time_s < fed_s + CYCLE_H * H_S:
            hours = (time_s - fed_s) / H_S
            mm = 60.0 if hours < 0.0 else level_mm(hours, second_wind=second_wind and k == CYCLES - 1)
            away = -0.05 <= hours < 0.02
            seen_mm = 8190.0 if away else round(180.0 - mm + chance.gauss(0.0, 0.6), 1)
            items: list[Fed | Reading] = [Reading(time_s=time_s, jar="rye", distance_mm=seen_mm, temperature_c=24.0)]
            if 0.0 <= hours < EVERY_S / H_S:
                items.insert(0, fed)
            events: list[Event] = []
            for item in items:
                seq += 1
                state, some = core.take(state, Arrival(seq=seq, received_s=time_s, item=item), JAR)
                events += some
            yield core.current(state, time_s), events
            time_s += EVERY_S
        fed_s += CYCLE_H * H_S


@pytest.fixture(scope="module", params=[False, True], ids=["like the others", "with a second wind"])
def story(request: pytest.FixtureRequest) -> tuple[bool, list[tuple[JarState, list[Event]]]]:
    """The last cycle."""
    all_of_it = list(watched(request.param))
    last_s = BEGIN_S + (CYCLES - 1) * CYCLE_H * H_S
    return request.param, [one for one in all_of_it if one[0].now_s >= last_s]


def test_screen_notice_and_event_never_disagree(story: tuple[bool, list[tuple[JarState, list[Event]]]]) -> None:
    _, steps = story
    before = None
    for state, events in steps:
        told = [event for event in events if event.kind is EventKind.PEAK_REACHED and "memory" in event.evidence]
        if told and "z" not in told[0].evidence:
            assert before is not None
            assert before.forecast is not None
            assert before.forecast.peak_at is not None
            assert before.forecast.peak_at.likely_s - state.now_s <= 600.0  # "any moment", as the page says it
            assert state.stage is Stage.PEAKED
            assert state.forecast is None or state.forecast.peak_at is None
            return
        before = state
    pytest.fail("nothing was told from memory")


def test_a_top_told_too_early_is_taken_back_and_dated_again(
    story: tuple[bool, list[tuple[JarState, list[Event]]]],
) -> None:
    second_wind, steps = story
    fed_s = BEGIN_S + (CYCLES - 1) * CYCLE_H * H_S
    events = [event for _, some in steps for event in some]
    peaks = [event for event in events if event.kind is EventKind.PEAK_REACHED]
    taken_back = [event for event in events if event.kind is EventKind.RISE_BEGAN and event.replaces]
    assert len(taken_back) == second_wind
    if second_wind:
        assert name_of(peaks[0]) == taken_back[0].replaces
        rises_on_mm = taken_back[0].evidence["rises_on_mm"]
        assert isinstance(rises_on_mm, float)
        assert rises_on_mm > 2.0
        after = next(state for state, some in steps if taken_back[0] in some)
        assert after.stage is Stage.RISING
        assert after.forecast is not None
        assert after.forecast.peak_at is not None  # it is expected again
    top_h = 10.5 if second_wind else 6.5
    assert (peaks[-1].happened_at_s - fed_s) / H_S == pytest.approx(top_h, abs=1.0)
    assert [event.kind for event in events].count(EventKind.FALL_BEGAN) == 1
    fall = next(event for event in events if event.kind is EventKind.FALL_BEGAN)
    assert (fall.decided_at_s - fed_s) / H_S > top_h


def test_at_its_peak_is_told_again_only_where_it_had_climbed_on(
    story: tuple[bool, list[tuple[JarState, list[Event]]]],
) -> None:
    second_wind, steps = story
    sent: dict[tuple[str, int], float] = {}
    told: list[tuple[float, Notice]] = []
    for state, _ in steps[::5]:
        for notice in due(state, sent, NoticeSettings(), JAR, state.now_s):
            sent[notice.kind, notice.repeat] = notice.due_s
            if notice.kind == "at_peak":
                told.append((notice.due_s, notice))
    fed_s = BEGIN_S + (CYCLES - 1) * CYCLE_H * H_S
    assert [notice.repeat for _, notice in told] == ([0, 1] if second_wind else [0])
    assert "kept climbing" not in told[0][1].text
    if second_wind:
        assert told[1][0] - fed_s > 10.0 * H_S
        assert told[1][1].title == "rye is at its peak now"
        assert "It kept climbing after the last message" in told[1][1].text
