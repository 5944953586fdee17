"""At which hours somebody is there to feed: outside of the quiet hours of the config, or by day where it has none.
`moment`, `chain` and `bake` put feedings there and say what can be done where none fits.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeAlias

from monitor.core.display.local_time import Offset, minute_of_day, minutes_of
from monitor.core.forecast.starter_model import Culture
from monitor.core.plan.hours import Aim, Hours, WarmthFrom, hours_of
from monitor.settings import NoticeSettings
from monitor.values import H_S

STEP_S = 900.0  # people feed at the quarters of an hour
AWAKE = (7 * 60, 22 * 60)  # local minutes of the day at which people feed, where the config has no quiet hours
NIGHT_S = 12 * H_S  # no night is longer

AwakeAt: TypeAlias = Callable[[float], bool]


def awake_by(offset_s: Offset, notices: NoticeSettings | None = None, asked_s: float | None = None) -> AwakeAt:
    """Says whether people would feed at a Unix time. Whoever asks at `asked_s` is awake then, whatever the hour."""

    def awake_at(at_s: float) -> bool:
        if asked_s is not None and abs(at_s - asked_s) < STEP_S:
            return True
        minute = minute_of_day(at_s, offset_s)
        if notices is None or notices.quiet_from is None or notices.quiet_to is None:
            return AWAKE[0] <= minute <= AWAKE[1]
        begin, end = minutes_of(notices.quiet_from), minutes_of(notices.quiet_to)
        quiet = begin < minute < end if begin < end else minute > begin or minute < end
        return not quiet

    return awake_at


def evening_before(at_s: float, awake_at: AwakeAt) -> float | None:
    """The last quarter of an hour before `at_s` at which somebody is awake; None where that is more than a night
    away."""
    return _first_awake(STEP_S * math.floor(at_s / STEP_S), -STEP_S, awake_at)


def morning_after(at_s: float, awake_at: AwakeAt) -> float | None:
    """The first quarter of an hour after `at_s` at which somebody is awake; None as above."""
    return _first_awake(STEP_S * math.ceil(at_s / STEP_S), STEP_S, awake_at)


def _first_awake(at_s: float, step_s: float, awake_at: AwakeAt) -> float | None:
    for step in range(int(NIGHT_S / STEP_S) + 1):
        if awake_at(at_s + step * step_s):
            return at_s + step * step_s
    return None


@dataclass(frozen=True, slots=True, kw_only=True)
class ByDay:
    """A feeding for another hour than the wanted one, so that nobody has to get up for it: when, how lean, and when its
    moment comes."""

    at_s: float
    parts: float
    hours: Hours
    comes_s: float

    @property
    def falls_s(self) -> float:
        """When it likely begins to sink."""
        return self.at_s + H_S * self.hours.fall[1]


def nearest_by_day(
    culture: Culture,
    *,
    night_s: float,
    wanted_s: float,
    within_s: tuple[float, float],
    ratios: Sequence[float],
    hydration: float,
    flour: str | None,
    warmth_from: WarmthFrom,
    comes_h: Callable[[Hours], float],
    awake_at: AwakeAt,
) -> ByDay | None:
    """A feeding in place of one at `night_s`: in the evening before or the morning after, within the times at which the
    seed is good to feed from. Its moment (`comes_h` hours later) comes as near as possible to the wanted hour, while
    somebody is awake. None where there is none."""
    found: list[ByDay] = []
    for at_s in (evening_before(night_s, awake_at), morning_after(night_s, awake_at)):
        if at_s is None or not within_s[0] <= at_s <= within_s[1]:
            continue
        for parts in ratios:
            hours = hours_of(culture, warmth_from(at_s), 1.0 + parts * (1.0 + hydration), hydration, flour)
            comes_s = at_s + H_S * comes_h(hours)
            if awake_at(comes_s):
                found.append(ByDay(at_s=at_s, parts=parts, hours=hours, comes_s=comes_s))
    return min(found, key=lambda one: abs(one.comes_s - wanted_s), default=None)


def moment_h(aim: Aim) -> Callable[[Hours], float]:
    """A function that gives the likely hours to the moment that is aimed at."""
    return lambda hours: hours.of(aim)[1]
