"""Crashes at every named place, signals, hanging threads: the real process where it can be one."""

from __future__ import annotations

import asyncio
import logging
import os
import signal
import socket
import subprocess
import sys
import threading
import time
import tty
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any, NoReturn, Protocol, cast

import pytest

from monitor.core.detect import step
from monitor.core.display.units import Display
from monitor.daemon import assembly
from monitor.daemon.loop import Daemon
from monitor.daemon.schedule import Schedule
from monitor.host import heartbeat, systemd
from monitor.host.clock import Clock
from monitor.page import server
from monitor.page.readers import Readers
from monitor.page.server import PageServer
from monitor.runs.store import Store
from monitor.settings import JarSettings, MqttSettings, PageSettings, SerialSettings, Settings, StoreSettings
from monitor.sinks import bake_notices, thinner
from monitor.sinks.mqtt_state import MqttState
from monitor.sources import mqtt_link
from monitor.sources.mqtt_source import MqttSource
from monitor.sources.serial_port import SerialPort
from monitor.values import EventKind, SourceHealth
from tests import crashing
from tests.daemon.test_watch import known, line, readings, serial_config, watching
from tests.kitchen import Kitchen
from tests.outside_calls import failpoints
from tests.servers import free_port, listens, wait_until

CRASHES = int(os.environ.get("JARTIDE_CRASHES", "15"))


@pytest.mark.fault("P5")
@pytest.mark.fault("D4")
@pytest.mark.fault("M5")
@pytest.mark.fault("N5")
@pytest.mark.timeout(120 + 4 * CRASHES)
def test_crashes_at_every_named_place_lose_nothing_and_decide_the_same(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "tests.crashing", str(tmp_path), str(CRASHES), str(CRASHES)]
    root = Path(__file__).parents[2]
    seconds = 60 + 10 * CRASHES
    done = subprocess.run(command, cwd=root, capture_output=True, text=True, timeout=seconds, check=False)
    assert done.returncode == 0, done.stderr[-3000:]
    crashes = [tuple(line.split()) for line in done.stdout.splitlines()]
    crashed = Counter(name for _, name in crashes)
    print(f"{len(crashes)} crashes in {len({night for night, _ in crashes})} nights: {dict(crashed)}")
    assert len(crashes) == CRASHES
    assert failpoints() - {"stopping"} <= set(crashed), crashed  # that one is in a night that has ended
    whole = Kitchen(tmp_path / "whole.db")
    whole.live(crashing.THINGS, until_s=crashing.END_S)
    whole.daemon.flush()
    for night in {night for night, _ in crashes}:
        with Store.join(tmp_path / night / "s.db") as store:
            run = store.open_run("rye")
            assert run is not None
            assert store.events(run.id) == whole.events()
            stored = [seq for (seq,) in store.query("SELECT device_seq FROM item ORDER BY seq")]
        assert sorted(stored) == list(range(len(crashing.THINGS)))
        sent = Counter((tmp_path / night / "sent").read_text().split())
        assert sorted(name.split(".")[3] for name in sent) == sorted(whole.notices())
        # one more copy a crash at most, of one id
        assert sum(count - 1 for count in sent.values()) <= crashes.count((night, "sent"))


@pytest.fixture
def board(tmp_path: Path) -> Iterator[int]:
    """The device's end of a serial line that a config in `tmp_path` names."""
    master, slave = os.openpty()
    tty.setraw(slave)
    serial_config(tmp_path, os.ttyname(slave))
    yield master
    os.close(master)
    os.close(slave)


def is_connected(folder: Path) -> bool:
    sources = known(folder).get("sources") or [{}]
    return bool(sources[0].get("connected"))  # type: ignore[index]


@pytest.mark.fault("P1")
@pytest.mark.fault("T5")
def test_hangup_takes_a_good_config_over_and_tells_of_a_bad_one(tmp_path: Path, board: int) -> None:
    config, log = tmp_path / "jartide.toml", tmp_path / "log"
    with watching(tmp_path) as process:
        wait_until(lambda: is_connected(tmp_path), "the port is open")
        os.write(board, b"\n" + b"".join(line(k, time.time() - 600 + 10 * k) for k in range(5)))
        wait_until(lambda: len(readings(tmp_path / "s.db")) == 5, "stored")
        good = config.read_text()
        config.write_text(good.replace("empty_mm = 180", "empty_m = 180"))
        process.send_signal(signal.SIGHUP)
        wait_until(lambda: "the old one stays" in log.read_text(), "the bad one is told")
        assert "line 3: " in log.read_text()
        assert "empty_m" in log.read_text()
        os.write(board, line(5, time.time()))
        wait_until(lambda: len(readings(tmp_path / "s.db")) == 6, "watched on")
        config.write_text(good.replace("empty_mm = 180", "empty_mm = 175") + '[display]\ntime_zone = "Asia/Tokyo"\n')
        for _ in range(5):  # an impatient person; none of them may find the process without a handler
            process.send_signal(signal.SIGHUP)
        wait_until(lambda: "the config was read again" in log.read_text(), "the good one is taken over")
        process.send_signal(signal.SIGHUP)

        def runs() -> list[float | None]:
            with Store.join(tmp_path / "s.db") as store:
                return [run.empty_mm for run in store.runs()]

        wait_until(lambda: runs() == [180, 175], "a new empty distance is a new run")

        def goes_on() -> bool:
            os.write(board, b"\n" + line(6, time.time()))
            return (120, 6) in readings(tmp_path / "s.db")

        wait_until(goes_on, "watched on with the new one")
        assert process.poll() is None
        process.send_signal(signal.SIGINT)
        assert process.wait(60) == 0, log.read_text()
    assert readings(tmp_path / "s.db")[:6] == [(120 + k % 3, k) for k in range(6)]


@pytest.mark.fault("P1")
def test_a_config_whose_password_is_missing_does_not_end_the_watch(tmp_path: Path, board: int) -> None:
    config, log = tmp_path / "jartide.toml", tmp_path / "log"
    with watching(tmp_path) as process:
        wait_until(lambda: is_connected(tmp_path), "the port is open")
        config.write_text(config.read_text() + '[notices]\nto_env = ["NOT_SET_ANYWHERE"]\n')
        process.send_signal(signal.SIGHUP)
        wait_until(lambda: "does not work, the old one stays" in log.read_text(), "told")
        assert "NOT_SET_ANYWHERE" in log.read_text()

        def goes_on() -> bool:
            os.write(board, b"\n" + line(1, time.time()))
            return bool(readings(tmp_path / "s.db"))

        wait_until(goes_on, "watched on with the old one")
        process.send_signal(signal.SIGTERM)
        assert process.wait(60) == 0, log.read_text()


def heard_within(manager: socket.socket, seconds: float) -> bytes | None:
    manager.settimeout(seconds)
    try:
        return manager.recv(4096)
    except TimeoutError:
        return None


@pytest.mark.fault("P2")
def test_a_loop_that_hangs_says_no_more_that_it_is_alive_and_shows_where(tmp_path: Path, board: int) -> None:
    """systemd.service(5): the watchdog ends a service with SIGABRT."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(60)
        fails = {"JARTIDE_FAILPOINT": "committed:sleep"}
        with watching(tmp_path, NOTIFY_SOCKET=str(tmp_path / "notify"), WATCHDOG_USEC="500000", **fails) as process:
            assert manager.recv(4096) == b"READY=1"
            assert manager.recv(4096) == b"WATCHDOG=1"
            wait_until(lambda: is_connected(tmp_path), "the port is open")
            os.write(board, b"\n" + line(0) + line(1))
            wait_until(lambda: readings(tmp_path / "s.db"), "committed, after which it hangs")
            while (heard := heard_within(manager, 3.0)) is not None:
                assert heard == b"WATCHDOG=1"
            process.send_signal(signal.SIGABRT)
            assert process.wait(60) == -signal.SIGABRT
    log = (tmp_path / "log").read_text()
    assert "Fatal Python error: Aborted" in log
    assert "in failpoint" in log
    assert "in _commit" in log


@pytest.mark.fault("P2")
def test_a_thread_that_hangs_is_named_and_the_watchdog_is_not_fed(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(heartbeat, "HUNG_S", 0.05)
    told: list[str] = []
    monkeypatch.setattr(systemd, "tell", told.append)
    monkeypatch.setattr(systemd, "watchdog_s", lambda: 0.0)
    inside, over = threading.Event(), threading.Event()

    def work() -> None:
        with heartbeat.working():
            inside.set()
            over.wait(60)

    alive = assembly._alive(Clock())
    alive()
    assert told == [systemd.ALIVE]
    thread = threading.Thread(target=work, name="notices to somebody")
    thread.start()
    inside.wait(60)
    wait_until(lambda: "notices to somebody" in heartbeat.hung(), "found")
    with caplog.at_level(logging.CRITICAL):
        alive()
        alive()
    assert told == [systemd.ALIVE]
    assert caplog.messages == ["no sign of life from: notices to somebody"]
    over.set()
    thread.join()
    alive()
    assert told == [systemd.ALIVE] * 2


@pytest.mark.fault("N10")
def test_somebody_elses_server_never_starves_the_watchdog(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(heartbeat, "HUNG_S", 0.05)
    told: list[str] = []
    monkeypatch.setattr(systemd, "tell", told.append)
    monkeypatch.setattr(systemd, "watchdog_s", lambda: 0.0)
    over = threading.Event()

    def work() -> None:
        with heartbeat.sending():
            over.wait(60)

    thread = threading.Thread(target=work, name="notices to somebody")
    thread.start()
    wait_until(lambda: "notices to somebody" in heartbeat.hung(), "found, and shown")
    assembly._alive(Clock())()
    assert told == [systemd.ALIVE]
    over.set()
    thread.join()
    assert heartbeat.hung() == []


class Stops(Protocol):
    def stop(self) -> object: ...


class Stuck:
    """Whatever is called of it does not come back before `over`."""

    name = "broker"

    def __init__(self, over: threading.Event) -> None:
        self._over = over

    def __getattr__(self, name: str) -> Callable[..., Any]:
        return lambda *_, **__: self._over.wait(60)

    def health(self) -> SourceHealth:
        return SourceHealth(name=self.name, connected=True, trouble=None, since_s=1.0, last_message_s=None)


def stuck_state(over: threading.Event, folder: Path, monkeypatch: pytest.MonkeyPatch) -> Stops:
    sink = MqttState(folder / "s.db", Stuck(over), MqttSettings(host="h"))
    sink.show([step.current(step.begin(JarSettings(name="rye")), 0.0)])
    sink.start()
    return sink


def stuck_thinner(over: threading.Event, folder: Path, monkeypatch: pytest.MonkeyPatch) -> Stops:
    monkeypatch.setattr(thinner, "FIRST_S", 0.0)
    monkeypatch.setattr(thinner.retention, "thin", lambda *_: over.wait(60))
    sink = thinner.Thinner(folder / "s.db", 30.0)
    sink.start()
    return sink


def stuck_page(over: threading.Event, folder: Path, monkeypatch: pytest.MonkeyPatch) -> Stops:
    port = free_port()
    settings = Settings(
        jars=(JarSettings(name="rye"),), store=StoreSettings(path=folder / "s.db"), page=PageSettings(port=port)
    )
    page = PageServer(settings)
    page.start()
    wait_until(lambda: listens(port), "the page listens")
    page._in_loop(lambda: over.wait(60))
    return page


def stuck_question(over: threading.Event, folder: Path, monkeypatch: pytest.MonkeyPatch) -> Stops:
    readers = Readers(folder / "s.db")
    asking = threading.Thread(target=asyncio.run, args=(readers.ask(lambda _store: over.wait(60)),))
    asking.start()
    return SimpleNamespace(stop=asking.join)


def stuck_port(over: threading.Event, folder: Path, monkeypatch: pytest.MonkeyPatch) -> Stops:
    def hang(path: str, baud: int) -> NoReturn:
        over.wait(60)
        raise OSError(5, "Input/output error")

    port = SerialPort(SerialSettings(port="/dev/x"), jars=frozenset({"rye"}), opener=hang)
    port.start(lambda _: None)
    return port


def stuck_bakes(over: threading.Event, folder: Path, monkeypatch: pytest.MonkeyPatch) -> Stops:
    monkeypatch.setattr(bake_notices, "FIRST_S", 0.0)
    monkeypatch.setattr(bake_notices, "look_at_all", lambda *_: over.wait(60))
    settings = Settings(jars=(JarSettings(name="rye"),), store=StoreSettings(path=folder / "s.db"))
    sink = bake_notices.BakeNotices(settings, time.time, Display())
    sink.start()
    return sink


def stuck_broker(over: threading.Event, folder: Path, monkeypatch: pytest.MonkeyPatch) -> Stops:
    monkeypatch.setattr(mqtt_link, "connect", lambda *_: over.wait(60))
    source = MqttSource(MqttSettings(host="127.0.0.1"), "x", jars=frozenset({"rye"}))
    source.start(lambda _: None)
    return source


def stuck_schedule(over: threading.Event, folder: Path, monkeypatch: pytest.MonkeyPatch) -> Stops:
    """Nothing more is put into the queue, for whatever reason: then no silence and no overdue would be seen."""
    schedule, working = Schedule(speed=600.0), heartbeat.working("schedule")
    assembly._plan_tick(schedule, cast(Daemon, Stuck(over)), Clock(speed=600.0), working.__enter__())
    return SimpleNamespace(stop=lambda: (schedule.stop(), working.__exit__(None, None, None)))


@pytest.mark.fault("P2")
@pytest.mark.parametrize(
    ("stick", "name"),
    [
        (stuck_state, "state to broker"),
        (stuck_thinner, "thinner"),
        (stuck_bakes, "bakes"),
        (stuck_page, "page"),
        (stuck_question, "page-reader_0"),
        (stuck_port, "serial /dev/x"),
        (stuck_broker, "mqtt 127.0.0.1:1883"),
        (stuck_schedule, "schedule"),
    ],
    ids=lambda value: value.split()[0] if isinstance(value, str) else "",
)
def test_every_thread_that_hangs_is_seen(
    stick: Callable[..., Stops], name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    Store.open(tmp_path / "s.db").close()
    monkeypatch.setattr(heartbeat, "HUNG_S", 0.4)
    monkeypatch.setattr(server, "BEAT_S", 0.05)
    over = threading.Event()
    stuck = stick(over, tmp_path, monkeypatch)
    try:
        wait_until(lambda: name in heartbeat.hung(), f"{name} is found to hang")
    finally:
        over.set()
        stuck.stop()
    wait_until(lambda: name not in heartbeat.hung(), f"{name} goes on, or has ended")


@pytest.mark.fault("S10")
def test_a_sensor_that_falls_silent_is_told_once_and_its_return_too(tmp_path: Path) -> None:
    things = crashing.THINGS
    kitchen = Kitchen(tmp_path / "s.db")
    kitchen.live(things[:200])
    kitchen.to(things[320].received_s)
    assert kitchen.notices().count("sensor_silent") == 1
    kitchen.live(things[320:330])
    assert kitchen.kinds().count(EventKind.SENSOR_SILENT) == kitchen.kinds().count(EventKind.SENSOR_BACK) == 1
    assert kitchen.notices().count("sensor_silent") == kitchen.notices().count("sensor_back") == 1
    silent = next(event for event in kitchen.events() if event.kind is EventKind.SENSOR_SILENT)
    assert silent.decided_at_s - silent.happened_at_s <= 16 * 60
