"""One row of the store's item table to and from the values that travel: readings, told items, clock steps."""

from __future__ import annotations

import json
from typing import Any, TypeAlias

from monitor.values import Arrival, ClockSet, Delivery, Fed, Json, Noted, Noting, Reading, TakenBack

Told: TypeAlias = Fed | Noted | TakenBack | ClockSet
Row: TypeAlias = tuple[Any, ...]

# what may be told, by a command or from the page
LEAST_G = 0.1  # what a kitchen's finest scales show; less than that, and not nothing, was never weighed
MOST_G = 20_000.0  # more than a home's bucket of starter holds: a slip of the finger
OLDEST_S = 72 * 3600.0  # a cycle closes 72 h after its feeding: what is older is no news
SNOOZE_H = (0.25, 72.0)

# DO NOTHING answers to the unique indexes only: a value outside a CHECK still raises, and is counted as rejected
INSERT = """INSERT INTO item (seq, run, jar, received_s, time_s, timed, distance_mm, echo_us, temperature_c, air_c,
    humidity_pct, boot, device_seq) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING"""
SELECT = """SELECT item.seq, item.received_s, item.time_s, jar.name, item.told, item.distance_mm, item.echo_us,
    item.temperature_c, item.air_c, item.humidity_pct FROM item LEFT JOIN jar ON jar.id = item.jar"""


def row_of(delivery: Delivery, seq: int, run: int, jar: int, received_s: float) -> Row:
    """The columns of INSERT. A message that says nothing of its time and may have come before has no time."""
    reading = delivery.reading
    numbered = delivery.boot is not None and delivery.seq is not None
    return (
        seq,
        run,
        jar,
        received_s,
        None if unknown_time(delivery) else reading.time_s,
        1 if delivery.timed else 0,
        reading.distance_mm,
        reading.echo_us,
        reading.temperature_c,
        reading.air_c,
        reading.humidity_pct,
        delivery.boot if numbered else None,
        delivery.seq if numbered else None,
    )


def unknown_time(delivery: Delivery) -> bool:
    """Whether nobody can say when this was measured: untimed, and the broker may have held it for any while."""
    return delivery.again and not delivery.timed


def arrival_of(row: Row) -> Arrival:
    """The arrival that a row of SELECT stands for; its time must be known."""
    seq, received_s, time_s, jar, told = row[:5]
    if told is not None:
        return Arrival(seq=seq, received_s=received_s, item=told_of(told, time_s, jar))
    return Arrival(seq=seq, received_s=time_s if received_s is None else received_s, item=reading_of(row))


def reading_of(row: Row) -> Reading:
    """The reading that a row of SELECT holds."""
    _, _, time_s, jar, _, distance_mm, echo_us, temperature_c, air_c, humidity_pct = row
    return Reading(
        time_s=time_s,
        jar=jar,
        distance_mm=distance_mm,
        echo_us=echo_us,
        temperature_c=temperature_c,
        air_c=air_c,
        humidity_pct=humidity_pct,
    )


def before_imported(run: int) -> int:
    """The place before an imported run's first item: below zero, so that nothing which follows live arrivals meets it,
    and with room for four milliard items."""
    return -(run << 32)


FEEDING = '{"fed"%'  # the SQL pattern of the text of a feeding


def like_note(what: Noting) -> str:
    """The SQL pattern of the text of a note of one kind."""
    return f'{{"noted": "{what.value}"%'


def told_text(item: Told) -> str:
    """A told item as JSON, without its time and jar, which have columns of their own."""
    body: Json
    match item:
        case Fed():
            body = {"fed": {**item.feeding.weights, "flour": item.flour}}
        case Noted():
            body = {"noted": item.what.value, "text": item.text}
        case TakenBack():
            body = {"taken_back": item.seq}
        case ClockSet():
            body = {"clock_set_s": item.offset_s, "since_s": item.since_s}
    return json.dumps(body, ensure_ascii=False)


def told_of(text: str, time_s: float, jar: str) -> Told:
    """The item that `told_text` wrote."""
    body = json.loads(text)
    if "fed" in body:
        return Fed(time_s=time_s, jar=jar, **body["fed"])
    if "noted" in body:
        return Noted(time_s=time_s, jar=jar, what=Noting(body["noted"]), text=body["text"])
    if "taken_back" in body:
        return TakenBack(time_s=time_s, jar=jar, seq=body["taken_back"])
    return ClockSet(time_s=time_s, offset_s=body["clock_set_s"], since_s=body.get("since_s", 0.0))
