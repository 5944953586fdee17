"""The connection under the store: transactions, errors as sentences, the small texts that outlive a restart."""

from __future__ import annotations

import contextlib
import sqlite3
import time
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any, Self

from monitor.runs import store_file
from monitor.runs.store_file import StoreTrouble, trouble


class Database:
    """One connection, for one thread. `set_aside` tells where a damaged file was put at opening, `damage` why."""

    def __init__(self, path: Path, opened: store_file.Opened) -> None:
        self.path = path
        self.set_aside = opened.set_aside
        self.damage = opened.reason
        self._db = opened.db
        self._place = store_file.Place.of(path)
        self._depth = 0
        self._jar_ids: dict[str, int] = {}
        self.undone = 0  # transactions: whoever remembers what it wrote must forget that when this grows

    @classmethod
    def open(cls, path: Path | str, now_s: float | None = None) -> Self:
        """Open as the owner (the daemon): makes, migrates, sets a damaged file aside. Raises StoreTrouble."""
        path = store_file.where(path)
        return cls(path, store_file.open_file(path, time.time() if now_s is None else now_s))

    @classmethod
    def join(cls, path: Path | str) -> Self:
        """Open beside the daemon: never makes, migrates or replaces the file. Raises StoreTrouble."""
        path = store_file.where(path)
        return cls(path, store_file.Opened(store_file.join_file(path)))

    def look_for_file(self) -> None:
        """Raise StoreTrouble when the file at the path is not the one that was opened, as nobody would find what is
        written now."""
        now = store_file.Place.of(self.path)
        if now != self._place:
            what, then = "replaced by another", "restart the daemon to go on with this one"
            if now is None:
                what, then = "deleted or moved away", "a restart begins an empty one"
            raise StoreTrouble(
                f"{self.path}: the file was {what} while it was in use; put it back, or {then}", lasting=False
            )

    def take_in_log(self) -> None:
        """Move what is in SQLite's log into the file. The last connection to close does the same, but there it blocks
        all threads of the process (sqlite3 holds the interpreter's lock in `close`), however slow the disk is."""
        with contextlib.suppress(sqlite3.Error):
            self._db.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchall()

    def close(self) -> None:
        """Close; the last connection to close leaves a single file behind."""
        self._db.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @contextlib.contextmanager
    def writing(self) -> Iterator[None]:
        """One transaction around everything written inside: all of it is stored, or nothing. Raises StoreTrouble."""
        if self._depth:
            yield
            return
        try:
            if self._db.in_transaction:  # because a rollback failed too
                self._db.execute("ROLLBACK")
            self._db.execute("BEGIN IMMEDIATE")  # a deferred one could fail later without waiting for its turn
            self._depth = 1
            yield
            self._db.execute("COMMIT")
        except BaseException as error:
            self._jar_ids.clear()  # a jar that was new in this transaction is gone again
            self.undone += 1
            with contextlib.suppress(sqlite3.Error):
                if self._db.in_transaction:
                    self._db.execute("ROLLBACK")
            if isinstance(error, sqlite3.Error):
                raise trouble(error, self.path) from error
            raise
        finally:
            self._depth = 0

    def query(self, sql: str, values: Sequence[object] = ()) -> list[Any]:
        """All rows of a SELECT. Raises StoreTrouble."""
        try:
            return self._db.execute(sql, values).fetchall()
        except sqlite3.Error as error:
            raise trouble(error, self.path) from error

    def write(self, sql: str, values: Sequence[object] = ()) -> sqlite3.Cursor:
        """One statement, in the enclosing transaction or in its own. Raises StoreTrouble."""
        with self.writing():
            return self._db.execute(sql, values)

    def write_many(self, sql: str, rows: Iterable[Sequence[object]]) -> None:
        """One statement for many rows, in the enclosing transaction or in its own. Raises StoreTrouble."""
        with self.writing():
            self._db.executemany(sql, rows)

    def meta(self, key: str) -> str | None:
        """A small text kept under a key (client token, boot id, last summary); None when there is none."""
        rows = self.query("SELECT value FROM meta WHERE key = ?", (key,))
        return rows[0][0] if rows else None

    def set_meta(self, key: str, value: str) -> None:
        """Store a small text under a key."""
        self.write("INSERT OR REPLACE INTO meta VALUES (?, ?)", (key, value))

    def forget_meta(self, key: str) -> None:
        """Delete the text under a key."""
        self.write("DELETE FROM meta WHERE key = ?", (key,))

    def backup(self, target: Path | str) -> None:
        """Make an online copy as one file, which is complete or not there at all. Raises StoreTrouble."""
        store_file.copy_to(self._db, Path(target))

    def jar_id(self, name: str) -> int:
        """The number that stands for a jar in the tables; to be called inside `writing()`."""
        if name not in self._jar_ids:
            self._db.execute("INSERT INTO jar (name) VALUES (?) ON CONFLICT DO NOTHING", (name,))
            self._jar_ids[name] = self._db.execute("SELECT id FROM jar WHERE name = ?", (name,)).fetchone()[0]
        return self._jar_ids[name]

    def execute(self, sql: str, values: Sequence[object] = ()) -> sqlite3.Cursor:
        """One statement inside `writing()`, which turns its errors into sentences."""
        return self._db.execute(sql, values)


def last_item(database: Database) -> tuple[int, float]:
    """The place of the latest live item and its time of receipt; 0 and minus infinity before the first."""
    rows = database.query("SELECT seq, received_s FROM item WHERE seq > 0 ORDER BY seq DESC LIMIT 1")
    return rows[0] if rows else (0, float("-inf"))
