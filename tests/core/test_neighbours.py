"""A sensor that stands apart from its neighbours, and the notices about it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.core.assess.neighbours import drifting
from monitor.core.display.units import Display
from monitor.core.notify.conditions import Kind
from monitor.core.notify.siblings import group_notices
from monitor.settings import JarSettings, NoticeSettings
from monitor.values import Cycle, JarState, Level, Stage
from tests.jar_state import jar_state

NOW_S = 1_772_450_000.0
DISPLAY = Display()


def state(jar: str, warm_c: float = 22.0, start_mm: float = 45.0, fed_h: float = 7.0) -> JarState:
    """Fed some hours ago, twice its height by now."""
    level = Level(
        time_s=NOW_S, distance_mm=180.0 - 2.0 * start_mm, level_mm=2.0 * start_mm, sd_mm=0.5, volume_ml=None,
        rise_ratio=2.0, rise_ratio_sd=0.05, temperature_c=warm_c,
    )  # fmt: skip
    cycle = Cycle(jar=jar, number=4, fed_at_s=NOW_S - 3600.0 * fed_h, temperatures_c=(warm_c,) * 7)
    made = jar_state(
        NOW_S, Stage.RISING, jar, fed_h, level=level, slope_mm_per_h=None, temperature_c=warm_c, forecast=None
    )  # fmt: skip
    return replace(made, cycle=cycle)


def shelf(**odd: float) -> list[JarState]:
    """Twelve jars a tenth of a degree and half a millimetre apart, and one that may be otherwise."""
    some = [state(f"s{n}", 22.0 + 0.1 * (n % 5), 45.0 + 0.5 * (n % 4)) for n in range(12)]
    return [*some, state("odd", odd.get("warm_c", 22.2), odd.get("start_mm", 45.5), odd.get("fed_h", 7.0))]


JARS = {one.jar: JarSettings(name=one.jar, group="s") for one in shelf()}


def test_a_sensor_as_its_neighbours_says_nothing() -> None:
    assert drifting(shelf(), JARS) == ()


def test_a_thermometer_two_degrees_off_is_named() -> None:
    (one,) = drifting(shelf(warm_c=24.2), JARS)
    assert (one.jar, one.measure, one.neighbours) == ("odd", "temperature_c", 12)
    assert one.off == pytest.approx(2.0, abs=0.1)


def test_a_level_eight_millimetres_off_is_named() -> None:
    (one,) = drifting(shelf(start_mm=37.5), JARS)
    assert (one.jar, one.measure) == ("odd", "starting_mm")
    assert one.off == pytest.approx(-8.25, abs=0.3)


def test_what_was_fed_at_another_hour_is_no_neighbour() -> None:
    assert drifting(shelf(warm_c=26.0, fed_h=14.0), JARS) == ()


def test_less_than_anyone_would_act_on_is_not_named() -> None:
    assert drifting(shelf(warm_c=23.2, start_mm=49.0), JARS) == ()


def test_a_difference_in_fahrenheit_is_no_temperature() -> None:
    show = Display(temperature_unit="degF")
    (notice,) = group_notices(shelf(warm_c=24.2), {}, JARS, set(), NoticeSettings(), NOW_S, show)
    assert notice.text.startswith("odd reads 3.7 °F more")


def test_one_notice_and_not_in_the_night() -> None:
    def said(told: set[tuple[str, str]], settings: NoticeSettings) -> list[tuple[str, str]]:
        made = group_notices(shelf(warm_c=24.2), {}, JARS, told, settings, NOW_S, DISPLAY)
        return [(one.jar, one.kind) for one in made]

    plain = NoticeSettings()
    assert said(set(), plain) == [("odd", Kind.SENSOR_DRIFTS)]
    assert said({("odd", "sensor_drifts")}, plain) == []
    assert said(set(), replace(plain, leave_out=("sensor_drifts",))) == []
    assert said(set(), replace(plain, quiet_from="11:00", quiet_to="12:00")) == []  # it is 11:13 UTC
    (notice,) = group_notices(shelf(warm_c=24.2), {}, JARS, set(), plain, NOW_S, DISPLAY)
    assert notice.title == "odd: its sensor differs from the others"
    assert notice.text.startswith("odd reads 2.1 °C more than its 12 neighbours.")
