"""Titles that a person would write: "Rye, night of 27 to 28 November: 2.3 times in 7½ h"."""

from __future__ import annotations

from math import floor

from monitor.core.display.local_time import MONTHS, date_of, local_day, minute_of_day
from monitor.core.display.units import Display, shown, times

EVENING_MIN, MORNING_MIN = 16 * 60, 4 * 60  # what is fed between these is a night's rise


def hours_said(hours: float) -> str:
    """Hours as people say them: 7.4 -> "7½ h", 0.6 -> "36 min"."""
    if hours < 1.0:
        return f"{round(hours * 60)} min"
    half = round(hours * 2)
    return f"{half // 2 or ''}{'½' if half % 2 else ''} h"


def stretch(from_s: float, to_s: float, show: Display) -> str:
    """The days of a cycle: "night of 27 to 28 November", "28 November"."""
    first, last = (local_day(at_s, show.offset_s) for at_s in (from_s, to_s))
    minute = minute_of_day(from_s, show.offset_s)
    night = "night of " if minute >= EVENING_MIN or minute < MORNING_MIN else ""
    _, month, day = date_of(first)
    if first == last:
        return f"{night}{day} {MONTHS[month - 1]}"
    _, next_month, next_day = date_of(last)
    whole = f"{day}" if month == next_month else f"{day} {MONTHS[month - 1]}"
    return f"{night}{whole} to {next_day} {MONTHS[next_month - 1]}"


def cycle_title(jar: str, from_s: float, to_s: float, show: Display, rise: float | None, hours: float | None) -> str:
    """The whole title, without what is not known."""
    when = f"{shown(jar)}, {stretch(from_s, to_s, show)}"
    if rise is None or hours is None or floor(hours * 60) <= 0:
        return when
    return f"{when}: {times(rise)} in {hours_said(hours)}"
