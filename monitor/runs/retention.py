"""Thinning: readings older than the configured age become five-minute means; the extremes are kept.

Off unless configured. Reports, events, cycles and notices stay for ever, imported runs are left alone, and nothing is
touched that a restart or a late report would step again (after a jar's oldest carry). `sinks.thinner` calls this once a
day; each chunk is one transaction, so readings are never delayed for long.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, TypeAlias

from monitor.runs import cursors
from monitor.runs.store import Store
from monitor.values import MEASURED

BUCKET_S = 300  # at its fastest (about 5 mm/h) a starter moves less than 0.5 mm in five minutes: only noise is lost
_CHUNK = 5000
Row: TypeAlias = tuple[Any, ...]  # seq, time_s, and MEASURED
DISTANCE, ECHO = (2 + MEASURED.index(name) for name in ("distance_mm", "echo_us"))


def thin(store: Store, before_s: float, stopping: Callable[[], bool] = lambda: False) -> int:
    """Thin what was received before `before_s` and is not thinned yet; returns how many rows went. Ends early when
    `stopping` says so, and continues the next time. Raises StoreTrouble."""
    gone = 0
    oldest = store.query("SELECT jar, min(seq) FROM carry GROUP BY jar")
    for jar, carry_seq in oldest:
        name = f"thinned {jar}"
        place = cursors.place(store, name)
        while not stopping() and (rows := store.query(_OLD, (place, carry_seq, jar, before_s, _CHUNK))):
            place = rows[-1][0]
            with store.writing():
                gone += sum(_thin_bucket(store, bucket) for bucket in _buckets(rows))
                cursors.keep(store, name, place)
    return gone


# strictly before the carry's item, so that the very last item is never removed and its place never reused
_OLD = f"""SELECT seq, time_s, {", ".join(MEASURED)} FROM item
    WHERE seq > ? AND seq < ? AND jar = ? AND received_s < ? AND told IS NULL AND time_s IS NOT NULL
    ORDER BY seq LIMIT ?"""
_MEAN = f"""UPDATE item SET time_s = ?, {"".join(f"{name} = ?, " for name in MEASURED)}
    timed = 0, boot = NULL, device_seq = NULL, thinned = ? WHERE seq = ?"""


def _buckets(rows: Sequence[Row]) -> list[list[Row]]:
    buckets: dict[int, list[Row]] = {}
    for row in rows:
        buckets.setdefault(int(row[1] // BUCKET_S), []).append(row)
    return list(buckets.values())


def _thin_bucket(store: Store, rows: list[Row]) -> int:
    """Keep the rows with the lowest and the highest surface, and replace the others by their mean; returns rows
    gone."""
    distances = [row for row in rows if row[DISTANCE] is not None]
    echoes = [row for row in rows if row[ECHO] is not None]
    if distances and echoes:
        return 0  # two kinds of sensor on one jar: a mean would be meaningless
    column = DISTANCE if distances else ECHO
    surface = sorted(distances or echoes, key=lambda row: (row[column], row[0]))
    kept = {surface[0][0], surface[-1][0]} if surface else set()
    others = [row for row in rows if row[0] not in kept]
    if len(others) < 2:
        return 0
    middle = others[len(others) // 2][0]
    means = [_mean([row[column] for row in others]) for column in range(1, len(others[0]))]
    for row in others:
        if row[0] != middle:
            store.write("DELETE FROM item WHERE seq = ?", (row[0],))
    store.write(_MEAN, (*means, len(others), middle))
    return len(others) - 1


def _mean(values: list[float | None]) -> float | None:
    there = [value for value in values if value is not None]
    return sum(there) / len(there) if there else None
