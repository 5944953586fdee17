"""`jartide check` against real ports, a real broker, a real store and a real receiver of notices."""

from __future__ import annotations

import http.server
import json
import os
import threading
import time
import tty
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
import time_machine

from monitor.check import broker_queue, ground, jar_sense, listen
from monitor.core.display.units import Display
from monitor.host import lock
from monitor.runs import daemon_status
from monitor.runs.store import Store
from monitor.settings import JarSettings
from monitor.values import Delivery, Reading, SourceHealth, VolumeTable
from tests.servers import Mosquitto, free_port, mosquitto
from tests.terminal import jartide

GOOD = '{"jar":"rye","distance_mm":92.5,"temperature_c":24.5}'


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Waits that nobody would notice; what a broker keeps of a whole burst is tried in `config/test_configs.py`."""
    for module, name, value in ((listen, "POLL_S", 0.02), (broker_queue, "BURST", 50), (broker_queue, "QUIET_S", 0.1)):
        monkeypatch.setattr(module, name, value)


def config(tmp_path: Path, text: str, jar: str = "empty_mm = 152\nrim_mm = 140\n") -> Path:
    file = tmp_path / "kitchen.toml"
    file.write_text(f'[[jar]]\nname = "rye"\n{jar}\n{text}\n')
    return file


def check(file: Path, *more: str, listen_s: float = 5) -> tuple[int, list[dict[str, str]]]:
    """Exit code and findings."""
    words = ["check", "--config", str(file), "--json", "--listen-s", str(listen_s), *more]
    done = jartide(*words)
    assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
    body = json.loads(done.stdout)
    assert body["ok"] == (done.exit_code == 0)
    return done.exit_code, body["findings"]


def of(findings: list[dict[str, str]], what: str, state: str) -> str:
    """What the findings of one thing and state say."""
    return "\n".join(one["says"] for one in findings if one["what"].startswith(what) and one["state"] == state)


@contextmanager
def device(line: str, every_s: float = 0.05) -> Iterator[str]:
    """A serial device that says one line again and again; gives the name of its port."""
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    stop = threading.Event()

    def talk() -> None:
        while not stop.wait(every_s):
            os.write(ours, line.encode() + b"\n")

    talker = threading.Thread(target=talk)
    talker.start()
    try:
        yield os.ttyname(theirs)
    finally:
        stop.set()
        talker.join()
        os.close(ours)
        os.close(theirs)


def test_a_kitchen_in_order_passes(tmp_path: Path) -> None:
    with device(GOOD, every_s=0.6) as port:  # seldom: a full buffer, before anybody reads, would cut a line
        code, found = check(config(tmp_path, f'[[serial]]\nport = "{port}"'), listen_s=60)
    assert code == 0
    assert "rye; 1 [[serial]], 0 [[mqtt]]" in of(found, "config", "ok")
    assert "GB free" in of(found, "store", "ok")
    assert "sending" in of(found, "serial", "ok")
    assert "the surface is 92 mm away: it is 60 mm high" in of(found, "rye", "ok")
    assert "24.5 °C" in of(found, "rye", "ok")
    assert sorted(file.name for file in tmp_path.iterdir()) == ["kitchen.toml"]  # it leaves nothing behind


def test_people_read_a_line_each_and_the_sum(tmp_path: Path) -> None:
    file = config(tmp_path, '[[serial]]\nport = "/dev/nope"')
    done = jartide("check", "--config", file, "--listen-s", "1")
    assert done.exit_code == 1
    assert "WRONG serial /dev/nope: there is no /dev/nope: is the device plugged in?" in done.stdout
    assert done.stdout.endswith("2 things are wrong: see above.\n")
    assert "Traceback" not in done.output


def test_a_broken_config_is_a_wrong_call(tmp_path: Path) -> None:
    file = config(tmp_path, "[[serial]]\nprt = 1")
    done = jartide("check", "--config", file)
    assert done.exit_code == 2
    assert "did you mean port?" in done.stderr
    assert done.stdout == ""


def test_no_source_at_all_is_wrong(tmp_path: Path) -> None:
    code, found = check(config(tmp_path, ""))
    assert code == 1
    assert "no [[serial]] and no [[mqtt]]" in of(found, "sources", "wrong")


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("hello, I am a board", "messages were rejected, the last one: not a JSON object"),
        ('{"jar":"wheat","distance_mm":92}', "jar not configured: wheat"),
    ],
)
def test_a_port_that_says_something_else_is_shown_with_what_it_says(tmp_path: Path, line: str, said: str) -> None:
    with device(line) as port:
        code, found = check(config(tmp_path, f'[[serial]]\nport = "{port}"'), listen_s=4)
    assert code == 1
    assert said in of(found, "serial", "wrong")
    assert "see the sources above" in of(found, "rye", "wrong")


def test_a_silent_port_is_wrong(tmp_path: Path) -> None:
    with device("", every_s=60) as port:
        code, found = check(config(tmp_path, f'[[serial]]\nport = "{port}"'), listen_s=1)
    assert code == 1
    assert "open, but nothing came within 1 s" in of(found, "serial", "wrong")


def test_a_name_that_lasts_is_proposed_and_a_vague_pattern_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with device(GOOD) as port:
        by_id = tmp_path / "by-id"
        by_id.mkdir()
        (by_id / "usb-board-one").symlink_to(port)
        (by_id / "usb-board-two").symlink_to(port)
        monkeypatch.setattr("monitor.check.sources.BY_ID", by_id)
        _, found = check(config(tmp_path, f'[[serial]]\nport = "{port}"'), listen_s=1)
        assert "usb-board-one" in of(found, "serial", "note")
        _, found = check(config(tmp_path, f'[[serial]]\nport = "{by_id}/*"'), listen_s=1)
        assert "2 ports match" in of(found, "serial", "note")


# --- the broker


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with mosquitto(tmp_path / "broker") as running:
        yield running


@contextmanager
def sender(port: int, payload: str = GOOD, topic: str = "jartide/rye/reading") -> Iterator[mqtt.Client]:
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
    client.connect("127.0.0.1", port)
    client.loop_start()
    stop = threading.Event()

    def talk() -> None:
        while not stop.wait(0.1):
            client.publish(topic, payload, qos=1)

    talker = threading.Thread(target=talk)
    talker.start()
    try:
        yield client
    finally:
        stop.set()
        talker.join()
        client.disconnect()
        client.loop_stop()


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_readings_from_a_broker_pass_and_no_trace_is_left_there(
    tmp_path: Path, broker: Mosquitto, protocol: str
) -> None:
    said: list[str] = []
    with sender(broker.port) as other:
        other.on_message = lambda _c, _u, message: said.append(message.topic)
        other.subscribe("jartide/status")
        table = f'[[mqtt]]\nhost = "127.0.0.1"\nport = {broker.port}\nprotocol = "{protocol}"'
        code, found = check(config(tmp_path, table), listen_s=60)
    assert code == 0, found
    assert "sending" in of(found, "mqtt 127.0.0.1", "ok")
    assert said == []  # the daemon's word about itself is not touched
    log = broker.log()
    look = [line for line in log.splitlines() if "jartide-look-" in line and "New client connected" in line]
    assert len(look) == 1
    assert ", c1," in look[0]  # a clean session, which ends with the connection


def test_a_broker_that_is_not_there_or_says_no_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    code, found = check(config(tmp_path, f'[[mqtt]]\nhost = "127.0.0.1"\nport = {free_port()}'), listen_s=1)
    assert code == 1
    assert "is the broker running?" in of(found, "mqtt", "wrong")
    (tmp_path / "word").write_text("wrong")
    with mosquitto(tmp_path / "broker", passwords={"jartide": "right"}) as broker:
        table = f'[[mqtt]]\nhost = "127.0.0.1"\nport = {broker.port}\nuser = "jartide"\npassword_file = "word"'
        monkeypatch.setattr(broker_queue, "STEP_S", 1e6)  # who was refused is not waited for
        code, found = check(config(tmp_path, table), listen_s=1)
    assert code == 1
    assert "does not let in user jartide" in of(found, "mqtt", "wrong")


def test_a_broker_where_nothing_arrives_is_told(tmp_path: Path, broker: Mosquitto) -> None:
    with sender(broker.port, topic="jartide/rye/readings"):
        table = f'[[mqtt]]\nhost = "127.0.0.1"\nport = {broker.port}'
        code, found = check(config(tmp_path, table), listen_s=4)
    assert code == 1
    assert "nothing came within 4 s" in of(found, "mqtt", "wrong")


# --- beside a daemon


@pytest.mark.dates
def test_beside_a_daemon_it_reads_what_the_daemon_stores(tmp_path: Path) -> None:
    file = config(tmp_path, '[[serial]]\nport = "/dev/held-by-the-daemon"')
    path = tmp_path / "jartide.db"
    stop = threading.Event()
    with lock.StoreLock(path), Store.open(path) as store:
        health = SourceHealth(
            name="serial /dev/held-by-the-daemon", connected=True, trouble=None, since_s=0.0, last_message_s=None
        )
        daemon_status.write(store, time.time(), [], [health], [])

        def watch() -> None:
            with Store.join(path) as writer:
                while not stop.wait(0.1):
                    reading = Reading(time_s=time.time(), jar="rye", distance_mm=92.5, temperature_c=24.5)
                    writer.add([Delivery(source="s", received_s=time.time(), reading=reading, timed=True)])

        watcher = threading.Thread(target=watch)
        watcher.start()
        try:
            code, found = check(file, listen_s=60)
        finally:
            stop.set()
            watcher.join()
    assert code == 0, found
    assert f"process {os.getpid()} is watching" in of(found, "daemon", "ok")
    assert of(found, "serial", "ok") == "connected"
    assert "it is 60 mm high" in of(found, "rye", "ok")


# --- the machine


def test_a_store_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    code, found = check(config(tmp_path, '[store]\npath = "file/jartide.db"'))
    assert code == 1
    assert "cannot be written" in of(found, "store", "wrong")
    (tmp_path / "other.db").write_bytes(b"not a database" * 100)
    code, found = check(config(tmp_path, '[store]\npath = "other.db"'))
    assert of(found, "store", "wrong")


@pytest.mark.fault("D1")
def test_a_disk_that_fills_up_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = config(tmp_path, "")
    for free, state in ((10e6, "wrong"), (200e6, "note")):
        monkeypatch.setattr("shutil.disk_usage", lambda _, free=free: type("Usage", (), {"free": free}))
        assert "make room" in of(check(file)[1], "store", state)


@pytest.mark.fault("T1")
def test_a_clock_that_was_never_set_is_wrong(tmp_path: Path) -> None:
    with time_machine.travel("1970-01-01T00:05:00Z", tick=True):
        code, found = check(config(tmp_path, ""))
    assert code == 1
    assert "1970-01-01" in of(found, "clock", "wrong")


@pytest.mark.dates
@pytest.mark.parametrize(("kept", "state"), [(False, "note"), (True, "ok"), (None, "ok")])
def test_a_clock_that_nobody_keeps_right_is_noted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kept: bool | None, state: str
) -> None:
    monkeypatch.setattr(ground, "_synchronised", lambda: kept)
    _, found = check(config(tmp_path, '[display]\ntime_zone = "Europe/Vienna"'))
    assert "Europe/Vienna" in of(found, "clock", state)


@pytest.mark.fault("C4")
def test_secrets_that_are_missing_or_open_to_all_are_told(tmp_path: Path) -> None:
    (tmp_path / "word").write_text("hunter2")
    (tmp_path / "word").chmod(0o644)
    table = f'[[mqtt]]\nhost = "127.0.0.1"\nport = {free_port()}\nuser = "u"\npassword_file = "word"\ntopic = "x"\n'
    table += f'[[mqtt]]\nhost = "127.0.0.1"\nport = {free_port()}\nuser = "u"\npassword_file = "none"\nca_file = "ca"\n'
    _, found = check(config(tmp_path, table), listen_s=1)
    assert "chmod 600" in of(found, "secrets", "note")
    assert "there is no file" in of(found, "secrets", "wrong")
    assert "ca is not there or cannot be read" in of(found, "secrets", "wrong")
    assert "hunter2" not in json.dumps(found)


# --- notices


@contextmanager
def receiver(status_code: int) -> Iterator[tuple[int, list[dict[str, Any]]]]:
    """A web server that takes notices and answers with one status."""
    came: list[dict[str, Any]] = []

    class Handler(http.server.BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            came.append(json.loads(self.rfile.read(int(self.headers["Content-Length"]))))
            self.send_response(status_code)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            pass

    server = http.server.HTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    try:
        yield server.server_port, came
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


@pytest.mark.parametrize(("status_code", "state"), [(200, "ok"), (403, "wrong")])
def test_a_test_message_goes_to_each_address(tmp_path: Path, status_code: int, state: str) -> None:
    with receiver(status_code) as (port, came):
        (tmp_path / "to").write_text(f"json://127.0.0.1:{port}/secret-path\n")
        file = config(tmp_path, '[notices]\nto_file = "to"')
        _, found = check(file)
        assert came == []
        assert "1 address; `jartide check --send-test`" in of(found, "notices", "ok")
        _, found = check(file, "--send-test")
        assert len(came) == 1
        assert "This is a test" in came[0]["message"]
        assert "127.0.0.1" in of(found, "notices", state)
        assert "secret-path" not in json.dumps(found)


def test_nobody_to_tell_is_told(tmp_path: Path) -> None:
    _, found = check(config(tmp_path, ""))
    assert "only printed where the daemon runs" in of(found, "notices", "note")
    _, found = check(config(tmp_path, "[notices]\nconsole = false"))
    assert "go nowhere" in of(found, "notices", "wrong")
    _, found = check(config(tmp_path, '[notices]\nto_env = ["JARTIDE_NO_SUCH"]'))
    assert "JARTIDE_NO_SUCH is not set" in of(found, "notices", "wrong")
    code, found = check(config(tmp_path, ""), "--send-test")
    assert code == 1
    assert "no test message was sent" in of(found, "notices", "wrong")
    assert "name it in [notices] to_file" in of(found, "notices", "wrong")


@pytest.mark.parametrize(("at", "held"), [("23:00", True), ("05:59", True), ("06:30", False), ("12:00", False)])
def test_a_summary_in_the_quiet_hours_is_noted(tmp_path: Path, at: str, held: bool) -> None:
    table = f'[notices]\nquiet_from = "22:30"\nquiet_to = "06:30"\ndaily_summary = "{at}"'
    _, found = check(config(tmp_path, table))
    assert ("daily_summary" in of(found, "notices", "note")) == held


def test_a_time_series_server_is_asked(tmp_path: Path) -> None:
    code, found = check(config(tmp_path, f'[influx]\nurl = "http://127.0.0.1:{free_port()}"'))
    assert code == 1
    assert "does not answer" in of(found, "influx", "wrong")
    with receiver(200) as (port, _):  # answers GET with 501, which is an answer
        _, found = check(config(tmp_path, f'[influx]\nurl = "http://127.0.0.1:{port}"'))
    assert of(found, "influx", "ok")


# --- a jar against its readings (pure)

RYE = JarSettings(name="rye", empty_mm=152, rim_mm=140)


def readings(*distances: float | None, temperature_c: float | None = 24.0, **more: Any) -> list[Reading]:
    return [
        Reading(time_s=float(n), jar="rye", distance_mm=mm, temperature_c=temperature_c, **more)
        for n, mm in enumerate(distances)
    ]


def says(jar: JarSettings, given: list[Reading], state: str) -> str:
    return "\n".join(found.says for found in jar_sense.judge(jar, given) if found.state == state)


@pytest.mark.fault("V12")
@pytest.mark.parametrize(
    ("jar", "given", "state", "said"),
    [
        (RYE, readings(150, 151, 153), "ok", "the jar is empty"),
        (RYE, readings(90, 91, 92), "ok", "it is 61 mm high"),
        (RYE, readings(172, 172, 171), "wrong", "20 mm below the jar's bottom"),
        (RYE, readings(8, 8, 8), "wrong", "above the rim"),
        (RYE, readings(8190, 8191), "wrong", "the sensor sees nothing (it says 8191)"),
        (RYE, readings(0, 0), "wrong", "the sensor sees nothing (it says 0)"),
        (RYE, readings(None, None), "wrong", "no distance arrived"),
        (RYE, [], "wrong", "nothing arrived for this jar"),
        (RYE, readings(60, 90, 92), "note", "distances scatter from 60 mm to 92 mm"),
        (RYE, readings(90, 100, 90), "note", "every distance is a multiple of 10 mm"),
        (RYE, readings(90, 95, 90), "note", "every distance is a multiple of 5 mm"),
        (JarSettings(name="rye"), readings(90), "note", "`jartide calibrate --jar rye`"),
        (RYE, readings(90, temperature_c=None), "note", "no temperature arrived"),
        (RYE, readings(90, temperature_c=85.0), "wrong", "which a failing probe sends"),
        (RYE, readings(90, temperature_c=-127.0), "wrong", "which a failing probe sends"),
        (RYE, readings(90, temperature_c=0.0), "wrong", "which a failing probe sends"),
        (RYE, readings(90, temperature_c=75.2), "wrong", "is that degF?"),
        (RYE, readings(None, echo_us=541.0), "wrong", 'write sensor = "ultrasonic"'),
        (
            JarSettings(name="rye", empty_mm=152, geometry=VolumeTable(points=((40, 200),))),
            readings(60),
            "note",
            "above the last point of the jar's table",
        ),
    ],
)
def test_a_jar_is_compared_with_its_config(jar: JarSettings, given: list[Reading], state: str, said: str) -> None:
    assert said in says(jar, given, state)


@pytest.mark.parametrize(
    ("silent_s", "sampling_s", "state", "said"),
    [
        (None, None, "wrong", "nothing arrived for this jar: does its device"),
        (240.0, 30.0, "note", "4 min ago it did: listen longer"),
        (3000.0, 600.0, "note", "50 min ago it did"),  # it speaks each 10 min
        (3000.0, 60.0, "wrong", "nothing arrived for this jar, the last time 50 min ago"),
    ],
)
def test_a_jar_that_was_heard_just_before_is_not_called_silent(
    silent_s: float | None, sampling_s: float | None, state: str, said: str
) -> None:
    (found,) = jar_sense.judge(RYE, [], silent_s=silent_s, sampling_s=sampling_s)
    assert found.state == state
    assert said in found.says


def test_what_is_read_is_said_in_the_units_of_the_household() -> None:
    show = Display(temperature_unit="degF", length_unit="in")
    said = "\n".join(found.says for found in jar_sense.judge(RYE, readings(101.6, temperature_c=25.0), show=show))
    assert "the surface is 4.00 in away: it is 1.98 in high" in said  # 101.6 mm are 4 in exactly
    assert "77.0 °F" in said  # 25 degC exactly


@pytest.mark.parametrize("venting", ["open", "loose", "tight"])
def test_an_ultrasonic_jar_is_told_about_carbon_dioxide(venting: Any) -> None:
    """100 mm read as 106 mm with 20 % of CO2: ideal-gas mixture at 25 degC, saturated: 327.6 instead of 347.8 m/s."""
    assert pytest.approx(1.062, abs=0.001) == 347.8 / 327.6
    jar = JarSettings(name="rye", empty_mm=152, sensor="ultrasonic", venting=venting)
    note = says(jar, readings(None, echo_us=541.0), "note")
    assert "100 mm reads as 106 mm, which looks like a fall" in note
    assert f"venting = {venting}" in note
    assert "if it sent echo_us" in says(jar, readings(92), "note")
    assert "sound" not in says(RYE, readings(92), "note")
