"""Converts rows of the store's item table to values and back: readings, reports, clock steps."""

from __future__ import annotations

import json
from collections.abc import Callable
from operator import attrgetter
from typing import Any, TypeAlias

from monitor.values import (
    MEASURED,
    Arrival,
    ClockSet,
    Delivery,
    Fed,
    Feeding,
    Json,
    Noted,
    Noting,
    Reading,
    TakenBack,
    flat,
    unflat,
)

Told: TypeAlias = Fed | Noted | TakenBack | ClockSet
Row: TypeAlias = tuple[Any, ...]

# bounds of what may be reported, by a command or from the page
LEAST_G = 0.1  # what the finest kitchen scales show: nobody has weighed less, unless nothing
MOST_G = 20_000.0  # more than any home's bucket of starter: a slip of the finger
OLDEST_S = 72 * 3600.0  # a cycle closes 72 h after its feeding: nothing older is news
SNOOZE_H = (0.25, 72.0)

_COLUMNS = ("seq", "run", "jar", "received_s", "time_s", "timed", *MEASURED, "boot", "device_seq")
# DO NOTHING only concerns the unique indexes: a value outside a CHECK still raises, and is counted as rejected
INSERT = (
    f"""INSERT INTO item ({", ".join(_COLUMNS)}) VALUES ({", ".join("?" * len(_COLUMNS))}) ON CONFLICT DO NOTHING"""
)
INSERT_TOLD = "INSERT INTO item (seq, run, jar, received_s, time_s, told_kind, told) VALUES (?, ?, ?, ?, ?, ?, ?)"
RECEIVED = "coalesce(item.first_received_s, item.received_s)"  # by the daemon that watched the jar then
SELECT = f"""SELECT item.seq, {RECEIVED}, item.time_s, jar.name, item.told,
    {", ".join(f"item.{name}" for name in MEASURED)} FROM item LEFT JOIN jar ON jar.id = item.jar"""


def row_of(delivery: Delivery, seq: int, run: int, jar: int, received_s: float) -> Row:
    """The columns of INSERT. A message without a time that may have come before is stored without one."""
    reading = delivery.reading
    time_s = None if unknown_time(delivery) else reading.time_s
    numbers = (delivery.boot, delivery.seq) if numbered(delivery) else (None, None)
    return (seq, run, jar, received_s, time_s, 1 if delivery.timed else 0, *measured(reading), *numbers)


def imported_row(seq: int, run: int, jar: int, received_s: float | None, reading: Reading) -> Row:
    """The columns of INSERT for a row of a run file, which is kept apart from live items."""
    return (seq, run, jar, received_s, reading.time_s, 0, *measured(reading), None, None)


measured: Callable[[Reading], Row] = attrgetter(*MEASURED)
"""The values of MEASURED of a reading, in its order."""


def numbered(delivery: Delivery) -> bool:
    """Whether its device counts what it sends."""
    return delivery.boot is not None and delivery.seq is not None


def unknown_time(delivery: Delivery) -> bool:
    """Whether nobody can say when this was measured: it has no time, and the broker may have held it for any time."""
    return delivery.again and not delivery.timed


def arrival_of(row: Row) -> Arrival:
    """The arrival in a row of SELECT; its time must be known."""
    seq, received_s, time_s, jar, told = row[:5]
    if told is not None:
        return Arrival(seq=seq, received_s=received_s, item=told_of(told, time_s, jar))
    return Arrival(seq=seq, received_s=time_s if received_s is None else received_s, item=reading_of(row))


def reading_of(row: Row) -> Reading:
    """The reading in a row of SELECT."""
    return Reading(time_s=row[2], jar=row[3], **dict(zip(MEASURED, row[5:], strict=True)))


def before_imported(run: int) -> int:
    """The place before an imported run's first item: below zero, so that nothing that follows live arrivals finds it,
    and with room for four thousand million items."""
    return -(run << 32)


LAST_SEQ = 1 << 62  # beyond every item
FEEDING = "fed"  # the kind of a reported feeding


def told_kind(item: Told) -> str:
    """The kind of a report: a note's own kind, else the kind of the item."""
    match item:
        case Fed():
            return FEEDING
        case Noted():
            return item.what.value
        case TakenBack():
            return "taken_back"
        case ClockSet():
            return "clock_set"


def told_text(item: Told) -> str:
    """A report as JSON, without its time and jar, which have columns of their own."""
    body: dict[str, Json]
    match item:
        case Fed():
            body = {"fed": flat(item.feeding), **_beside(item, "flour_lot", "seed", "by")}
        case Noted():
            body = {"noted": item.what.value, "text": item.text, **_beside(item, "by")}
        case TakenBack():
            body = {"taken_back": item.seq}
            if item.event is not None or item.instead is not None:
                body |= {"event": item.event, "told": list(item.told)}
            if item.instead is not None:
                body["instead"] = {name: value for name, value in flat(item.instead).items() if name != "jar"}
        case ClockSet():
            body = {"clock_set_s": item.offset_s, "since_s": item.since_s}
    return json.dumps(body, ensure_ascii=False)


def _beside(item: Fed | Noted, *names: str) -> dict[str, Json]:
    """Keys that most reports do not have; a version that does not know a key ignores it."""
    return {name: value for name in names if (value := getattr(item, name)) is not None}


def told_of(text: str, time_s: float, jar: str) -> Told:
    """The report that `told_text` wrote."""
    body = json.loads(text)
    if "fed" in body:
        beside = {name: body.get(name) for name in ("flour_lot", "seed", "by")}
        return Fed(time_s=time_s, jar=jar, feeding=Feeding(**body["fed"]), **beside)
    if "noted" in body:
        return Noted(time_s=time_s, jar=jar, what=Noting(body["noted"]), text=body["text"], by=body.get("by"))
    if "taken_back" in body:
        instead = Fed(jar=jar, **unflat(body["instead"])) if body.get("instead") else None
        told = tuple(body.get("told", ()))
        return TakenBack(
            time_s=time_s, jar=jar, seq=body["taken_back"], event=body.get("event"), told=told, instead=instead
        )
    return ClockSet(time_s=time_s, offset_s=body["clock_set_s"], since_s=body.get("since_s", 0.0))
