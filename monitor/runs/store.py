"""The store: one SQLite file that holds everything that arrived, in order of arrival, and everything that was decided
about it.

It stands between the daemon's queue and `core`: an item is committed here before it is stepped or acknowledged. A
`Store` belongs to one thread; other threads and processes open their own with `Store.join`. Every method commits by
itself, or takes part in the transaction of an enclosing `with store.writing():`. The notices' outbox is in `outbox`,
thinning in `retention`, run files in and out in `transfer`.
"""

from __future__ import annotations

from pathlib import Path
from typing import Self

from monitor.runs.database import Database
from monitor.runs.decisions import Decisions
from monitor.runs.item_log import ItemLog
from monitor.runs.run_log import Run, RunLog, RunReason
from monitor.runs.store_file import StoreTrouble

__all__ = ["Run", "RunReason", "Store", "StoreTrouble"]


class Store:
    """One surface for the parts that share a connection. Each line below names the part that documents the methods; all
    of them raise StoreTrouble."""

    def __init__(self, database: Database) -> None:
        runs = RunLog(database)
        items, decisions = ItemLog(database, runs), Decisions(database, runs)
        self.database = database
        self.path, self.set_aside, self.damage = database.path, database.set_aside, database.damage
        self.writing, self.look_for_file, self.close = database.writing, database.look_for_file, database.close
        self.query, self.write, self.write_many = database.query, database.write, database.write_many
        self.meta, self.set_meta, self.forget_meta, self.backup, self.jar_id = (
            database.meta, database.set_meta, database.forget_meta, database.backup, database.jar_id
        )  # fmt: skip

        self.add, self.tell, self.restamp = items.add, items.tell, items.restamp
        self.arrivals, self.rows_of, self.last_seq, self.running_s = (
            items.arrivals, items.rows_of, items.last_seq, items.running_s
        )  # fmt: skip
        self.told, self.noted, self.fed_in = items.told, items.noted, items.fed_in
        self.mistakes, self.not_so_in = items.mistakes, items.not_so_in
        self.count, self.count_by_run, self.told_count = items.count, items.count_by_run, items.told_count
        self.rejected_counts, self.missing = items.rejected_counts, items.missing

        self.ensure_run, self.begin_run, self.end_other_runs = runs.ensure_run, runs.begin_run, runs.end_other_runs
        self.runs, self.run, self.runs_of, self.live_runs = runs.runs, runs.run, runs.runs_of, runs.live_runs
        self.open_run, self.run_of = runs.open_run, runs.run_of

        self.save_carry, self.carries, self.forget_carries = (
            decisions.save_carry, decisions.carries, decisions.forget_carries
        )  # fmt: skip
        self.culture_before, self.keep_judgement = decisions.culture_before, decisions.keep_judgement
        self.add_events, self.events = decisions.add_events, decisions.events
        self.events_about, self.events_after = decisions.events_about, decisions.events_after
        self.cycles_mark, self.first_decided = decisions.cycles_mark, decisions.first_decided
        self.put_cycle, self.cycles, self.forget_cycles = (
            decisions.put_cycle, decisions.cycles, decisions.forget_cycles
        )  # fmt: skip
        self.smoothed_cycles, self.keep_smoothed, self.unsmoothed = (
            decisions.smoothed_cycles, decisions.keep_smoothed, decisions.unsmoothed
        )  # fmt: skip

    @classmethod
    def open(cls, path: Path | str, now_s: float | None = None) -> Self:
        """Open as the owner (the daemon): makes, migrates, sets a damaged file aside."""
        return cls(Database.open(path, now_s))

    @classmethod
    def join(cls, path: Path | str) -> Self:
        """Open beside the daemon: never makes, migrates or replaces the file."""
        return cls(Database.join(path))

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
