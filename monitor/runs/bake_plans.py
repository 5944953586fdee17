"""A bake planned from what the store knows about a jar, and planned again when the jar turns out faster or slower than
expected.

`jartide bake` and the page plan here; the daemon asks every few minutes what has changed (`look`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from monitor.core.display.units import Display
from monitor.core.forecast import starter_model as starter_models
from monitor.core.forecast.starter_model import Culture
from monitor.core.plan import bake as baking
from monitor.core.plan.bake_plan import BakePlan, Recipe
from monitor.core.plan.ripeness import seed_of, warmth_from
from monitor.core.plan.waking import AwakeAt
from monitor.core.plan.weighing import limits_of
from monitor.runs import history, kept_bake
from monitor.runs.kept_bake import Asked, KeptBake
from monitor.runs.store import Store
from monitor.settings import JarSettings, PlaceSettings
from monitor.values import Cycle, Feeding

USUAL_LEVAIN_PCT = 20.0
MATCH_S = 3 * 3600.0  # a feeding this near to a planned one is that feeding
CHANGED_S = 900.0  # a feeding that moves by less is not worth a word
LATE_S = 3 * 3600.0  # a feeding is waited for this long after its time before the rest is planned again
AHEAD_S = 300.0  # a feeding is announced at its time, or up to this long before


@dataclass(frozen=True, slots=True, kw_only=True)
class Looked:
    """A kept bake as it is now. `to_come` are the feedings still to be made; `replanned` is the new plan where the old
    one no longer works, with `moved` in words; `remind` is the feeding whose time has come."""

    to_come: tuple[tuple[float, Feeding], ...]
    replanned: BakePlan | None = None
    moved: tuple[str, ...] = ()
    remind: tuple[float, Feeding] | None = None


def planned(
    culture: Culture, open_cycle: Cycle | None, jar: JarSettings, asked: Asked, now_s: float, show: Display,
    awake_at: AwakeAt, standing_g: float | None = None, places: tuple[PlaceSettings, ...] = (),
) -> BakePlan:  # fmt: skip
    """The feedings for a bake, if possible at hours at which somebody is awake; `places` can be set to a temperature.
    Raises ValueError for a bake that makes no sense."""
    hydration = None if asked.hydration_pct is None else asked.hydration_pct / 100.0
    return baking.bake(
        culture,
        seed_of(culture, open_cycle, now_s, asked.temperature_c),
        Recipe(flour_g=asked.flour_g, levain_pct=asked.levain_pct or USUAL_LEVAIN_PCT),
        now_s=now_s,
        wanted_s=asked.wanted_s,
        warmth_from=warmth_from(culture, open_cycle, asked.temperature_c),
        awake_at=awake_at,
        clock=lambda at_s: show.about(at_s, now_s),
        limits=replace(limits_of(jar, places), hydration=hydration, standing_g=standing_g),
        keep_g=None if asked.keep_g is None else round(asked.keep_g),
        fridge=asked.fridge,
    )


def open_cycle_of(store: Store, jar: str) -> Cycle | None:
    """The open cycle of a jar, or None. Raises StoreTrouble."""
    run = store.open_run(jar)
    going = [cycle for cycle in store.cycles(run.id) if cycle.ended_at_s is None] if run else []
    return going[-1] if going else None


def look(store: Store, jar: JarSettings, bake: KeptBake, now_s: float, show: Display, awake_at: AwakeAt) -> Looked:
    """What has become of a kept bake whose hour is still to come. Raises StoreTrouble."""
    cycle = open_cycle_of(store, jar.name)
    to_come = still_to_come(bake, cycle)
    if not to_come:
        return Looked(to_come=())
    first_s = to_come[0][0]
    remind = to_come[0] if first_s - AHEAD_S <= now_s <= first_s + LATE_S and first_s not in bake.reminded_s else None
    if first_s <= now_s <= first_s + LATE_S:  # the feeding is still waited for
        return Looked(to_come=to_come, remind=remind)
    culture = starter_models.learned_from(history.from_store(store, jar.name), jar.flour)
    seed = seed_of(culture, cycle, now_s, bake.asked.temperature_c)
    warmth = warmth_from(culture, cycle, bake.asked.temperature_c)
    if baking.holds(culture, seed, to_come, bake.asked.wanted_s, warmth, fridge=bake.asked.fridge):
        return Looked(to_come=to_come, remind=remind)
    replanned = planned(culture, cycle, jar, bake.asked, now_s, show, awake_at)
    return Looked(to_come=to_come, replanned=replanned, moved=moved(to_come, replanned, now_s, show), remind=remind)


def still_to_come(bake: KeptBake, cycle: Cycle | None) -> tuple[tuple[float, Feeding], ...]:
    """The feedings that were not made yet; one was made if the jar was fed near its time and after the planning."""
    fed_s = None if cycle is None else cycle.fed_at_s
    if fed_s is None or fed_s <= bake.planned_s:
        return bake.feedings
    return tuple(one for one in bake.feedings if one[0] > fed_s + MATCH_S)


def moved(before: Sequence[tuple[float, Feeding]], made: BakePlan, now_s: float, show: Display) -> tuple[str, ...]:
    """In words: what has moved since the last planning, feeding by feeding, matched from the last one backwards."""
    out: list[str] = []
    were, are = list(before)[::-1], list(made.feedings)[::-1]
    for (was_s, _), one in zip(were, are, strict=False):
        if abs(one.at_s - was_s) >= CHANGED_S:
            out.insert(0, f"The feeding planned for {show.stamp(was_s)} is now at {show.stamp(one.at_s)}.")
    for one in are[len(were) :]:
        out.insert(0, f"One more feeding is needed, at {show.stamp(one.at_s)}.")
    for was_s, _ in were[len(are) :]:
        out.insert(0, f"The feeding planned for {show.stamp(was_s)} is not needed.")
    return tuple(out)


def keep_replanned(store: Store, jar: str, bake: KeptBake, looked: Looked, now_s: float) -> None:
    """Store what `look` found. Raises StoreTrouble."""
    if looked.replanned is not None:
        reminded = bake.reminded_s
        bake = replace(kept_bake.kept_of(bake.asked, looked.replanned, now_s, looked.moved), reminded_s=reminded)
    if looked.remind is not None:
        bake = replace(bake, reminded_s=(*bake.reminded_s, looked.remind[0]))
    kept_bake.keep(store, jar, bake)
