"""The config read again while the store is in trouble: what was taken in is kept, and the watch goes on."""

from __future__ import annotations

import logging
import os
import signal
import threading
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.daemon import assembly
from monitor.daemon.loop import Daemon
from monitor.runs import store_file
from monitor.runs.item_log import ItemLog
from monitor.runs.store import Store, StoreTrouble
from monitor.settings import NoticeSettings, PageSettings, Settings, StoreSettings
from monitor.sources import Put
from monitor.values import SourceHealth
from tests.kitchen import SETTINGS
from tests.night import night
from tests.servers import wait_until

READINGS = list(night(every_s=60.0))


class Scripted:
    """A source that plays a script in a thread of its own, over any number of configs."""

    name = "test"

    def __init__(self, script: Callable[[Scripted], None]) -> None:
        self._put: Put | None = None
        self._script = script
        self.sent = 0
        self.failed: BaseException | None = None
        self._thread = threading.Thread(target=self._run, daemon=True)

    def start(self, put: Put) -> None:
        self._put = put
        if self._thread.ident is None:  # once, however soon it ends
            self._thread.start()

    def send(self, count: int) -> None:
        assert self._put is not None
        for reading in READINGS[self.sent : self.sent + count]:
            self._put(reading)
        self.sent += count

    def stop(self) -> None: ...

    def acknowledge(self, tokens: Sequence[object]) -> None: ...

    def health(self) -> SourceHealth:
        return SourceHealth(name=self.name, connected=True, trouble=None, since_s=0.0, last_message_s=None)

    def _run(self) -> None:
        try:
            self._script(self)
        except BaseException as error:
            self.failed = error
        finally:
            os.kill(os.getpid(), signal.SIGTERM)


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    return replace(
        SETTINGS,
        store=StoreSettings(path=tmp_path / "s.db"),
        page=PageSettings(on=False),
        notices=NoticeSettings(console=False),
    )


@pytest.fixture
def full(monkeypatch: pytest.MonkeyPatch) -> threading.Event:
    """While it is set the disk is full."""
    full, add = threading.Event(), ItemLog.add

    def try_to_add(store: ItemLog, *things: object) -> object:
        if full.is_set():
            raise StoreTrouble("s.db: the disk is full", lasting=False)
        return add(store, *things)  # type: ignore[arg-type]

    monkeypatch.setattr(ItemLog, "add", try_to_add)
    monkeypatch.setattr("monitor.sinks.recorder.RETRY_S", 0.1)
    monkeypatch.setattr("monitor.sinks.recorder.AGE_S", 0.1)
    return full


def watch(
    settings: Settings,
    script: Callable[[Scripted], None],
    reread: Callable[[], Settings],
    started: Callable[[Daemon], None] = lambda daemon: None,
) -> None:
    source = Scripted(script)
    assembly.watch(settings, own_sources=[source], reread=reread, started=started)
    if source.failed is not None:
        raise source.failed


def stored(path: Path) -> list[int]:
    if not path.exists():
        return []
    try:
        with Store.join(path) as store:
            return [row[0] for row in store.query("SELECT device_seq FROM item WHERE told IS NULL ORDER BY seq")]
    except StoreTrouble:
        return []


def sent(count: int) -> list[int | None]:
    return [reading.seq for reading in READINGS[:count]]


def reload() -> None:
    os.kill(os.getpid(), signal.SIGHUP)


@pytest.mark.fault("D18")
def test_a_reload_while_the_disk_is_full_waits_until_all_is_stored(
    settings: Settings, full: threading.Event, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    path = settings.store.path

    def script(source: Scripted) -> None:
        source.send(30)
        wait_until(lambda: len(stored(path)) == 30, "stored")
        full.set()
        source.send(27)
        reload()
        wait_until(lambda: "read again when the store can be written again" in caplog.text, "said")
        source.send(3)
        assert "the config was read again" not in caplog.text
        full.clear()
        wait_until(lambda: "the config was read again" in caplog.text, "taken over")
        wait_until(lambda: stored(path) == sent(60), "all of it is stored")

    watch(settings, script, reread=lambda: settings)


@pytest.mark.fault("D18")
def test_what_the_disk_does_not_take_in_the_last_moment_goes_to_the_next_config(
    settings: Settings, full: threading.Event
) -> None:
    path, daemons = settings.store.path, list[Daemon]()

    def reread() -> Settings:
        source_of[0].send(5)
        full.set()  # after the last look at the store
        return settings

    source_of: list[Scripted] = []

    def started(daemon: Daemon) -> None:
        daemons.append(daemon)
        if len(daemons) == 2:
            full.clear()

    def script(source: Scripted) -> None:
        source_of.append(source)
        source.send(10)
        wait_until(lambda: len(stored(path)) == 10, "stored")
        reload()
        wait_until(lambda: stored(path) == sent(15), "what was in hand is stored by the next one")

    watch(settings, script, reread, started)
    assert len(daemons) == 2


@pytest.mark.fault("D18")
def test_a_reload_needs_no_right_to_open_the_store_again(
    settings: Settings, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    path, opens, opened = settings.store.path, store_file.open_file, list[Path]()

    def once(path: Path, now_s: float) -> store_file.Opened:
        opened.append(path)
        if len(opened) > 1:
            raise StoreTrouble(f"{path}: Permission denied; may this user write there?", lasting=True)
        return opens(path, now_s)

    monkeypatch.setattr(store_file, "open_file", once)

    def script(source: Scripted) -> None:
        source.send(10)
        wait_until(lambda: len(stored(path)) == 10, "stored")
        reload()
        wait_until(lambda: "the config was read again" in caplog.text, "taken over")
        wait_until(lambda: len(known) == 2, "the new one watches")
        source.send(10)
        wait_until(lambda: stored(path) == sent(20), "watched on")

    known: list[Daemon] = []
    watch(settings, script, reread=lambda: settings, started=known.append)
    assert opened == [path]


@pytest.mark.fault("D19")
def test_another_store_that_cannot_be_used_leaves_the_old_one_at_work(
    settings: Settings, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    path, other = settings.store.path, tmp_path / "jartide.toml"
    other.write_text("[[jar]]\n")

    def script(source: Scripted) -> None:
        source.send(10)
        wait_until(lambda: len(stored(path)) == 10, "stored")
        reload()
        wait_until(lambda: len(known) == 2, "the old one watches again")
        source.send(10)
        wait_until(lambda: stored(path) == sent(20), "watched on")

    known: list[Daemon] = []
    watch(settings, script, reread=lambda: replace(settings, store=StoreSettings(path=other)), started=known.append)
    assert "the new config does not work, the old one stays" in caplog.text
    assert "is a file of another kind" in caplog.text
    assert other.read_text() == "[[jar]]\n"
    assert not other.with_name("jartide.toml.lock").exists()


def test_who_watched_goes_on_after_a_stop(settings: Settings, monkeypatch: pytest.MonkeyPatch) -> None:
    """What bounds an end that hangs is over with it: else it would end the process of whoever watched, in its midst."""
    ended = threading.Event()
    monkeypatch.setattr("monitor.daemon.signals.MOST_S", 0.5)
    monkeypatch.setattr("monitor.daemon.signals._end_here", ended.set)
    before = set(threading.enumerate())
    watch(settings, lambda source: source.send(1), reread=lambda: settings)
    timers = [one for one in set(threading.enumerate()) - before if isinstance(one, threading.Timer)]
    for one in timers:
        one.join(30)
    assert not ended.is_set()
