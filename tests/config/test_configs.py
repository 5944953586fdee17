"""The example configs: all load, everything.toml names every key of the schema, and a real broker takes its own."""

import os
import re
import ssl
import subprocess
import tomllib
from collections.abc import Iterator
from dataclasses import fields
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest

from monitor.check import broker_queue
from monitor.config.reader import HEADERS, REPEATED, SHAPES, SINGLE, load
from monitor.settings import JarSettings, MqttSettings, Settings
from monitor.sources import mqtt_link, wire
from tests.daemon.test_watch import jartide, watching
from tests.servers import Authority, free_port, listens, mosquitto, program, wait_until

CONFIGS = Path(__file__).resolve().parents[2] / "configs"
EXAMPLES = sorted(CONFIGS.glob("*.toml"))
EVERYTHING = tomllib.loads((CONFIGS / "everything.toml").read_text())


def test_the_promised_examples_are_there() -> None:
    assert {"one_serial_jar", "one_mqtt_jar", "many_jars", "everything"} <= {path.stem for path in EXAMPLES}


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_an_example_loads_and_has_something_to_read_from(path: Path) -> None:
    settings = load(path)
    assert settings.serial or settings.mqtt


@pytest.mark.parametrize("name", [name for name in HEADERS if name != "group"])  # a group's keys are a jar's
def test_everything_names_every_key_of_the_schema(name: str) -> None:
    schema: Any = (REPEATED | SINGLE)[name]
    tables = EVERYTHING[name] if name in REPEATED else [EVERYTHING[name]]
    named = {key for one in tables for key in one}
    # a secret has two places, of which a table takes one: the other stands in the comment beside it
    text = (CONFIGS / "everything.toml").read_text()
    other = {f"{key.removesuffix('_env')}_file" for key in named if key.endswith("_env")}
    other = {key for key in other - named if f'or {key} = "' in text}
    assert {field.name for field in fields(schema)} - other == named


def test_everything_shows_every_shape() -> None:
    shapes = {
        jar["geometry"]["shape"]: set(jar["geometry"]) - {"shape"} for jar in EVERYTHING["jar"] if "geometry" in jar
    }
    assert shapes == {shape: set(keys) for shape, keys in SHAPES.items()}


def test_each_line_of_everything_that_holds_a_key_says_its_default() -> None:
    """Read with the eyes of someone who looks up one key: the comment beside or below it tells the default."""
    lines = (CONFIGS / "everything.toml").read_text().splitlines()
    wanted = {field.name for name in HEADERS for field in fields((REPEATED | SINGLE)[name])}
    wanted -= {"name", "port", "host", "url"}  # those that must be given
    for key in sorted(wanted):
        at = next((n for n, line in enumerate(lines) if line.startswith(f"{key} =") or f"or {key} =" in line), None)
        assert at is not None, key
        assert any("Default:" in line for line in lines[at : at + 3]), key


# --- the broker's


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[tuple[int, int, Path]]:
    """A mosquitto with the example's settings, moved to free ports and a folder of the test: (port, TLS port, CA)."""
    authority = Authority.make(tmp_path / "ca")
    certificate, key = authority.issue("localhost")
    passwords = tmp_path / "passwords"
    passwords.write_text("jartide:word\nrye:word\nhouse:word\n")
    subprocess.run([program("mosquitto_passwd"), "-U", str(passwords)], check=True, capture_output=True)
    plain, encrypted = free_port(), free_port()
    text = (CONFIGS / "broker_example.conf").read_text()
    for theirs, ours in (
        ("/etc/mosquitto/jar_passwords", passwords),
        ("/etc/mosquitto/jar_acl", CONFIGS / "broker_acl_example"),
        ("/var/lib/mosquitto", tmp_path),
        ("/etc/mosquitto/certs/broker.pem", certificate),
        ("/etc/mosquitto/certs/broker.key", key),
        ("listener 1883", f"listener {plain}"),
        ("listener 8883", f"listener {encrypted}"),
    ):
        assert f"\n{theirs}" in text or f" {theirs}" in text, theirs
        text = text.replace(theirs, str(ours))
    conf = tmp_path / "mosquitto.conf"
    conf.write_text(text + ("user root\n" if os.geteuid() == 0 else ""))
    running = subprocess.Popen([program("mosquitto"), "-c", str(conf)], stderr=subprocess.DEVNULL)
    wait_until(lambda: listens(plain) and listens(encrypted), "mosquitto listening")
    yield plain, encrypted, authority.file
    running.terminate()
    running.wait(10)


def client(user: str, port: int, ca: Path | None = None) -> mqtt.Client:
    made = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    made.username_pw_set(user, "word")
    if ca is not None:
        made.tls_set_context(ssl.create_default_context(cafile=ca))
    made.connect("localhost" if ca is not None else "127.0.0.1", port)
    made.loop_start()
    return made


def test_a_board_may_write_its_own_jar_and_nothing_else(broker: tuple[int, int, Path]) -> None:
    plain, encrypted, ca = broker
    came: list[str] = []
    refused: dict[int, bool] = {}
    daemon, board = client("jartide", plain), client("rye", encrypted, ca)
    try:
        ready: list[int] = []
        daemon.on_message = lambda _c, _u, message: came.append(message.topic)
        daemon.on_subscribe = lambda _c, _u, mid, reasons, _p: ready.append(mid)
        board.on_publish = lambda _c, _u, mid, reason, _p: refused.update({mid: reason.is_failure})
        wait_until(lambda: daemon.is_connected() and board.is_connected(), "both connected")
        daemon.subscribe("jartide/+/reading", qos=1)
        wait_until(lambda: ready, "subscribed")
        topics = ["jartide/wheat/reading", "jartide/rye/state", "jartide/status", "jartide/rye/reading"]
        mids = {topic: board.publish(topic, "{}", qos=1).mid for topic in topics}
        wait_until(lambda: len(refused) == len(topics), "four answers")
        assert {topic: refused[mid] for topic, mid in mids.items()} == dict(
            zip(topics, [True] * 3 + [False], strict=True)
        )
        wait_until(lambda: came, "the reading")
        assert came == ["jartide/rye/reading"]
    finally:
        for one in (daemon, board):
            one.disconnect()
            one.loop_stop()


def test_nobody_comes_in_without_a_password(broker: tuple[int, int, Path]) -> None:
    answers: list[bool] = []
    stranger = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    stranger.on_connect = lambda _c, _u, _f, reason, _p: answers.append(reason.is_failure)
    stranger.connect("127.0.0.1", broker[0])
    stranger.loop_start()
    try:
        wait_until(lambda: answers, "an answer")
        assert answers[0]
    finally:
        stranger.disconnect()
        stranger.loop_stop()


def test_the_daemon_may_say_all_that_it_has_to_say(broker: tuple[int, int, Path], tmp_path: Path) -> None:
    """The whole daemon with the example's access list: whoever may look at the house hears of the jar."""
    plain, _, _ = broker
    heard: dict[str, str] = {}
    house = client("house", plain)
    word = tmp_path / "word"
    word.write_text("word")
    word.chmod(0o600)
    (tmp_path / "jartide.toml").write_text(
        f'[[jar]]\nname = "rye"\n[[mqtt]]\nhost = "127.0.0.1"\nport = {plain}\n'
        'user = "jartide"\npassword_file = "word"\nnotice_topic = "jartide/notice"\n'
        '[page]\non = false\n[store]\npath = "s.db"\n'
    )
    try:
        house.on_message = lambda _c, _u, message: heard.update({message.topic: message.payload.decode()})
        wait_until(lambda: house.is_connected(), "connected")
        house.subscribe([(topic, 1) for topic in ("jartide/status", "jartide/+/state/#", "jartide/notice")])
        with watching(tmp_path):
            wanted = {"jartide/status", "jartide/rye/state", "jartide/rye/state/availability"}
            wait_until(lambda: wanted <= heard.keys(), "all that is said of the jar")
            assert jartide("note", "rye", "mould", cwd=tmp_path).returncode == 0
            # on a busy machine it was seen to come with the next minute's tick only
            wait_until(lambda: "jartide/notice" in heard, "a notice", 150)
            assert "let us" not in (tmp_path / "log").read_text()
    finally:
        house.disconnect()
        house.loop_stop()


@pytest.mark.fault("M20")
def test_the_example_broker_keeps_what_its_sum_says(
    broker: tuple[int, int, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """5,000 readings to a daemon that is away, all of them kept; mosquitto as it comes keeps 1,000 (mosquitto.conf(5),
    max_queued_messages) beside those under way, and `check` says so."""
    monkeypatch.setenv("WORD", "word")
    ours = MqttSettings(host="127.0.0.1", port=broker[0], user="jartide", password_env="WORD")
    jars = (JarSettings(name="rye"),)
    (kept,) = broker_queue.judge(Settings(jars=jars, mqtt=(ours,)))
    assert (kept.state, "at least 5000 readings" in kept.says) == ("ok", True), kept
    with mosquitto(tmp_path / "as_it_comes") as plain:
        bare = MqttSettings(host="127.0.0.1", port=plain.port, protocol="3.1.1")
        assert 1000 <= broker_queue.messages_kept(bare, 3000) <= 1000 + mqtt_link.WINDOW
        (kept,) = broker_queue.judge(Settings(jars=(*jars, JarSettings(name="wheat")), mqtt=(bare,)))
        assert kept.state == "note"
        assert "max_queued_messages" in kept.says


def test_the_sum_in_the_example_broker_is_right() -> None:
    text = (CONFIGS / "broker_example.conf").read_text()
    messages = int(re.findall(r"^max_queued_messages (\d+)$", text, re.MULTILINE)[0])
    size = int(re.findall(r"^max_queued_bytes (\d+)$", text, re.MULTILINE)[0])
    assert messages >= 10 * 86_400 / 10
    assert size >= 10 * 86_400 / 10 * wire.LINE_MAX  # the longest line of the form
    assert mqtt_link.SESSION_S == 86_400
