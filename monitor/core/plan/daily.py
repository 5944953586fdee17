"""Fed once a day at about the same hour: the ratio that lets it begin to fall as near before that hour as the place
allows. It moves with the weather, a few grams at a time. `jartide plan --once-a-day` prints it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from monitor.core.forecast.starter_model import Culture
from monitor.core.plan import alternatives, feeding, phrases
from monitor.core.plan.alternatives import SINKING_FINE_H, Wish
from monitor.core.plan.weighing import DAILY_RATIO, Limits, hydration_of
from monitor.values import FeedPlan

DAY_H = 24.0  # from one feeding to the next at the same hour
BEFORE_H = 2.0  # aimed at so long before the hour: a cool day is then no feeding before its top


@dataclass(frozen=True, slots=True, kw_only=True)
class Daily:
    """Today's feeding of who feeds once a day. `sinking_h`: how long it will have been sinking at the next feeding
    (earliest, likely, latest; 0 where it has not begun); `line` is all of it in one sentence."""

    plan: FeedPlan
    sinking_h: tuple[float, float, float]
    line: str


def once_a_day(
    culture: Culture, *, temperatures_c: Sequence[float], minute: int, days: int = 0,
    limits: Limits | None = None,
) -> Daily:  # fmt: skip
    """The feeding to be made at that local minute of the day, `days` after today. `met` is False where it
    would not be at its top a day later, or sink for longer than does it good; then `instead` says what to do. Raises as
    `feeding.plan`."""
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
    plan = replace(made, met=met, because=because, instead=instead)
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
    return f"{said}, {'which makes it a little sourer' if sinking_h > 9.0 else 'and that is fine'}."


def _when(minute: int, days: int) -> str:
    if days > 1:
        return "Then"
    if 4 * 60 <= minute < 11 * 60:
        return "Tomorrow morning" if days else "This morning"
    if 11 * 60 <= minute < 17 * 60:
        return "Tomorrow" if days else "Today"
    return "Tomorrow evening" if days else "Tonight"
