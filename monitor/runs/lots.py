"""Which lot of a flour was open when (entered once for all jars), and the feedings that brought it into each jar.

That a lot was opened is a small text of the store (`meta`), not an item: it concerns no single jar and changes nothing
that is judged. A feeding has the lot that was reported with it, else the one of its flour that was open then.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from monitor.core.assess.lots import LotFeeding
from monitor.core.detect.superseded import SAME_FEEDING_S
from monitor.runs.store import Store
from monitor.values import Cycle, Fed

LOT_KEY = "lot:"  # before a flour's name, as a key of the store's small texts


@dataclass(frozen=True, slots=True, kw_only=True)
class Opened:
    """A lot of a flour that was open from a time on."""

    flour: str
    lot: str
    from_s: float
    by: str | None = None


def say(store: Store, opened: Opened) -> None:
    """Store that a lot was opened; a second report for the same time replaces the first. Raises StoreTrouble."""
    key = LOT_KEY + _key(opened.flour)
    with store.writing():
        kept = [one for one in json.loads(store.meta(key) or "[]") if one["from_s"] != opened.from_s]
        kept.append({"flour": opened.flour, "lot": opened.lot, "from_s": opened.from_s, "by": opened.by})
        store.set_meta(key, json.dumps(sorted(kept, key=lambda one: one["from_s"]), ensure_ascii=False))


def opened(store: Store) -> dict[str, list[Opened]]:
    """All lots that were opened, by their flour in small letters, in order of time. Raises StoreTrouble."""
    rows = store.query("SELECT key, value FROM meta WHERE key LIKE ? ORDER BY key", (f"{LOT_KEY}%",))
    return {key.removeprefix(LOT_KEY): [Opened(**one) for one in json.loads(text)] for key, text in rows}


def lot_of(lots: Mapping[str, list[Opened]], flour: str | None, at_s: float) -> str | None:
    """The lot of a flour that was open at a time; None where nobody said."""
    open_then = [one.lot for one in lots.get(_key(flour or ""), ()) if one.from_s <= at_s]
    return open_then[-1] if open_then else None


def with_lots(store: Store, fed: Iterable[Fed], usual: str | None) -> list[Fed]:
    """Reported feedings, each with the lot of its flour as far as that is known. Raises StoreTrouble."""
    lots = opened(store)
    return [
        one if one.flour_lot else replace(one, flour_lot=lot_of(lots, one.feeding.flour or usual, one.time_s))
        for one in fed
    ]


def feedings(store: Store, usual: Mapping[str, str | None]) -> dict[str, list[LotFeeding]]:
    """Every feeding, reported or seen, of every jar with a past, in order of time; `usual` are the config's flours.
    Raises StoreTrouble."""
    lots = opened(store)
    return {jar: _of_jar(store, jar, usual.get(jar), lots) for jar in sorted({run.jar for run in store.runs()})}


def _of_jar(store: Store, jar: str, usual: str | None, lots: Mapping[str, list[Opened]]) -> list[LotFeeding]:
    runs = sorted(store.runs_of(jar), key=lambda run: run.imported)
    told: list[Fed] = []
    seen: list[Cycle] = []
    for run in runs:
        for item in store.fed_in(run):
            if not run.imported or not any(abs(item.time_s - one.time_s) < 1.0 for one in told):
                told.append(item)
        seen += [
            cycle
            for cycle in store.cycles(run.id)
            if cycle.fed_known
            and not (run.imported and any(abs(cycle.fed_at_s - one.fed_at_s) <= SAME_FEEDING_S for one in seen))
        ]
    found = [_of_told(one, usual, lots) for one in told]
    for cycle in seen:
        if not any(abs(one.time_s - cycle.fed_at_s) <= SAME_FEEDING_S for one in told):
            flour = cycle.feeding.flour or usual
            lot = lot_of(lots, flour, cycle.fed_at_s)
            found.append(LotFeeding(jar=jar, at_s=cycle.fed_at_s, flour=flour, flour_lot=lot))
    return sorted(found, key=lambda one: one.at_s)


def _of_told(item: Fed, usual: str | None, lots: Mapping[str, list[Opened]]) -> LotFeeding:
    flour = item.feeding.flour or usual
    return LotFeeding(
        jar=item.jar, at_s=item.time_s, flour=flour, seed=item.seed, by=item.by,
        flour_lot=item.flour_lot or lot_of(lots, flour, item.time_s),
        **item.feeding.weights,
    )  # fmt: skip


def _key(flour: str) -> str:
    return " ".join(flour.lower().split())
