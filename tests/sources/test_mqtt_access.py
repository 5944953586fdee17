"""The MQTT source and who may: passwords, access lists, TLS, another client of our name."""

import signal
import socket
import threading
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from monitor.sources import mqtt_source
from tests.servers import Authority, Mosquitto, mosquitto, wait_until
from tests.sources.topics import Begin, Device, connected, joined, reading


@pytest.mark.fault("M11")
@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_user_and_password(tmp_path: Path, begin: Begin, protocol: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mqtt_source, "RETRY_S", (0.2, 0.5))
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
        wait_until(lambda: not source._thread.is_alive(), "the slow pause is cut short", mqtt_source.RETRY_S[1] / 2)
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
        broker.process.send_signal(signal.SIGHUP)  # mosquitto reads its access list again
        wait_until(lambda: source.publish("forbidden", "x"), "let in after the list was mended")
        wait_until(lambda: source.health().trouble is None, "the trouble is over")


@pytest.mark.fault("M11")
def test_a_subscription_that_is_refused(tmp_path: Path, begin: Begin, monkeypatch: pytest.MonkeyPatch) -> None:
    """mosquitto refuses a filter that holds a level it keeps to itself only with its plugin; MQTT 5 code 143 or 135
    is what matters here, so the answer comes from a broker that the test plays."""
    server = socket.create_server(("127.0.0.1", 0))
    monkeypatch.setattr(mqtt_source, "RETRY_S", (0.2, 0.5))
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
            "the certificate of localhost is refused (certificate has expired): replace it, or see ca_file",
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
    monkeypatch.setattr(mqtt_source, "RETRY_S", (0.1, 60.0))
    source, _ = joined(begin, broker.port, protocol=protocol, client_id="twice")
    other = Device(broker.port, "twice")
    wait_until(lambda: "client id twice" in (source.health().trouble or ""), "named")
    other.leave()
