"""Spreads one group's jars over the hours: ripe for several ovens, or due one after another so that two hands manage.

Pure. `feeding` plans each jar, with a feeding now if possible; this decides which jar is for which hour. The quickest
jars get the earliest hours, so that each plan stays as near as possible to what the jar is usually fed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from monitor.core.forecast import dilution as dilutions
from monitor.core.forecast.starter_model import Culture
from monitor.core.plan import feeding
from monitor.core.plan.hours import Aim, hours_of
from monitor.core.plan.moment import WAIT_AT_MOST_H
from monitor.core.plan.weighing import Limits
from monitor.values import FeedPlan

APART_MIN = 10.0  # feed, mark and wipe, with a breath between (common practice, no source)


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """One jar of the group: its culture, hourly temperatures from its feeding on, and limits of what may be weighed."""

    culture: Culture
    temperatures_c: Sequence[float]
    limits: Limits


@dataclass(frozen=True, slots=True, kw_only=True)
class Staggered:
    """One jar's feeding: in how many hours it is made, and in how many the jar is at its peak, or due."""

    jar: str
    feed_in_h: float
    target_h: float
    plan: FeedPlan


def for_ovens(jars: Mapping[str, Asked], ready_h: Sequence[float]) -> tuple[Staggered, ...]:
    """A feeding for each jar, so that about equally many are at their peak at each of `ready_h` hours from now."""
    wanted = sorted(ready_h)
    order = _quickest_first(jars, "peak")
    each, over = divmod(len(order), len(wanted))
    targets = [h for place, h in enumerate(wanted) for _ in range(each + (place < over))]
    return _planned(jars, order, targets, "peak")


def for_hands(
    jars: Mapping[str, Asked], cycle_h: float, apart_min: float = APART_MIN, first_h: float | None = None
) -> tuple[Staggered, ...]:
    """A feeding for each jar, so that they begin to fall one after another, `apart_min` apart: the middle one `cycle_h`
    from now, or the first one `first_h` from now."""
    order = _quickest_first(jars, "fall")
    step_h = apart_min / 60.0
    begin_h = cycle_h - step_h * (len(order) - 1) / 2.0 if first_h is None else first_h
    return _planned(jars, order, [begin_h + step_h * place for place in range(len(order))], "fall")


def _quickest_first(jars: Mapping[str, Asked], aim: Aim) -> list[str]:
    """The jars in the order of the hours that their usual feeding would take."""
    hours = {name: _usual_h(one, aim) for name, one in jars.items()}
    return sorted(jars, key=lambda name: (hours[name], name))


def _planned(
    jars: Mapping[str, Asked], order: Sequence[str], targets: Sequence[float], aim: Aim
) -> tuple[Staggered, ...]:
    return tuple(_one(name, jars[name], target_h, aim) for name, target_h in zip(order, targets, strict=True))


def _one(name: str, asked: Asked, target_h: float, aim: Aim) -> Staggered:
    """A feeding now; where even the leanest would be over too soon, a later one: the usual one, or a leaner one where
    that would mean waiting too long."""
    now = _plan(asked, 0.0, target_h, aim)
    likely_h = feeding.hours_at(now, aim)[1]
    if now.met or likely_h >= target_h:
        return Staggered(jar=name, feed_in_h=0.0, target_h=target_h, plan=now)
    wait_h = min(target_h - _usual_h(asked, aim), WAIT_AT_MOST_H)
    if wait_h <= 0.0:
        return Staggered(jar=name, feed_in_h=0.0, target_h=target_h, plan=now)
    later = _plan(asked, wait_h, target_h, aim)
    return Staggered(
        jar=name, feed_in_h=wait_h if later.met else 0.0, target_h=target_h, plan=later if later.met else now
    )


def _plan(asked: Asked, wait_h: float, target_h: float, aim: Aim) -> FeedPlan:
    hourly = asked.temperatures_c
    left = hourly[min(int(wait_h), len(hourly) - 1) :]
    return feeding.plan(
        asked.culture, target_h=target_h - wait_h, temperatures_c=left, aim=aim, limits=asked.limits
    )  # fmt: skip


def _usual_h(asked: Asked, aim: Aim) -> float:
    usual = asked.culture.last_dilution or dilutions.USUAL_DILUTION
    return hours_of(asked.culture, asked.temperatures_c, usual, None, asked.limits.flour).of(aim)[1]
