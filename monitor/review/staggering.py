"""Spreads a group's jars over oven times or over the hours of two hands, from the store: for `jartide stagger` and the
page. `core.plan.stagger` decides; this provides what is known about each jar's starter."""

from __future__ import annotations

import math
from collections.abc import Sequence

from monitor.core.assess.thrown_away import condemned
from monitor.core.forecast import growth_rate, starter_model
from monitor.core.plan import stagger
from monitor.core.plan.stagger import Asked, Staggered
from monitor.core.plan.weighing import limits_of
from monitor.runs import history
from monitor.runs.store import Store
from monitor.settings import JarSettings, PlaceSettings

HORIZON_H = 96


def of_store(
    store: Store, jars: Sequence[JarSettings], now_s: float, ready_s: Sequence[float], apart_min: float,
    temperature_c: float | None = None, places: tuple[PlaceSettings, ...] = (),
) -> tuple[Staggered, ...]:  # fmt: skip
    """Feedings for now: with `ready_s` at their peak then, about equally many at each; without, due one after another.
    A jar that goes into the bin is left out. Raises StoreTrouble, and ValueError for an hour or temperature that makes
    no sense."""
    asked: dict[str, Asked] = {}
    for jar in jars:
        if condemned(store.noted(jar.name, math.inf)) is not None:
            continue
        culture = starter_model.learned_from(history.from_store(store, jar.name), jar.flour)
        warmth = (
            (temperature_c,)
            if temperature_c is not None
            else growth_rate.expected_c(culture.day_c, now_s, (), HORIZON_H)
        )
        asked[jar.name] = Asked(culture=culture, temperatures_c=warmth, limits=limits_of(jar, places))
    if not asked:
        return ()
    if ready_s:
        return stagger.for_ovens(asked, [(at_s - now_s) / 3600.0 for at_s in ready_s])
    return stagger.for_hands(asked, jars[0].cycle_h, apart_min)
