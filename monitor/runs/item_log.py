"""Everything that arrived, in order of arrival: readings, reports, clock steps, and counts of what was refused."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Collection, Iterator, Sequence
from dataclasses import replace

from monitor.core.assess.thrown_away import READ, condemns
from monitor.core.display.refusals import Refusal
from monitor.runs import items, mistakes
from monitor.runs.database import Database, last_item
from monitor.runs.device_numbers import DeviceNumbers, Missing
from monitor.runs.mistakes import Mistakes
from monitor.runs.run_log import BEGUN_BY_NOTE, Run, RunLog
from monitor.runs.schema import TAKING_BACK
from monitor.values import Arrival, ClockSet, Delivery, Fed, Noted, Noting, Reading, Rejected, TakenBack

# a note that condemns a starter does not end with a feeding, only with the starter; its date of birth stays true
LASTING = (Noting.MOULD, Noting.NEW_STARTER, Noting.BEGUN)
_CHUNK = 2000  # rows that a reader holds at a time: well under a megabyte


class ItemLog:
    """The items, over one database connection; `runs` knows which run the next one belongs to."""

    def __init__(self, database: Database, runs: RunLog) -> None:
        self._db, self._runs = database, runs
        self._numbers = DeviceNumbers(database)

    def add(self, deliveries: Sequence[Delivery], rejected: Sequence[Rejected] = ()) -> list[Arrival | None]:
        """Commit a batch. Returns for each delivery its arrival, or None where it must not be stepped: it was already
        there (by jar, boot and seq, else by jar and time), its time is not known (it is stored without one), or a value
        is beyond the store's limits (it is counted as rejected). Raises StoreTrouble; then nothing is stored."""
        arrivals: list[Arrival | None] = []
        with self._db.writing():
            seq, running_s = last_item(self._db)
            run_ids: dict[str, tuple[int, int]] = {}
            beyond: list[Rejected] = []
            with self._numbers.batch(rejected) as numbers:
                for delivery in deliveries:
                    name = delivery.reading.jar
                    received_s = max(running_s, delivery.received_s)
                    try:
                        if name not in run_ids:
                            run_ids[name] = self._runs.jar_and_run(name, delivery.received_s, seq + 1)
                        jar, run = run_ids[name]
                        new = numbers.insert(delivery, seq + 1, run, jar, received_s)
                    except (sqlite3.IntegrityError, OverflowError, UnicodeEncodeError):
                        beyond.append(_beyond(delivery))
                        new = False
                    if not new:
                        arrivals.append(None)
                        continue
                    seq, running_s = seq + 1, received_s
                    untold = items.unknown_time(delivery)
                    arrivals.append(None if untold else Arrival(seq=seq, received_s=received_s, item=delivery.reading))
            for reject in (*rejected, *beyond, *numbers.said()):
                self._count(reject)
        return arrivals

    def tell(self, item: items.Told, received_s: float) -> int:
        """Commit a report or a clock step, and return its place in the order of arrival. `Noting.NEW_RUN`
        and `NEW_STARTER` also begin the run. Safe beside a running daemon. Raises StoreTrouble."""
        with self._db.writing():
            seq, running_s = last_item(self._db)
            jar = run = None
            if not isinstance(item, ClockSet):
                if isinstance(item, Noted) and item.what in BEGUN_BY_NOTE:
                    self._runs.renew_run(item.jar, BEGUN_BY_NOTE[item.what], item.time_s, seq + 1)
                jar, run = self._runs.jar_and_run(item.jar, received_s, seq + 1)
            if not isinstance(item, ClockSet):  # a step of the clock sets the running time to the new time
                received_s = max(running_s, received_s)
            kind, text = items.told_kind(item), items.told_text(item)
            self._db.execute(items.INSERT_TOLD, (seq + 1, run, jar, received_s, item.time_s, kind, text))
        return seq + 1

    def arrivals(self, jar: str | None, after_seq: int) -> Iterator[Arrival]:
        """Live items after `after_seq`, of one jar (with the clock steps, which concern all) or of all, in order of
        arrival. Items of unknown time are left out, and reports that were taken back since; for one jar, corrections
        come in their place. Holds no lock between chunks. Raises StoreTrouble."""
        wrong = self.mistakes(jar)
        instead = [] if jar is None else [one for one in self._instead(wrong) if one.seq > after_seq]
        of_jar = "" if jar is None else "AND (item.jar = (SELECT id FROM jar WHERE name = ?) OR item.jar IS NULL)"
        sql = f"{items.SELECT} WHERE item.seq > ? AND item.time_s IS NOT NULL {of_jar} ORDER BY item.seq LIMIT {_CHUNK}"
        place = max(after_seq, 0)
        while rows := self._db.query(sql, (place,) if jar is None else (place, jar)):
            for row in rows:
                while instead and instead[0].seq < row[0]:
                    yield instead.pop(0)
                if row[0] not in wrong.told:
                    yield items.arrival_of(row)
            place = rows[-1][0]
        yield from instead

    def _instead(self, wrong: Mistakes) -> list[Arrival]:
        """Corrections of mistaken reports and events, as if they had been reported at their place in the order."""
        found = []
        for one in wrong.standing.values():
            received = self._db.query(f"SELECT {items.RECEIVED} FROM item WHERE seq = ?", (one.seq,))
            if one.instead is not None and received:
                found.append(Arrival(seq=one.seq, received_s=received[0][0], item=one.instead))
        return sorted(found, key=lambda arrival: arrival.seq)

    def rows_of(self, run: Run) -> Iterator[tuple[float | None, Reading]]:
        """(received or None, reading) of one run, live or imported, in order of arrival."""
        sql = f"""{items.SELECT} WHERE item.run = ? AND item.seq > ? AND item.time_s IS NOT NULL AND item.told IS NULL
            ORDER BY item.seq LIMIT {_CHUNK}"""
        place = items.before_imported(run.id) if run.imported else run.first_seq - 1
        while rows := self._db.query(sql, (run.id, place)):
            for row in rows:
                yield row[1], items.reading_of(row)
            place = rows[-1][0]

    def told(
        self, jar: str, after_time_s: float = 0.0, ever: Collection[Noting] = (), up_to_seq: int = items.LAST_SEQ
    ) -> list[Fed | Noted]:
        """Reports about one jar since a time that still hold, and notes of the kinds `ever` from any time; in order of
        time, and those of the same moment in the order reported. Reports from before the clock was set have the new
        time, as in the jar's state. With `up_to_seq`, only those up to an item, in the time that held then."""
        taken_back = self.mistakes(jar).told
        steps = [one for one in self._clock_steps(jar) if one[0] <= up_to_seq]
        earliest_s = after_time_s - sum(max(step.offset_s, 0.0) for _, step in steps)
        kinds = "".join(" OR item.told_kind = ?" for _ in ever)
        sql = f"""SELECT item.told, item.time_s, jar.name, item.seq FROM item JOIN jar ON jar.id = item.jar
            WHERE item.told IS NOT NULL AND jar.name = ? AND item.seq > 0 AND +item.seq <= ?
            AND (item.time_s >= ?{kinds})"""
        found = []
        for text, time_s, name, seq in self._db.query(sql, (jar, up_to_seq, earliest_s, *(k.value for k in ever))):
            item = items.told_of(text, time_s, name)
            if isinstance(item, ClockSet):
                continue
            if isinstance(item, TakenBack) and (instead := item.instead) is not None:
                item, time_s = instead, instead.time_s
            for at_seq, step in steps:
                if seq < at_seq and time_s >= step.since_s:
                    time_s += step.offset_s
            item = replace(item, time_s=time_s)
            wanted = time_s >= after_time_s or (isinstance(item, Noted) and item.what in ever)
            if wanted and seq not in taken_back and not isinstance(item, TakenBack):
                found.append((time_s, seq, item))
        return [item for _, _, item in sorted(found, key=lambda one: one[:2])]

    def noted(self, jar: str, after_time_s: float = 0.0) -> list[Noted]:
        """The notes about one jar since a time, and from any time those that a feeding does not end; as in `told`."""
        told = self.told(jar, after_time_s, (*LASTING, *READ))
        notes = [item for item in told if isinstance(item, Noted)]
        return [one for one in notes if one.time_s >= after_time_s or one.what in LASTING or condemns(one)]

    def _clock_steps(self, jar: str) -> list[tuple[int, ClockSet]]:
        """Those of all jars, and those that only this one saw, before it moved here."""
        of_jar = "jar = (SELECT id FROM jar WHERE name = ?) AND told_kind = 'clock_set'"
        sql = f"""SELECT seq, told, time_s FROM item WHERE told IS NOT NULL AND jar IS NULL
            UNION ALL SELECT seq, told, time_s FROM item WHERE told IS NOT NULL AND {of_jar} ORDER BY 1"""
        found = [(seq, items.told_of(text, time_s, "")) for seq, text, time_s in self._db.query(sql, (jar,))]
        return [(seq, item) for seq, item in found if isinstance(item, ClockSet)]

    def fed_in(self, run: Run, up_to_seq: int = items.LAST_SEQ) -> list[Fed]:
        """The feedings that were reported in one run, live or imported, up to an item, and still hold, in order of
        time."""
        wrong = self.mistakes(run.jar)
        sql = """SELECT item.seq, item.told, item.time_s, jar.name FROM item JOIN jar ON jar.id = item.jar
            WHERE item.told IS NOT NULL AND jar.name = ? AND item.run = ? AND +item.seq <= ? ORDER BY item.time_s"""
        rows = self._db.query(sql, (run.jar, run.id, up_to_seq))
        told = [items.told_of(*row) for seq, *row in rows if seq not in wrong.told]
        instead = [one for one in wrong.standing.values() if one.instead and one.seq <= up_to_seq]
        told += [one.instead for one in instead if one.instead and self._lies_in(run, one.seq)]
        return sorted((item for item in told if isinstance(item, Fed)), key=lambda item: item.time_s)

    def _lies_in(self, run: Run, place: int) -> bool:
        found = None if run.imported else self._runs.run_of(run.jar, place)
        return found is not None and found.id == run.id

    def not_so_in(self, run: Run) -> list[str]:
        """The names of events of one run that never happened, as a person said."""
        standing = self.mistakes(run.jar).standing.values()
        some = [one for one in standing if one.event is not None and one.instead is None]
        return [name for one in some if self._lies_in(run, one.seq) for name in (one.event or "").split()]

    def mistakes(self, jar: str | None = None) -> Mistakes:
        """Mistaken reports, and events that never happened, for one jar or for all."""
        of_jar = "" if jar is None else "AND item.jar = (SELECT id FROM jar WHERE name = ?)"
        sql = f"""SELECT item.seq, item.told, item.time_s, jar.name FROM item JOIN jar ON jar.id = item.jar
            WHERE {TAKING_BACK} {of_jar}"""
        rows = self._db.query(sql, () if jar is None else (jar,))
        told = [(seq, items.told_of(text, time_s, name)) for seq, text, time_s, name in rows]
        return mistakes.of((seq, item) for seq, item in told if isinstance(item, TakenBack))

    def restamp(self, arrival: Arrival, received_s: float) -> Arrival:
        """Store that an arrival was received at a later time: it was stepped after the ticks up to then."""
        self._db.write("UPDATE item SET received_s = ? WHERE seq = ?", (received_s, arrival.seq))
        return replace(arrival, received_s=received_s)

    def last_seq(self) -> int:
        """The place of the latest live item; 0 when there is none."""
        return last_item(self._db)[0]

    def running_s(self) -> float:
        """The running time: when the latest live item was received; minus infinity before the first."""
        return last_item(self._db)[1]

    def count(self, run: int | None = None) -> int:
        """How many readings one run has; without a run, how many readings and reports there are in all."""
        if run is None:
            (imported,) = self._db.query("SELECT count(*) FROM item WHERE seq < 0")[0]
            return int(imported) + self.last_seq()
        return int(self._db.query("SELECT count(*) FROM item WHERE run = ? AND told IS NULL", (run,))[0][0])

    def count_by_run(self) -> dict[int, tuple[int, float | None]]:
        """For each run that has readings: how many, and the time of the earliest."""
        rows = self._db.query("SELECT run, count(*), min(time_s) FROM item WHERE told IS NULL GROUP BY run")
        return {run: (count, first_s) for run, count, first_s in rows}

    def told_count(self) -> int:
        """How many reports there are about all jars, counting those taken back and clock steps: it only grows."""
        return int(self._db.query("SELECT count(*) FROM item WHERE told IS NOT NULL")[0][0])

    def missing(self, since_s: float) -> list[Missing]:
        """The readings that never came, of those that would have come after a time; the oldest first."""
        return self._numbers.missing(since_s)

    def rejected_counts(self, since_day: str = "") -> list[tuple[str, str, str, int, float, str | None, str]]:
        """(day, source, reason, count, last time, last jar, last detail) since a day (`2026-03-02`), newest first."""
        return self._db.query("SELECT * FROM rejected WHERE day >= ? ORDER BY day DESC, count DESC", (since_day,))

    # --- inside a transaction ----------------------------------------------------------------------------------------

    def _count(self, rejected: Rejected) -> None:
        day = time.strftime("%Y-%m-%d", time.gmtime(rejected.received_s))
        source, reason, detail = map(_plain, (rejected.source, rejected.reason, rejected.detail[:200]))
        jar = None if rejected.jar is None else _plain(rejected.jar[:200])
        self._db.execute(
            """INSERT INTO rejected VALUES (?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO UPDATE SET
                count = count + excluded.count, last_s = excluded.last_s, last_jar = excluded.last_jar,
                last_detail = excluded.last_detail""",
            (day, source, reason, rejected.count, rejected.received_s, jar, detail),
        )


def _plain(text: str) -> str:
    """The text with everything replaced that cannot be UTF-8 (such as a lone surrogate from JSON)."""
    return text.encode("utf-8", "replace").decode()


def _beyond(delivery: Delivery) -> Rejected:
    return Rejected(
        source=delivery.source,
        received_s=delivery.received_s,
        reason=Refusal.BEYOND_A_SENSOR,
        detail=repr(delivery.reading)[:200],
        jar=delivery.reading.jar,
    )
