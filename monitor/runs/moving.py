"""A jar goes to another daemon's store with all that is known of it, so that nothing is judged twice and nothing lost.

Its runs become runs of the other store as they are: readings with their devices' numbers (what the broker sends again
is known there), events, cycles, notices; none is judged again. The cycle that is open goes on in a live run, from the
state that the first daemon had of it. What was reported of that cycle, and every note, is entered there again
in its place, so that it can be seen and taken back as before. What was taken back stays in the first store.
"""

from __future__ import annotations

import json
import uuid
from collections.abc import Collection, Sequence
from dataclasses import dataclass

from monitor.core.detect.superseded import SAME_FEEDING_S
from monitor.core.vessel.geometry import format_geometry
from monitor.runs import items, transfer
from monitor.runs.lots import LOT_KEY
from monitor.runs.outbox import State
from monitor.runs.run_log import RunReason
from monitor.runs.store import Run, Store
from monitor.values import MEASURED, Carry, Fed, Noted

STORE_KEY = "store_id"  # of the store's small notes: which one a run came from
_ITEM = ("received_s", "time_s", "timed", *MEASURED, "boot", "device_seq", "thinned")
_EVENT = ("kind", "happened_s", "decided_s", "evidence", "replaces")
_CYCLE = ("number", "fed_at_s", "ended_at_s", "body", "smoothed")
_NOTICE = (
    "cycle", "kind", "repeat", "due_s", "expires_s", "title", "text", "urgent", "state", "changed_s",
)  # fmt: skip
_CHUNK = 5000


class CannotMove(ValueError):
    """The jar cannot go there; the text says why and what to do."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Moved:
    """How much of a jar went over."""

    runs: int
    readings: int
    told: int


def move(source: Store, target: Store, jar: str, carry: Carry | None, now_s: float) -> Moved:
    """Copy all of a jar and end it in `source`; both stores have to be nobody else's meanwhile. `carry` is its frozen
    state after the last item, None for one of which no run is open. Raises CannotMove and StoreTrouble: both are then
    as they were."""
    runs = source.runs_of(jar)
    if not runs:
        raise CannotMove(f"nothing is stored of {jar} in {source.path}")
    open_run = source.open_run(jar)
    replanted = _to_tell_again(source, jar, open_run)
    _id_of(source), _id_of(target)  # kept whatever becomes of the rest, or a second try would not know the first
    count = (0, 0)
    # nested: a failure on either side leaves both as they were. A stop between the two commits does not, and the next
    # try knows it by what is there already
    with source.writing(), target.writing():
        there = target.open_run(jar)
        if there is not None and target.count(there.id):
            raise CannotMove(f"{jar} is watched with {target.path} already: its readings there would be judged twice")
        if there is None or open_run is None or not _came_over(source, target, open_run, there):
            if there is not None:
                target.write("UPDATE run SET ended_s = ? WHERE id = ?", (now_s, there.id))
            count = _copy_runs(source, target, runs, now_s, replanted)
            _copy_rest(source, target, jar)
            if open_run is not None and carry is not None:
                _go_on(source, target, open_run, carry, now_s, replanted)
        source.write("UPDATE run SET ended_s = ? WHERE id = ?", (now_s, open_run.id if open_run else -1))
        waiting = f"UPDATE notice SET state = '{State.SUPERSEDED}', changed_s = ? WHERE jar = ? AND state = 'pending'"
        source.write(waiting, (now_s, jar))
        source.forget_carries(jar, 0)
    return Moved(runs=count[0], readings=count[1], told=len(replanted))


def _came_over(source: Store, target: Store, run: Run, there: Run) -> bool:
    """Whether `there` is what an earlier move of this very run began, and nothing was read since."""
    copied = target.query("SELECT id FROM run WHERE digest = ?", (_digest(source, run),))
    return there.reason is RunReason.MOVED and [target.count(one) for (one,) in copied] == [source.count(run.id)]


def _id_of(store: Store) -> str:
    known = store.meta(STORE_KEY)
    if known is None:
        known = uuid.uuid4().hex[:16]
        store.set_meta(STORE_KEY, known)
    return known


def _digest(source: Store, run: Run) -> str:
    """By what a run is known wherever it goes: what it was imported or moved as, else where it was recorded."""
    (kept,) = source.query("SELECT digest FROM run WHERE id = ?", (run.id,))[0]
    return kept or f"moved {_id_of(source)} {run.id}"


def _to_tell_again(source: Store, jar: str, open_run: Run | None) -> list[Fed | Noted]:
    """Every note, and the feedings of the open cycle, as they stand."""
    cycles = source.cycles(open_run.id) if open_run else []
    since_s = cycles[-1].fed_at_s - SAME_FEEDING_S if cycles and cycles[-1].ended_at_s is None else float("inf")
    return [
        item
        for item in source.told(jar)
        if isinstance(item, Noted) or (isinstance(item, Fed) and item.time_s >= since_s)
    ]


def _copy_runs(
    source: Store, target: Store, runs: Sequence[Run], now_s: float, told_again: Collection[Fed | Noted]
) -> tuple[int, int]:  # fmt: skip
    """Those that the target does not know yet, or is not the home of; returns how many, and their readings."""
    known = {digest for (digest,) in target.query("SELECT digest FROM run WHERE digest IS NOT NULL")}
    digests = {run.id: _digest(source, run) for run in runs}
    new = [run for run in runs if digests[run.id] not in known]
    new = [run for run in new if not digests[run.id].startswith(f"moved {_id_of(target)} ")]
    return len(new), sum(_copy_run(source, target, run, digests[run.id], now_s, told_again) for run in new)


def _copy_run(
    source: Store, target: Store, run: Run, digest: str, now_s: float, told_again: Collection[Fed | Noted]
) -> int:  # fmt: skip
    """One run as a finished one; returns how many readings it has there."""
    header = dict(run.header) if run.imported else transfer.header_of(run)
    ended_s = now_s if run.ended_s is None else run.ended_s
    jar = target.jar_id(run.jar)
    values = (jar, run.began_s, ended_s, run.reason.value, run.empty_mm, format_geometry(run.geometry))
    made = target.write(
        """INSERT INTO run (jar, began_s, ended_s, first_seq, reason, empty_mm, geometry, header, digest)
            VALUES (?, ?, ?, 0, ?, ?, ?, ?, ?)""",
        (*values, json.dumps(header), digest),
    ).lastrowid
    assert made is not None
    place, seq = items.before_imported(run.id) if run.imported else 0, items.before_imported(made)
    columns = ", ".join(_ITEM)
    sql = f"SELECT seq, {columns} FROM item WHERE run = ? AND seq > ? AND told IS NULL ORDER BY seq LIMIT {_CHUNK}"
    insert = f"""INSERT INTO item (seq, run, jar, {columns}) VALUES ({", ".join("?" * (3 + len(_ITEM)))})
        ON CONFLICT DO NOTHING"""
    while rows := source.query(sql, (run.id, place)):
        target.write_many(insert, ((seq + n, made, jar, *row[1:]) for n, row in enumerate(rows, 1)))
        seq += len(rows)
        place = rows[-1][0]
    fed = [item for item in source.fed_in(run) if item not in told_again]
    for n, item in enumerate(fed, 1):
        told = (items.told_kind(item), items.told_text(item))
        target.write(items.INSERT_TOLD, (seq + n, made, jar, item.time_s, item.time_s, *told))
    events = source.query(f"SELECT {', '.join(_EVENT)} FROM event WHERE run = ? ORDER BY id", (run.id,))
    target.write_many(_INSERT_EVENT, ((jar, made, 0, *row) for row in events))
    cycles = source.query(f"SELECT {', '.join(_CYCLE)} FROM cycle WHERE run = ?", (run.id,))
    target.write_many(
        f"INSERT INTO cycle (run, {', '.join(_CYCLE)}) VALUES (?, ?, ?, ?, ?, ?)", ((made, *row) for row in cycles)
    )
    notices = source.query(f"SELECT {', '.join(_NOTICE)} FROM notice WHERE run = ?", (run.id,))
    over = [tuple(State.SUPERSEDED if value == State.PENDING else value for value in row) for row in notices]
    target.write_many(_INSERT_NOTICE, ((made, run.jar, *row) for row in over))
    return target.count(made)


def _copy_rest(source: Store, target: Store, jar: str) -> None:
    """What its devices never sent, and which lots lay open: those that the other store does not know yet."""
    columns = "boot, after_number, before_number, count, from_s, to_s"
    missing = source.query(f"SELECT {columns} FROM missing WHERE jar = (SELECT id FROM jar WHERE name = ?)", (jar,))
    here = target.jar_id(jar)
    insert = f"INSERT INTO missing (jar, {columns}) VALUES (?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING"
    target.write_many(insert, ((here, *row) for row in missing))
    for key, text in source.query("SELECT key, value FROM meta WHERE key LIKE ?", (f"{LOT_KEY}%",)):
        kept = {one["from_s"]: one for one in [*json.loads(text), *json.loads(target.meta(key) or "[]")]}
        target.set_meta(key, json.dumps([kept[at_s] for at_s in sorted(kept)], ensure_ascii=False))


def _go_on(
    source: Store, target: Store, run: Run, carry: Carry, now_s: float, told: list[Fed | Noted]
) -> None:  # fmt: skip
    """The live run in which the open cycle goes on: its state, its events, what was told of it and what waits. The
    state is kept twice: before the feedings that are told again, so that one that is put right there is judged again
    from it, and after all."""
    jar, first_seq = target.jar_id(run.jar), target.last_seq() + 1
    values = (jar, now_s, first_seq, RunReason.MOVED.value, run.empty_mm, format_geometry(run.geometry))
    made = target.write(
        "INSERT INTO run (jar, began_s, first_seq, reason, empty_mm, geometry) VALUES (?, ?, ?, ?, ?, ?)", values
    ).lastrowid
    received_s = max(now_s, target.running_s())
    told = sorted(told, key=lambda item: isinstance(item, Fed))  # notes first
    came_seq = first_seq - 1 + sum(isinstance(item, Noted) for item in told)
    for n, item in enumerate(told):
        row = (first_seq + n, made, jar, received_s, item.time_s, items.told_kind(item), items.told_text(item))
        target.write(items.INSERT_TOLD, row)
    last_seq = target.last_seq()
    cycles = source.cycles(run.id)
    if cycles and cycles[-1].ended_at_s is None:
        number, since_s = cycles[-1].number, cycles[-1].fed_at_s
        target.put_cycle(cycles[-1])
        events = f"SELECT {', '.join(_EVENT)} FROM event WHERE run = ? AND happened_s >= ? ORDER BY id"
        rows = source.query(events, (run.id, since_s))
        target.write_many(_INSERT_EVENT, ((jar, made, came_seq, *row) for row in rows))
        notices = f"SELECT {', '.join(_NOTICE)} FROM notice WHERE run = ? AND cycle = ?"
        target.write_many(_INSERT_NOTICE, ((made, run.jar, *row) for row in source.query(notices, (run.id, number))))
    for seq in (came_seq, last_seq):
        target.save_carry(run.jar, seq, now_s, carry)


_INSERT_EVENT = f"""INSERT INTO event (jar, run, seq, {", ".join(_EVENT)}) VALUES (?, ?, ?, ?, ?, ?, ?, ?)
    ON CONFLICT DO NOTHING"""
_INSERT_NOTICE = f"""INSERT INTO notice (run, jar, {", ".join(_NOTICE)})
    VALUES ({", ".join("?" * (2 + len(_NOTICE)))}) ON CONFLICT DO NOTHING"""
