"""Which run each jar is in (a stretch of one jar's items under one set-up), and why the run began."""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from monitor.core.vessel.geometry import format_geometry, parse_geometry
from monitor.runs.database import Database, last_item
from monitor.settings import JarSettings
from monitor.values import Geometry, Noting, Straight


class RunReason(StrEnum):
    """Why a run began, as the store keeps it; `words` is what a person reads."""

    FIRST_START = "first_start"
    FIRST_READING = "first_reading"
    WATCHED_AGAIN = "watched_again"
    SHAPE_CHANGED = "shape_changed"
    EMPTY_DISTANCE_CHANGED = "empty_distance_changed"
    ASKED_FOR = "asked_for"
    ANOTHER_STARTER = "another_starter"  # nothing learnt before it counts
    MOVED = "moved"  # it continues from another daemon's store
    IMPORTED = "imported"
    IMPORT_NOT_FINISHED = "import_not_finished"

    @property
    def words(self) -> str:
        """The reason as a list of runs shows it."""
        return _WORDS[self]


_WORDS = {
    RunReason.FIRST_START: "first start",
    RunReason.FIRST_READING: "first reading",
    RunReason.WATCHED_AGAIN: "watched again",
    RunReason.SHAPE_CHANGED: "the jar's shape was changed",
    RunReason.EMPTY_DISTANCE_CHANGED: "the empty distance was changed",
    RunReason.ASKED_FOR: "asked for",
    RunReason.ANOTHER_STARTER: "another starter",
    RunReason.MOVED: "moved here from another daemon",
    RunReason.IMPORTED: "imported",
    RunReason.IMPORT_NOT_FINISHED: "import not finished",
}
# keys in the header of a run that came from another store: as what it is known there, after which item and time of that
# store it goes on here, the last item here that came along, and whether the state of then came with it
MOVED_FROM, AFTER_ITEM, AFTER_S, CAME_TO, STATE_CAME = "moved_from", "after_item", "after_s", "came_to", "state_came"
MARKS = frozenset({MOVED_FROM, AFTER_ITEM, AFTER_S, CAME_TO, STATE_CAME})
BEGUN_BY_NOTE = {Noting.NEW_RUN: RunReason.ASKED_FOR, Noting.NEW_STARTER: RunReason.ANOTHER_STARTER}
"""The runs that a person asks for, by the note that asks for them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """A stretch of one jar's items under one set-up. `first_seq` is the first item that may belong to it."""

    id: int
    jar: str
    began_s: float
    ended_s: float | None
    first_seq: int
    reason: RunReason
    empty_mm: float | None
    geometry: Geometry
    header: Mapping[str, str]
    imported: bool


def since_item(runs: Sequence[Run], seq: int) -> list[Run]:
    """Of a jar's live runs, the one that an item lies in and those after it. The state that came along with a jar that
    moved here is kept as of the item before its first, and lies in the run in which it goes on."""

    def began(run: Run) -> int:
        return run.first_seq - (STATE_CAME in run.header)

    return [run for run in runs if began(run) <= seq][-1:] + [run for run in runs if began(run) > seq]


class RunLog:
    """All runs of all jars, over one database connection."""

    def __init__(self, database: Database) -> None:
        self._db = database

    def ensure_run(self, jar: JarSettings, now_s: float) -> Run:
        """The jar's open run; a new one where there is none, or where the jar's shape or empty distance has changed."""
        with self._db.writing():
            run = self.open_run(jar.name)
            if run is None:
                known = self.live_runs(jar.name)
                return self.begin_run(jar, RunReason.WATCHED_AGAIN if known else RunReason.FIRST_START, now_s)
            if run.geometry != jar.geometry:
                return self.begin_run(jar, RunReason.SHAPE_CHANGED, now_s)
            if run.empty_mm != jar.empty_mm:
                return self.begin_run(jar, RunReason.EMPTY_DISTANCE_CHANGED, now_s)
            return run

    def begin_run(self, jar: JarSettings, reason: RunReason, now_s: float) -> Run:
        """Close the jar's open run, if any, and begin a new one with the next item."""
        with self._db.writing():
            self._insert_run(
                jar.name, reason, now_s, last_item(self._db)[0] + 1, jar.empty_mm, format_geometry(jar.geometry)
            )
            run = self.open_run(jar.name)
        assert run is not None
        return run

    def end_other_runs(self, jars: Collection[str], now_s: float) -> None:
        """End the open runs of jars that are not watched any more."""
        with self._db.writing():
            for run in self.runs("WHERE digest IS NULL AND run.ended_s IS NULL"):
                if run.jar not in jars:
                    self._db.write("UPDATE run SET ended_s = ? WHERE id = ?", (now_s, run.id))

    def open_run(self, jar: str) -> Run | None:
        """The run that the jar's live items go to; None before the first."""
        found = self.runs("WHERE jar.name = ? AND +digest IS NULL AND run.ended_s IS NULL", (jar,))
        return found[-1] if found else None

    def runs(self, where: str = "", values: Sequence[object] = ()) -> list[Run]:
        """All runs, or those that an SQL condition names, oldest first."""
        sql = f"""SELECT run.id, jar.name, began_s, ended_s, first_seq, reason, empty_mm, geometry, header,
            digest IS NOT NULL FROM run JOIN jar ON jar.id = run.jar {where} ORDER BY run.id"""
        return [_run_of(row) for row in self._db.query(sql, values)]

    def run(self, id_: int) -> Run | None:
        """The run with a number; None when there is none."""
        found = self.runs("WHERE run.id = ?", (id_,))
        return found[0] if found else None

    def runs_of(self, jar: str) -> list[Run]:
        """All runs of a jar, imported ones too, oldest first."""
        return self.runs("WHERE jar.name = ?", (jar,))

    def live_runs(self, jar: str) -> list[Run]:
        """All runs of a jar except imported ones, oldest first; the last is the open one."""
        return self.runs("WHERE jar.name = ? AND +digest IS NULL", (jar,))

    def run_of(self, jar: str, seq: int) -> Run | None:
        """The live run of a jar that item `seq` lies in; None before its first."""
        found = self.runs("WHERE jar.name = ? AND +digest IS NULL AND first_seq <= ?", (jar, seq))
        return found[-1] if found else None

    # --- inside a transaction ----------------------------------------------------------------------------------------

    # "+digest": without the plus SQLite would take the index for imported files, and read every run there is
    def jar_and_run(self, name: str, now_s: float, next_seq: int, run_from: int | None = None) -> tuple[int, int]:
        """A jar's number and that of its open run (or of the one that begins with item `run_from`), made where there is
        none."""
        jar = self._db.jar_id(name)
        which = "ended_s IS NULL" if run_from is None else "first_seq = ?"
        sql = f"SELECT id FROM run WHERE jar = ? AND +digest IS NULL AND {which} ORDER BY id DESC LIMIT 1"
        found = self._db.execute(sql, (jar,) if run_from is None else (jar, run_from)).fetchone()
        if found is None:
            return jar, self._insert_run(
                name, RunReason.FIRST_READING, now_s, next_seq, None, format_geometry(Straight())
            )
        return jar, found[0]

    def renew_run(self, name: str, reason: RunReason, now_s: float, next_seq: int) -> None:
        """Begin a run with the next item in the jar as it is."""
        old = self.open_run(name)
        empty_mm, geometry = (old.empty_mm, old.geometry) if old else (None, Straight())
        self._insert_run(name, reason, now_s, next_seq, empty_mm, format_geometry(geometry))

    def _insert_run(
        self, name: str, reason: RunReason, now_s: float, first_seq: int, empty_mm: float | None, geometry: str
    ) -> int:
        jar = self._db.jar_id(name)
        self._db.execute(
            "UPDATE run SET ended_s = ? WHERE jar = ? AND +digest IS NULL AND ended_s IS NULL", (now_s, jar)
        )
        sql = "INSERT INTO run (jar, began_s, first_seq, reason, empty_mm, geometry) VALUES (?, ?, ?, ?, ?, ?)"
        run = self._db.execute(sql, (jar, now_s, first_seq, reason, empty_mm, geometry)).lastrowid
        assert run is not None
        return run


def _run_of(row: tuple[Any, ...]) -> Run:
    id_, jar, began_s, ended_s, first_seq, reason, empty_mm, geometry, header, imported = row
    return Run(
        id=id_,
        jar=jar,
        began_s=began_s,
        ended_s=ended_s,
        first_seq=first_seq,
        reason=RunReason(reason) if reason in set(RunReason) else RunReason.WATCHED_AGAIN,
        empty_mm=empty_mm,
        geometry=parse_geometry(geometry),
        header=json.loads(header),
        imported=bool(imported),
    )
