"""One group's jars, fed together now, spread over the hours: ready for several ovens, or due so that two hands manage.

Pure. `feeding` plans each jar; this says which jar is for which hour. The quickest jars get the earliest hours, so that
each plan stays as near as can be to what the jar is usually fed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from monitor.core.forecast import dilution as dilutions
from monitor.core.forecast.starter_model import Culture
from monitor.core.plan import feeding
from monitor.core.plan.hours import Aim, hours_of
from monitor.core.plan.weighing import Limits
from monitor.values import FeedPlan

APART_MIN = 10.0  # feed, mark and wipe, with a breath between (common practice, no source)


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """One jar of the group: its culture, hourly warmth from its feeding on, and what may be weighed."""

    culture: Culture
    temperatures_c: Sequence[float]
    limits: Limits


@dataclass(frozen=True, slots=True, kw_only=True)
class Staggered:
    """One jar's feeding, and the hours after it that it is for."""

    jar: str
    target_h: float
    plan: FeedPlan


def for_ovens(jars: Mapping[str, Asked], ready_h: Sequence[float]) -> tuple[Staggered, ...]:
    """A feeding for each jar so that about as many are at their peak at each of `ready_h` hours from now."""
    wanted = sorted(ready_h)
    order = _quickest_first(jars, "peak")
    each, over = divmod(len(order), len(wanted))
    targets = [h for place, h in enumerate(wanted) for _ in range(each + (place < over))]
    return _planned(jars, order, targets, "peak")


def for_hands(
    jars: Mapping[str, Asked], cycle_h: float, apart_min: float = APART_MIN, first_h: float | None = None
) -> tuple[Staggered, ...]:
    """A feeding for each jar so that they begin to fall one after another, `apart_min` between, about `cycle_h` from
    now in the middle (or from `first_h` on)."""
    order = _quickest_first(jars, "fall")
    step_h = apart_min / 60.0
    begin_h = cycle_h - step_h * (len(order) - 1) / 2.0 if first_h is None else first_h
    return _planned(jars, order, [begin_h + step_h * place for place in range(len(order))], "fall")


def _quickest_first(jars: Mapping[str, Asked], aim: Aim) -> list[str]:
    """By the hours that the usual feeding would take."""

    def usual_h(name: str) -> float:
        one = jars[name]
        usual = one.culture.last_dilution or dilutions.USUAL_DILUTION
        return hours_of(one.culture, one.temperatures_c, usual, None, one.limits.flour).of(aim)[1]

    hours = {name: usual_h(name) for name in jars}
    return sorted(jars, key=lambda name: (hours[name], name))


def _planned(
    jars: Mapping[str, Asked], order: Sequence[str], targets: Sequence[float], aim: Aim
) -> tuple[Staggered, ...]:
    made = []
    for name, target_h in zip(order, targets, strict=True):
        one = jars[name]
        plan = feeding.plan(
            one.culture, target_h=target_h, temperatures_c=one.temperatures_c, aim=aim, limits=one.limits
        )
        made.append(Staggered(jar=name, target_h=target_h, plan=plan))
    return tuple(made)
