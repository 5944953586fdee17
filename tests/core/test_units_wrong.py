"""Distances in centimetres or inches and temperatures in Fahrenheit are found out, said, and not used.

The conversions are exact by definition: 10 mm, 25.4 mm (international yard and pound agreement, 1959), 9/5 and 32.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.core.detect import step as core
from monitor.core.display.units import firmware_troubles
from monitor.values import EventKind, Reading
from tests.core.stories import run, story


def in_unit(readings: list[Reading], mm_per_unit: float) -> list[Reading]:
    return [
        one
        if one.distance_mm is None or one.distance_mm > 8000.0
        else replace(one, distance_mm=one.distance_mm / mm_per_unit)
        for one in readings
    ]


@pytest.mark.parametrize(("mm_per_unit", "unit", "word"), [(10.0, "cm", "centimetres"), (25.4, "in", "inches")])
def test_distances_in_another_unit_are_not_used_and_said_to_be(mm_per_unit: float, unit: str, word: str) -> None:
    state, events = run(in_unit(story(12.0), mm_per_unit))
    shown = core.current(state, state.now_s)
    assert shown.distance_unit == unit
    assert word in firmware_troubles(shown)[0]
    assert shown.level is None
    assert not {event.kind for event in events} - {EventKind.LID_OFF, EventKind.LID_ON, EventKind.JAR_AWAY}


def test_fahrenheit_is_found_and_does_not_count_as_hot() -> None:
    warm = [replace(one, temperature_c=24.0 * 9.0 / 5.0 + 32.0) for one in story(3.0)]
    state, _ = run(warm)
    shown = core.current(state, state.now_s)
    assert shown.temperature_unit == "degF"
    assert shown.temperature_c is None
    assert "Celsius" in firmware_troubles(shown)[0]


def test_a_cool_kitchen_in_fahrenheit_is_none_that_is_hot() -> None:
    state, _ = run([replace(one, temperature_c=50.0) for one in story(3.0)])  # 10 degC
    assert core.current(state, state.now_s).temperature_c is None


def test_millimetres_and_celsius_are_left_alone() -> None:
    state, events = run(story(30.0))
    shown = core.current(state, state.now_s)
    assert shown.distance_unit is None
    assert shown.temperature_unit is None
    assert firmware_troubles(shown) == []
    assert EventKind.FALL_BEGAN in {event.kind for event in events}


def test_once_a_unit_has_shown_itself_a_hand_under_the_sensor_changes_nothing() -> None:
    readings = story(3.0)
    hand = [replace(one, distance_mm=12.0) for one in readings[60:100]]
    state, _ = run([*readings[:60], *hand, *readings[100:]])
    assert core.current(state, state.now_s).distance_unit is None


@pytest.mark.parametrize(
    ("sent_c", "why"),
    [
        (-127.0, "when no sensor answers"),
        (85.0, "before it has measured"),
        (0.0, "before it has measured"),
        (200.0, "no kitchen is that"),
    ],
)
def test_a_temperature_that_is_none_is_said_to_be_refused_and_why(sent_c: float, why: str) -> None:
    """85.0 is a DS18B20's power-on value (its data sheet, table 1); -127 is what the common library gives for none."""
    told = [replace(one, temperature_c=sent_c) for one in story(3.0)]
    state, _ = run(told)
    shown = core.current(state, state.now_s)
    assert (shown.temperature_c, shown.refused_c) == (None, sent_c)
    (said,) = firmware_troubles(shown)
    assert said.startswith(f"the temperature {sent_c:g} is rejected: ")
    assert why in said
    now_and_then = [replace(one, temperature_c=sent_c if k % 5 else 24.0) for k, one in enumerate(story(3.0))]
    state, _ = run(now_and_then)
    assert core.current(state, state.now_s).refused_c is None  # the others are enough
    assert core.current(state, state.now_s + 86400.0).refused_c is None  # nothing came of late
