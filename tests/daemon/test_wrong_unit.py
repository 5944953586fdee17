"""A sensor that sends another unit is told of once, however many cycles pass, and nothing is judged from it.

The conversions are exact by definition: 10 mm, 25.4 mm (international yard and pound agreement, 1959), 9/5 and 32.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from monitor.runs import outbox
from monitor.values import Delivery
from tests.kitchen import Kitchen
from tests.night import START_S, night


def two_nights() -> list[Delivery]:
    return [
        replace(thing, boot=f"night {k}")
        for k in range(2)
        for thing in night(every_s=120.0, hours=12.0, start_s=START_S + k * 86400.0)
    ]


def in_fahrenheit(thing: Delivery) -> Delivery:
    c = thing.reading.temperature_c
    assert c is not None
    return replace(thing, reading=replace(thing.reading, temperature_c=c * 9.0 / 5.0 + 32.0))


def told(kitchen: Kitchen) -> list[outbox.StoredNotice]:
    return [one for one in outbox.of_jar(kitchen.store, "rye") if one.notice.kind == "wrong_unit"]


@pytest.mark.parametrize(("mm_per_unit", "words"), [(10.0, "centimetres"), (25.4, "inches")])
def test_distances_in_another_unit_are_told_of_once_and_nothing_else_is(
    tmp_path: Path, mm_per_unit: float, words: str
) -> None:
    kitchen = Kitchen(tmp_path / "s.db")
    for thing in two_nights():
        mm = thing.reading.distance_mm
        if mm is not None and mm < 8000.0:
            thing = replace(thing, reading=replace(thing.reading, distance_mm=mm / mm_per_unit))
        kitchen.live([thing])
    kitchen.daemon.flush()
    (one,) = told(kitchen)
    assert words in one.notice.text
    assert "have the firmware send millimetres" in one.notice.text
    assert set(kitchen.notices()) <= {"wrong_unit", "sensor_silent", "sensor_back"}


def test_fahrenheit_is_told_of_once_in_all_cycles_and_over_a_restart(tmp_path: Path) -> None:
    kitchen = Kitchen(tmp_path / "s.db")
    things = [in_fahrenheit(thing) for thing in two_nights()]
    kitchen.live(things[:500])
    kitchen.daemon.flush()
    assert len(told(kitchen)) == 1
    kitchen.store.close()
    kitchen = Kitchen(tmp_path / "s.db", now_s=kitchen.now_s)
    kitchen.live(things[500:])
    kitchen.daemon.flush()
    (one,) = told(kitchen)
    assert "degrees Fahrenheit" in one.notice.text
    assert "too_hot" not in kitchen.notices()
    assert kitchen.notices().count("feed_now") >= 2
