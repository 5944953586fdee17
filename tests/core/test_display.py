"""Dates, hours and titles as people read them: dates against Python's own calendar, the rest by example, ours alone."""

from __future__ import annotations

from datetime import UTC, date, datetime

import pytest

from monitor.core.display.local_time import UnknownDay, date_of, day_of
from monitor.core.display.titles import cycle_title, hours_said, stretch
from monitor.core.display.units import FAULT_CODES_C, Display, times

SHOW = Display(offset_s=lambda time_s: 0.0)
FIRST = date(1970, 1, 1).toordinal()


def at(text: str) -> float:
    return datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()


def test_dates_are_those_of_the_proleptic_gregorian_calendar() -> None:
    """datetime.date, an implementation of its own: the days around each turn of a month in 1,200 years."""
    for year in range(1200, 2400):
        for month in range(1, 13):
            turn = date(year, month, 1).toordinal()
            for ordinal in (turn - 1, turn):
                day = date.fromordinal(ordinal)
                assert date_of(ordinal - FIRST) == (day.year, day.month, day.day)


@pytest.mark.parametrize("text", ["1970-01-01", "2026-12-31", "2024-02-29", "2000-02-29", "1999-12-31", "2399-03-01"])
def test_a_date_as_typed(text: str) -> None:
    assert day_of(f" {text} ") == date.fromisoformat(text).toordinal() - FIRST


@pytest.mark.parametrize(
    "text", ["2026-02-29", "2026-13-01", "2026-00-10", "26-3-7", "2026-03", "2026-03-x", "", "٢٠٢٦-03-07"]
)
def test_no_date(text: str) -> None:
    with pytest.raises(UnknownDay, match="not a date like"):
        day_of(text)


@pytest.mark.parametrize(
    ("hours", "said"),
    [(0.6, "36 min"), (0.99, "59 min"), (1.0, "1 h"), (1.3, "1½ h"), (7.4, "7½ h"), (7.8, "8 h"), (24.0, "24 h")],
)
def test_hours_as_people_say_them(hours: float, said: str) -> None:
    assert hours_said(hours) == said


@pytest.mark.parametrize(
    ("begin", "end", "said"),
    [
        ("2026-11-27T18:00", "2026-11-28T07:00", "night of 27 to 28 November"),
        ("2026-11-27T16:00", "2026-11-28T07:00", "night of 27 to 28 November"),
        ("2026-11-27T15:59", "2026-11-28T07:00", "27 to 28 November"),
        ("2026-11-28T03:59", "2026-11-28T09:00", "night of 28 November"),
        ("2026-11-28T04:00", "2026-11-28T09:00", "28 November"),
        ("2026-11-30T17:00", "2026-12-01T06:00", "night of 30 November to 1 December"),
    ],
)
def test_the_days_of_a_cycle(begin: str, end: str, said: str) -> None:
    assert stretch(at(begin), at(end), SHOW) == said
    assert cycle_title("rye", at(begin), at(end), SHOW, 2.1, 7.4) == f"rye, {said}: {times(2.1)} in 7½ h"
    for rise, hours in ((None, 7.4), (2.1, None), (2.1, 0.01)):
        assert cycle_title("rye", at(begin), at(end), SHOW, rise, hours) == f"rye, {said}"


def test_times_of_the_day() -> None:
    now_s = at("2026-11-28T12:00")
    assert SHOW.stamp(at("2026-11-28T18:54")) == "Sat 28 Nov, 18:54"
    assert SHOW.stamp(at("2026-03-02T06:05")) == "Mon 2 Mar, 06:05"
    tomorrow = SHOW.about_between(at("2026-11-29T08:31"), at("2026-11-29T09:28"), now_s)
    assert tomorrow == "08:30 to 09:30 tomorrow"
    over_midnight = SHOW.about_between(at("2026-11-28T23:00"), at("2026-11-29T01:00"), now_s)
    assert over_midnight == "23:00 to 01:00 tomorrow"


def test_what_a_probe_says_that_measured_nothing() -> None:
    """-127 is what common libraries give; 0x07FF sixteenths of a degree the most that a DS18B20's twelve bits hold."""
    assert {-127.0, round(0x07FF / 16, 2)} == set(FAULT_CODES_C)
