"""The local clock and the display units: against the standard library, against published zone rules and definitions."""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st

from monitor.core.display.local_time import (
    date_of,
    first_at,
    local_day,
    minute_of_day,
    minutes_of,
    quiet_until,
    weekday,
)
from monitor.core.display.units import Display, display_of, duration, times
from monitor.host.time_zone import display, offset_of
from monitor.settings import DisplaySettings
from monitor.values import of_grams

ZONES = ("Europe/Berlin", "America/New_York", "Australia/Sydney", "Australia/Lord_Howe", "Asia/Kolkata", "UTC")


def unix(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()


def days(iso: str) -> int:
    return (date.fromisoformat(iso) - date(1970, 1, 1)).days


@pytest.mark.fault("T4")
# IANA zone data, rule lines: EU 01:00 UTC on the last Sundays of March and October; US 02:00 local on the second Sunday
# of March and the first of November; New South Wales 02:00 standard on the first Sundays of October and April; Lord
# Howe likewise, by half an hour.
@pytest.mark.parametrize(
    ("zone", "day", "clock", "expected"),
    [
        ("Europe/Berlin", "2026-03-29", "02:30", "2026-03-29T01:00:00Z"),  # gap 02:00-03:00: the first minute after
        (
            "Europe/Berlin",
            "2026-10-25",
            "02:30",
            "2026-10-25T00:30:00Z",
        ),  # fold 03:00-02:00: the first one, summer time
        ("Europe/Berlin", "2026-06-01", "08:00", "2026-06-01T06:00:00Z"),
        ("America/New_York", "2026-03-08", "02:15", "2026-03-08T07:00:00Z"),
        ("America/New_York", "2026-11-01", "01:30", "2026-11-01T05:30:00Z"),
        ("Australia/Sydney", "2026-10-04", "02:30", "2026-10-03T16:00:00Z"),
        ("Australia/Sydney", "2026-04-05", "02:30", "2026-04-04T15:30:00Z"),
        ("Australia/Lord_Howe", "2026-10-04", "02:10", "2026-10-03T15:30:00Z"),
        ("Australia/Lord_Howe", "2026-04-05", "01:45", "2026-04-04T14:45:00Z"),
        ("America/Sao_Paulo", "2018-11-04", "00:30", "2018-11-04T03:00:00Z"),  # a gap at midnight
    ],
)
def test_the_two_odd_nights(zone: str, day: str, clock: str, expected: str) -> None:
    assert first_at(days(day), minutes_of(clock), offset_of(zone)) == unix(expected)


@pytest.mark.fault("T4")
@pytest.mark.parametrize("zone", ZONES)
@pytest.mark.parametrize("clock", ["00:00", "01:30", "02:00", "02:30", "03:00", "23:59"])
def test_a_daily_thing_happens_once_on_every_day_of_a_year(zone: str, clock: str) -> None:
    offset_s, first = offset_of(zone), days("2026-01-01")
    due_s = [first_at(day, minutes_of(clock), offset_s) for day in range(first, first + 365)]
    assert [local_day(time_s, offset_s) for time_s in due_s] == list(range(first, first + 365))


@examples(deadline=None)
@given(st.sampled_from(ZONES), st.integers(0, 1439), st.integers(0, 24_000))
def test_a_local_time_is_the_standard_librarys(zone: str, minute: int, day: int) -> None:
    offset_s = offset_of(zone)
    due_s = first_at(day, minute, offset_s)
    assert 22 * 3600 < first_at(day + 1, minute, offset_s) - due_s <= 25 * 3600
    # outside the gap it is the very time that the standard library gives with fold=0
    local = datetime.fromtimestamp(due_s, ZoneInfo(zone))
    wanted = datetime(local.year, local.month, local.day, minute // 60, minute % 60, tzinfo=ZoneInfo(zone))
    if wanted.astimezone(UTC).astimezone(ZoneInfo(zone)).replace(tzinfo=None) == wanted.replace(tzinfo=None):
        assert wanted.timestamp() == due_s
    else:
        assert minute_of_day(due_s, offset_s) > minute


@examples(deadline=None)
@given(st.integers(-100_000, 100_000))
def test_dates_agree_with_the_standard_library(day: int) -> None:
    there = date(1970, 1, 1) + timedelta(days=day)
    assert date_of(day) == (there.year, there.month, there.day)
    assert weekday(day) == there.strftime("%A")


@pytest.mark.parametrize(
    ("now", "until"),
    [
        ("2026-05-01T21:59:00Z", None),
        ("2026-05-01T22:00:00Z", "2026-05-02T07:00:00Z"),
        ("2026-05-02T06:59:59Z", "2026-05-02T07:00:00Z"),
        ("2026-05-02T07:00:00Z", None),
    ],
)
def test_quiet_hours_over_midnight(now: str, until: str | None) -> None:
    assert quiet_until(unix(now), minutes_of("22:00"), minutes_of("7:00"), offset_of("UTC")) == (until and unix(until))


def test_quiet_hours_within_a_day_and_none() -> None:
    noon = unix("2026-05-01T12:00:00Z")
    assert quiet_until(noon, minutes_of("11:00"), minutes_of("13:30"), offset_of("UTC")) == unix("2026-05-01T13:30:00Z")
    assert quiet_until(noon, minutes_of("11:00"), minutes_of("11:00"), offset_of("UTC")) is None


def test_quiet_hours_that_end_in_the_gap_and_in_the_fold_end_once() -> None:
    berlin = offset_of("Europe/Berlin")
    for night, end in (
        ("2026-03-28T23:30:00Z", "2026-03-29T01:00:00Z"),
        ("2026-10-24T22:00:00Z", "2026-10-25T00:30:00Z"),
    ):
        assert quiet_until(unix(night), minutes_of("23:00"), minutes_of("02:30"), berlin) == unix(end)
        assert quiet_until(unix(end), minutes_of("23:00"), minutes_of("02:30"), berlin) is None
        assert quiet_until(unix(end) + 3600, minutes_of("23:00"), minutes_of("02:30"), berlin) is None


@pytest.mark.parametrize("text", ["24:00", "7", "7:5", "07:60", "", "ab:cd", "-1:00", "07:00:00", "٠٧:٠٠"])
def test_not_a_time_of_day(text: str) -> None:
    with pytest.raises(ValueError, match="time of day"):
        minutes_of(text)


def test_zones() -> None:
    with pytest.raises(ValueError, match="Europe/Rome"):
        offset_of("Mars/Olympus")
    with pytest.raises(ValueError, match="time zone"):
        offset_of("../etc/passwd")
    assert offset_of("Asia/Kolkata")(0.0) == 5.5 * 3600
    assert offset_of("Europe/Berlin")(1e15) == offset_of("Europe/Berlin")(4102444800.0)  # a mad clock stays readable
    assert offset_of(None)(1.7e9) == datetime.fromtimestamp(1.7e9).astimezone().utcoffset().total_seconds()  # type: ignore[union-attr]


def test_units() -> None:
    metric, imperial = (
        Display(),
        display(DisplaySettings(temperature="degF", length="in", weight="oz", time_zone="UTC")),
    )
    # UCUM: 25 Cel = 77 [degF], 28 Cel = 82.4 [degF]; 1 [in_i] = 25.4 mm; 1 [oz_av] = 28.349523125 g
    assert (imperial.temperature(25), imperial.temperature(28)) == ("77.0 °F", "82.4 °F")
    assert (imperial.length(25.4), imperial.weight(28.349523125), imperial.speed(-2.54)) == (
        "1.00 in",
        "1.0 oz",
        "-0.10 in/h",
    )
    assert (metric.temperature(23.44), metric.length(84.4), metric.weight(24.9)) == ("23.4 °C", "84 mm", "25 g")
    assert [metric.weight(g) for g in (0.1, 0.5, 2.0, 9.96, 12.5, 0.0)] == [
        "0.1 g",
        "0.5 g",
        "2 g",
        "10 g",
        "12 g",
        "0 g",
    ]
    assert (imperial.weight(0.5), imperial.weight(0.0)) == ("0.02 oz", "0.00 oz")
    assert (metric.temperature(-0.01), metric.speed(-0.04), metric.length(-0.2)) == ("0.0 °C", "0.0 mm/h", "0 mm")


@pytest.mark.parametrize(
    ("time", "text"),
    [
        ("2026-05-20T05:40:00Z", "07:40"),
        ("2026-05-20T21:30:00Z", "23:30"),
        ("2026-05-19T21:10:00Z", "23:10 yesterday"),
        ("2026-05-19T22:10:00Z", "00:10"),
        ("2026-05-21T01:00:00Z", "03:00 tomorrow"),
        ("2026-05-16T05:40:00Z", "07:40 on Saturday"),
        ("2026-03-14T06:40:00Z", "07:40 on 14 March"),
        ("2025-12-31T22:59:00Z", "23:59 on 31 December 2025"),
    ],
)
def test_times_as_said(time: str, text: str) -> None:
    here = display_of(DisplaySettings(), offset_of("Europe/Berlin"))
    assert here.clock(unix(time), unix("2026-05-20T10:00:00Z")) == text


@pytest.mark.parametrize(
    ("length_s", "text"),
    [(0, "0 min"), (2700, "45 min"), (5340, "89 min"), (5400, "1 h 30 min"), (7200, "2 h"), (27630, "7 h 40 min"),
     (13.4 * 3600, "13 h 30 min"), (47 * 3600, "47 h"), (49 * 3600, "2 days"), (7 * 86400, "7 days")],
)  # fmt: skip
def test_lengths_of_time(length_s: float, text: str) -> None:
    assert duration(length_s) == text


def test_sentences_about_degrees_are_in_the_households_unit() -> None:
    words = "fastest at 27 to 28 °C, at -5 °C none, between 16 and 30 °C; 24 h as at 24 °C (3 to 4 h)"
    assert display_of(DisplaySettings(), lambda _: 0.0).worded(words) == words
    fahrenheit = display_of(DisplaySettings(temperature="degF"), lambda _: 0.0).worded(words)
    assert fahrenheit == "fastest at 81 to 82 °F, at 23 °F none, between 61 and 86 °F; 24 h as at 75 °F (3 to 4 h)"


def test_ratios() -> None:
    assert times(2.14) == "2.1 times"
    assert of_grams((25, 100, 100)).ratio == "1:4:4"  # arithmetic: 25 + 100 + 100 g
    assert of_grams((50, 50, 25)).ratio == "1:1:0.5"
    assert of_grams((500, 10, 10)).ratio == "1:0.02:0.02"
    assert of_grams((100, 25, 0)).ratio == "1:0.25:0"
    assert of_grams((30, 100, 29.99)).ratio == "1:3.3:1"
    assert of_grams((0, 100, 100)).ratio is None
