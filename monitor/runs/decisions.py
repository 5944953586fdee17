"""What was decided about each run: events, cycles, and the carries that a restart begins from."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from typing import Any

from monitor.runs.database import Database, last_item
from monitor.runs.run_log import Run, RunLog, RunReason
from monitor.runs.schema import TAKING_BACK
from monitor.values import DAY_S, Carry, Cycle, Event, EventKind, Json, flat, unflat

CARRIES_KEPT_S = 7 * DAY_S  # a feeding reported more than a week late changes nothing that is watched today


class Decisions:
    """Carries, events and cycles, over one database connection; `runs` knows which run each belongs to."""

    def __init__(self, database: Database, runs: RunLog) -> None:
        self._db, self._runs = database, runs

    def save_carry(self, jar: str, seq: int, time_s: float, carry: Carry) -> None:
        """Store a jar's frozen state after item `seq`; older ones go when they are older than any late report can be.
        Not if something was taken back since that item: the state may rest on it, and the jar is judged again as soon
        as that is known."""
        with self._db.writing():
            jar_id = self._db.jar_id(jar)
            if self._db.query(f"SELECT 1 FROM item WHERE jar = ? AND seq > ? AND {TAKING_BACK}", (jar_id, seq)):
                return
            body = json.dumps(carry, separators=(",", ":"))
            self._db.execute("INSERT OR REPLACE INTO carry VALUES (?, ?, ?, ?)", (jar_id, seq, time_s, body))
            self._db.execute(
                """DELETE FROM carry WHERE jar = ?1 AND time_s <
                    (SELECT max(time_s) FROM carry WHERE jar = ?1 AND time_s <= ?2)""",
                (jar_id, time_s - CARRIES_KEPT_S),
            )

    def carries(self, jar: str, up_to_seq: int) -> Iterator[tuple[int, str]]:
        """(seq, JSON) of a jar's carries in all its live runs up to an item, the latest first."""
        sql = """SELECT seq, body FROM carry WHERE jar = (SELECT id FROM jar WHERE name = ?) AND seq <= ?
            ORDER BY seq DESC LIMIT 1"""
        while rows := self._db.query(sql, (jar, up_to_seq)):
            yield rows[0]
            up_to_seq = rows[0][0] - 1

    def forget_carries(self, jar: str, from_seq: int) -> None:
        """Drop the carries that item `from_seq` contributed to: a restart then begins before it."""
        self._db.write(
            "DELETE FROM carry WHERE jar = (SELECT id FROM jar WHERE name = ?) AND seq >= ?", (jar, from_seq)
        )

    def culture_before(self, run: Run) -> dict[str, Json]:
        """What had been learnt about the starter in the jar when a live run began, as a carry has it. It outlives a
        change of the jar, but not of the starter. {} when nothing was learnt."""
        runs = [one for one in self._runs.live_runs(run.jar) if one.id <= run.id]
        from_seq = max((one.first_seq for one in runs if one.reason is RunReason.ANOTHER_STARTER), default=0)
        sql = """SELECT json_extract(body, '$.carried') FROM carry
            WHERE jar = (SELECT id FROM jar WHERE name = ?) AND seq >= ? AND seq < ? AND json_valid(body)
            ORDER BY seq DESC LIMIT 1"""
        rows = self._db.query(sql, (run.jar, from_seq, run.first_seq))
        learnt: dict[str, Json] = json.loads(rows[0][0]) if rows and rows[0][0] else {}
        return learnt

    def add_events(self, jar: str, seq: int, events: Sequence[Event], run_from: int | None = None) -> int:
        """Store what was decided at item `seq` or at a tick after it, in the run that begins with item `run_from`
        (None: the open one); returns how many were new. To decide again after a restart adds nothing, as a run holds
        only one event of a kind for a pair of times."""
        with self._db.writing():
            jar_id, run = self._runs.jar_and_run(jar, events[0].decided_at_s if events else 0.0, seq, run_from)
            return sum(
                self._db.execute(_ADD_EVENT, (jar_id, run, seq, *_event_row(event))).rowcount for event in events
            )

    def events(self, run: int, after_s: float = float("-inf")) -> list[Event]:
        """The events of one run that were decided after a time, in the order decided."""
        rows = self._db.query(f"{_EVENTS} WHERE event.run = ? AND decided_s > ? ORDER BY event.id", (run, after_s))
        return [_event_of(row) for row in rows]

    def events_about(self, run: int, seq: int) -> tuple[list[Event], list[Event]]:
        """(events of one run decided before item `seq`, those decided at or after it)."""
        parts = [self._db.query(f"{_EVENTS} WHERE run = ? AND event.seq {side} ? ORDER BY event.id", (run, seq))
                 for side in ("<", ">=")]  # fmt: skip
        before, since = ([_event_of(row) for row in rows] for rows in parts)
        return before, since

    def first_decided(self, run: int, kind: EventKind, times_s: Sequence[float]) -> tuple[int, float] | None:
        """(item, time) at which an event of a kind was first decided that happened at one of these times, to the
        second; None when there is none. It may have been at a tick after the item."""
        sql = """SELECT seq, decided_s FROM event WHERE run = ? AND kind = ? AND abs(happened_s - ?) < 1.0
            ORDER BY seq, id LIMIT 1"""
        found = [row for time_s in times_s for row in self._db.query(sql, (run, kind.value, time_s))]
        return min(found, default=None)

    def events_after(self, place: int, limit: int) -> list[tuple[int, Event]]:
        """(id, event) of all live runs after an id, in the order stored: for mirrors."""
        live = "event.run IN (SELECT id FROM run WHERE digest IS NULL)"
        rows = self._db.query(f"{_EVENTS} WHERE event.id > ? AND {live} ORDER BY event.id LIMIT ?", (place, limit))
        return [(row[0], _event_of(row)) for row in rows]

    def put_cycle(self, cycle: Cycle, run_from: int | None = None) -> None:
        """Store what is known about a cycle of the run that begins with item `run_from` (None: the jar's open one), in
        place of what was known before."""
        with self._db.writing():
            _, run = self._runs.jar_and_run(cycle.jar, cycle.fed_at_s, last_item(self._db)[0] + 1, run_from)
            self._put_cycle(run, cycle)

    def keep_judgement(self, run: Run, events: Iterable[Event], cycles: Iterable[Cycle]) -> None:
        """Store what was decided about a finished run, all at once."""
        with self._db.writing():
            jar_id = self._db.jar_id(run.jar)
            for event in events:
                self._db.execute(_ADD_EVENT, (jar_id, run.id, 0, *_event_row(event)))
            for cycle in cycles:
                self._put_cycle(run.id, cycle)

    def forget_cycles(self, run: int, after: int) -> None:
        """Drop the cycles numbered higher than `after`: the feedings that began them were taken back."""
        self._db.write("DELETE FROM cycle WHERE run = ? AND number > ?", (run, after))

    def cycles(self, run: int) -> list[Cycle]:
        """The cycles of one run by number, as they were decided at the time."""
        rows = self._db.query("SELECT body FROM cycle WHERE run = ? ORDER BY number", (run,))
        return [_cycle_of(json.loads(row[0])) for row in rows]

    def smoothed_cycles(self, run: int) -> list[Cycle]:
        """The cycles of one run by number, as they are shown: the finished ones with the smoother's peak, rise and fall
        in place of the decided ones, as soon as it has seen them."""
        rows = self._db.query("SELECT body, smoothed FROM cycle WHERE run = ? ORDER BY number", (run,))
        return [replace(_cycle_of(json.loads(body)), **json.loads(seen or "{}")) for body, seen in rows]

    def keep_smoothed(
        self, run: int, cycle: Cycle, *, peak_at_s: float | None, peak_ratio: float | None, fall_at_s: float | None,
        reached_ratio: float | None = None,
    ) -> None:  # fmt: skip
        """Keep what the smoother says of a finished cycle, where that is still what was decided of it. What it does not
        know (None) stays as decided."""
        said = {"peak_at_s": peak_at_s, "peak_ratio": peak_ratio, "fall_at_s": fall_at_s}
        known: dict[str, float | bool] = {name: value for name, value in said.items() if value is not None}
        if known:
            known["smoothed"] = True
        elif reached_ratio is not None:
            known["reached_ratio"] = reached_ratio
        text = json.dumps(known, separators=(",", ":"))
        with self._db.writing():
            if cycle in self.cycles(run):
                self._db.execute(
                    "UPDATE cycle SET smoothed = ? WHERE run = ? AND number = ?", (text, run, cycle.number)
                )

    def unsmoothed(self, most: int) -> list[tuple[int, int]]:
        """(run, number) of finished cycles that the smoother has not seen as they are now, the newest first."""
        sql = """SELECT cycle.run, number FROM cycle JOIN run ON run.id = cycle.run
            WHERE smoothed IS NULL AND (ended_at_s IS NOT NULL OR run.ended_s IS NOT NULL)
            ORDER BY fed_at_s DESC LIMIT ?"""
        return [(run, number) for run, number in self._db.query(sql, (most,))]

    def cycles_mark(self, jar: str) -> tuple[object, ...]:
        """A value that differs once the cycles of a jar have changed."""
        sql = """SELECT count(*), max(fed_at_s), max(ended_at_s) FROM cycle
            WHERE run IN (SELECT run.id FROM run JOIN jar ON jar.id = run.jar WHERE jar.name = ?)"""
        mark: tuple[object, ...] = self._db.query(sql, (jar,))[0]
        return mark

    # --- inside a transaction ----------------------------------------------------------------------------------------

    def _put_cycle(self, run: int, cycle: Cycle) -> None:
        body = json.dumps(flat(cycle), separators=(",", ":"), ensure_ascii=False)
        self._db.execute(_PUT_CYCLE, (run, cycle.number, cycle.fed_at_s, cycle.ended_at_s, body))


_ADD_EVENT = """INSERT INTO event (jar, run, seq, kind, happened_s, decided_s, evidence, replaces)
    VALUES (?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING"""
# what was smoothed holds as long as the cycle is judged the same
_PUT_CYCLE = """INSERT INTO cycle (run, number, fed_at_s, ended_at_s, body) VALUES (?, ?, ?, ?, ?)
    ON CONFLICT (run, number) DO UPDATE SET fed_at_s = excluded.fed_at_s, ended_at_s = excluded.ended_at_s,
    body = excluded.body, smoothed = CASE WHEN body = excluded.body THEN smoothed END"""
_EVENTS = """SELECT event.id, jar.name, kind, happened_s, decided_s, evidence, replaces
    FROM event JOIN jar ON jar.id = event.jar"""


def _event_row(event: Event) -> tuple[str, float, float, str, str | None]:
    evidence = json.dumps(dict(event.evidence), separators=(",", ":"), ensure_ascii=False)
    return event.kind.value, event.happened_at_s, event.decided_at_s, evidence, event.replaces


def _event_of(row: tuple[Any, ...]) -> Event:
    _, jar, kind, happened_s, decided_s, evidence, replaces = row
    return Event(
        kind=EventKind(kind),
        jar=jar,
        happened_at_s=happened_s,
        decided_at_s=decided_s,
        evidence=json.loads(evidence),
        replaces=replaces,
    )


def _cycle_of(body: dict[str, Any]) -> Cycle:
    return Cycle(**{**unflat(body), "temperatures_c": tuple(body["temperatures_c"])})
