"""The MQTT source against a real mosquitto: nothing lost, nothing doubled, whatever is stopped, killed or refused."""

import json
import queue
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from monitor.settings import JarSettings, MqttSettings, SerialSettings, Settings
from monitor.sources import mqtt_saying, mqtt_topic, open_sources
from monitor.sources.boot_clock import BootClocks
from monitor.sources.mqtt_topic import MqttTopic
from monitor.values import Delivery, Rejected
from tests.servers import Authority, Mosquitto, free_port, mosquitto, wait_until

JARS = frozenset({"rye", "wheat"})
TOPIC = "jartide/rye/reading"
ROOT = Path(__file__).resolve().parents[2]


class Caught:
    """The daemon's end: keeps what comes; acknowledges at once, or only what `commit` is called for."""

    def __init__(self, *, at_once: bool = True) -> None:
        self.items: list[Delivery | Rejected] = []
        self.at_once = at_once
        self.source: MqttTopic | None = None

    def __call__(self, item: Delivery | Rejected) -> None:
        self.items.append(item)
        if self.at_once:
            self.commit([item])

    def commit(self, items: list[Delivery | Rejected]) -> None:
        assert self.source is not None
        self.source.acknowledge([item.token for item in items])

    @property
    def readings(self) -> list[Delivery]:
        return [item for item in self.items if isinstance(item, Delivery)]

    @property
    def distances(self) -> list[float | None]:
        return [item.reading.distance_mm for item in self.readings]

    @property
    def reasons(self) -> list[str]:
        return [item.reason for item in self.items if isinstance(item, Rejected)]


Begin = Callable[..., tuple[MqttTopic, Caught]]


@pytest.fixture
def begin() -> Iterator[Begin]:
    started: list[MqttTopic] = []

    def start(port: int, *, at_once: bool = True, client_id: str = "jartide-test", **changes: object):  # type: ignore[no-untyped-def]
        keepalive_s = int(changes.pop("keepalive_s", 30))  # type: ignore[call-overload]
        clocks = {key: changes.pop(key) for key in ("clocks", "wall", "monotonic") if key in changes}
        settings = MqttSettings(**({"host": "127.0.0.1", "port": port} | changes))  # type: ignore[arg-type]
        source = MqttTopic(settings, client_id, jars=JARS, keepalive_s=keepalive_s, **clocks)  # type: ignore[arg-type]
        caught = Caught(at_once=at_once)
        caught.source = source
        source.start(caught)
        started.append(source)
        return source, caught

    yield start
    for source in started:
        source.stop()


class Device:
    """A device of the test's own: a plain paho client that publishes with QoS 1 and keeps what it hears."""

    def __init__(self, port: int, client_id: str = "", *, protocol: int = mqtt.MQTTv5, **login: str) -> None:
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=client_id, protocol=protocol)
        if login:
            self.client.username_pw_set(login["user"], login["password"])
        self.client.reconnect_delay_set(1, 1)
        self.heard: list[tuple[str, bytes, bool]] = []
        self.client.on_message = lambda c, u, m: self.heard.append((m.topic, m.payload, bool(m.retain)))
        self._subscribed = threading.Event()
        self.client.on_subscribe = lambda *_: self._subscribed.set()
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()

    def say(self, *payloads: str | bytes, topic: str = TOPIC, retain: bool = False) -> None:
        sent = [self.client.publish(topic, payload, qos=1, retain=retain) for payload in payloads]
        for info in sent:
            info.wait_for_publish(60)
            assert info.is_published()

    def hear(self, topic: str) -> None:
        """From now on: what was published before comes as retained, if at all."""
        self.client.subscribe(topic, qos=1)
        assert self._subscribed.wait(60)

    def leave(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


def reading(n: int, boot: str | None = "b", jar: str = "rye") -> str:
    known = {"boot": boot, "seq": n, "up_ms": 10_000 * n} if boot else {}
    return json.dumps({"jar": jar, "distance_mm": 100 + n, "temperature_c": 21.5, **known})


def connected(source: MqttTopic) -> bool:
    return source.health().connected


def distances(*numbers: int) -> list[float]:
    return [100.0 + n for n in numbers]


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with mosquitto(tmp_path / "broker") as running:
        yield running


# --- readings in, our own words out -----------------------------------------------------------------------------------


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_readings_come_in_and_the_status_is_kept(broker: Mosquitto, begin: Begin, protocol: str) -> None:
    source, caught = begin(broker.port, protocol=protocol)
    wait_until(lambda: connected(source), "connected")
    device = Device(broker.port)
    device.say(*(reading(n) for n in range(50)))
    wait_until(lambda: len(caught.items) == 50, "50 readings")
    assert caught.distances == distances(*range(50))
    first = caught.readings[0]
    assert (first.reading.jar, first.boot, first.seq, first.timed, first.again) == ("rye", "b", 0, True, False)
    device.hear("jartide/status")
    wait_until(lambda: device.heard == [("jartide/status", b"online", True)], "a retained status")
    source.stop()
    wait_until(lambda: device.heard[-1][1] == b"offline", "the status after leaving")
    device.leave()


def test_the_will_speaks_when_we_cannot(broker: Mosquitto, begin: Begin) -> None:
    source, _ = begin(broker.port, client_id="dies")
    wait_until(lambda: connected(source), "connected")
    device = Device(broker.port)
    device.hear("jartide/status")
    wait_until(lambda: device.heard, "online")
    taker = Device(broker.port, "dies")  # throws the source out without a word of its own
    wait_until(lambda: any(payload == b"offline" for _, payload, _ in device.heard), "the will")
    taker.leave()
    device.leave()


def test_our_own_messages_are_confirmed(broker: Mosquitto, begin: Begin) -> None:
    device = Device(broker.port)
    device.hear("jartide/+/state")
    source, _ = begin(broker.port)
    wait_until(lambda: connected(source), "connected")
    assert source.publish("jartide/rye/state", '{"stage":"rising"}', retain=True)
    wait_until(lambda: device.heard == [("jartide/rye/state", b'{"stage":"rising"}', False)], "the state")
    broker.stop()
    wait_until(lambda: not connected(source), "noticed")
    began_s = time.monotonic()
    assert not source.publish("jartide/rye/state", "{}")
    assert time.monotonic() - began_s < mqtt_saying.PUBLISH_S  # it knows that nobody hears
    device.leave()


@pytest.mark.fault("M8")
@pytest.mark.fault("M9")
def test_what_is_no_reading_does_not_close_the_window(broker: Mosquitto, begin: Begin) -> None:
    """mosquitto sends 20 unacknowledged messages at most; refused ones have to be acknowledged too."""
    source, caught = begin(broker.port)
    wait_until(lambda: connected(source), "connected")
    device = Device(broker.port)
    bad = [b"\xff\xfe", b"", b"null", b"[" * 10_000, b"x" * 1_000_000, b'{"distance_mm":true}'] * 10
    device.say(*bad, reading(1))
    wait_until(lambda: caught.readings, "the good one")
    assert len(caught.reasons) == 60
    assert set(caught.reasons) == {
        "not UTF-8", "empty", "not a JSON object", "too long", "distance_mm is not a number"
    }  # fmt: skip
    device.leave()


def test_without_acknowledgement_the_broker_holds_the_rest(broker: Mosquitto, begin: Begin) -> None:
    source, caught = begin(broker.port, at_once=False, protocol="3.1.1")  # with 5 we ask for a larger window
    wait_until(lambda: connected(source), "connected")
    device = Device(broker.port)
    device.say(*(reading(n) for n in range(60)))
    # mosquitto sends about 20 ahead: 19 where our own echo is one of them, and on a busy machine we have seen 22
    wait_until(lambda: len(caught.items) >= 19, "a full window")
    assert len(caught.items) < 30
    caught.at_once = True
    caught.commit(caught.items[:20])
    wait_until(lambda: len(caught.items) == 60, "all")
    assert caught.distances == distances(*range(60))
    device.leave()


@pytest.mark.fault("M14")
def test_unknown_jars_and_topics(broker: Mosquitto, begin: Begin) -> None:
    source, caught = begin(broker.port)
    wait_until(lambda: connected(source), "connected")
    device = Device(broker.port)
    for n in range(100):
        device.client.publish(f"jartide/jar{n}/reading", reading(n), qos=1)
    device.say(reading(1, jar="other"), topic="jartide/wheat/reading")  # the topic counts
    wait_until(lambda: caught.readings, "the known one")
    assert caught.readings[0].reading.jar == "wheat"
    assert caught.reasons == ["jar not configured"] * 100
    device.leave()


@pytest.mark.fault("M7")
@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_a_retained_reading_is_marked(broker: Mosquitto, begin: Begin, protocol: str) -> None:
    """MQTT 5.0, 3.3.1.3: RETAIN is set on what was kept for new subscribers, clear on what is sent right now."""
    device = Device(broker.port)
    device.say(reading(1, boot=None), retain=True)
    _, caught = begin(broker.port, protocol=protocol)
    wait_until(lambda: caught.items, "the retained one")
    assert (caught.readings[0].again, caught.readings[0].timed) == (True, False)
    device.say(reading(2), retain=True)
    wait_until(lambda: len(caught.items) == 2, "a fresh one")
    assert caught.readings[1].again is False
    device.leave()


# --- brokers that go, and come back -----------------------------------------------------------------------------------


@pytest.mark.fault("M2")
@pytest.mark.parametrize("boot", ["b", None])
def test_a_broker_restart_loses_and_doubles_nothing(broker: Mosquitto, begin: Begin, boot: str | None) -> None:
    """Also for messages with nothing on them to know them by, and with some unacknowledged when it stops."""
    source, caught = begin(broker.port, at_once=False)
    wait_until(lambda: connected(source), "connected")
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
    source, _ = begin(broker.port)
    wait_until(lambda: connected(source), "connected")
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
    source, caught = begin(broker.port, clocks=clocks, wall=lambda: now_s[0], monotonic=lambda: now_s[0])
    wait_until(lambda: connected(source), "connected")
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
    source, caught = begin(broker.port)
    wait_until(lambda: connected(source), "connected")
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
from monitor.sources.mqtt_topic import MqttTopic
source = MqttTopic(MqttSettings(host="127.0.0.1", port=int(sys.argv[1])), "crashes", jars=frozenset({"rye"}))
taken = []
def put(item):
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
    source, caught = begin(proxy.port, keepalive_s=2)
    wait_until(lambda: connected(source), "connected")
    proxy.deaf.set()
    wait_until(lambda: not connected(source), "noticed")
    assert source.health().trouble == (
        "the connection ended (Keep alive timeout): it is tried again; is the network steady?"
    )
    wait_until(lambda: connected(source), "connected again")
    device = Device(broker.port)
    device.say(reading(1))
    wait_until(lambda: caught.items, "a reading")
    device.leave()


# --- who may, and who else ------------------------------------------------------------------------------------------


@pytest.mark.fault("M11")
@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_user_and_password(tmp_path: Path, begin: Begin, protocol: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mqtt_topic, "RETRY_S", (0.2, 0.5))
    monkeypatch.setenv("BROKER_PASSWORD", "right")
    (tmp_path / "secret").write_text("wrong\n")
    (tmp_path / "secret").chmod(0o600)
    with mosquitto(tmp_path / "broker", passwords={"jar": "right"}) as broker:
        good, _ = begin(broker.port, protocol=protocol, user="jar", password_env="BROKER_PASSWORD")
        wait_until(lambda: connected(good), "let in")
        bad, _ = begin(broker.port, protocol=protocol, user="jar", password_file=tmp_path / "secret", client_id="other")
        wait_until(lambda: "does not let in user jar" in (bad.health().trouble or ""), "refused, in words")
        none, _ = begin(broker.port, protocol=protocol, client_id="third")
        wait_until(lambda: "without user and password" in (none.health().trouble or ""), "refused, in words")
        lost, _ = begin(broker.port, user="jar", password_env="NOT_SET", client_id="fourth")
        wait_until(lambda: "the environment variable NOT_SET is not set" in (lost.health().trouble or ""), "in words")
        (tmp_path / "secret").write_text("right\n")
        wait_until(lambda: connected(bad), "let in with the mended file")
        assert "right" not in broker.log()


@pytest.mark.fault("M11")
def test_a_refused_login_is_tried_again_slowly(tmp_path: Path, begin: Begin) -> None:
    with mosquitto(tmp_path / "broker", passwords={"jar": "right"}) as broker:
        source, _ = begin(broker.port)
        wait_until(lambda: source.health().trouble, "refused")
        wait_until(lambda: "does not let in" in (source.health().trouble or ""), "in words")
        source.stop()
        assert source._thread is not None
        wait_until(lambda: not source._thread.is_alive(), "the slow pause is cut short", mqtt_topic.RETRY_S[1] / 2)
        assert broker.log().count("New connection from") <= 3  # one is the test's own look whether it listens


@pytest.mark.fault("M11")
def test_topics_that_we_may_not_read_or_write(tmp_path: Path, begin: Begin) -> None:
    rules = tmp_path / "acl"
    rules.write_text("topic deny jartide/+/reading\ntopic read nothing\n")
    with mosquitto(tmp_path / "broker", more=(f"acl_file {rules}",)) as broker:
        source, _ = begin(broker.port)
        wait_until(lambda: connected(source), "connected")
        assert not source.publish("forbidden", "x")
        words = "the broker does not let us write forbidden: see its access list"
        wait_until(lambda: source.health().trouble == words, "in words")
        assert connected(source)
        rules.write_text("topic deny jartide/+/reading\ntopic read nothing\ntopic readwrite #\n")
        assert broker.process is not None
        broker.process.send_signal(signal.SIGHUP)  # mosquitto reads its access list anew
        wait_until(lambda: source.publish("forbidden", "x"), "let in after the list was mended")
        wait_until(lambda: source.health().trouble is None, "the trouble is over")


@pytest.mark.fault("M11")
def test_a_subscription_that_is_refused(tmp_path: Path, begin: Begin, monkeypatch: pytest.MonkeyPatch) -> None:
    """mosquitto refuses a filter that holds a level it keeps to itself only with its plugin; MQTT 5 code 143 or 135
    is what matters here, so the answer comes from a broker that the test plays."""
    server = socket.create_server(("127.0.0.1", 0))
    monkeypatch.setattr(mqtt_topic, "RETRY_S", (0.2, 0.5))
    mended = threading.Event()

    def play() -> None:
        peer, _ = server.accept()
        peer.recv(4096)
        peer.sendall(bytes([0x20, 3, 0, 0, 0]))  # CONNACK: welcome, no properties
        asked = peer.recv(4096)
        mid = asked[asked.index(0x82) + 2 :][:2]
        peer.sendall(bytes([0x90, 4]) + mid + bytes([0, 135]))  # SUBACK: not authorized
        while asked := peer.recv(4096):
            if mended.is_set() and 0x82 in asked:
                mid = asked[asked.index(0x82) + 2 :][:2]
                peer.sendall(bytes([0x90, 4]) + mid + bytes([0, 1]))  # SUBACK: granted

    threading.Thread(target=play, daemon=True).start()
    source, _ = begin(server.getsockname()[1])
    words = "the broker does not let us read jartide/{jar}/reading (Not authorized): see its access list"
    wait_until(lambda: source.health().trouble == words, "trouble")
    assert connected(source)
    mended.set()
    wait_until(lambda: source.health().trouble is None, "asked again, and let in")
    assert connected(source)


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return Authority.make(tmp_path_factory.mktemp("ca"))


def test_tls(tmp_path: Path, begin: Begin, authority: Authority) -> None:
    with mosquitto(tmp_path / "broker", certificate=authority.issue("localhost")) as broker:
        source, caught = begin(broker.port, host="localhost", ca_file=authority.file)
        wait_until(lambda: connected(source), "connected")
        plain, _ = begin(broker.port, client_id="plain")
        wait_until(lambda: "is it a broker, with or without TLS?" in (plain.health().trouble or ""), "in words")
        child = Device.__new__(Device)
        child.client = mqtt.Client(CallbackAPIVersion.VERSION2)
        child.client.tls_set(str(authority.file))
        child.client.connect("localhost", broker.port)
        child.client.loop_start()
        child.say(*(reading(n) for n in range(100)))
        wait_until(lambda: len(caught.items) == 100, "all readings")
        child.leave()


@pytest.mark.fault("M15")
@pytest.mark.parametrize(
    ("name", "days", "trusted", "words"),
    [
        (
            "localhost",
            -1,
            True,
            "the certificate of localhost is refused (certificate has expired): mend it, or see ca_file",
        ),
        ("localhost", 30, False, "the certificate of localhost is refused (unable to get local issuer certificate"),
        ("elsewhere", 30, True, "the certificate of localhost is refused (Hostname mismatch"),
    ],
)
def test_a_wrong_certificate_is_refused_in_words(
    tmp_path: Path, begin: Begin, authority: Authority, name: str, days: int, trusted: bool, words: str
) -> None:
    other = Authority.make(tmp_path / "other")
    with mosquitto(tmp_path / "broker", certificate=authority.issue(name, days)) as broker:
        ca = authority.file if trusted else other.file
        source, _ = begin(broker.port, host="localhost", ca_file=ca)
        wait_until(lambda: (source.health().trouble or "").startswith(words), f"{words}; is {source.health()}")


def test_a_client_certificate_instead_of_a_password(tmp_path: Path, begin: Begin, authority: Authority) -> None:
    certificate, key = authority.issue("kitchen")
    with mosquitto(tmp_path / "broker", certificate=authority.issue("localhost"), client_ca=authority.file) as broker:
        source, _ = begin(
            broker.port,
            host="localhost",
            ca_file=authority.file,
            client_cert_file=certificate,
            client_key_file=key,
        )
        wait_until(lambda: connected(source), "let in")
        bare, _ = begin(broker.port, host="localhost", ca_file=authority.file, client_id="bare")
        wait_until(lambda: bare.health().trouble not in (None, "not started"), "not let in")
        assert not connected(bare)
        gone, _ = begin(broker.port, host="localhost", ca_file=tmp_path / "none.pem", client_id="gone")
        wait_until(lambda: "certificate file" in (gone.health().trouble or ""), "in words")


@pytest.mark.fault("M10")
@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_another_client_with_our_id(
    broker: Mosquitto, begin: Begin, protocol: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(mqtt_topic, "RETRY_S", (0.1, 60.0))
    source, _ = begin(broker.port, protocol=protocol, client_id="twice")
    wait_until(lambda: connected(source), "connected")
    other = Device(broker.port, "twice")
    wait_until(lambda: "client id twice" in (source.health().trouble or ""), "named")
    other.leave()


# --- errors of our own ------------------------------------------------------------------------------------------------


@pytest.mark.fault("M13")
def test_an_error_while_taking_in_loses_nothing(
    broker: Mosquitto, begin: Begin, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(mqtt_topic, "RETRY_S", (0.1, 0.2))
    source, caught = begin(broker.port)
    wait_until(lambda: connected(source), "connected")
    taken, calls = source._take, []

    def fail_at_first(*arguments: object) -> None:
        calls.append(arguments)
        if len(calls) <= 2:
            raise RuntimeError("boom")
        taken(*arguments)  # type: ignore[arg-type]

    monkeypatch.setattr(source, "_take", fail_at_first)
    device = Device(broker.port)
    device.say(*(reading(n) for n in range(5)))
    wait_until(lambda: len({item.seq for item in caught.readings}) == 5, "all five")
    wait_until(lambda: connected(source), "connected")
    device.leave()


@pytest.mark.fault("M17")
def test_a_full_queue_holds_up_nothing_but_the_source(broker: Mosquitto, begin: Begin) -> None:
    room, items = threading.Semaphore(5), []

    def put(item: Delivery | Rejected) -> None:
        while not room.acquire(timeout=0.05):
            if ending.is_set():
                raise queue.Full
        items.append(item)

    ending = threading.Event()
    source = MqttTopic(MqttSettings(host="127.0.0.1", port=broker.port), "full", jars=JARS)
    source.start(put)
    wait_until(lambda: connected(source), "connected")
    device = Device(broker.port)
    device.say(*(reading(n) for n in range(10)))
    wait_until(lambda: len(items) == 5, "as many as there is room for")
    source.acknowledge([item.token for item in items])
    room.release(5)
    wait_until(lambda: len(items) == 10, "the rest")
    device.say(reading(11))
    device.hear("jartide/status")
    ending.set()
    source.stop()
    wait_until(lambda: device.heard and device.heard[-1][1] == b"offline", "left in good order")
    device.leave()
    _, caught = begin(broker.port, client_id="full")
    wait_until(lambda: caught.distances[-1:] == [111.0], "what there was no room for")
    assert caught.distances == distances(5, 6, 7, 8, 9, 11)  # and what was not acknowledged


def test_all_configured_sources_are_opened_under_names_of_their_own() -> None:
    settings = Settings(
        jars=(JarSettings(name="rye"),),
        serial=(SerialSettings(port="/dev/x"),),
        mqtt=(
            MqttSettings(host="a"),
            MqttSettings(host="b", client_id="mine", tls=False),
            MqttSettings(host="b", tls=False, topic="other/{jar}"),
        ),
    )
    sources = open_sources(settings, "0123456789")
    assert [source.name for source in sources] == [
        "serial /dev/x", "mqtt a:8883", "mqtt b:1883 jartide/{jar}/reading", "mqtt b:1883 other/{jar}"
    ]  # fmt: skip
    assert all(not source.health().connected for source in sources)
