"""The wall clock of the kitchen, by arithmetic only: which instant is "22:30", which weekday is it there.

Inside the program all times are Unix seconds. Where a person's clock matters (quiet hours, the daily summary, the words
of a notice) the caller passes `offset_s`, a function from Unix time to "local minus UTC" in seconds, so that this
module needs no clock and no zone data; `monitor.host.time_zone` makes one.

One rule for the two odd nights of a year: a local time means **the first instant at which the clock on the wall shows
that time or a later one**. In the spring gap this is the first minute after the gap, in the autumn fold the first of
the two occurrences, and on every other day the plain time: once a day, never twice, never not at all.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeAlias

from monitor.values import DAY_S

Offset: TypeAlias = Callable[[float], float]

WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip


def minutes_of(text: str) -> int:
    """Minutes after local midnight: "22:30" -> 1350. Raises ValueError for anything but HH:MM from 00:00 to 23:59."""
    hours, colon, minutes = text.partition(":")
    if (
        colon
        and len(minutes) == 2
        and 1 <= len(hours) <= 2
        and (hours + minutes).isascii()
        and (hours + minutes).isdigit()
    ):
        minute = int(hours) * 60 + int(minutes)
        if int(minutes) < 60 and minute < 24 * 60:
            return minute
    raise ValueError(f"{text!r} is not a time of day like 07:30")


def local_day(time_s: float, offset_s: Offset) -> int:
    """The local date as whole days since 1 January 1970."""
    return int((time_s + offset_s(time_s)) // DAY_S)


def minute_of_day(time_s: float, offset_s: Offset) -> int:
    """Minutes after local midnight by the clock on the wall, rounded down."""
    return int((time_s + offset_s(time_s)) % DAY_S // 60)


def weekday(day: int) -> str:
    """English name of a local day; 1 January 1970 was a Thursday."""
    return WEEKDAYS[(day + 3) % 7]


def date_of(day: int) -> tuple[int, int, int]:
    """Year, month and day of the month (proleptic Gregorian) of a day counted from 1 January 1970.

    Years are counted from March, so that the leap day comes last and month lengths follow (153 m + 2) / 5 days.
    """
    era, day_of_era = divmod(day + 719468, 146097)  # days from 1 March of year 0; 400 years have 146097 days
    year_of_era = (day_of_era - day_of_era // 1460 + day_of_era // 36524 - day_of_era // 146096) // 365
    day_of_year = day_of_era - (365 * year_of_era + year_of_era // 4 - year_of_era // 100)
    from_march = (5 * day_of_year + 2) // 153
    month = from_march + 3 if from_march < 10 else from_march - 9
    return era * 400 + year_of_era + (month <= 2), month, day_of_year - (153 * from_march + 2) // 5 + 1


class UnknownDay(ValueError):
    """No day of the calendar; the text says what would be one."""


def day_of(text: str) -> int:
    """A date as people type it, "2026-03-07", as days since 1 January 1970. Raises UnknownDay."""
    parts = text.strip().split("-")
    if len(parts) == 3 and all(part.isascii() and part.isdigit() for part in parts) and len(parts[0]) == 4:
        year, month, day = map(int, parts)
        for guess in range(int(365.2425 * (year - 1970)) - 2, int(365.2425 * (year - 1970)) + 369):
            if date_of(guess) == (year, month, day):
                return guess
    raise UnknownDay(f"{text!r} is not a date like 2026-03-07")


def first_at(day: int, minute: int, offset_s: Offset) -> float:
    """The Unix time of a local time of day: the first instant when the wall clock of that date shows it or later."""
    wall_s = day * DAY_S + minute * 60
    before_s, after_s = offset_s(wall_s - DAY_S), offset_s(wall_s + DAY_S)
    for offset in (before_s, after_s):  # in the fold both fit; the offset from before the change is the earlier instant
        if offset_s(wall_s - offset) == offset:
            return wall_s - offset
    early, late = int(wall_s - after_s), int(wall_s - before_s)  # the clocks jumped over it somewhere between these two
    while late - early > 1:
        middle = (early + late) // 2
        if middle + offset_s(middle) >= wall_s:
            late = middle
        else:
            early = middle
    return float(late)


def quiet_until(now_s: float, from_minute: int, to_minute: int, offset_s: Offset) -> float | None:
    """When the quiet hours that hold at `now_s` end (Unix time), or None when they do not hold.

    They begin at `from_minute` and may run over midnight; equal times mean none.
    """
    if from_minute == to_minute:
        return None
    today = local_day(now_s, offset_s)
    for day in (today - 1, today):
        end_s = first_at(day + (to_minute < from_minute), to_minute, offset_s)
        if first_at(day, from_minute, offset_s) <= now_s < end_s:
            return end_s
    return None
