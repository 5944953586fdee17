"""The bake that was last planned for a jar, as the store keeps it: what was asked for, and the feedings found for it.

The command, the page and the daemon share it; the daemon plans it again when the jar turns out differently.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field, fields, replace
from typing import Any

from monitor.core.plan.bake_plan import BakePlan
from monitor.runs.store import Store
from monitor.values import Feeding

KEY = "bake:"  # before a jar's name, as a key of the store's small texts
CHANGES = "bakes_changed"  # the key of a count of changes: whoever shows bakes looks at this


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What the baker wants: when the dough is mixed, its flour, the levain, whether the starter rests in the fridge
    meanwhile; None where nothing was said."""

    wanted_s: float
    flour_g: float
    levain_pct: float | None = None
    hydration_pct: float | None = None
    keep_g: float | None = None
    temperature_c: float | None = None
    fridge: bool = False  # whether the starter rests in the fridge on the way


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptBake:
    """A bake as planned at `planned_s`: its feedings with their times, and whether they meet the hour. `reminded_s` are
    the times of the feedings that were announced; `moved` says what the last planning changed, feeding by feeding."""

    asked: Asked
    feedings: tuple[tuple[float, Feeding], ...]
    planned_s: float
    met: bool = True
    reminded_s: tuple[float, ...] = field(default=())
    moved: tuple[str, ...] = field(default=())


def kept_of(asked: Asked, made: BakePlan, now_s: float, moved: tuple[str, ...] = ()) -> KeptBake:
    """A plan in the form in which it is kept. If it has a rest in the fridge, later plans of it have one too."""
    asked = replace(asked, fridge=asked.fridge or made.rest is not None)
    feedings = tuple((one.at_s, one.feeding) for one in made.feedings)
    return KeptBake(asked=asked, feedings=feedings, planned_s=now_s, met=made.met, moved=moved)


def keep(store: Store, jar: str, bake: KeptBake) -> None:
    """Store it in place of the last one. Raises StoreTrouble."""
    body = {
        **asdict(bake.asked),
        "fed_at_s": [at_s for at_s, _ in bake.feedings],
        "fed": [fed.weights for _, fed in bake.feedings],
        "planned_s": bake.planned_s,
        "met": bake.met,
        "reminded_s": list(bake.reminded_s),
        "moved": list(bake.moved),
    }
    _put(store, jar, json.dumps(body))


def drop(store: Store, jar: str) -> None:
    """Delete the bake: nothing is baked. Raises StoreTrouble."""
    _put(store, jar, "null")


def _put(store: Store, jar: str, text: str) -> None:
    with store.writing():
        store.set_meta(KEY + jar, text)
        store.set_meta(CHANGES, str(int(store.meta(CHANGES) or 0) + 1))


def kept(store: Store, jar: str) -> KeptBake | None:
    """The bake that was planned last; None where there is none. Raises StoreTrouble."""
    try:
        return _read(json.loads(store.meta(KEY + jar) or "null"))
    except (ValueError, TypeError, KeyError, AttributeError):  # written by hand, or by another version
        return None


def _read(body: dict[str, Any] | None) -> KeptBake | None:
    if body is None:
        return None
    asked = Asked(**{one.name: body[one.name] for one in fields(Asked) if one.name in body})
    times_s = body.get("fed_at_s", [])
    weighed = body.get("fed") or [{}] * len(times_s)
    return KeptBake(
        asked=asked,
        feedings=tuple((float(at_s), Feeding(**fed)) for at_s, fed in zip(times_s, weighed, strict=True)),
        planned_s=float(body.get("planned_s", 0.0)),
        met=bool(body.get("met", True)),
        reminded_s=tuple(body.get("reminded_s", ())),
        moved=tuple(body.get("moved", ())),
    )
