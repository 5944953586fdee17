"""Copies what can be read of a damaged store, row by row, into a new one. Called by `jartide recover` only.

SQLite gives up at the first damaged page. Here each table is read from its beginning, from its end and from places in
between, so that a damaged page only costs the rows on it. Works on a copy: the damaged file stays as it is.
"""

from __future__ import annotations

import contextlib
import shutil
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from monitor.runs import schema, store_file
from monitor.runs.store import Store, StoreTrouble
from monitor.runs.store_file import HEADER_BYTES

MOST_BYTES = 1 << 34  # 16 GB: a damaged header that claims more is not believed
LOWEST, HIGHEST = -(1 << 62), 1 << 62  # the numbers of all items, imported ones too, lie well within
_SEEN = 1000
_TABLES = (
    "meta", "jar", "run", "item", "rejected", "carry", "event", "cycle", "notice", "delivery", "cursor", "parked",
    "missing",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Salvaged:
    """One table: how many of its rows were read, and whether that was all of it."""

    table: str
    rows: int
    whole: bool


def recover(damaged: Path, target: Path, seen: Callable[[int], object] = lambda rows: None) -> list[Salvaged]:
    """Read what can be read of `damaged` into a new store at `target`. `seen` is called each thousand rows. Raises
    StoreTrouble when nothing can be read, and when `target` already exists or cannot be written."""
    if target.exists():
        raise StoreTrouble(f"{target}: exists already; give another name", lasting=True)
    with tempfile.TemporaryDirectory(dir=target.parent) as folder, Store.open(target) as store:
        copy, damaged = Path(folder) / "copy.db", store_file.where(damaged)
        try:
            shutil.copyfile(damaged, copy)
            log = damaged.with_name(damaged.name + "-wal")
            if log.exists():
                shutil.copyfile(log, copy.with_name("copy.db-wal"))
            _mend_header(copy, target)
        except OSError as error:
            raise StoreTrouble(f"{damaged}: {error.strerror}", lasting=True) from error
        try:
            with contextlib.closing(sqlite3.connect(copy)) as source:
                store.query("PRAGMA foreign_keys = OFF")
                found = [_salvage(source, store, table, seen) for table in _TABLES]
        except sqlite3.Error as error:
            raise StoreTrouble(f"{damaged}: cannot be read ({error})", lasting=False) from error
        for statement in schema.OF_OLDER_ROWS:
            store.write(statement)
    if not any(table.rows for table in found):
        for ending in ("", "-wal", "-shm"):
            with contextlib.suppress(OSError):
                target.with_name(target.name + ending).unlink(missing_ok=True)
        raise StoreTrouble(f"{damaged}: nothing in it can be read; a backup is all that helps", lasting=True)
    return found


def _mend_header(copy: Path, sound: Path) -> None:
    """Give the copy the header of a sound store of this version if it has none, and empty pages in place of those that
    were cut off, as SQLite opens no file that is shorter than its header says."""
    with sound.open("rb") as file:
        header = bytearray(file.read(HEADER_BYTES))
    with copy.open("r+b") as file:
        own = file.read(HEADER_BYTES)
        if len(own) < HEADER_BYTES:
            return
        page_bytes, size = int.from_bytes(header[16:18], "big"), copy.stat().st_size
        if own[:16] == header[:16]:
            whole = min(int.from_bytes(own[28:32], "big") * page_bytes, MOST_BYTES)
            if size < whole:
                file.truncate(whole)
            return
        header[28:32] = (size // page_bytes).to_bytes(4, "big")
        header[32:40] = bytes(8)  # no free pages: only reading matters
        header[92:96] = header[24:28]  # the size above counts
        file.seek(0)
        file.write(header)


def _salvage(source: sqlite3.Connection, store: Store, table: str, seen: Callable[[int], object]) -> Salvaged:
    try:
        known = {row[1] for row in store.query(f"PRAGMA table_info({table})")}
        columns = [row[1] for row in source.execute(f"PRAGMA table_info({table})") if row[1] in known]
    except sqlite3.Error:
        columns = []
    if not columns:
        return Salvaged(table, 0, False)
    names, marks = ", ".join(columns), ", ".join("?" * len(columns))
    reader = _Reader(source, table, names)
    rows = 0
    with store.writing():
        for count, row in enumerate(reader.rows(), 1):
            if count % _SEEN == 0:
                seen(_SEEN)
            with contextlib.suppress(sqlite3.IntegrityError, StoreTrouble):
                rows += store.write(f"INSERT OR IGNORE INTO {table} ({names}) VALUES ({marks})", row).rowcount
    return Salvaged(table, rows, not reader.damaged)


class _Reader:
    """All rows of one table that can be read; `damaged` is True once some could not."""

    def __init__(self, source: sqlite3.Connection, table: str, names: str) -> None:
        self._source, self._table, self._names = source, table, names
        self.damaged = False

    def rows(self) -> Iterator[tuple[Any, ...]]:
        if "WITHOUT ROWID" in _definition(self._table):
            yield from self._plain()
        else:
            yield from self._by_number()

    def _plain(self) -> Iterator[tuple[Any, ...]]:
        try:
            yield from self._source.execute(f"SELECT {self._names} FROM {self._table}")
        except sqlite3.Error:
            self.damaged = True

    def _by_number(self) -> Iterator[tuple[Any, ...]]:
        """Read upwards until there is damage; then take longer and longer steps over it to the next readable row, read
        downwards from there until damage, and go on upwards. What lies alone between two damaged pages may be
        missed."""
        select = f"SELECT rowid, {self._names} FROM {self._table} WHERE rowid > ? AND rowid < ? ORDER BY rowid"
        low = LOWEST
        while True:
            try:
                for number, *row in self._source.execute(select, (low, HIGHEST)):
                    low = number
                    yield tuple(row)
                return
            except sqlite3.Error:
                self.damaged = True
            next_ = self._beyond(low)
            with contextlib.suppress(sqlite3.Error):
                for _, *row in self._source.execute(select + " DESC", (low, next_)):
                    yield tuple(row)
            if next_ == HIGHEST:
                return
            low = next_ - 1

    def _beyond(self, low: int) -> int:
        """The number of the next row after `low` that can be read; HIGHEST when there is none."""
        step = 1
        while low + step < HIGHEST:
            with contextlib.suppress(sqlite3.Error):
                sql = f"SELECT rowid, {self._names} FROM {self._table} WHERE rowid > ? ORDER BY rowid LIMIT 1"
                found = self._source.execute(sql, (low + step,)).fetchone()
                return HIGHEST if found is None else int(found[0])
            step *= 2
        return HIGHEST


def _definition(table: str) -> str:
    return next(
        statement for step in schema.MIGRATIONS for statement in step if statement.startswith(f"CREATE TABLE {table} ")
    )
