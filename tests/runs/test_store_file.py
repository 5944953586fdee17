"""The store's file: what was damaged is set aside and never silently replaced; versions; other people's files."""

from __future__ import annotations

import contextlib
import errno
import os
import shutil
import socket
import sqlite3
import stat
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from monitor.host.lock import StoreLock
from monitor.runs import reported, schema, store_file
from monitor.runs.store import RunReason, Store, StoreTrouble
from tests.runs.stored import RYE, T, delivery


def filled(path: Path) -> bytes:
    with Store.open(path) as store:
        store.ensure_run(RYE, T)
        for n in range(20):
            store.add([delivery(100 * n + k) for k in range(100)])
    return path.read_bytes()


DAMAGE: dict[str, Callable[[bytes], bytes]] = {
    "header zeroed": lambda b: bytes(100) + b[100:],
    "pages in the middle overwritten": lambda b: b[: len(b) // 2] + b"\xa5" * (len(b) // 4) + b[3 * len(b) // 4 :],
    "truncated": lambda b: b[: len(b) // 3 + 17],
    "empty": lambda b: b"",
    "all NUL": lambda b: bytes(len(b)),
    "tables gone": lambda b: b,
}


@pytest.mark.fault("D3")
@pytest.mark.parametrize("kind", DAMAGE)
def test_a_damaged_file_is_set_aside_and_said(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "jartide.db"
    damaged = DAMAGE[kind](filled(path))
    path.write_bytes(damaged)
    if kind == "tables gone":
        with sqlite3.connect(path) as db:
            db.execute("DROP TABLE cycle")
        db.close()
        damaged = path.read_bytes()
    with pytest.raises(StoreTrouble):  # beside the daemon nothing is moved; a small overwritten page may not show
        Store.join(path).query("SELECT count(distance_mm), max(body) FROM item, cycle")
    with Store.open(path, now_s=T) as store:
        assert store.damage
        assert store.set_aside == tmp_path / "jartide.db.corrupt-20260302T060000Z"
        assert store.set_aside.read_bytes() == damaged
        assert store.last_seq() == 0
        assert store.add([delivery(0)])[0] is not None
    with Store.open(path, now_s=T) as store:
        assert store.set_aside is None
        assert store.last_seq() == 1


def test_two_damages_in_one_second_are_both_kept(tmp_path: Path) -> None:
    path = tmp_path / "jartide.db"
    for content in (b"SQLite format 3\0 first", b"SQLite format 3\0 second"):
        path.write_bytes(content)
        Store.open(path, now_s=T).close()
    aside = sorted(tmp_path.glob("*.corrupt-*"))
    assert [p.read_bytes()[-6:] for p in aside] == [b" first", b"second"]


@pytest.mark.fault("D3")
def test_what_cannot_be_set_aside_keeps_its_log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The log goes first; a file that stays behind without it would lack its newest readings."""
    (tmp_path / "s.db").write_bytes(b"SQLite format 3\0" + b"?" * 5000)
    (tmp_path / "s.db-wal").write_bytes(b"the newest")
    real = os.rename

    def rename(there: Path, here: Path) -> None:
        if there.name == "s.db":
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        real(there, here)

    monkeypatch.setattr(store_file.os, "rename", rename)
    with pytest.raises(StoreTrouble, match="No space left"):
        Store.open(tmp_path / "s.db")
    assert (tmp_path / "s.db").exists()
    assert (tmp_path / "s.db-wal").read_bytes() == b"the newest"


def test_a_sound_file_after_a_kill_is_not_set_aside(tmp_path: Path) -> None:
    path = tmp_path / "jartide.db"
    with Store.open(path) as store:
        store.add([delivery(0)])
        killed = tmp_path / "killed"
        killed.mkdir()
        for file in tmp_path.glob("jartide.db*"):
            shutil.copy(file, killed / file.name)
    with Store.open(killed / "jartide.db") as store:
        assert store.set_aside is None
        assert store.last_seq() == 1


@pytest.mark.fault("D6")
def test_a_newer_version_is_refused_untouched(tmp_path: Path) -> None:
    path = tmp_path / "jartide.db"
    filled(path)
    with sqlite3.connect(path) as db:
        db.execute(f"PRAGMA user_version = {len(schema.MIGRATIONS) + 1}")
    db.close()
    before = {p.name: p.read_bytes() for p in tmp_path.iterdir()}
    for opening in (Store.open, Store.join):
        with pytest.raises(StoreTrouble, match="install the newer program") as error:
            opening(path)
        assert error.value.lasting
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == before


@pytest.mark.fault("D12")
def test_the_database_of_another_program_is_refused_untouched(tmp_path: Path) -> None:
    path = tmp_path / "other.db"
    with sqlite3.connect(path) as db:
        db.execute("CREATE TABLE precious (x)")
    db.close()
    before = path.read_bytes()
    with pytest.raises(StoreTrouble, match="another program"):
        Store.open(path)
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["other.db"]


@pytest.mark.fault("D19")
@pytest.mark.parametrize("opening", [Store.open, Store.join])
def test_what_is_no_file_is_refused_and_not_even_opened(tmp_path: Path, opening: Callable[[Path], Store]) -> None:
    pipe, folder = tmp_path / "pipe", tmp_path / "folder"
    os.mkfifo(pipe)
    folder.mkdir()
    (tmp_path / "linked").symlink_to(pipe)
    with socket.socket(socket.AF_UNIX) as listening:
        listening.bind(str(tmp_path / "socket"))
        for path, says in {
            pipe: "a pipe", folder: "a folder", tmp_path / "linked": "a pipe", tmp_path / "socket": "a socket",
            Path("/dev/null"): "a device", Path("/dev/zero"): "a device",
        }.items():  # fmt: skip
            with pytest.raises(StoreTrouble, match=f"is {says}; give the path of a file") as error:
                opening(path)
            assert error.value.lasting
    assert sorted(path.name for path in tmp_path.iterdir()) == ["folder", "linked", "pipe", "socket"]
    assert stat.S_ISFIFO(pipe.stat().st_mode)


@pytest.mark.fault("D19")
@pytest.mark.parametrize("opening", [Store.open, Store.join])
@pytest.mark.parametrize(
    "content", [b'[[jar]]\nname = "rye"\n', b"x", b"\0\0x", b"SQLite format 2\0" + bytes(200), b"\x7fELF" + bytes(4096)]
)
def test_a_file_of_another_kind_is_refused_untouched(
    tmp_path: Path, opening: Callable[[Path], Store], content: bytes
) -> None:
    path = tmp_path / "jartide.toml"
    path.write_bytes(content)
    with pytest.raises(StoreTrouble, match="is a file of another kind") as error:
        opening(path)
    assert error.value.lasting
    assert [one.name for one in tmp_path.iterdir()] == ["jartide.toml"]
    assert path.read_bytes() == content


def test_what_is_missing_is_said(tmp_path: Path) -> None:
    with pytest.raises(StoreTrouble, match="there is no directory"):
        Store.open(tmp_path / "no" / "jartide.db")
    with pytest.raises(StoreTrouble, match="there is no store yet"):
        Store.join(tmp_path / "jartide.db")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("name", ["open", "rename"])
def test_a_folder_that_may_not_be_written_is_one_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    path = tmp_path / "jartide.db"
    if name == "rename":
        path.write_bytes(bytes(200))

    def refuse(*_: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(os, name, refuse)  # tests often run as root, whom no mode keeps out
    with pytest.raises(StoreTrouble, match=r"Permission denied; may this user write there\?"):
        Store.open(path)


@pytest.mark.fault("C6")
@pytest.mark.parametrize("umask", [0o022, 0o077, 0o007, 0o000])
@pytest.mark.parametrize(
    ("folder", "mode"),
    [(0o755, 0o600), (0o770, 0o600), (0o2755, 0o600), (0o2770, 0o660)],
    ids=lambda value: f"{value:o}",
)
def test_the_files_are_nobody_elses(tmp_path: Path, umask: int, folder: int, mode: int) -> None:
    """0600 whatever the umask; the group's as well only where the folder is setgid and writable by it."""
    place = tmp_path / "place"
    place.mkdir()
    place.chmod(folder)
    before = os.umask(umask)
    try:
        with StoreLock(place / "jartide.db"), Store.open(place / "jartide.db") as store:
            store.add([delivery(0)])
            assert len(list(place.iterdir())) == 4
            assert {p.stat().st_mode & 0o777 for p in place.iterdir()} == {mode}
            store.backup(place / "copy.db")
            assert (place / "copy.db").stat().st_mode & 0o777 == 0o600
    finally:
        os.umask(before)


NEXT = ("ALTER TABLE meta ADD COLUMN note TEXT", "CREATE TABLE extra (x) STRICT")


def test_an_older_file_is_copied_and_brought_up_to_date(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "jartide.db"
    filled(path)
    monkeypatch.setattr(schema, "MIGRATIONS", (*schema.MIGRATIONS, ("CREATE TABLE extra (x INTEGER) STRICT",)))
    now = len(schema.MIGRATIONS)
    with pytest.raises(StoreTrouble, match=f"version {now - 1}"):
        Store.join(path)
    with Store.open(path) as store:
        assert store.query("PRAGMA user_version") == [(now,)]
        assert store.last_seq() == 2000
        assert store.query("SELECT * FROM extra") == []
    copy = sqlite3.connect(tmp_path / f"jartide.db.before-v{now}")
    assert copy.execute("PRAGMA user_version").fetchone() == (now - 1,)
    assert copy.execute("SELECT count(*) FROM item").fetchone() == (2000,)
    copy.close()


@pytest.mark.fault("D7")
@pytest.mark.parametrize("step", [("CREATE TABLE extra (x INTEGER) STRICT", "INSERT INTO nowhere VALUES (1)"), NEXT])
def test_a_migration_that_fails_in_the_middle_leaves_the_file_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: tuple[str, ...]
) -> None:
    path = tmp_path / "jartide.db"
    filled(path)
    with monkeypatch.context() as newer:
        newer.setattr(schema, "MIGRATIONS", (*schema.MIGRATIONS, step))
        with pytest.raises(StoreTrouble, match="it is unchanged"):
            Store.open(path)
    with Store.open(path) as store:
        assert store.set_aside is None
        assert store.last_seq() == 2000
        assert store.query("SELECT name FROM sqlite_schema WHERE name = 'extra'") == []
    assert (tmp_path / f"jartide.db.before-v{len(schema.MIGRATIONS) + 1}").exists()


def test_a_file_of_the_first_version_is_brought_up_to_date(tmp_path: Path) -> None:
    path = tmp_path / "jartide.db"
    with contextlib.closing(sqlite3.connect(path)) as db:
        db.executescript((Path(__file__).parent / "stores" / "version_1.sql").read_text())
    with Store.open(path) as store:
        assert [arrival.seq for arrival in store.arrivals(None, 0)] == [*range(1, 21), 22]
        assert store.mistakes("rye").told == {21}
        assert [run.reason for run in store.runs()] == [RunReason.SHAPE_CHANGED]
        assert reported.last(store, "rye") is None
    with Store.open(tmp_path / "new.db") as new, Store.open(path) as store:
        made = "SELECT type, name, sql FROM sqlite_schema ORDER BY name"
        assert store.query(made) == new.query(made)


def test_a_backup_is_whole_while_others_write(store: Store, tmp_path: Path) -> None:
    store.add([delivery(n) for n in range(500)])
    with Store.join(store.path) as other:
        other.backup(tmp_path / "copy.db")
        store.add([delivery(n) for n in range(500, 600)])
    with Store.open(tmp_path / "copy.db") as copy:
        assert copy.set_aside is None
        assert list(copy.arrivals(None, 0)) == list(store.arrivals(None, 0))[:500]
    with pytest.raises(StoreTrouble, match="could not be written"):
        store.backup(tmp_path / "no" / "copy.db")


@pytest.mark.fault("D13")
def test_an_interrupted_backup_leaves_no_file_of_that_name(store: Store, tmp_path: Path) -> None:
    (tmp_path / "copy.db.part").write_bytes(b"left over")
    store.backup(tmp_path / "copy.db")
    assert not (tmp_path / "copy.db.part").exists()
    assert not store_file._damage(tmp_path / "copy.db")


def test_looking_at_a_store_that_is_in_use_here_takes_no_lock_from_it(tmp_path: Path) -> None:
    """SQLite, "How To Corrupt An SQLite Database File", 2.2: a process that closes the file loses its locks on it; the
    next process to close its own connection would then delete the log with what was written last."""
    path = tmp_path / "s.db"
    look = f"""from monitor.runs.store import Store
with Store.join({str(path)!r}) as store:
    print(store.meta('word'))"""

    def elsewhere() -> str:
        return subprocess.run([sys.executable, "-c", look], capture_output=True, text=True, check=True).stdout.strip()

    with Store.open(path, 0.0) as store:
        store.set_meta("word", "first")
        Store.join(path).close()  # as the page's readers do
        Store.join(path).close()
        assert elsewhere() == "first"
        store.set_meta("word", "second")
        assert elsewhere() == "second"


def test_a_start_that_fails_in_any_way_is_no_start(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def slip(*_: object) -> None:
        raise RuntimeError("a slip of ours")

    monkeypatch.setattr(store_file, "migrate", slip)
    with pytest.raises(RuntimeError, match="a slip of ours"):
        Store.open(tmp_path / "jartide.db")


def test_a_check_that_fails_is_not_taken_for_one_that_ran_out_of_time(tmp_path: Path) -> None:
    class Failing:
        def __init__(self, code: int) -> None:
            self.code = code

        def set_progress_handler(self, *_: object) -> None: ...

        def execute(self, sql: str) -> None:
            error = sqlite3.OperationalError("disk I/O error")
            error.sqlite_errorcode = self.code
            raise error

    assert store_file._quick_check(Failing(sqlite3.SQLITE_INTERRUPT), 1.0) is None  # type: ignore[arg-type]
    with pytest.raises(sqlite3.OperationalError, match="disk"):
        store_file._quick_check(Failing(sqlite3.SQLITE_IOERR), 1.0)  # type: ignore[arg-type]
