"""Runs, and what was decided about them: events, cycles, and the carries that a restart begins from."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from monitor.core.vessel.geometry import format_geometry, parse_geometry
from monitor.runs.database import Database
from monitor.runs.schema import TAKING_BACK
from monitor.settings import JarSettings
from monitor.values import DAY_S, Carry, Cycle, Event, EventKind, Geometry, Json, Straight

ANOTHER_STARTER = "another starter"  # a run's reason: nothing learnt before it counts
CARRIES_KEPT_S = 7 * DAY_S  # a feeding told later than a week after it changes nothing that is watched today


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """A stretch of one jar's items under one set-up. `first_seq` is the first item that may belong to it."""

    id: int
    jar: str
    began_s: float
    ended_s: float | None
    first_seq: int
    reason: str
    empty_mm: float | None
    geometry: Geometry
    header: Mapping[str, str]
    imported: bool


class Decisions(Database):
    """The part of the store that `core`'s answers go to."""

    def ensure_run(self, jar: JarSettings, now_s: float) -> Run:
        """The jar's open run, a new one where there is none or the jar's shape or empty distance has changed."""
        with self.writing():
            run = self.open_run(jar.name)
            if run is None:
                known = self.live_runs(jar.name)
                return self.begin_run(jar, "watched again" if known else "first start", now_s)
            if run.geometry != jar.geometry:
                return self.begin_run(jar, "the jar's shape was changed", now_s)
            if run.empty_mm != jar.empty_mm:
                return self.begin_run(jar, "the empty distance was changed", now_s)
            return run

    def begin_run(self, jar: JarSettings, reason: str, now_s: float) -> Run:
        """Close the jar's open run, if any, and begin a new one with the next item."""
        with self.writing():
            self._insert_run(jar.name, reason, now_s, self._last()[0] + 1, jar.empty_mm, format_geometry(jar.geometry))
            run = self.open_run(jar.name)
        assert run is not None
        return run

    def end_other_runs(self, jars: Collection[str], now_s: float) -> None:
        """End the open runs of jars that are not watched any more."""
        with self.writing():
            for run in self.runs("WHERE digest IS NULL AND run.ended_s IS NULL"):
                if run.jar not in jars:
                    self.write("UPDATE run SET ended_s = ? WHERE id = ?", (now_s, run.id))

    def open_run(self, jar: str) -> Run | None:
        """The run that the jar's live items go to; None before the first."""
        found = self.runs("WHERE jar.name = ? AND digest IS NULL AND run.ended_s IS NULL", (jar,))
        return found[-1] if found else None

    def runs(self, where: str = "", values: Sequence[object] = ()) -> list[Run]:
        """All runs, or those that an SQL condition names, oldest first."""
        sql = f"""SELECT run.id, jar.name, began_s, ended_s, first_seq, reason, empty_mm, geometry, header,
            digest IS NOT NULL FROM run JOIN jar ON jar.id = run.jar {where} ORDER BY run.id"""
        return [_run_of(row) for row in self.query(sql, values)]

    def live_runs(self, jar: str) -> list[Run]:
        """All runs of a jar but imported ones, oldest first; the last is the open one."""
        return self.runs("WHERE jar.name = ? AND digest IS NULL", (jar,))

    def run_of(self, jar: str, seq: int) -> Run | None:
        """The live run of a jar that item `seq` lies in; None before its first."""
        found = self.runs("WHERE jar.name = ? AND digest IS NULL AND first_seq <= ?", (jar, seq))
        return found[-1] if found else None

    def save_carry(self, jar: str, seq: int, time_s: float, carry: Carry) -> None:
        """Keep a jar's frozen state after item `seq`; older ones go when they are older than any late telling. Not when
        something has been taken back since that item: the state may rest on it, and is judged anew as soon as that is
        heard."""
        with self.writing():
            jar_id = self.jar_id(jar)
            if self.query(f"SELECT 1 FROM item WHERE jar = ? AND seq > ? AND {TAKING_BACK}", (jar_id, seq)):
                return
            body = json.dumps(carry, separators=(",", ":"))
            self._db.execute("INSERT OR REPLACE INTO carry VALUES (?, ?, ?, ?)", (jar_id, seq, time_s, body))
            self._db.execute(
                """DELETE FROM carry WHERE jar = ?1 AND time_s <
                    (SELECT max(time_s) FROM carry WHERE jar = ?1 AND time_s <= ?2)""",
                (jar_id, time_s - CARRIES_KEPT_S),
            )

    def carries(self, jar: str, up_to_seq: int) -> Iterator[tuple[int, str]]:
        """(seq, JSON) of a jar's carries of all its live runs, the last up to an item first."""
        sql = """SELECT seq, body FROM carry WHERE jar = (SELECT id FROM jar WHERE name = ?) AND seq <= ?
            ORDER BY seq DESC LIMIT 1"""
        while rows := self.query(sql, (jar, up_to_seq)):
            yield rows[0]
            up_to_seq = rows[0][0] - 1

    def forget_carries(self, jar: str, from_seq: int) -> None:
        """Drop the carries that item `from_seq` had its part in: a restart begins before it."""
        self.write("DELETE FROM carry WHERE jar = (SELECT id FROM jar WHERE name = ?) AND seq >= ?", (jar, from_seq))

    def culture_before(self, run: Run) -> dict[str, Json]:
        """What had been learnt of the starter in the jar when a live run began, as its carry holds it: it outlives a
        change of jar, not one of starter. {} when nothing was learnt."""
        runs = [one for one in self.live_runs(run.jar) if one.id <= run.id]
        from_seq = max((one.first_seq for one in runs if one.reason == ANOTHER_STARTER), default=0)
        sql = """SELECT json_extract(body, '$.carried') FROM carry
            WHERE jar = (SELECT id FROM jar WHERE name = ?) AND seq >= ? AND seq < ? AND json_valid(body)
            ORDER BY seq DESC LIMIT 1"""
        rows = self.query(sql, (run.jar, from_seq, run.first_seq))
        learnt: dict[str, Json] = json.loads(rows[0][0]) if rows and rows[0][0] else {}
        return learnt

    def add_events(self, jar: str, seq: int, events: Sequence[Event], run_from: int | None = None) -> int:
        """Keep what was decided at item `seq` or at a tick after it, in the run that begins with item `run_from` (None:
        the open one); returns how many were new. Deciding again after a restart adds nothing: a run holds one event of
        a kind for one pair of times."""
        with self.writing():
            jar_id, run = self._jar_and_run(jar, events[0].decided_at_s if events else 0.0, seq, run_from)
            return sum(
                self._db.execute(_ADD_EVENT, (jar_id, run, seq, *_event_row(event))).rowcount for event in events
            )

    def events(self, run: int, after_s: float = float("-inf")) -> list[Event]:
        """The events of one run, in the order decided, that were decided after a time."""
        rows = self.query(f"{_EVENTS} WHERE event.run = ? AND decided_s > ? ORDER BY event.id", (run, after_s))
        return [_event_of(row) for row in rows]

    def events_about(self, run: int, seq: int) -> tuple[list[Event], list[Event]]:
        """The events of one run that were decided before item `seq`, and those decided at it or after it."""
        parts = [self.query(f"{_EVENTS} WHERE run = ? AND event.seq {side} ? ORDER BY event.id", (run, seq))
                 for side in ("<", ">=")]  # fmt: skip
        before, since = ([_event_of(row) for row in rows] for rows in parts)
        return before, since

    def events_after(self, place: int, limit: int) -> list[tuple[int, Event]]:
        """(id, event) of all live runs in the order kept, after an id: for mirrors."""
        live = "event.run IN (SELECT id FROM run WHERE digest IS NULL)"
        rows = self.query(f"{_EVENTS} WHERE event.id > ? AND {live} ORDER BY event.id LIMIT ?", (place, limit))
        return [(row[0], _event_of(row)) for row in rows]

    def put_cycle(self, cycle: Cycle, run_from: int | None = None) -> None:
        """Keep what is known of a cycle of the run that begins with item `run_from` (None: the jar's open one), in
        place of what was known before."""
        with self.writing():
            _, run = self._jar_and_run(cycle.jar, cycle.fed_at_s, self._last()[0] + 1, run_from)
            self._put_cycle(run, cycle)

    def keep_judgement(self, run: Run, events: Iterable[Event], cycles: Iterable[Cycle]) -> None:
        """Keep what was decided about a finished run, all at once."""
        with self.writing():
            jar_id = self.jar_id(run.jar)
            for event in events:
                self._db.execute(_ADD_EVENT, (jar_id, run.id, 0, *_event_row(event)))
            for cycle in cycles:
                self._put_cycle(run.id, cycle)

    def forget_cycles(self, run: int, after: int) -> None:
        """Drop the cycles numbered higher than `after`: the feedings that began them were taken back."""
        self.write("DELETE FROM cycle WHERE run = ? AND number > ?", (run, after))

    def cycles(self, run: int) -> list[Cycle]:
        """The cycles of one run by number."""
        rows = self.query("SELECT body FROM cycle WHERE run = ? ORDER BY number", (run,))
        return [_cycle_of(json.loads(row[0])) for row in rows]

    # --- inside a transaction ----------------------------------------------------------------------------------------

    def _last(self) -> tuple[int, float]:
        rows = self.query("SELECT seq, received_s FROM item WHERE seq > 0 ORDER BY seq DESC LIMIT 1")
        return rows[0] if rows else (0, float("-inf"))

    def _jar_and_run(self, name: str, now_s: float, next_seq: int, run_from: int | None = None) -> tuple[int, int]:
        jar = self.jar_id(name)
        which = "ended_s IS NULL" if run_from is None else "first_seq = ?"
        sql = f"SELECT id FROM run WHERE jar = ? AND digest IS NULL AND {which} ORDER BY id DESC LIMIT 1"
        found = self._db.execute(sql, (jar,) if run_from is None else (jar, run_from)).fetchone()
        if found is None:
            return jar, self._insert_run(name, "first reading", now_s, next_seq, None, format_geometry(Straight()))
        return jar, found[0]

    def _renew_run(self, name: str, reason: str, now_s: float, next_seq: int) -> None:
        old = self.open_run(name)
        empty_mm, geometry = (old.empty_mm, old.geometry) if old else (None, Straight())
        self._insert_run(name, reason, now_s, next_seq, empty_mm, format_geometry(geometry))

    def _insert_run(
        self, name: str, reason: str, now_s: float, first_seq: int, empty_mm: float | None, geometry: str
    ) -> int:
        jar = self.jar_id(name)
        self._db.execute(
            "UPDATE run SET ended_s = ? WHERE jar = ? AND digest IS NULL AND ended_s IS NULL", (now_s, jar)
        )
        sql = "INSERT INTO run (jar, began_s, first_seq, reason, empty_mm, geometry) VALUES (?, ?, ?, ?, ?, ?)"
        run = self._db.execute(sql, (jar, now_s, first_seq, reason, empty_mm, geometry)).lastrowid
        assert run is not None
        return run

    def _put_cycle(self, run: int, cycle: Cycle) -> None:
        body = json.dumps(asdict(cycle), separators=(",", ":"), ensure_ascii=False)
        row = (run, cycle.number, cycle.fed_at_s, cycle.ended_at_s, body)
        self._db.execute("INSERT OR REPLACE INTO cycle VALUES (?, ?, ?, ?, ?)", row)


_ADD_EVENT = """INSERT INTO event (jar, run, seq, kind, happened_s, decided_s, evidence, replaces)
    VALUES (?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING"""
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
    return Cycle(**{**body, "temperatures_c": tuple(body["temperatures_c"])})


def _run_of(row: tuple[Any, ...]) -> Run:
    id_, jar, began_s, ended_s, first_seq, reason, empty_mm, geometry, header, imported = row
    return Run(
        id=id_,
        jar=jar,
        began_s=began_s,
        ended_s=ended_s,
        first_seq=first_seq,
        reason=reason,
        empty_mm=empty_mm,
        geometry=parse_geometry(geometry),
        header=json.loads(header),
        imported=bool(imported),
    )
