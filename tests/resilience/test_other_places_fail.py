"""The places outside of the program that no command and no watch of the other two such tests comes to: an older store,
a damaged one, a lock in other hands, addresses, what is changed on the page. Each fails in turn, and there is a
sentence, or it is got over; nothing half-made is left behind.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from pathlib import Path

import pytest

from monitor.cli import progress, reference, watch
from monitor.config import edit
from monitor.config.reader import load
from monitor.host import lock, played_clock, push_key, systemd
from monitor.page import guide_files, settings_form
from monitor.runs import phones, recovery, run_file, schema, store_file, whole_file
from monitor.runs.report_body import Refused
from monitor.runs.run_file import RunFileError
from monitor.runs.store import Store, StoreTrouble
from monitor.settings import JarSettings, MqttSettings
from monitor.sinks import apprise_send
from monitor.sinks.apprise_channel import AppriseChannel, Sending
from monitor.sinks.channel_queue import Failure
from monitor.sinks.push_channel import PushChannel
from monitor.sources import mqtt_link
from monitor.values import Delivery, Reading
from tests.failing import failing, reached
from tests.outside_calls import Place
from tests.resilience.test_recovery import PAGE_BYTES, leaf_pages

BEGAN_S = 1_772_430_000.0
OLDER = Path(__file__).parents[1] / "runs" / "stores" / "version_2.db"
CONFIG = '[[jar]]\nname = "rye"\nempty_mm = 180\n\n[[serial]]\nport = "/dev/null"\njar = "rye"\n'
PHONE: phones.Phone = {"endpoint": "https://127.0.0.1:1/x", "keys": {"p256dh": "", "auth": "MDEyMzQ1Njc4OWFiY2RlZg"}}

# What is done in a folder, what a failure of it may raise, and what has to hold afterwards, failed or not. What stands
# before the `yield` is made ready, what comes after it is tried.
Work = Callable[[Path, pytest.MonkeyPatch], Iterator[None]]
WORKS: dict[str, tuple[Work, tuple[type[BaseException], ...]]] = {}
Check = Callable[[Path], None]
AFTER: dict[str, Check] = {}


def work(*raises: type[BaseException], after: Check = lambda folder: None) -> Callable[[Work], Work]:
    def known(done: Work) -> Work:
        name = done.__name__.replace("_", " ")
        WORKS[name], AFTER[name] = (done, raises), after
        return done

    return known


def filled(path: Path, readings: int = 300) -> Path:
    with Store.open(path, BEGAN_S) as store:
        store.ensure_run(JarSettings(name="rye", empty_mm=180.0), BEGAN_S)
        at = [Reading(time_s=BEGAN_S + n, jar="rye", distance_mm=100.0 + n % 7) for n in range(readings)]
        store.add([Delivery(source="test", received_s=one.time_s, reading=one, timed=True) for one in at])
    return path


def all_there(folder: Path) -> None:
    with Store.open(folder / "s.db", BEGAN_S) as store:
        assert store.set_aside is None
        assert len(store.query("SELECT 1 FROM item")) == 300


# --- the store's file ----------------------------------------------------------------------------------------------


def _of_version_2(folder: Path) -> None:
    with Store.open(folder / "s.db", BEGAN_S) as store:
        assert store.set_aside is None
        assert store.last_seq() > 0


@work(StoreTrouble, after=_of_version_2)
def an_older_store(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    shutil.copy(OLDER, folder / "s.db")
    yield
    Store.open(folder / "s.db", BEGAN_S).close()


@work(StoreTrouble, after=all_there)
def a_migration_that_fails(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    filled(folder / "s.db")
    yield
    with monkeypatch.context() as newer:
        newer.setattr(schema, "MIGRATIONS", (*schema.MIGRATIONS, ("INSERT INTO nowhere VALUES (1)",)))
        with closing(sqlite3.connect(folder / "s.db", isolation_level=None)) as db:
            store_file.migrate(db, folder / "s.db")


@work(StoreTrouble, after=all_there)
def a_migration_that_another_process_did_first(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    filled(folder / "s.db")
    yield
    with monkeypatch.context() as earlier:
        earlier.setattr(store_file, "_version", lambda db, path: len(schema.MIGRATIONS) - 1)
        with closing(sqlite3.connect(folder / "s.db", isolation_level=None)) as db:
            store_file.migrate(db, folder / "s.db")


@work(StoreTrouble, after=all_there)
def a_start_after_a_kill(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    with Store.open(filled(folder / "kept.db")) as store:
        store.set_meta("a", "word")  # so that there is a log
        for ending in ("", "-wal"):
            shutil.copy(folder / f"kept.db{ending}", folder / f"s.db{ending}")
    yield
    Store.open(folder / "s.db", BEGAN_S).close()


def _old_and_new(folder: Path) -> None:
    """The damaged file is somewhere, with its log beside it."""
    (damaged,) = [
        path for path in folder.iterdir() if path.read_bytes()[:2000] == b"SQLite format 3\0".ljust(2000, b"?")
    ]
    assert damaged.with_name(f"{damaged.name}-wal").read_bytes() == b"its log"


@work(StoreTrouble, after=_old_and_new)
def a_damaged_store(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    (folder / "s.db").write_bytes(b"SQLite format 3\0".ljust(4096, b"?"))
    (folder / "s.db-wal").write_bytes(b"its log")
    yield
    Store.open(folder / "s.db", BEGAN_S).close()


@work()
def a_damaged_store_that_cannot_be_moved(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Its log, which went first, comes back; where even that fails, it is still there under the other name."""
    (folder / "s.db").write_bytes(b"SQLite format 3\0".ljust(4096, b"?"))
    (folder / "s.db-wal").write_bytes(b"its log")
    real = os.rename

    def rename(there: Path, here: Path) -> None:
        if there.name == "s.db":
            _full()
        real(there, here)

    yield
    monkeypatch.setattr(store_file.os, "rename", rename)
    with pytest.raises(StoreTrouble):
        Store.open(folder / "s.db", BEGAN_S)
    (log,) = folder.glob("s.db*-wal")
    assert log.read_bytes() == b"its log"
    assert (folder / "s.db").read_bytes().endswith(b"??")


@work(StoreTrouble, after=all_there)
def a_copy_onto_a_full_disk(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    filled(folder / "s.db")
    yield
    with Store.join(folder / "s.db") as store, monkeypatch.context() as full:
        full.setattr(store_file.os, "replace", _full)
        store.backup(folder / "copy.db")


def _full(*_: object) -> None:
    raise OSError(28, "No space left on device")


@work(StoreTrouble, after=all_there)
def a_transaction_left_open(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    with Store.open(filled(folder / "s.db")) as store:
        store.database._db.execute("BEGIN")  # as after a rollback that failed
        yield
        try:
            with store.writing():
                store.set_meta("a", "word")
        finally:
            with store.writing():
                store.set_meta("b", "word")  # the next one is none the worse for it
            assert store.meta("b") == "word"
            store.database.take_in_log()


# --- what can be read of a damaged one -----------------------------------------------------------------------------


def _salvaged(folder: Path, spoil: Callable[[bytearray], bytes]) -> Iterator[None]:
    with Store.open(filled(folder / "kept.db")) as store:
        store.set_meta("a", "word")
        shutil.copy(folder / "kept.db-wal", folder / "old.db-wal")
        (folder / "old.db").write_bytes(spoil(bytearray((folder / "kept.db").read_bytes())))
    (folder / "new").mkdir()
    yield
    recovery.recover(folder / "old.db", folder / "new" / "s.db")


@work(StoreTrouble)
def a_store_that_was_cut(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    yield from _salvaged(folder, lambda whole: bytes(whole[: len(whole) // 2]))


@work(StoreTrouble)
def a_store_without_its_head(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    yield from _salvaged(folder, lambda whole: bytes(100) + bytes(whole[100:]))


@work(StoreTrouble)
def a_store_of_which_nothing_is_left(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    (folder / "new").mkdir()
    (folder / "old.db").write_bytes(b"SQLite format 3\0" + os.urandom(9000))
    yield
    recovery.recover(folder / "old.db", folder / "new" / "s.db")


@work(StoreTrouble)
def a_store_with_damage_in_the_middle(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    def spoil(whole: bytearray) -> bytes:
        end = leaf_pages(folder / "kept.db", "item")[1] * PAGE_BYTES
        whole[end - PAGE_BYTES : end] = b"?" * PAGE_BYTES
        return bytes(whole)

    yield from _salvaged(folder, spoil)


# --- files, locks, clocks ------------------------------------------------------------------------------------------


@work(RunFileError)
def a_run_file_of_one_long_line(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    (folder / "rye.csv").write_text("time,distance_mm\n" + "9" * 400_000 + "\n2026-03-02T06:00:00Z,92\n")
    yield
    list(run_file.read(folder / "rye.csv").rows())


@work(OSError)
def a_pipe_that_is_written(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    yield
    with whole_file.writing(Path("/dev/null")) as out:
        out.write("a row\n")


@work(OSError, lock.StoreBusy)
def a_store_that_somebody_watches(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setattr(lock, "TRIES", 1)
    yield
    with lock.StoreLock(folder / "s.db"):
        assert lock.holder(folder / "s.db") in (os.getpid(), None)  # None: it cannot be read
        with suppress(lock.StoreBusy), lock.StoreLock(folder / "s.db"):
            raise AssertionError("two hold it")


@work(SystemExit, OSError)
def a_clock_that_is_shared(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    clock = played_clock.PlayedClock(began_s=4e9, shown_s=1e9, speed=10.0)
    yield
    played_clock.write(folder / "clock", clock)
    assert watch._played(folder / "clock").speed == 10.0


@work()
def a_service_manager(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    yield
    assert not systemd.tell(systemd.READY, environ={"NOTIFY_SOCKET": str(folder / "nobody")})


@work()
def a_bar_that_follows_a_file(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setattr(progress, "EVERY_S", 0.001)
    looked = threading.Event()
    monkeypatch.setattr(progress, "AFTER_S", 0.0)
    (folder / "growing").write_text("half")
    steps = progress.progress

    def seen(*words: object, **named: object) -> object:
        looked.set()
        return steps(*words, **named)  # type: ignore[arg-type]

    monkeypatch.setattr(progress, "progress", seen)
    yield
    with progress.growing(folder / "growing", 8, "copying", on=True):
        assert looked.wait(20)
        threading.Event().wait(0.05)


# --- what goes out, and what is shown ------------------------------------------------------------------------------


@work()
def an_address_that_is_written_to(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setattr(sys, "executable", "/bin/true")  # that it starts is all that matters here
    yield
    assert isinstance(AppriseChannel("json://127.0.0.1:1/x").say("a", "word"), Failure)


@work()
def a_message_to_an_address(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    order = {"address": "json://127.0.0.1:1/x", "title": "a", "text": "b", "connect_s": 1.0, "read_s": 1.0}
    yield
    said = apprise_send.send(order)
    assert said["reason"] in ("connection refused", "failed with OSError")


@work(OSError)
def a_message_to_a_phone(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    phone: phones.Phone = {**PHONE, "keys": {**PHONE["keys"], "p256dh": push_key.public(push_key.make())}}
    with Store.open(folder / "s.db", BEGAN_S) as store:
        phones.add(store, phone)

    def here(self: Sending, order: dict[str, object]) -> object:
        return apprise_send.send({**order, "connect_s": 1.0, "read_s": 1.0})

    monkeypatch.setattr(Sending, "run", here)
    with Store.join(folder / "s.db") as store:
        phones.key(store)
    yield
    said = PushChannel(folder / "s.db", None, None).say("a", "word")
    assert said is not None
    assert said.reason in ("connection refused", "failed with OSError") or "s.db: " in said.reason


@work(OSError)
def a_certificate_for_the_broker(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    files = {"client_cert_file": folder / "none.pem", "client_key_file": folder / "none.key"}
    yield
    mqtt_link.make_client(MqttSettings(host="broker.lan", **files), "jartide")


@work(OSError)
def the_page_of_all_keys(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    reference.keys.cache_clear()
    yield
    assert "empty_mm" in reference.keys()  # noqa: SIM118 - of a module


@work()
def the_guide_of_the_page(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setattr(sys, "executable", "/bin/true")
    yield
    assert guide_files._made() == {}


# --- what is changed on the page -----------------------------------------------------------------------------------


def _config_loads(folder: Path) -> None:
    jars = [jar.name for jar in load(folder / "jartide.toml").jars]
    assert jars in (["rye"], ["oat"])
    assert (folder / "notice_addresses").read_text() in ("ntfy://a.lan/b\n", "ntfy://a.lan/b\nntfy://c.lan/d\n")


@work(Refused, StoreTrouble, edit.CannotEdit, after=_config_loads)
def settings_on_the_page(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    path = folder / "jartide.toml"
    path.write_text(CONFIG)
    (folder / "notice_addresses").write_text("ntfy://a.lan/b\n")
    for n in range(edit.KEPT + 1):
        (folder / f"jartide.toml.before-2026030{n}T060000Z").write_text(CONFIG)
    settings = load(path)
    file = settings_form.ConfigFile(path=path, reread=lambda: None, send_test=lambda _: ("", None))
    filled(folder / "s.db")
    yield
    with Store.join(folder / "s.db") as store:
        settings_form.change(store, {"values": {"quiet_from": "22:00", "quiet_to": "06:00"}}, settings, file)
        settings_form.change(store, {"jar": "rye", "values": {"name": "oat"}}, settings, file)
    settings_form.change_addresses({"add": "ntfy://c.lan/d"}, settings, file)


# -------------------------------------------------------------------------------------------------------------------


@pytest.fixture
def no_thread_ends_in_a_traceback(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    ended: list[str] = []
    monkeypatch.setattr(threading, "excepthook", lambda what: ended.append(repr(what.exc_value)))
    return ended


@pytest.mark.fault("P11")
@pytest.mark.parametrize("name", WORKS)
def test_each_place_that_fails_is_said_or_got_over(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, no_thread_ends_in_a_traceback: list[str]
) -> None:
    done, raises = WORKS[name]

    def lived(number: int, around: Callable[[Callable[[], None]], None]) -> list[str]:
        """What is left half-made, when `around` was given what is to be tried."""
        folder = tmp_path / str(number)
        folder.mkdir()
        store_file._LOOKED_AT.clear()  # as in a process of its own
        with monkeypatch.context() as patch:
            steps = done(folder, patch)
            next(steps)

            def tried() -> None:
                with suppress(*raises):
                    next(steps, None)

            around(tried)
        AFTER[name](folder)
        return [path.name for path in folder.rglob("*.part")]

    found: list[Place] = []
    assert lived(0, lambda tried: found.extend(reached(tried))) == []
    assert found
    wrong = []
    for n, place in enumerate(found, 1):
        print(name, place)

        def fails(tried: Callable[[], None], place: Place = place) -> None:
            with failing(place):
                tried()

        try:
            if (left := lived(n, fails)) and not place.call.endswith("unlink"):  # what tidies up failed itself
                wrong.append(f"{place}: left {left}")
        except BaseException as error:
            wrong.append(f"{place}: {error!r}")
    assert not wrong, "\n".join(wrong)
    assert no_thread_ends_in_a_traceback == []
