"""The Wi-Fi program for boards, run by MicroPython itself with simulated parts, against a real broker."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest

from monitor.sources.wire import Message, parse
from tests.firmware.thermometer import FRAMES, WARM
from tests.servers import Authority, Mosquitto, free_port, mosquitto, program, wait_until

ROOT = Path(__file__).resolve().parents[2]
FIRMWARE = ROOT / "firmware_notes" / "jar_wifi"
PARTS = ROOT / "tests" / "jar_parts"
# Maxim 19-7487 table 1 (0191 is 25.0625 degC), the rest of the scratchpad as a probe gives it, CRC after AN27
HEAP = "160k"  # far less than a PC would give, so that growth shows; words here are twice as long as on a board


def micropython() -> str:
    """The interpreter out of the wheel, beside this Python."""
    beside = Path(sys.executable).with_name("micropython")
    return str(beside) if beside.exists() else program("micropython")


@dataclass
class Listener:
    """A subscriber that keeps everything; its session survives the broker."""

    port: int
    user: str | None = None
    came: list[mqtt.MQTTMessage] = field(default_factory=list)

    @contextmanager
    def listening(self) -> Iterator[Listener]:
        subscribed = threading.Event()
        client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id="listener", clean_session=False)
        if self.user:
            client.username_pw_set(self.user, "right")
        client.on_connect = lambda c, *_: c.subscribe("jartide/+/reading", qos=1)
        client.on_subscribe = lambda *_: subscribed.set()
        client.on_message = lambda _c, _u, message: self.came.append(message)
        client.reconnect_delay_set(1, 1)
        client.connect("127.0.0.1", self.port)
        client.loop_start()
        try:
            assert subscribed.wait(60)
            yield self
        finally:
            client.disconnect()
            client.loop_stop()

    def messages(self) -> list[Message]:
        return [parse(message.payload) for message in list(self.came)]

    def seqs(self, boot: str | None = None) -> list[int]:
        return [m.seq for m in self.messages() if m.seq is not None and boot in (None, m.boot)]


@contextmanager
def board(tmp_path: Path, port: int, **scene: Any) -> Iterator[subprocess.Popen[str]]:
    """The program running on a board whose parts show `scene`; `jar` overrides values of my_jar."""
    jar = {"BROKER": "127.0.0.1", "PORT": port, "PERIOD_S": 0.05, **scene.pop("jar", {})}
    whole = {"ranges": [[92, 0]], "echoes": [541], "frames": [WARM], "jar": jar, **scene}
    file = tmp_path / "scene.json"
    file.write_text(json.dumps(whole))
    run = subprocess.Popen(
        [micropython(), "-X", f"heapsize={HEAP}", "-m", "main"],
        env={
            **os.environ,
            "MICROPYPATH": f"{PARTS}:{FIRMWARE}:.frozen",
            "JAR_SCENE": str(file),
            "JAR_FIRMWARE": str(FIRMWARE),
        },
        cwd=tmp_path,
        stdout=(tmp_path / "said").open("w"),
        stderr=subprocess.STDOUT,
        text=True,
    )
    try:
        yield run
        assert run.poll() is None, (tmp_path / "said").read_text()
    finally:
        run.kill()
        run.wait()


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with mosquitto(tmp_path / "broker") as running:
        yield running


def heard(tmp_path: Path, broker: Mosquitto, count: int, **scene: Any) -> list[Message]:
    """The first `count` messages of a board with this scene."""
    with Listener(broker.port).listening() as listener, board(tmp_path, broker.port, **scene):
        wait_until(lambda: len(listener.came) >= count, f"{count} messages")
        return listener.messages()[:count]


def test_readings_arrive_numbered_and_dated_by_uptime(tmp_path: Path, broker: Mosquitto) -> None:
    with Listener(broker.port).listening() as listener:
        for _ in range(2):
            before = len(listener.came)
            with board(tmp_path, broker.port):
                wait_until(lambda before=before: len(listener.came) >= before + 5, "five messages")
        messages = listener.messages()
        boots = list(dict.fromkeys(message.boot for message in messages))
        assert len(boots) == 2  # each power-up has a token of its own
        for boot in boots:
            assert boot is not None
            ours = [message for message in messages if message.boot == boot]
            assert [message.seq for message in ours] == list(range(len(ours)))
            ups = [message.up_ms for message in ours if message.up_ms is not None]
            assert len(ups) == len(ours)
            assert all(45 <= later - sooner < 5000 for sooner, later in pairwise(ups))
        assert all((m.jar, m.distance_mm, m.temperature_c) == ("rye", 92.0, 25.0625) for m in messages)
        assert all(message.topic == "jartide/rye/reading" for message in listener.came)
        assert all(message.qos == 1 and not message.retain for message in listener.came)


def shots(*values: tuple[Any, int]) -> list[list[Any]]:
    """Five shots for each value: one reading each."""
    return [list(value) for value in values for _ in range(5)]


def test_the_optical_part_gives_a_median_and_says_when_nothing_is_there(tmp_path: Path, broker: Mosquitto) -> None:
    """Error codes: ST DocID026171 table 12."""
    ranges = [[70, 0], [200, 0], [71, 0], [0, 12], [72, 0], *shots((255, 15), (255, 11), (3, 12), (81, 0))]
    found = heard(tmp_path, broker, 5, ranges=ranges)
    assert [message.distance_mm for message in found] == [71, 8190, 8190, 0, 81]


def test_a_part_that_fails_is_left_out_and_set_up_again(tmp_path: Path, broker: Mosquitto) -> None:
    ranges = [
        *shots((70, 0)),
        [None, 0],
        *shots((90, 0)),
        ["power failed", 0],
        *shots((85, 0)),
        [60, 3],
        *shots((95, 0)),
    ]
    found = heard(tmp_path, broker, 6, ranges=ranges)
    # a dead bus; a chip that has forgotten its settings and gets them again; a fault that the chip reports (code 3)
    assert [message.distance_mm for message in found] == [70, None, 90, 85, None, 95]
    assert all(message.temperature_c == 25.0625 for message in found)


def test_an_echo_goes_out_as_it_is(tmp_path: Path, broker: Mosquitto) -> None:
    echoes = [582, 583, 60000, 581, 9000, 60000, 60000, 60000, 500, 501, 540]
    found = heard(tmp_path, broker, 3, echoes=echoes, jar={"SENSOR": "ultrasonic"})
    assert [(message.echo_us, message.distance_mm) for message in found] == [(582, None), (None, 8190), (540, None)]


def test_only_a_temperature_that_was_measured_goes_out(tmp_path: Path, broker: Mosquitto) -> None:
    found = heard(tmp_path, broker, len(FRAMES), frames=list(FRAMES))
    assert [message.temperature_c for message in found] == list(FRAMES.values())
    assert all(message.distance_mm == 92 for message in found)


def test_without_a_probe_the_distance_goes_out_alone(tmp_path: Path, broker: Mosquitto) -> None:
    (found,) = heard(tmp_path, broker, 1, jar={"PROBE_PIN": None})
    assert (found.distance_mm, found.temperature_c) == (92, None)
    (found,) = heard(tmp_path, broker, 1, frames=[""])  # nothing answers on the bus
    assert (found.distance_mm, found.temperature_c) == (92, None)


def test_nothing_is_lost_or_doubled_over_an_absence_of_the_broker(tmp_path: Path, broker: Mosquitto) -> None:
    with Listener(broker.port).listening() as listener, board(tmp_path, broker.port):
        wait_until(lambda: len(listener.came) >= 3, "three messages")
        broker.stop()
        said = tmp_path / "said"
        wait_until(lambda: "broker:" in said.read_text(), "the board sees that the broker is gone")
        broker.start()
        sent_before = max(listener.seqs())
        wait_until(lambda: max(listener.seqs()) >= sent_before + 30, "the messages that waited, and new ones")
        seqs = listener.seqs()
        # what was acknowledged as the broker went down may come twice (QoS 1), told apart by boot and seq
        assert sorted(set(seqs)) == list(range(max(seqs) + 1))
        assert len(seqs) - len(set(seqs)) <= 1
        waited = [m.up_ms for m in listener.messages() if m.up_ms is not None]
        assert waited == sorted(waited)


def test_a_board_that_starts_alone_waits_for_wifi_and_broker(tmp_path: Path) -> None:
    broker = Mosquitto(tmp_path / "broker", settings=["allow_anonymous true"])
    with board(tmp_path, broker.port, wifi_after=1):
        wait_until(lambda: "broker:" in (tmp_path / "said").read_text(), "a vain try")
        broker.start()
        try:
            with Listener(broker.port).listening() as listener:
                wait_until(lambda: len(listener.came) >= 5, "messages")
        finally:
            broker.stop()


def test_the_oldest_go_first_when_too_many_wait(tmp_path: Path) -> None:
    broker = Mosquitto(tmp_path / "broker", settings=["allow_anonymous true"])
    jar = {"KEEP": 20, "PERIOD_S": 0.01, "PROBE_PIN": None}
    with board(tmp_path, broker.port, jar=jar):
        said = tmp_path / "said"
        wait_until(lambda: said.read_text().count("broker:") >= 2, "two vain tries, seconds apart")
        broker.start()
        try:
            with Listener(broker.port).listening() as listener:
                wait_until(lambda: len(listener.came) >= 10, "messages")
                assert min(listener.seqs()) > 20
        finally:
            broker.stop()


def test_five_hundred_waiting_readings_fit_into_a_board(tmp_path: Path) -> None:
    """The heap is bounded (see HEAP) and words are twice as long here as on a 32 bit board."""
    with board(tmp_path, free_port(), jar={"PERIOD_S": 0, "PROBE_PIN": None}) as run:
        said = tmp_path / "said"
        wait_until(lambda: said.read_text().count("broker:") >= 3 or run.poll() is not None, "three vain tries")
        assert run.poll() is None, said.read_text()


def test_user_and_password_let_it_in_and_a_wrong_one_does_not_end_it(tmp_path: Path) -> None:
    with (
        mosquitto(tmp_path / "broker", passwords={"jar": "right"}) as broker,
        Listener(broker.port, user="jar").listening() as listener,
    ):
        with board(tmp_path, broker.port, jar={"USER": "jar", "PASSWORD": "wrong"}):
            said = tmp_path / "said"
            wait_until(lambda: said.read_text().count("refuses the connection, code 5") >= 1, "a refusal")
        assert listener.came == []
        with board(tmp_path, broker.port, jar={"USER": "jar", "PASSWORD": "right"}):
            wait_until(lambda: len(listener.came) >= 2, "messages")


@pytest.mark.parametrize("trusted", [True, False])
def test_tls_lets_in_only_a_broker_of_our_authority(tmp_path: Path, trusted: bool) -> None:
    authority = Authority.make(tmp_path / "ca")
    asked = authority if trusted else Authority.make(tmp_path / "stranger")
    der = tmp_path / "ca.der"
    subprocess.run(
        [program("openssl"), "x509", "-in", str(asked.file), "-outform", "der", "-out", str(der)], check=True
    )
    certificate, key = authority.issue("localhost")
    encrypted = free_port()
    more = (f"listener {encrypted} 127.0.0.1", f"certfile {certificate}", f"keyfile {key}")
    with (
        mosquitto(tmp_path / "broker", more=more) as broker,
        Listener(broker.port).listening() as listener,
        board(tmp_path, encrypted, jar={"BROKER": "localhost", "CA_FILE": str(der)}),
    ):
        said = tmp_path / "said"
        wait_until(lambda: len(listener.came) >= 2 or "broker:" in said.read_text(), "messages, or a refusal")
        assert (len(listener.came) >= 2) == trusted, said.read_text()


def test_two_boards_do_not_throw_each_other_off(tmp_path: Path, broker: Mosquitto) -> None:
    for name in "ab":
        (tmp_path / name).mkdir()
    with (
        Listener(broker.port).listening() as listener,
        board(tmp_path / "a", broker.port, board=1),
        board(tmp_path / "b", broker.port, board=2, jar={"JAR": "wheat"}),
    ):
        wait_until(
            lambda: all([m.jar for m in listener.messages()].count(jar) >= 6 for jar in ("rye", "wheat")),
            "messages of both",
        )
        for folder in "ab":
            assert "broker:" not in (tmp_path / folder / "said").read_text()


def test_the_crc_agrees_with_the_published_examples(tmp_path: Path) -> None:
    """Maxim Application Note 27, example 2: A2; CRC catalogue, CRC-8/MAXIM-DOW of "123456789": A1."""
    script = (
        "from sensors import crc8\n"
        "print(crc8(bytes((0x02, 0x1C, 0xB8, 0x01, 0, 0, 0))), crc8(bytes((0x02, 0x1C, 0xB8, 0x01, 0, 0, 0, 0xA2))))\n"
        "print(crc8(b'123456789'), crc8(b'\\xff' * 8))\n"
    )
    scene = tmp_path / "scene.json"
    scene.write_text("{}")
    run = subprocess.run(
        [micropython(), "-c", script],
        env={**os.environ, "MICROPYPATH": f"{PARTS}:{FIRMWARE}:.frozen", "JAR_SCENE": str(scene)},
        capture_output=True,
        text=True,
        check=True,
    )
    assert run.stdout.split() == [str(0xA2), "0", str(0xA1), str(0xC9)]
