"""Sensors that lie, jars that are moved, starters that climb out: through the daemon's loop, with its notices."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import replace
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from monitor.runs import outbox
from monitor.settings import JarSettings, Settings
from monitor.values import Delivery, Event, EventKind
from tests.kitchen import SETTINGS, Kitchen, first
from tests.night import EMPTY_MM, START_S, night

H = 3600.0
FED_S = START_S + 600.0  # the lid comes off; on again 4 min later
Change = Callable[[Delivery, float], Delivery]


def changed(delivery: Delivery, distance_mm: float) -> Delivery:
    return replace(delivery, reading=replace(delivery.reading, distance_mm=distance_mm))


def watched(folder: Path, change: Change, settings: Settings = SETTINGS, hours: float = 12.0) -> Kitchen:
    """A night in which `change` says what the sensor makes of each reading, `hours` after the feeding."""
    kitchen = Kitchen(folder / "s.db", settings=settings)
    things = [change(one, (one.received_s - FED_S) / H) for one in night(every_s=60.0, hours=hours)]
    kitchen.live(things, until_s=START_S + hours * H + 600)
    return kitchen


@cache
def fall() -> Event:
    """Of the night as it was."""
    with TemporaryDirectory() as folder:
        return first(watched(Path(folder), lambda one, _: one).events(), EventKind.FALL_BEGAN)


def is_the_same_night(kitchen: Kitchen, within_s: float = 900.0, also: Collection[str] = ()) -> None:
    found = [event for event in kitchen.events() if event.kind is EventKind.FALL_BEGAN]
    assert len(found) == 1
    assert found[0].happened_at_s == pytest.approx(fall().happened_at_s, abs=within_s)
    assert found[0].decided_at_s == pytest.approx(fall().decided_at_s, abs=within_s)
    assert set(kitchen.notices()) == {"at_peak", "feed_now", *also}


@pytest.mark.fault("V7")
@pytest.mark.parametrize(("at_h", "step_mm"), [(4.0, 6.0), (5.5, 12.0), (2.5, -12.0)])
def test_a_jar_or_sensor_that_was_moved_is_a_disturbance_and_no_fall(
    tmp_path: Path, at_h: float, step_mm: float
) -> None:
    """On the way up, further away or nearer, for good: the true fall is still found. A surface that is suddenly nearer
    in the quickest part of the rise may also be told as a hand at the jar (the lid off and on): the rise of the time
    that it takes to be sure is as much as the step, so that none is left over."""

    def moved(one: Delivery, hours: float) -> Delivery:
        assert one.reading.distance_mm is not None
        return changed(one, one.reading.distance_mm + step_mm) if hours > at_h else one

    kitchen = watched(tmp_path, moved)
    is_the_same_night(kitchen, within_s=1500.0)  # how steeply it climbed is less sure across the step
    told = (EventKind.DISTURBED, EventKind.LID_OFF) if step_mm < 0 else (EventKind.DISTURBED,)
    after = [one for one in kitchen.events() if one.kind in told and one.happened_at_s > FED_S + 0.5 * H]
    assert [(one.happened_at_s - FED_S) / H for one in after] == [pytest.approx(at_h, abs=1.0)]
    assert kitchen.kinds().count(EventKind.FED) == 1


@pytest.mark.fault("V6")
def test_a_hand_over_the_jar_is_nothing(tmp_path: Path) -> None:
    kitchen = watched(tmp_path, lambda one, hours: changed(one, 30.0) if 4.0 < hours < 4.02 else one)
    is_the_same_night(kitchen)
    assert EventKind.DISTURBED not in kitchen.kinds()


@pytest.mark.fault("V8")
@pytest.mark.parametrize("rim_mm", [86.0, None])
def test_a_starter_that_climbs_to_the_lid_is_told_of_once_and_urgently(tmp_path: Path, rim_mm: float | None) -> None:
    """With a rim, and with a sensor as low as the rim would be, which then reads 0 for what touches it."""
    jar = JarSettings(name="rye", empty_mm=EMPTY_MM if rim_mm else 84.0, rim_mm=rim_mm)

    def low(one: Delivery, hours: float) -> Delivery:
        distance = one.reading.distance_mm
        assert distance is not None
        return one if rim_mm or distance > 200 else changed(one, max(distance - 96.0, 0.0))

    kitchen = watched(tmp_path, low, Settings(jars=(jar,)))
    said = [one.notice for one in outbox.of_jar(kitchen.store, "rye") if one.notice.kind == "near_rim"]
    assert len(said) == 1
    assert said[0].urgent
    assert FED_S + 2 * H < said[0].due_s < FED_S + 6 * H
    assert ("the rim" if rim_mm else "the sensor") in said[0].text


@pytest.mark.fault("V11")
@pytest.mark.fault("V12")
@pytest.mark.parametrize("what", ["none", "degF", "power-on", "open wire"])
def test_without_a_temperature_height_alone_decides_and_the_forecast_says_less(tmp_path: Path, what: str) -> None:
    """A DS18B20 says 85 before its first conversion; libraries say -127 for a broken wire."""

    def without(one: Delivery, _: float) -> Delivery:
        true_c = one.reading.temperature_c
        assert true_c is not None
        said = {"none": None, "degF": true_c * 1.8 + 32.0, "power-on": 85.0, "open wire": -127.0}[what]
        return replace(one, reading=replace(one.reading, temperature_c=said))

    kitchen = watched(tmp_path, without)
    is_the_same_night(kitchen, also=["wrong_unit"] if what == "degF" else [])
    assert kitchen.state().temperature_c is None
    assert kitchen.notices().count("too_hot") == kitchen.notices().count("too_cold") == 0
    if what == "none":
        (tmp_path / "evening").mkdir()
        assert spread_s(watched(tmp_path / "evening", without, hours=3.0)) > spread_s(watched_well())


@cache
def watched_well() -> Kitchen:
    with TemporaryDirectory() as folder:
        return watched(Path(folder), lambda one, _: one, hours=3.0)


def spread_s(kitchen: Kitchen) -> float:
    """Of the forecast of the start of fall."""
    made = kitchen.state().forecast
    assert made is not None
    assert made.fall_at is not None
    return made.fall_at.latest_s - made.fall_at.earliest_s


@pytest.mark.fault("V13")
def test_hours_without_readings_over_the_peak(tmp_path: Path) -> None:
    """The peak is put into the gap, with its doubt, and the fall is told once readings are back."""
    kitchen = Kitchen(tmp_path / "s.db")
    from_s, to_s = FED_S + 5.5 * H, FED_S + 7.5 * H
    things = [one for one in night(every_s=60.0) if not from_s < one.received_s < to_s]
    kitchen.live(things, until_s=START_S + 12 * H)
    found = first(kitchen.events(), EventKind.FALL_BEGAN)
    assert found.decided_at_s > to_s
    assert from_s - 1200 <= found.happened_at_s <= to_s + 600
    peak = [event for event in kitchen.events() if event.kind is EventKind.PEAK_REACHED][-1]
    assert from_s - 1200 <= peak.happened_at_s <= to_s
    assert kitchen.kinds().count(EventKind.FALL_BEGAN) == 1


@pytest.mark.fault("M6")
@pytest.mark.fault("M4")
def test_readings_that_come_twice_and_out_of_order_change_nothing(tmp_path: Path) -> None:
    kitchen = Kitchen(tmp_path / "s.db")
    things = list(night(every_s=60.0))
    shuffled = list(things)
    for k in range(5, len(things) - 5, 7):
        late = replace(things[k], received_s=things[k + 3].received_s + 1)
        shuffled[k : k + 4] = [*things[k + 1 : k + 4], late]
    twice = [again for k, one in enumerate(shuffled) for again in ([one, one] if k % 3 == 0 else [one])]
    kitchen.live(twice, until_s=things[-1].received_s + 600)
    is_the_same_night(kitchen)
    assert kitchen.store.last_seq() == len(things)
