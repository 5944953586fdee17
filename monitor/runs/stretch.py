"""The readings of a stretch of time from the store, without reading everything that came before.

Live items are in order of arrival and their `received_s` never goes back, so the place of a moment is found by halving.
Readings that arrived late are looked for up to `LATE_S` after the stretch.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from monitor.runs import items
from monitor.runs.run_log import CAME_TO
from monitor.runs.store import Run, Store
from monitor.values import H_S, Cycle, Reading

LONGEST_S = 7 * 24 * H_S  # of a cycle's readings: a fridge's rest of weeks is a flat line
OPEN_S = 72 * H_S  # of one that has not ended: for detection it closes then
LATE_S = 6 * 3600.0  # a device that lost the network sends a night's readings in the morning
_CHUNK = 2000


def readings_end_s(cycle: Cycle) -> float:
    """Up to where a cycle's readings are looked at."""
    until_s = cycle.ended_at_s if cycle.ended_at_s is not None else cycle.fed_at_s + OPEN_S
    return min(until_s, cycle.fed_at_s + LONGEST_S)


def readings_of(store: Store, run: Run, from_s: float, to_s: float) -> Iterator[Reading]:
    """The readings of a run that were measured within a stretch, in order of arrival. Raises StoreTrouble."""
    if run.imported:
        yield from (reading for _, reading in store.rows_of(run) if from_s <= reading.time_s <= to_s)
        return
    place, end = seq_at(store, from_s) - 1, seq_at(store, to_s + LATE_S)
    end = max(end, int(run.header.get(CAME_TO, 0)) + 1)  # what came along with a jar was received when it came
    sql = f"""{items.SELECT} WHERE item.seq > ? AND item.seq < ? AND item.run = ? AND item.told IS NULL
        AND item.time_s BETWEEN ? AND ? ORDER BY item.seq LIMIT {_CHUNK}"""
    while rows := store.query(sql, (place, end, run.id, from_s, to_s)):
        for row in rows:
            yield items.reading_of(row)
        place = rows[-1][0]


def readings_between(store: Store, jars: Sequence[str], after_seq: int, until_seq: int) -> Iterator[Reading]:
    """The readings of some jars after one item and up to another, in order of arrival. Raises StoreTrouble."""
    names = ", ".join("?" * len(jars))
    sql = f"""{items.SELECT} WHERE item.seq > ? AND item.seq <= ? AND item.told IS NULL AND item.time_s IS NOT NULL
        AND item.jar IN (SELECT id FROM jar WHERE name IN ({names})) ORDER BY item.seq LIMIT {_CHUNK}"""
    place = after_seq
    while rows := store.query(sql, (place, until_seq, *jars)):
        for row in rows:
            yield items.reading_of(row)
        place = rows[-1][0]


def seq_at(store: Store, time_s: float) -> int:
    """The first live item that was received at a time or later; the number after the last item when there is none."""
    low, high = 1, store.last_seq() + 1
    while low < high:
        middle = (low + high) // 2
        rows = store.query(
            "SELECT received_s FROM item WHERE seq >= ? AND received_s IS NOT NULL ORDER BY seq LIMIT 1", (middle,)
        )
        if rows and rows[0][0] < time_s:
            low = middle + 1
        else:
            high = middle
    return low
