"""Taking back what was told by mistake: a thumb on the wrong jar, a feeding that was only meant.

Nothing told is ever unstored: a `TakenBack` item says that an earlier one was a mistake. From then on the store leaves
that one out of what it hands on, and the carries that it had its part in are gone, so that the jar is judged anew from
before it (`jars.py`); events that this makes wrong are replaced openly.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from monitor.core.detect.reports import changes_watch
from monitor.runs import items
from monitor.runs.items import OLDEST_S
from monitor.runs.run_log import BEGUN_BY_NOTE
from monitor.runs.schema import TAKING_BACK
from monitor.runs.store import Store
from monitor.values import Fed, Noted, TakenBack


class CannotTakeBack(ValueError):
    """Nothing can be taken back; the text says why, in one sentence."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """Something a person told, and its place in the order of arrival."""

    seq: int
    item: Fed | Noted


def last(store: Store, jar: str) -> Report | None:
    """What was told last about a jar, of what still stands; None when there is nothing. Raises StoreTrouble."""
    return _newest(store, f"NOT item.{TAKING_BACK} ORDER BY item.seq DESC", jar)


def last_feeding(store: Store, jar: str) -> Fed | None:
    """The latest feeding that was told of a jar and still stands; None when there is none. Raises StoreTrouble."""
    found = _newest(store, "item.told_kind = ? ORDER BY item.time_s DESC", jar, items.FEEDING)
    return found.item if found is not None and isinstance(found.item, Fed) else None


def since(store: Store, received_s: float) -> list[Report]:
    """What was told of all jars after a moment, as far as it still stands, in order. Raises StoreTrouble."""
    which = "item.received_s > ? AND item.time_s > ? ORDER BY item.seq"  # the time is what there is an index of
    return list(_standing(store, store.taken_back(), which, received_s, received_s - OLDEST_S))


def _newest(store: Store, which: str, jar: str, *values: object) -> Report | None:
    """The first of these of a jar that stands: no more can lie before it than were taken back."""
    taken_back = store.taken_back(jar)
    some = f"jar.name = ? AND {which} LIMIT ?"
    return next(_standing(store, taken_back, some, jar, *values, len(taken_back) + 1), None)


def _standing(store: Store, taken_back: set[int], which: str, *values: object) -> Iterator[Report]:
    # a few rows among millions: CROSS and + keep SQLite on the index of what was told
    sql = f"""SELECT item.seq, item.told, item.time_s, jar.name FROM jar CROSS JOIN item ON item.jar = jar.id
        WHERE item.told IS NOT NULL AND +item.seq > 0 AND {which}"""
    for seq, text, time_s, name in store.query(sql, values):
        item = items.told_of(text, time_s, name)
        if seq not in taken_back and isinstance(item, Fed | Noted):
            yield Report(seq=seq, item=item)


def take_back(store: Store, jar: str, now_s: float) -> Report:
    """Say that what was told last about a jar was a mistake; returns what that was. Safe beside a running daemon.
    Raises CannotTakeBack and StoreTrouble."""
    with store.writing():
        report = last(store, jar)
        if report is None:
            raise CannotTakeBack(f"nothing that was told of {jar} still stands")
        if isinstance(report.item, Noted) and report.item.what in BEGUN_BY_NOTE:
            raise CannotTakeBack(f"the last thing told of {jar} began a new run, and a run that has begun stays")
        if report.item.time_s < now_s - OLDEST_S:
            raise CannotTakeBack(f"what was told last of {jar} is more than three days old: it stays in the record")
        store.tell(TakenBack(time_s=now_s, jar=jar, seq=report.seq), now_s)
        if changes_watch(report.item):
            store.forget_carries(jar, report.seq)
    return report


def told_as(store: Store, seq: int) -> Fed | Noted | None:
    """The report that is item `seq`; None when it is none. Raises StoreTrouble."""
    sql = "SELECT item.told, item.time_s, jar.name FROM item JOIN jar ON jar.id = item.jar WHERE seq = ? AND told <> ''"
    for row in store.query(sql, (seq,)):
        item = items.told_of(*row)
        if isinstance(item, Fed | Noted):
            return item
    return None
