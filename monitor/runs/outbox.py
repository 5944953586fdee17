"""The notices' outbox: each notice is kept with its outcome, so that it survives a dead network and a restart.

A cause (run, jar, cycle, kind, repeat) is in here only once, whatever is decided again after a restart. `notify.due`
decides what to put in, the notices' sink sends and marks. All functions join an enclosing `with store.writing():`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from monitor.core.notify.conditions import ONCE_A_RUN
from monitor.runs.store import Store
from monitor.values import Notice


class State(StrEnum):
    """What became of a notice. PENDING waits until every channel has it (see `deliveries`)."""

    PENDING = "pending"
    SENT = "sent"
    SUPERSEDED = "superseded"
    EXPIRED = "expired"


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredNotice:
    """A notice in the outbox. `message_id` is the same at every try, so that a receiver can recognise a second copy;
    `changed_s` is when the state last changed."""

    id: int
    message_id: str
    run: int
    notice: Notice
    state: State
    changed_s: float


def put(store: Store, notices: Sequence[Notice], now_s: float) -> int:
    """Store the notices whose cause is new, in the open run of their jar; returns how many were new."""
    new = 0
    with store.writing():
        for notice in notices:
            run = store.open_run(notice.jar) if notice.jar else None
            cause = (run.id if run else 0, notice.jar, notice.cycle, notice.kind, notice.repeat)
            content = (notice.due_s, notice.expires_s, notice.title, notice.text, int(notice.urgent))
            new += store.write(_PUT, (*cause, *content, now_s)).rowcount
    return new


def outside(notice: Notice) -> StoredNotice:
    """A notice that no store can take now, in the form of a stored one."""
    message_id = _message_id(notice, 0)
    return StoredNotice(id=0, message_id=message_id, run=0, notice=notice, state=State.PENDING, changed_s=notice.due_s)


def renumber(store: Store, jar: str, run: int, numbers: Mapping[int, int | None], mark: int) -> None:
    """The cycles of a run have new numbers; None for a cycle that never was. The notices of such a one stay in the
    record under a negative number, which item `mark` makes unique so that it names no other cycle, and those that wait
    are not sent."""
    moved = {old: _aside(mark, old) if new is None else new for old, new in numbers.items() if new != old}
    with store.writing():
        for old in moved:  # first out of each other's way, as a cause may exist only once
            store.write(_RENUMBER, (_aside(mark, old), run, jar, old))
        for old, new in moved.items():
            if new >= 0:
                store.write(_RENUMBER, (new, run, jar, _aside(mark, old)))
            else:
                sql = f"UPDATE notice SET state = 'superseded' WHERE run = ? AND jar = ? AND cycle = ? AND {_WAITING}"
                store.write(sql, (run, jar, new))


def due(store: Store, now_s: float, limit: int = 20) -> list[StoredNotice]:
    """The waiting notices that are due and still of use; urgent ones first, then by due time."""
    where = f"{_WAITING} AND due_s <= ? AND expires_s > ? ORDER BY urgent DESC, due_s, id LIMIT ?"
    return _select(store, where, (now_s, now_s, limit))


def sent(store: Store, id_: int, now_s: float) -> None:
    """Mark a notice as sent."""
    store.write("UPDATE notice SET state = 'sent', changed_s = ? WHERE id = ?", (now_s, id_))


def supersede(store: Store, jar: str, now_s: float, kinds: Sequence[str] = ()) -> int:
    """Notices that wait for a jar (of these kinds, or all) are no longer true; returns how many there were."""
    of_kinds = f"AND kind IN ({', '.join('?' * len(kinds))})" if kinds else ""
    sql = f"UPDATE notice SET state = 'superseded', changed_s = ? WHERE jar = ? AND {_WAITING} {of_kinds}"
    return store.write(sql, (now_s, jar, *kinds)).rowcount


def expire(store: Store, now_s: float) -> int:
    """Waiting notices that are past their use will not be sent; returns how many there were."""
    sql = f"UPDATE notice SET state = 'expired', changed_s = ? WHERE {_WAITING} AND expires_s <= ?"
    return store.write(sql, (now_s, now_s)).rowcount


def shift(store: Store, offset_s: float, since_s: float) -> None:
    """The wall clock was set by `offset_s` (new minus old): notices due since `since_s` keep their distance from now,
    so that repeats come when they would have come."""
    moved = ", ".join(f"{column} = {column} + ?1" for column in ("due_s", "expires_s"))
    store.write(f"UPDATE notice SET {moved} WHERE due_s >= ?2", (offset_s, since_s))


def of_jar(store: Store, jar: str, cycle: int | None = None) -> list[StoredNotice]:
    """The notices of a jar's open run (of one cycle, or of all), oldest first."""
    run = store.open_run(jar) if jar else None
    where = "run = ? AND jar = ?" + ("" if cycle is None else " AND cycle = ?") + " ORDER BY id"
    values = (run.id if run else 0, jar)
    return _select(store, where, values if cycle is None else (*values, cycle))


def concerning(store: Store, jar: str, cycle: int) -> list[StoredNotice]:
    """In a jar's open run: the notices of one cycle, and of any cycle those that wait or go out only once; oldest
    first."""
    run = store.open_run(jar) if jar else None
    once = ", ".join("?" * len(ONCE_A_RUN))
    where = f"run = ? AND jar = ? AND (cycle = ? OR {_WAITING} OR kind IN ({once})) ORDER BY id"
    return _select(store, where, (run.id if run else 0, jar, cycle, *ONCE_A_RUN))


def latest(store: Store, limit: int = 50) -> list[StoredNotice]:
    """The latest notices of all jars, newest first."""
    return _select(store, "1 ORDER BY id DESC LIMIT ?", (limit,))


_RENUMBER = "UPDATE OR IGNORE notice SET cycle = ? WHERE run = ? AND jar = ? AND cycle = ?"
_WAITING = "state = 'pending'"
_COLUMNS = "id, run, jar, cycle, kind, repeat, due_s, expires_s, title, text, urgent"
_PUT = f"""INSERT INTO notice ({_COLUMNS.removeprefix("id, ")}, changed_s)
    VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING"""


def _select(store: Store, where: str, values: Sequence[object]) -> list[StoredNotice]:
    sql = f"SELECT {_COLUMNS}, state, changed_s FROM notice WHERE {where}"
    return [_kept(row) for row in store.query(sql, values)]


def _kept(row: tuple[Any, ...]) -> StoredNotice:
    id_, run, jar, cycle, kind, repeat, due_s, expires_s, title, text, urgent, state, changed_s = row
    notice = Notice(
        jar=jar,
        cycle=cycle,
        kind=kind,
        repeat=repeat,
        due_s=due_s,
        expires_s=expires_s,
        title=title,
        text=text,
        urgent=bool(urgent),
    )
    return StoredNotice(
        id=id_,
        message_id=_message_id(notice, run),
        run=run,
        notice=notice,
        state=State(state),
        changed_s=changed_s,
    )


def _aside(mark: int, number: int) -> int:
    return -(mark * 1_000_000 + number)  # a run of a million cycles is one of a thousand years


def _message_id(notice: Notice, run: int) -> str:
    return f"{notice.jar or 'jartide'}.{run}.{notice.cycle}.{notice.kind}.{notice.repeat}"
