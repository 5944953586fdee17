"""A jar goes to another daemon's store with all that is known of it, so that nothing is judged twice and nothing lost.

What can still be put right goes on there in live runs (`going_on`). What lies before that becomes finished runs, which
are never judged again; notes of that time come along as they stand. What had been taken back by then stays in the first
store.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from math import inf

from monitor.runs import going_on, items, transfer
from monitor.runs.lots import LOT_KEY
from monitor.runs.outbox import State
from monitor.runs.run_log import AFTER_ITEM, AFTER_S, MOVED_FROM
from monitor.runs.store import Run, Store
from monitor.values import Carry

_CHUNK = 5000  # rows that are held at once


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
    living = None if open_run is None else going_on.living(source, jar, now_s)
    for store in (source, target):  # kept whatever becomes of the rest, or a second try would not know the first
        going_on.id_of(store)
    moved = Moved(runs=0, readings=0, told=0)
    # nested: a failure on either side leaves both as they were. A stop between the two commits does not, and the next
    # try knows it by what is there already
    with source.writing(), target.writing():
        there = target.open_run(jar)
        came_over = living is not None and going_on.came_over(source, target, living)
        if there is not None and not came_over:
            if target.count(there.id):
                raise CannotMove(
                    f"{jar} is watched with {target.path} already: its readings there would be judged twice"
                )
            target.write("UPDATE run SET ended_s = ? WHERE id = ?", (now_s, there.id))
        if not came_over:
            moved = _copy(source, target, runs, living, now_s)
            if living is not None and carry is not None:
                target.save_carry(jar, target.last_seq(), now_s, carry)
        source.write("UPDATE run SET ended_s = ? WHERE id = ?", (now_s, open_run.id if open_run else -1))
        waiting = f"UPDATE notice SET state = '{State.SUPERSEDED}', changed_s = ? WHERE jar = ? AND state = 'pending'"
        source.write(waiting, (now_s, jar))
        source.forget_carries(jar, 0)
    return moved


def _copy(source: Store, target: Store, runs: Sequence[Run], living: going_on.Living | None, now_s: float) -> Moved:
    jar = runs[0].jar
    _take_away(target, jar, runs)
    known = {digest for (digest,) in target.query("SELECT digest FROM run WHERE digest IS NOT NULL")}
    living_runs = [] if living is None else living.runs
    copied = len(living_runs)
    readings = told = 0
    for run in runs:
        digest = going_on.digest_of(source, run)
        if digest in known or digest.startswith(f"moved {going_on.id_of(target)} "):
            continue
        goes_on = living if run in living_runs else None
        if goes_on is not None and goes_on.after < run.first_seq:
            continue  # all of it
        readings += _copy_finished(source, target, run, digest, now_s, goes_on)
        copied += goes_on is None
    _copy_rest(source, target, jar)
    if living is not None:
        count, told = going_on.go_on(source, target, living, now_s)
        readings += count
    return Moved(runs=copied, readings=readings, told=told)


def _take_away(target: Store, jar: str, runs: Sequence[Run]) -> None:
    """A jar that comes back brings again what once went on elsewhere from here, and every note."""
    home = f"moved {going_on.id_of(target)} "
    came_from = [run.header for run in runs if run.header.get(MOVED_FROM, "").startswith(home)]
    if came_from:
        others = (items.FEEDING, "taken_back", "clock_set")
        sql = "DELETE FROM item WHERE jar = ? AND told IS NOT NULL AND +seq > 0 AND told_kind NOT IN (?, ?, ?)"
        target.write(sql, (target.jar_id(jar), *others))
    for header in came_from:
        run, after = int(header[MOVED_FROM].removeprefix(home)), int(header[AFTER_ITEM])
        target.write("DELETE FROM item WHERE run = ? AND seq > ?", (run, after))
        target.write(
            f"DELETE FROM event WHERE run = ? AND {going_on.SINCE}", (run, after, after, float(header[AFTER_S]))
        )
        later = "(ended_at_s IS NULL OR ended_at_s > ?)"
        target.write(f"DELETE FROM cycle WHERE run = ? AND {later}", (run, float(header[AFTER_S])))
        target.write("DELETE FROM delivery WHERE notice IN (SELECT id FROM notice WHERE run = ?)", (run,))
        target.write("DELETE FROM notice WHERE run = ?", (run,))
        target.write("DELETE FROM run WHERE id = ? AND first_seq > ?", (run, after))


# branches: one table after the other
def _copy_finished(
    source: Store, target: Store, run: Run, digest: str, now_s: float, living: going_on.Living | None
) -> int:  # fmt: skip
    """One run as a finished one, or what of it lies before what is `living`; returns how many readings it has there."""
    header = dict(run.header) if run.imported else transfer.header_of(run) | dict(run.header)
    up_to, until_s = (items.LAST_SEQ, inf) if living is None else (living.after, living.after_s)
    ended_s = min(now_s if run.ended_s is None else run.ended_s, until_s)
    made = going_on.insert_run(target, run, (run.began_s, ended_s, 0, run.reason.value), header, digest)
    jar = target.jar_id(run.jar)
    place, seq = items.before_imported(run.id) if run.imported else 0, items.before_imported(made)
    columns = ", ".join(("received_s", *going_on.READING))
    sql = f"""SELECT seq, {items.RECEIVED}, {", ".join(going_on.READING)} FROM item
        WHERE run = ? AND seq > ? AND seq <= ? AND told IS NULL ORDER BY seq LIMIT {_CHUNK}"""
    insert = f"""INSERT INTO item (seq, run, jar, {columns}) VALUES ({", ".join("?" * (4 + len(going_on.READING)))})
        ON CONFLICT DO NOTHING"""
    while rows := source.query(sql, (run.id, place, up_to)):
        target.write_many(insert, ((seq + n, made, jar, *row[1:]) for n, row in enumerate(rows, 1)))
        seq += len(rows)
        place = rows[-1][0]
    for n, item in enumerate(source.fed_in(run, up_to), 1):
        told = (items.told_kind(item), items.told_text(item))
        target.write(items.INSERT_TOLD, (seq + n, made, jar, item.time_s, item.time_s, *told))
    # of a run that goes on, what was decided before, and the cycles that had ended
    events = f"SELECT {', '.join(going_on.EVENT)} FROM event WHERE run = ? AND NOT {going_on.SINCE} ORDER BY id"
    target.write_many(
        going_on.INSERT_EVENT, ((jar, made, 0, *row) for row in source.query(events, (run.id, up_to, up_to, until_s)))
    )
    cycles = f"SELECT {', '.join(going_on.CYCLE)} FROM cycle WHERE run = ? AND (? OR ended_at_s <= ?)"
    rows = source.query(cycles, (run.id, living is None, until_s))
    target.write_many(going_on.INSERT_CYCLE, ((made, *row) for row in rows))
    if living is None:
        notices = source.query(f"SELECT {', '.join(going_on.NOTICE)} FROM notice WHERE run = ?", (run.id,))
        over = [tuple(State.SUPERSEDED if value == State.PENDING else value for value in row) for row in notices]
        target.write_many(going_on.INSERT_NOTICE, ((made, run.jar, *row) for row in over))
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
