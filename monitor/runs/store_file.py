"""Opens, copies and updates the store's file, without ever trusting it blindly or losing it silently.

`store` works on the connection that this module makes. A damaged file is set aside and replaced; a file of a newer
version or of another program is refused and left untouched; an older one is copied and then updated.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
import stat
import threading
import time
from dataclasses import dataclass
from pathlib import Path

from monitor.host import file_modes
from monitor.host.failpoints import failpoint
from monitor.runs import schema

BUSY_S = 5.0  # another process holds the write lock for a small transaction, a backup tool perhaps for seconds
CHECK_S = 0.5  # half of the second that a first reading may take; a small computer checks a whole year's file in less
CHECK_AFTER_CRASH_S = 5.0  # after an unclean stop damage is likelier, so a longer check is worth it


class StoreTrouble(Exception):
    """The store cannot do what was asked; the text is a sentence for people.

    `lasting` is False where it may pass by itself (disk full, read-only, busy, input/output error): keep and retry.
    """

    def __init__(self, text: str, *, lasting: bool) -> None:
        super().__init__(text)
        self.lasting = lasting


@dataclass(frozen=True, slots=True)
class Opened:
    """A connection to a sound file of this version; `set_aside` is where a damaged one was put, with the reason."""

    db: sqlite3.Connection
    set_aside: Path | None = None
    reason: str = ""


# Files that this process has found to be databases. A process that opens and closes a database's file by itself loses
# all locks that SQLite holds on it (SQLite, "How To Corrupt An SQLite Database File", 2.2): another process would then
# think that it is the last one, and delete the log with the newest readings.
_LOOKED_AT: set[Place] = set()
_LOOKING = threading.Lock()


def where(path: Path | str) -> Path:
    """The path of the file itself: SQLite's log and our lock are beside it, not beside a link to it."""
    return Path(os.path.realpath(path))


def open_file(path: Path, now_s: float) -> Opened:
    """Open the store for the daemon: make one where there is none, set a damaged one aside, update an older one.

    Raises StoreTrouble for a file of a newer version or of another program (left untouched), for something that is no
    file or no database, for a missing directory, and for what may pass (busy, no permission).
    """
    refuse_what_is_no_store(path)
    if not path.parent.is_dir():
        raise StoreTrouble(f"{path}: there is no directory {path.parent}; create it first", lasting=True)
    aside, damage = None, None
    try:
        if path.exists() and (damage := _damage(path)) is not None:
            aside = _set_aside(path, now_s)
        if not path.exists():
            os.close(file_modes.make(path))  # SQLite gives -wal and -shm the same mode
    except OSError as error:
        raise StoreTrouble(f"{path}: {error.strerror}; may this user write there?", lasting=True) from error
    db = connect(path)
    try:
        migrate(db, path)
    except BaseException:
        db.close()
        raise
    return Opened(db, aside, damage or "")


def join_file(path: Path) -> sqlite3.Connection:
    """Open a store that the daemon uses, or used. Changes nothing about the file. A user who may read it but not write
    it gets a read-only connection. Raises StoreTrouble."""
    refuse_what_is_no_store(path)
    if not path.exists():
        raise StoreTrouble(
            f"{path}: there is no store yet; `jartide watch` or `jartide import` creates one", lasting=True
        )
    try:
        damage = _damage(path, check_s=0.0)
    except OSError as error:
        raise StoreTrouble(f"{path}: {error.strerror}; may this user read it?", lasting=False) from error
    if damage is not None:
        raise StoreTrouble(f"{path}: {damage}; `jartide watch` sets it aside when it starts", lasting=True)
    db = connect(path) if _writable(path) else _look(path)
    version = _version(db, path)
    if version != len(schema.MIGRATIONS):
        db.close()
        raise StoreTrouble(
            f"{path}: is of version {version}, this program uses {len(schema.MIGRATIONS)}; `jartide watch` updates it",
            lasting=True,
        )
    return db


def refuse_what_is_no_store(path: Path) -> None:
    """Raise StoreTrouble for a path at which a store can be neither made nor found; whatever is there belongs to
    somebody and stays untouched. A device or a pipe is not even opened. A file with a database's header, or with
    nothing but zeros in its place (as a file system leaves a file whose contents were never written), is left to the
    checks that follow."""
    try:
        mode = path.stat().st_mode
    except FileNotFoundError:
        return
    except OSError as error:
        raise StoreTrouble(f"{path}: {error.strerror}; may this user look there?", lasting=True) from error
    if not stat.S_ISREG(mode):
        kind = next((name for is_one, name in _NO_FILES if is_one(mode)), "not a regular file")
        raise StoreTrouble(f"{path}: is {kind}; give the path of a file for the store", lasting=True)
    with _LOOKING:
        place = Place.of(path)
        if place in _LOOKED_AT:
            # SQLite may have it open in this process, and closing it ourselves would drop its locks (POSIX)
            return
        try:
            with path.open("rb") as file:
                header = file.read(HEADER_BYTES)
        except OSError as error:
            raise StoreTrouble(f"{path}: {error.strerror}; may this user read it?", lasting=True) from error
        if place is not None and header.startswith(MAGIC):
            _LOOKED_AT.add(place)
    if any(header) and not header.startswith(MAGIC[: len(header)]):
        raise StoreTrouble(
            f"{path}: is a file of another kind, not a store; it stays as it is: give another path, or move it away",
            lasting=True,
        )


HEADER_BYTES = 100  # of an SQLite file (its file format, section 1.3)
MAGIC = b"SQLite format 3\0"  # the beginning of the header (section 1.3.1)
_NO_FILES = (
    (stat.S_ISDIR, "a folder"),
    (stat.S_ISFIFO, "a pipe"),
    (stat.S_ISSOCK, "a socket"),
    (stat.S_ISCHR, "a device"),
    (stat.S_ISBLK, "a disk"),
)


@dataclass(frozen=True, slots=True)
class Place:
    """Which file a path led to, as a store may be deleted, moved or replaced under a running daemon."""

    device: int
    inode: int

    @classmethod
    def of(cls, path: Path) -> Place | None:
        """The file that is there now; None when there is none, or it cannot be looked at."""
        try:
            found = path.stat()
        except OSError:
            return None
        return cls(found.st_dev, found.st_ino)


def connect(path: Path) -> sqlite3.Connection:
    """A connection with the settings that the store's guarantees depend on. Transactions are begun explicitly."""
    if (place := Place.of(path)) is not None:
        with _LOOKING:
            _LOOKED_AT.add(place)
    try:
        db = sqlite3.connect(path, timeout=BUSY_S, isolation_level=None)
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = FULL")  # what was acknowledged survives a power cut
        db.execute("PRAGMA foreign_keys = ON")
        db.execute("PRAGMA journal_size_limit = 8388608")
    except sqlite3.Error as error:
        raise trouble(error, path) from error
    return db


def _writable(path: Path) -> bool:
    """Whether this user may write the store and the log beside it."""
    wal = path.with_name(path.name + "-wal")
    places = [path, wal] if wal.exists() else [path, path.absolute().parent]
    return all(os.access(place, os.W_OK, effective_ids=True) for place in places)


def _look(path: Path) -> sqlite3.Connection:
    """A connection that only reads and leaves no files beside the store."""
    # where there is no log nobody has it open, and if SQLite is told so it makes none itself
    how = "mode=ro" if path.with_name(path.name + "-wal").exists() else "mode=ro&immutable=1"
    try:
        return sqlite3.connect(f"{path.absolute().as_uri()}?{how}", uri=True, timeout=BUSY_S, isolation_level=None)
    except sqlite3.Error as error:
        raise trouble(error, path) from error


def _version(db: sqlite3.Connection, path: Path) -> int:
    """The version of the file; closes a connection that cannot tell it. Raises StoreTrouble."""
    try:
        return int(db.execute("PRAGMA user_version").fetchone()[0])
    except sqlite3.Error as error:
        db.close()
        raise trouble(error, path) from error


def migrate(db: sqlite3.Connection, path: Path) -> None:
    """Update the file to this version, after making a copy beside it, with each step in one transaction."""
    version = _version(db, path)
    if 0 < version < len(schema.MIGRATIONS):
        copy_to(db, path.with_name(f"{path.name}.before-v{version + 1}"))
    for number in range(version, len(schema.MIGRATIONS)):
        try:
            db.execute("BEGIN IMMEDIATE")
            if db.execute("PRAGMA user_version").fetchone()[0] != number:  # another process did it first
                db.execute("ROLLBACK")
                continue
            for statement in schema.MIGRATIONS[number]:
                db.execute(statement)
                failpoint("migrating")
            db.execute(f"PRAGMA application_id = {schema.APPLICATION_ID}")
            db.execute(f"PRAGMA user_version = {number + 1}")
            db.execute("COMMIT")
        except sqlite3.Error as error:
            with contextlib.suppress(sqlite3.Error):  # then closing rolls it back
                if db.in_transaction:
                    db.execute("ROLLBACK")
            raise StoreTrouble(
                f"{path}: could not be brought to version {number + 1} ({error}); it is unchanged", lasting=True
            ) from error


def copy_to(db: sqlite3.Connection, target: Path) -> None:
    """Make an online copy of the whole store, readable by its owner only; it is complete or not there at all. Raises
    StoreTrouble."""
    part = target.with_name(target.name + ".part")
    try:
        part.unlink(missing_ok=True)
        os.close(os.open(part, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600))
        db.execute("VACUUM INTO ?", (str(part),))
        os.replace(part, target)
    except (OSError, sqlite3.Error) as error:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
        why = getattr(error, "strerror", None) or error
        raise StoreTrouble(f"{target}: the copy could not be written ({why})", lasting=False) from error


def trouble(error: sqlite3.Error, path: Path) -> StoreTrouble:
    """What an SQLite error means for a person, and whether it may pass."""
    code = getattr(error, "sqlite_errorcode", None)
    match code & 0xFF if code is not None else None:
        case sqlite3.SQLITE_FULL:
            return StoreTrouble(f"{path}: the disk is full", lasting=False)
        case sqlite3.SQLITE_CANTOPEN:
            return StoreTrouble(f"{path}: cannot be opened ({error})", lasting=False)
        case sqlite3.SQLITE_READONLY | sqlite3.SQLITE_PERM:
            return StoreTrouble(f"{path}: cannot be written ({error})", lasting=False)
        case sqlite3.SQLITE_IOERR:
            return StoreTrouble(f"{path}: input/output error; is the disk all right?", lasting=False)
        case sqlite3.SQLITE_BUSY | sqlite3.SQLITE_LOCKED:
            return StoreTrouble(f"{path}: another program has locked it", lasting=False)
        case sqlite3.SQLITE_CORRUPT | sqlite3.SQLITE_NOTADB:
            return StoreTrouble(f"{path}: is damaged ({error}); restart to set it aside", lasting=True)
    return StoreTrouble(f"{path}: {error}", lasting=True)


def _damage(path: Path, check_s: float | None = None) -> str | None:
    """What is wrong with the file, or None. The file is only read, so one that is refused stays as it is."""
    if path.stat().st_size == 0:
        return "the file is empty"
    wal = path.with_name(path.name + "-wal")
    if check_s is None:  # a left-over write-ahead log means that it was not closed
        check_s = CHECK_AFTER_CRASH_S if wal.exists() and wal.stat().st_size else CHECK_S
    with contextlib.closing(_look(path)) as db:
        try:
            application_id, version = (
                db.execute(f"PRAGMA {n}").fetchone()[0] for n in ("application_id", "user_version")
            )
            tables = {name for (name,) in db.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")}
            if application_id == 0 and version == 0 and not tables:
                return "the file holds nothing"
            if application_id != schema.APPLICATION_ID:
                raise StoreTrouble(f"{path}: is the database of another program; give another path", lasting=True)
            if version > len(schema.MIGRATIONS):
                raise StoreTrouble(
                    f"{path}: is of version {version}, this program knows versions up to {len(schema.MIGRATIONS)}; "
                    "install the newer program again, or give another path",
                    lasting=True,
                )
            if version == len(schema.MIGRATIONS) and not schema.tables() <= tables:
                return f"tables are missing: {', '.join(sorted(schema.tables() - tables))}"
            return _quick_check(db, check_s)
        except sqlite3.Error as error:
            if getattr(error, "sqlite_errorcode", 0) & 0xFF in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
                return str(error)
            raise trouble(error, path) from error


def _quick_check(db: sqlite3.Connection, seconds: float) -> str | None:
    """SQLite's own check of every page, for a limited time, as a start must not wait minutes for a big file."""
    if seconds <= 0:
        return None
    stop_at = time.monotonic() + seconds
    db.set_progress_handler(lambda: time.monotonic() > stop_at, 10_000)
    try:
        answer: str = db.execute("PRAGMA quick_check(1)").fetchone()[0]
    except sqlite3.OperationalError as error:
        if getattr(error, "sqlite_errorcode", None) == sqlite3.SQLITE_INTERRUPT:
            return None
        raise
    return None if answer == "ok" else answer.replace("\n", " ")


def _set_aside(path: Path, now_s: float) -> Path:
    """Rename the file and its companions; the log goes first, so that it can never be read into a new file. If that
    fails half-way it is undone, as a file without its log lacks its newest readings. Raises OSError."""
    aside = path.with_name(f"{path.name}.corrupt-{time.strftime('%Y%m%dT%H%M%SZ', time.gmtime(now_s))}")
    number = 1
    while aside.exists():
        number += 1
        aside = aside.with_name(f"{aside.name.split('~')[0]}~{number}")
    moved: list[tuple[Path, Path]] = []
    for ending in ("-wal", "-shm", ""):
        before, after = path.with_name(path.name + ending), aside.with_name(aside.name + ending)
        try:
            os.rename(before, after)
            moved.append((before, after))
        except FileNotFoundError:
            continue
        except OSError:
            for there, here in reversed(moved):
                with contextlib.suppress(OSError):
                    here.rename(there)
            raise
    return aside
