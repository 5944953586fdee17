"""States and notices on MQTT, through the real source to a real broker (mosquitto), watched by a client of its own.

Retained and not retained as MQTT 3.1.1, section 3.3.1.3: a retained message is given to a new subscriber with RETAIN=1.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest

from monitor.core.display.units import Display
from monitor.daemon import store_alarm
from monitor.runs import deliveries, outbox
from monitor.runs.store import Store
from monitor.settings import MqttSettings
from monitor.sinks.mqtt_state import MqttState
from monitor.sources.mqtt_source import MqttSource
from monitor.values import Cycle, Forecast, JarState, Level, Notice, Span, Stage
from tests.jar_state import jar_state
from tests.servers import Mosquitto, mosquitto, wait_until

NOW = 1_790_000_000.0  # 2026-09-21T14:13:20Z


def state(jar: str = "rye", **changes: object) -> JarState:
    level = Level(time_s=NOW, distance_mm=95.0, level_mm=85.04, sd_mm=0.5, volume_ml=None, rise_ratio=1.71234,
                  rise_ratio_sd=0.02, temperature_c=24.1)  # fmt: skip
    cycle = Cycle(jar=jar, number=3, fed_at_s=NOW - 4 * 3600)
    span = Span(earliest_s=NOW + 3600, likely_s=NOW + 7200, latest_s=NOW + 9000)
    believed = jar_state(
        NOW, jar=jar, level=level, cycle=cycle, slope_mm_per_h=6.0, slope_sd_mm_per_h=0.4, last_reading_s=NOW - 20.3,
        temperature_c=24.1, noise_mm=1.0, forecast=Forecast(made_at_s=NOW, peak_at=span, fall_at=None),
    )  # fmt: skip
    return replace(believed, **changes)  # type: ignore[arg-type]


class Listener:
    """Subscribes to everything and keeps (topic, text, retained) in order. With a name, the broker keeps for it what
    comes while it is away."""

    def __init__(self, port: int, name: str = "") -> None:
        self.got: list[tuple[str, str, bool]] = []
        self._client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, name, clean_session=not name)
        self._client.reconnect_delay_set(1, 1)
        ready = threading.Event()
        self._client.on_connect = lambda *_: self._client.subscribe("#", qos=1)
        self._client.on_subscribe = lambda *_: ready.set()
        self._client.on_message = lambda _c, _u, m: self.got.append((m.topic, m.payload.decode(), bool(m.retain)))
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        assert ready.wait(60)

    def last(self, topic: str) -> str | None:
        return next((text for at, text, _ in reversed(self.got) if at == topic), None)

    def close(self) -> None:
        with suppress(OSError):
            self._client.disconnect()
        self._client.loop_stop()


@contextmanager
def listening(port: int, name: str = "") -> Iterator[Listener]:
    listener = Listener(port, name)
    try:
        yield listener
    finally:
        listener.close()


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with mosquitto(tmp_path / "broker") as running:
        yield running


@contextmanager
def telling(broker: Mosquitto, path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[MqttState, MqttSource]]:
    monkeypatch.setattr("monitor.sinks.mqtt_state.LOOK_S", 0.1)
    settings = MqttSettings(host="127.0.0.1", port=broker.port, notice_topic="jartide/{jar}/notice")
    source = MqttSource(settings, "jartide-test", jars=frozenset({"rye", "white"}))
    sink = MqttState(path, source, settings, wall=lambda: NOW)
    source.start(lambda _: None)
    sink.start()
    try:
        yield sink, source
    finally:
        sink.stop()
        source.stop()


def test_states_are_retained_and_availability_follows_the_readings(
    broker: Mosquitto, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "jartide.db"
    Store.open(path, NOW).close()
    with telling(broker, path, monkeypatch) as (sink, _):
        with listening(broker.port) as first:
            sink.show([state(), state("white", last_reading_s=None, level=None, cycle=None, forecast=None)])
            wait_until(lambda: first.last("jartide/white/state/availability"), "one jar told")
            wait_until(lambda: first.last("jartide/rye/state/availability") == "online", "the other jar told")
            assert first.last("jartide/white/state/availability") == "offline"  # nothing has come from it yet
            sink.show([state(silent_since_s=NOW - 900)])
            wait_until(lambda: first.last("jartide/rye/state/availability") == "offline", "silence told")
            sink.show([state(stage=Stage.AWAY)])
            sink.show([state()])
            wait_until(lambda: first.last("jartide/rye/state/availability") == "online", "back")
        with listening(broker.port) as later:  # a new listener learns the latest at once, and that it is kept news
            wait_until(lambda: later.last("jartide/rye/state"), "retained state")
            wait_until(lambda: later.last("jartide/rye/state/availability"), "retained availability")
            kept = {topic: retained for topic, _, retained in later.got}
            assert kept["jartide/rye/state"]
            assert kept["jartide/rye/state/availability"]
            assert not any(topic.endswith("/reading") for topic in kept)
            assert json.loads(str(later.last("jartide/rye/state"))) == {
                "time": "2026-09-21T14:13:20Z",
                "jar": "rye",
                "stage": "rising",
                "level_mm": 85.0,
                "rise_ratio": 1.712,
                "rise_ratio_sd": 0.02,
                "slope_mm_per_h": 6.0,
                "temperature_c": 24.1,
                "last_reading_at": "2026-09-21T14:13:00Z",
                "fed_at": "2026-09-21T10:13:20Z",
                "peak_at": None,
                "peak_ratio": None,
                "fall_at": None,
                "forecast_peak_at": {
                    "earliest": "2026-09-21T15:13:20Z",
                    "likely": "2026-09-21T16:13:20Z",
                    "latest": "2026-09-21T16:43:20Z",
                },
                "forecast_fall_at": None,
                "silent_since": None,
                "stuck_since": None,
                "question": None,
            }
    with listening(broker.port) as after:  # stopped: nobody follows the jars now
        wait_until(lambda: after.last("jartide/rye/state/availability") == "offline", "offline after stop")


def test_notices_wait_for_the_broker_and_are_not_retained(
    broker: Mosquitto, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "jartide.db"
    with Store.open(path, NOW) as store, telling(broker, path, monkeypatch) as (sink, source):
        notice = Notice(jar="rye", cycle=3, kind="feed_now", repeat=0, due_s=NOW, expires_s=NOW + 3 * 3600,
                        title="Feed rye now", text="It began to sink.")  # fmt: skip
        wait_until(lambda: source.health().connected, "connected")
        with listening(broker.port, "listener") as listener:
            outbox.put(store, [notice], NOW)
            sink.wake()
            wait_until(lambda: listener.last("jartide/rye/notice"), "notice")
            assert json.loads(str(listener.last("jartide/rye/notice"))) == {
                "time": "2026-09-21T14:13:20Z",
                "id": "rye.0.3.feed_now.0",
                "jar": "rye",
                "kind": "feed_now",
                "repeat": 0,
                "urgent": False,
                "expires": "2026-09-21T17:13:20Z",
                "title": "Feed rye now",
                "text": "It began to sink.",
            }
            wait_until(lambda: outbox.latest(store)[0].state == "sent", "marked")
        broker.stop()
        wait_until(lambda: not source.health().connected, "disconnected")
        sink.show([state()])
        outbox.put(store, [replace(notice, repeat=1), replace(notice, jar="", kind="daily_summary")], NOW)
        sink.wake()
        broker.start()
        with listening(broker.port, "listener") as listener:
            wait_until(lambda: listener.last("jartide/all/notice"), "what waited, after the broker is back")
            wait_until(lambda: listener.last("jartide/rye/state"), "the state again")
            wait_until(lambda: listener.last("jartide/rye/notice"), "the repeat")
            told = {(topic, retained) for topic, _, retained in listener.got if topic.endswith("/notice")}
            assert told == {("jartide/all/notice", False), ("jartide/rye/notice", False)}
            wait_until(lambda: {kept.state.value for kept in outbox.latest(store)} == {"sent"}, "marked")
        assert sink.trouble() is None
        assert deliveries.of_notice(store, 1)[str(sink.key)][:2] == ("sent", 1)


@pytest.mark.fault("D16")
def test_that_nothing_can_be_written_is_told_without_a_store(
    broker: Mosquitto, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The file cannot be opened either, and the broker is away at first."""
    with listening(broker.port, "listener"):
        pass
    broker.stop()
    with telling(broker, tmp_path / "there is none.db", monkeypatch) as (sink, _):
        sink.send_now(store_alarm.unwritable("the disk is full", NOW, NOW + 600.0, Display()))
        broker.start()
        with listening(broker.port, "listener") as listener:
            wait_until(lambda: listener.last("jartide/all/notice"), "told")
            body = json.loads(str(listener.last("jartide/all/notice")))
    assert (body["kind"], body["jar"], body["urgent"]) == ("store_trouble", None, True)
    assert body["id"] == f"jartide.0.{int(NOW // 60)}.store_trouble.0"


def test_without_a_topic_for_notices_nothing_waits_to_be_told(tmp_path: Path) -> None:
    settings = MqttSettings(host="127.0.0.1", port=1)
    sink = MqttState(tmp_path / "s.db", MqttSource(settings, "jartide-test", jars=frozenset()), settings)
    sink.send_now(store_alarm.unwritable("the disk is full", NOW, NOW + 600.0, Display()))
    sink.cancel()
    assert sink.trouble() is None
