"""For a starter that is fed once a day at about the same hour: the ratio with which it begins to fall as shortly before
that hour as its place allows. It changes with the weather by a few grams. `jartide plan --once-a-day` prints it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from monitor.core.forecast.starter_model import Culture
from monitor.core.plan import alternatives, feeding, phrases
from monitor.core.plan.alternatives import SINKING_FINE_H, SOURER_H, Wish
from monitor.core.plan.weighing import DAILY_RATIO, Limits, hydration_of
from monitor.values import FeedPlan, Unmet

DAY_H = 24.0  # from one feeding to the next at the same hour
BEFORE_H = 2.0  # the fall is aimed at this long before the hour, so that it is past its top even on a cool day


@dataclass(frozen=True, slots=True, kw_only=True)
class Daily:
    """Today's feeding, for somebody who feeds once a day. `sinking_h` is for how long it will have been sinking at the
    next feeding (shortest, likely, longest; 0 where it has not begun); `line` says all of it in one sentence."""

    plan: FeedPlan
    sinking_h: tuple[float, float, float]
    line: str


def once_a_day(
    culture: Culture, *, temperatures_c: Sequence[float], minute: int, days: int = 0,
    limits: Limits | None = None,
) -> Daily:  # fmt: skip
    """The feeding for that local minute of the day, `days` after today. `met` is False where it would not be at its top
    a day later, or would have been sinking for longer than is good for it; then `instead` says what to do. Raises what
    `feeding.plan` raises."""
    limits = limits or Limits()
    within = replace(limits, most_ratio=min(limits.most_ratio, DAILY_RATIO))
    made = feeding.plan(culture, target_h=DAY_H - BEFORE_H, temperatures_c=temperatures_c, limits=within)
    low_h, likely_h, high_h = made.hours_to_fall
    sinking_h = (max(DAY_H - high_h, 0.0), max(DAY_H - likely_h, 0.0), max(DAY_H - low_h, 0.0))
    topped = made.hours_to_peak[1] <= DAY_H
    met = topped and sinking_h[1] <= SINKING_FINE_H
    hydration = hydration_of(culture, limits)
    wish = Wish(
        culture=culture, target_h=DAY_H, temperatures_c=temperatures_c, hydration=hydration, limits=feeding.free(within)
    )
    starter_g, flour_g, water_g = map(round, made.grams)
    grams = (starter_g, flour_g, water_g)
    instead = () if met else alternatives.alternatives(wish, grams)
    because = _because(made, sinking_h[1], topped)
    unmet = None if met else made.unmet or Unmet.OUT_OF_REACH
    plan = replace(made, met=met, because=because, unmet=unmet, instead=instead)
    return Daily(plan=plan, sinking_h=sinking_h, line=f"{_when(minute, days)} {phrases.weigh(made.feeding)}. {because}")


def _because(made: FeedPlan, sinking_h: float, topped: bool) -> str:
    top = f"It is ripe after about {phrases.hours(made.hours_to_peak[1])}"
    if not topped:
        return f"{top}, so a day later it is not ripe yet: wait for it, and don't feed it before."
    if sinking_h < 1.0:
        return f"{top} and begins to sink just about when you feed it again."
    said = f"{top}, and a day later it will have been sinking for about {phrases.hours(sinking_h)}"
    if sinking_h > SINKING_FINE_H:
        return f"{said}: longer than is good for it every day."
    return f"{said}, {'which makes it a little sourer' if sinking_h > SOURER_H else 'and that is fine'}."


def _when(minute: int, days: int) -> str:
    if days > 1:
        return "Then"
    if 4 * 60 <= minute < 11 * 60:
        return "Tomorrow morning" if days else "This morning"
    if 11 * 60 <= minute < 17 * 60:
        return "Tomorrow" if days else "Today"
    return "Tomorrow evening" if days else "Tonight"
