"""What time alone decides, each bound from both of its sides. Common practice where no source is named: how long a link
fails, how cold a fridge is (EN 62552: a fresh-food compartment is held at 0 to 8 degC)."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.core.detect import timeouts
from monitor.core.detect.cycle import OpenCycle
from monitor.core.detect.state import DetectorState
from monitor.core.detect.timeouts import silent_after_s, ticks, watch
from monitor.core.signal.block import HeldBlock
from monitor.core.signal.plausibility import Plausibility
from monitor.settings import JarSettings
from monitor.values import Event, EventKind
from tests.core.stories import BEGAN_S, HOUR_S

RYE = JarSettings(name="rye", empty_mm=180.0)
AWAY_S, OFF_LEAST_S = 1800.0, 90.0  # written out: a bound that moves is to be noticed here
T = BEGAN_S
MIN_S = 60.0


def state_at(time_s: float = T, **changes: object) -> DetectorState:
    state = DetectorState(jar=RYE, now_s=time_s, empty_mm=180.0)
    for name, value in changes.items():
        setattr(state, name, value)
    return state


def kinds(events: list[Event]) -> list[EventKind]:
    return [event.kind for event in events]


@pytest.mark.parametrize(
    ("sampling_s", "configured_min", "after_s"),
    [(None, None, 900.0), (10.0, None, 900.0), (150.0, None, 900.0), (300.0, None, 1800.0), (300.0, 5.0, 300.0)],
)
def test_how_long_no_word_is_too_long(sampling_s: float | None, configured_min: float | None, after_s: float) -> None:
    """Six usual times between readings, and a quarter of an hour at least; or as configured."""
    assert silent_after_s(sampling_s, replace(RYE, silent_after_min=configured_min)) == after_s


def test_a_sensor_is_silent_after_that_and_said_once() -> None:
    state = state_at()
    timeouts.heard(state, T)
    assert watch(state, T + 900.0, RYE) == []
    (silent,) = watch(state, T + 901.0, RYE)
    assert (silent.kind, silent.happened_at_s) == (EventKind.SENSOR_SILENT, T)
    assert silent.evidence == {"silent_s": 901}
    assert watch(state, T + 2000.0, RYE) == []
    timeouts.heard(state, T + 2400.0)
    (back,) = timeouts.back(state)
    assert (back.kind, back.happened_at_s, back.evidence) == (EventKind.SENSOR_BACK, T + 2400.0, {"silent_s": 2400})
    assert timeouts.back(state) == []


def test_where_no_jar_stands_a_silence_is_kept_and_not_said() -> None:
    state = state_at()
    timeouts.heard(state, T)
    state.timers.is_away = True
    assert watch(state, T + 1000.0, RYE) == []
    assert state.timers.silent_since_s == T


def test_what_is_late_moves_no_time_back() -> None:
    state = state_at(T)
    timeouts.heard(state, T - 100.0)
    assert (state.now_s, state.timers.last_row_s) == (T, T)


def test_ticks_lie_on_the_grid_and_are_at_most_a_week_of_them() -> None:
    def called(now_s: float, to_s: float) -> list[float]:
        seen: list[float] = []

        def tick(time_s: float) -> list[Event]:
            seen.append(time_s)
            return []

        ticks(state_at(now_s), to_s, tick)
        return seen

    assert called(T, T + 59.9) == []
    assert called(T, T + 60.0) == [T + 60.0]
    assert called(T + 1.0, T + 185.0) == [T + 60.0, T + 120.0, T + 180.0]
    assert called(-1e18, T + 30.0) == [T]  # the first item ever
    assert called(T, T - 300.0) == []
    long = called(T, T + 30 * 24 * HOUR_S)
    assert len(long) == 7 * 1440 + 1
    assert long[-1] == T + 30 * 24 * HOUR_S


def out(odd_n: int = 2, strange_n: int = 1, *, gap: bool = False, held: list[HeldBlock] | None = None) -> DetectorState:
    """A surface that went out of sight at T."""
    state = state_at()
    timeouts.heard(state, T)
    lid = state.surface
    lid.out_since_s, lid.odd_n, lid.strange_n, lid.gap, lid.held = T, odd_n, strange_n, gap, held or []
    return state


def test_the_lid_is_off_after_a_minute_and_a_half_without_a_surface() -> None:
    state = out()
    assert watch(state, T + OFF_LEAST_S - 1.0, RYE) == []
    (off,) = watch(state, T + OFF_LEAST_S, RYE)
    assert (off.kind, off.happened_at_s, state.surface.lid_off) == (EventKind.LID_OFF, T, True)
    assert watch(state, T + OFF_LEAST_S + 60.0, RYE) == []


@pytest.mark.parametrize(
    "state", [out(odd_n=1), out(strange_n=0), out(gap=True)], ids=["one block", "a surface", "gap"]
)
def test_less_than_that_is_no_lid(state: DetectorState) -> None:
    assert watch(state, T + OFF_LEAST_S, RYE) == []


def test_no_jar_is_there_after_half_an_hour_without_any_surface() -> None:
    def after(away_s: float, *levels_mm: float | None) -> list[EventKind]:
        held = [HeldBlock(T + away_s - 60.0 * k, level_mm, 1.0) for k, level_mm in enumerate(levels_mm)]
        state = out(held=held)
        state.surface.lid_off = True
        timeouts.heard(state, T + away_s)
        return kinds(watch(state, T + away_s, RYE))

    assert after(AWAY_S, None, None, None) == [EventKind.JAR_AWAY]
    assert after(AWAY_S - 1.0, None, None, None) == []
    assert after(AWAY_S, None, 40.0, None) == []  # something stands there
    assert after(AWAY_S, None, 2.0, None) == [EventKind.JAR_AWAY]  # the bare bottom, or the table
    assert after(AWAY_S, *[None] * 30, 40.0) == [EventKind.JAR_AWAY]  # it stood there half an hour ago
    assert after(AWAY_S, *[None] * 29, 40.0) == []
    assert after(AWAY_S) == []  # nothing was seen lately: silence is something else
    state = out(held=[HeldBlock(T + AWAY_S, None, 1.0)])
    timeouts.heard(state, T + AWAY_S)
    watch(state, T + AWAY_S, RYE)
    assert (state.timers.is_away, state.timers.away_since_s, state.surface.gap) == (True, T, True)
    assert watch(state, T + AWAY_S + 60.0, RYE) == []


def through(temperatures_c: list[float], state: DetectorState | None = None) -> tuple[DetectorState, list[Event]]:
    """A temperature a minute."""
    state = state or state_at()
    state.cycle = state.cycle or OpenCycle(fed_at_s=T)
    events: list[Event] = []
    began_s = state.now_s
    for minute, temperature_c in enumerate(temperatures_c):
        time_s = began_s + MIN_S * minute
        timeouts.heard(state, time_s)
        state.plausibility = Plausibility(temperature_c=temperature_c, temperature_s=time_s)
        events += watch(state, time_s, RYE)
    return state, events


def test_an_hour_below_ten_degrees_is_rest() -> None:
    assert kinds(through([9.9] * 60)[1]) == []
    state, events = through([9.9] * 61)
    (began,) = events
    assert (began.kind, began.happened_at_s, began.evidence) == (EventKind.REST_BEGAN, T, {"temperature_c": 9.9})
    assert state.cycle is not None
    assert state.cycle.rested
    assert kinds(through([10.0] * 200)[1]) == []  # a cold kitchen
    assert kinds(through([9.9] * 50 + [10.0] + [9.9] * 50)[1]) == []  # aired, twice


def test_half_an_hour_above_thirteen_degrees_ends_it() -> None:
    resting, _ = through([6.0] * 61)
    assert kinds(through([12.9] * 200, resting)[1]) == []  # the door stands open
    resting, _ = through([6.0] * 61)
    assert kinds(through([13.0] * 30, resting)[1]) == []
    resting, _ = through([6.0] * 61)
    _, events = through([13.0] * 31, resting)
    assert [(event.kind, event.happened_at_s) for event in events] == [(EventKind.REST_ENDED, T + 60 * MIN_S)]
    reported, _ = through([6.0] * 61)
    reported.timers.rest_reported = True  # whoever said so ends it
    assert kinds(through([20.0] * 100, reported)[1]) == []
