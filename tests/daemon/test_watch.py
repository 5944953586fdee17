"""`jartide watch` as a process of its own: a serial line, a broker, signals, kill -9."""

from __future__ import annotations

import json
import os
import random
import signal
import socket
import subprocess
import sys
import time
import tty
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest

from monitor.runs.store import Store
from tests.servers import free_port, mosquitto, wait_until

KILLS = int(os.environ.get("JARTIDE_KILLS", "50"))


def jartide(*arguments: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "monitor", *arguments], cwd=cwd, capture_output=True, text=True, timeout=60, check=False
    )


@contextmanager
def watching(folder: Path, *options: str, **environment: str) -> Iterator[subprocess.Popen[str]]:
    log = (folder / "log").open("a")
    process = subprocess.Popen(
        [sys.executable, "-m", "monitor", "watch", *options],
        cwd=folder,
        stdout=log,
        stderr=subprocess.STDOUT,
        text=True,
        env={**os.environ, **environment},
    )
    try:
        yield process
    finally:
        process.kill()
        process.wait()
        log.close()


def known(folder: Path) -> dict[str, object]:
    said = jartide("status", "--json", cwd=folder).stdout
    return json.loads(said) if said else {}


def readings(path: Path) -> list[tuple[float | None, int | None]]:
    if not path.exists():
        return []
    with Store.join(path) as store:
        return store.query("SELECT distance_mm, device_seq FROM item WHERE told IS NULL ORDER BY seq")


def serial_config(folder: Path, port: str) -> None:
    (folder / "jartide.toml").write_text(
        f'[[jar]]\nname = "rye"\nempty_mm = 180\n\n[[serial]]\nport = "{port}"\n\n[store]\npath = "s.db"\n'
    )


def line(seq: int, time_s: float | None = None) -> bytes:
    said = {"jar": "rye", "distance_mm": 120 + seq % 3, "temperature_c": 24.1, "boot": "b", "seq": seq}
    return json.dumps(said if time_s is None else {**said, "time": time_s}).encode() + b"\n"


@pytest.mark.fault("S4")
@pytest.mark.fault("S5")
@pytest.mark.fault("D8")
@pytest.mark.fault("P1")
def test_a_serial_jar_is_watched_and_the_cable_may_be_pulled(tmp_path: Path) -> None:
    link = tmp_path / "ttyJar"
    master, slave = os.openpty()
    tty.setraw(slave)
    link.symlink_to(os.ttyname(slave))
    serial_config(tmp_path, str(link))
    with watching(tmp_path) as process:
        wait_until(lambda: (known(tmp_path).get("sources") or [{}])[0].get("connected"), "the port is open")  # type: ignore[index]
        began_s = time.time() - 600  # as a board that had kept ten minutes
        os.write(master, b"\n" + b"".join(line(k, began_s + 10 * k) for k in range(60)))
        wait_until(lambda: len(readings(tmp_path / "s.db")) == 60, "60 readings are stored")
        second = jartide("watch", cwd=tmp_path)
        assert second.returncode == 1
        assert f"process {process.pid}" in second.stderr
        told = jartide("fed", "rye", "--starter-g", "25", "--flour-g", "100", "--water-g", "100", cwd=tmp_path)
        assert told.returncode == 0, told.stderr
        assert "1:4:4" in told.stdout

        os.close(master)  # the cable is pulled ...
        os.close(slave)
        master, slave = os.openpty()  # ... and put into another socket
        tty.setraw(slave)
        link.unlink()
        link.symlink_to(os.ttyname(slave))

        def goes_on() -> bool:
            os.write(master, b"\n" + line(100))
            return (121, 100) in readings(tmp_path / "s.db")

        wait_until(goes_on, "it comes back by itself")
        process.send_signal(signal.SIGTERM)
        assert process.wait(60) == 0, (tmp_path / "log").read_text()
    after = jartide("status", cwd=tmp_path)
    assert after.returncode == 1
    assert "Nobody is watching" in after.stdout
    assert "fed" in after.stdout
    assert oct((tmp_path / "s.db").stat().st_mode & 0o007) == "0o0"  # nobody else may read it
    os.close(master)
    os.close(slave)


def test_the_service_manager_hears_that_it_is_ready_alive_and_stopping(tmp_path: Path) -> None:
    """sd_notify(3): one datagram a state to $NOTIFY_SOCKET; sd_watchdog_enabled(3): at least every half of
    $WATCHDOG_USEC."""
    serial_config(tmp_path, "/dev/there-is-none")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(60)
        with watching(tmp_path, NOTIFY_SOCKET=str(tmp_path / "notify"), WATCHDOG_USEC="12000000") as process:
            assert manager.recv(4096) == b"READY=1"
            assert manager.recv(4096) == b"WATCHDOG=1"
            began_s = time.monotonic()
            assert manager.recv(4096) == b"WATCHDOG=1"
            assert time.monotonic() - began_s < 12.0
            process.send_signal(signal.SIGTERM)
            heard = manager.recv(4096)
            while heard == b"WATCHDOG=1":
                heard = manager.recv(4096)
            assert heard == b"STOPPING=1"
            assert process.wait(60) == 0


_FORKS = """
import os, random, signal, sys, time
from pathlib import Path
from monitor.daemon import assembly
from monitor.config.reader import load
import paho.mqtt.client, apprise, apscheduler.schedulers.background  # what a daemon imports when it starts
settings, kills, chance = load(Path("jartide.toml")), int(sys.argv[1]), random.Random(int(sys.argv[2]))
for number in range(kills):
    child = os.fork()
    if child == 0:
        assembly.watch(settings)
        os._exit(0)
    time.sleep(chance.uniform(0.05, 0.8))
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    print(number, flush=True)
"""


@pytest.mark.fault("D4")
@pytest.mark.timeout(120 + 3 * KILLS)
def test_kill_at_random_moments_loses_no_reading_and_doubles_none(tmp_path: Path) -> None:
    """The broker has what the publisher sent (QoS 1, acknowledged); the daemon takes it over and is killed again and
    again. What it acknowledged the broker has forgotten, so it must be in the store."""
    # mosquitto drops what is beyond 1000 in a session's queue unless told otherwise
    with mosquitto(tmp_path / "broker", more=("max_queued_messages 0",)) as broker:
        (tmp_path / "jartide.toml").write_text(
            f'[[jar]]\nname = "rye"\nempty_mm = 180\n\n[[mqtt]]\nhost = "127.0.0.1"\nport = {broker.port}\n\n'
            f'[store]\npath = "s.db"\n\n[notices]\nconsole = false\n\n[page]\nport = {free_port()}\n'
        )
        with watching(tmp_path) as process:  # makes the session, so that the broker keeps what nobody takes
            wait_until(lambda: (known(tmp_path).get("sources") or [{}])[0].get("connected"), "connected")  # type: ignore[index]
            process.kill()
        client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id="board")
        client.connect("127.0.0.1", broker.port)
        client.loop_start()
        killer = subprocess.Popen(
            [sys.executable, "-c", _FORKS, str(KILLS), "7"], cwd=tmp_path, stdout=subprocess.PIPE, text=True
        )
        sent = 0
        chance = random.Random(7)
        assert killer.stdout is not None
        for _ in killer.stdout:
            for _ in range(chance.randrange(5, 60)):
                client.publish("jartide/rye/reading", line(sent), qos=1).wait_for_publish(30)
                sent += 1
        assert killer.wait(60) == 0
        with watching(tmp_path):
            before = len(readings(tmp_path / "s.db"))
            wait_until(lambda: len(readings(tmp_path / "s.db")) >= sent, "all that was sent is stored", 30 + KILLS / 10)
        client.loop_stop()
    print(f"{KILLS} kills, {sent} readings sent, {before} of them stored by lives that were killed")
    stored = sorted(seq for _, seq in readings(tmp_path / "s.db") if seq is not None)
    assert stored == list(range(sent))
    with Store.join(tmp_path / "s.db") as store:
        assert store.query("PRAGMA integrity_check") == [("ok",)]
