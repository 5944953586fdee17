"""One message a day about all jars: when it is due, and its words. `notify.due` is about single jars.

The daemon asks at every tick, and puts what it gets into the outbox like any notice.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence

from monitor.core.display.local_time import first_at, local_day, minutes_of
from monitor.core.display.units import STAGE_WORDS, Display, duration, shown, times
from monitor.core.notify.conditions import Kind
from monitor.core.notify.due import quiet_hours_until
from monitor.settings import NoticeSettings
from monitor.values import H_S, JarState, Notice

SUMMARY_LATE_S = 3 * H_S  # a daemon that was down at eight still sends it at ten, but not at noon
EXPIRES_S = 12 * H_S  # by the evening it is of no use


def daily_summary(
    states: Sequence[JarState],
    days_told: Collection[int],
    settings: NoticeSettings,
    now_s: float,
    display: Display | None = None,
) -> Notice | None:
    """One message a day about all jars, from `settings.daily_summary` o'clock on, or from the end of the quiet hours if
    that falls into them. None when not asked for, not due, more than 3 h late, or told. Its jar is "" and its cycle the
    local date as days since 1970; `days_told` are the cycles of those put out before."""
    display = display or Display()
    if settings.daily_summary is None or not states or Kind.DAILY_SUMMARY in settings.leave_out:
        return None
    today = local_day(now_s, display.offset_s)
    for day in (today - 1, today):  # yesterday's may have waited until this morning
        begin_s = first_at(day, minutes_of(settings.daily_summary), display.offset_s)
        if Kind.DAILY_SUMMARY not in settings.quiet_except:
            begin_s = quiet_hours_until(settings, begin_s, display) or begin_s
        if begin_s <= now_s <= begin_s + SUMMARY_LATE_S and day not in days_told:
            title, text = _words(states, now_s, display)
            return Notice(
                jar="",
                cycle=day,
                kind=Kind.DAILY_SUMMARY,
                repeat=0,
                due_s=now_s,
                expires_s=now_s + EXPIRES_S,
                title=title,
                text=text,
            )
    return None


def _words(states: Sequence[JarState], now_s: float, display: Display) -> tuple[str, str]:
    """Title and text of the daily summary, with one line for each jar."""
    lines = []
    for state in states:
        parts = [STAGE_WORDS[state.stage]]
        if state.cycle is not None and state.cycle.fed_known:
            parts.append(f"fed {duration(now_s - state.cycle.fed_at_s)} ago")
        if state.level is not None and state.level.rise_ratio is not None:
            parts.append(f"{times(state.level.rise_ratio)} its starting volume")
        if state.temperature_c is not None:
            parts.append(display.temperature(state.temperature_c))
        if state.forecast is not None and state.forecast.fall_at is not None:
            parts.append(f"hungry about {display.clock(state.forecast.fall_at.likely_s, now_s)}")
        if state.silent_since_s is not None:
            parts.append(f"no readings since {display.clock(state.silent_since_s, now_s)}")
        lines.append(f"{shown(state.jar)}: {', '.join(parts)}.")
    return ("The jars today" if len(states) > 1 else f"{shown(states[0].jar)} today"), "\n".join(lines)
