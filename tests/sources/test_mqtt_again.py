"""The MQTT source when brokers go and come back: nothing is lost, nothing doubled."""

import socket
import subprocess
import sys
import threading
from contextlib import suppress
from pathlib import Path

import pytest

from monitor.sources.boot_clock import BootClocks
from tests.servers import Mosquitto, free_port, wait_until
from tests.sources.topics import Begin, Device, connected, distances, joined, reading

ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.fault("M2")
@pytest.mark.parametrize("boot", ["b", None])
def test_a_broker_restart_loses_and_doubles_nothing(broker: Mosquitto, begin: Begin, boot: str | None) -> None:
    """Also for messages with nothing on them to know them by, and with some unacknowledged when it stops."""
    source, caught = joined(begin, broker.port, at_once=False)
    device = Device(broker.port, "device")
    device.say(*(reading(n, boot) for n in range(10)))
    wait_until(lambda: len(caught.items) == 10, "ten readings")
    caught.commit(caught.items[:4])
    broker.stop()
    wait_until(lambda: not connected(source), "noticed")
    caught.commit(caught.items[4:7])  # committed while there is no broker to tell
    broker.start()
    wait_until(lambda: connected(source), "connected again")
    wait_until(lambda: device.client.is_connected(), "the device too")
    device.say(*(reading(n, boot) for n in range(10, 30)))
    wait_until(lambda: len(caught.items) >= 20, "more readings")
    caught.at_once = True
    caught.commit(caught.items[7:])
    wait_until(lambda: len(caught.items) >= 30, "all readings")
    device.say(reading(30, boot))
    wait_until(lambda: caught.distances[-1] == 130, "the last one")
    assert caught.distances == distances(*range(31))
    device.leave()


@pytest.mark.fault("M16")
def test_what_comes_while_the_source_is_down_is_kept_for_it(broker: Mosquitto, begin: Begin) -> None:
    source, _ = joined(begin, broker.port)
    source.stop()
    device = Device(broker.port)
    device.say(*(reading(n) for n in range(100)))
    _, caught = begin(broker.port)
    wait_until(lambda: len(caught.items) == 100, "all of them")
    assert caught.distances == distances(*range(100))
    assert {item.again for item in caught.readings} == {True}  # a power-up that was never heard of: of unknown time
    assert {item.timed for item in caught.readings} == {False}
    device.hear("jartide/status")
    wait_until(lambda: device.heard and device.heard[-1][1] == b"online", "online, behind all that waited")
    device.say(reading(100, boot=None))
    wait_until(lambda: len(caught.items) == 101, "a fresh one")
    assert caught.readings[-1].again is False
    device.leave()


@pytest.mark.fault("M16")
def test_what_waited_is_dated_by_a_known_power_up(broker: Mosquitto, begin: Begin) -> None:
    """Well over an hour without the daemon; its clocks are moved, nobody waits."""
    now_s = [1_800_000_000.0]
    clocks = BootClocks()
    source, caught = joined(begin, broker.port, clocks=clocks, wall=lambda: now_s[0], monotonic=lambda: now_s[0])
    device = Device(broker.port)
    device.say(reading(0))
    wait_until(lambda: caught.items, "the first")
    source.stop()
    device.say(*(reading(n) for n in range(1, 501)))
    now_s[0] += 5000
    _, later = begin(broker.port, clocks=clocks, wall=lambda: now_s[0], monotonic=lambda: now_s[0])
    wait_until(lambda: len(later.items) == 500, "all of them")
    for item in later.readings:
        assert item.seq is not None
        assert item.reading.time_s == pytest.approx(1_800_000_000.0 + 10 * item.seq, abs=0.1)
        assert item.timed
    device.leave()


@pytest.mark.fault("M3")
def test_a_killed_broker_takes_nothing_that_we_have(broker: Mosquitto, begin: Begin) -> None:
    """With kill -9 the broker may forget what it had not yet sent, and also our acknowledgements. What we have we keep;
    what it sends a second time is known by its packet, or marked, so that the store knows it by (boot, seq)."""
    source, caught = joined(begin, broker.port)
    device = Device(broker.port, "device")
    for n in range(40):
        device.say(reading(n))
        wait_until(lambda n=n: caught.distances[-1:] == [100.0 + n], "the reading")
        if n in (10, 25):
            broker.kill()
            wait_until(lambda: not connected(source), "noticed")
            broker.start()
            wait_until(lambda: connected(source) and device.client.is_connected(), "both connected again")
    first_times = [item for item in caught.readings if not item.again]
    assert [item.reading.distance_mm for item in first_times] == distances(*range(40))
    device.leave()


FIRST_THREE_ONLY = """
import sys, time
from monitor.settings import MqttSettings
from monitor.sources.mqtt_source import MqttSource
source = MqttSource(MqttSettings(host="127.0.0.1", port=int(sys.argv[1])), "crashes", jars=frozenset({"rye"}))
taken = []
def put(item, *, wait_s):
    taken.append(item)
    if len(taken) <= 3:
        source.acknowledge([item.token])
source.start(put)
time.sleep(60)
"""


@pytest.mark.fault("M4")
@pytest.mark.fault("M5")
def test_after_a_crash_what_was_not_acknowledged_comes_again_marked(broker: Mosquitto, begin: Begin) -> None:
    """OASIS MQTT 5.0, 3.3.1.1 and 4.4: re-delivery has DUP set to 1."""
    child = subprocess.Popen([sys.executable, "-c", FIRST_THREE_ONLY, str(broker.port)], cwd=ROOT)
    device = Device(broker.port)
    # it hears itself first and acknowledges that by itself; behind unacknowledged readings it would have to wait
    wait_until(lambda: "Received PUBACK from crashes" in broker.log(), "the child subscribed and heard itself")
    device.say(*(reading(n) for n in range(8)))
    wait_until(lambda: broker.log().count("Received PUBACK from crashes") == 4, "three acknowledged")
    wait_until(lambda: broker.log().count("Sending PUBLISH to crashes") == 9, "all sent")
    child.kill()
    child.wait()
    _, caught = begin(broker.port, client_id="crashes")
    wait_until(lambda: len(caught.items) >= 5, "the rest again")
    device.hear("jartide/status")
    wait_until(lambda: device.heard and device.heard[-1][1] == b"online", "online, behind all that waited")
    device.say(reading(8))
    wait_until(lambda: caught.distances[-1] == 108, "and a fresh one")
    assert caught.distances == distances(3, 4, 5, 6, 7, 8)
    assert [item.again for item in caught.readings] == [True] * 5 + [False]
    device.leave()


@pytest.mark.fault("M1")
def test_a_broker_that_is_not_there_yet(tmp_path: Path, begin: Begin) -> None:
    port = free_port()
    source, caught = begin(port)
    words = f"nothing listens at 127.0.0.1:{port}: is the broker running?"
    wait_until(lambda: source.health().trouble == words, "trouble")
    late = Mosquitto(tmp_path / "late", port=port, settings=["allow_anonymous true"])
    late.start()
    wait_until(lambda: connected(source), "connected")
    assert source.health().trouble is None
    late.kill()
    assert caught.items == []


class Proxy:
    """Passes bytes on to a broker until it is told to swallow them, as a router does that has forgotten us."""

    def __init__(self, port: int) -> None:
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._server.getsockname()[1])
        self._to = port
        self.deaf = threading.Event()
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        while True:
            here, _ = self._server.accept()
            there = socket.create_connection(("127.0.0.1", self._to))
            deaf = threading.Event()
            self.deaf = deaf
            for one, other in ((here, there), (there, here)):
                threading.Thread(target=self._pass_on, args=(one, other, deaf), daemon=True).start()

    @staticmethod
    def _pass_on(one: socket.socket, other: socket.socket, deaf: threading.Event) -> None:
        with suppress(OSError):
            while data := one.recv(65536):
                if not deaf.is_set():
                    other.sendall(data)


@pytest.mark.fault("M12")
def test_a_connection_that_died_without_a_word(broker: Mosquitto, begin: Begin) -> None:
    """Noticed within twice the keep-alive; here that is 2 s."""
    proxy = Proxy(broker.port)
    source, caught = joined(begin, proxy.port, keepalive_s=2)
    proxy.deaf.set()
    wait_until(lambda: not connected(source), "noticed")
    assert source.health().trouble == (
        "the connection ended (Keep alive timeout): trying again; is the network stable?"
    )
    wait_until(lambda: connected(source), "connected again")
    device = Device(broker.port)
    device.say(reading(1))
    wait_until(lambda: caught.items, "a reading")
    device.leave()
