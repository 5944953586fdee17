"""Fixtures that several files here use."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.settings import MqttSettings
from monitor.sources.mqtt_source import MqttSource
from tests.servers import Mosquitto, mosquitto
from tests.sources.topics import JARS, Begin, Caught


@pytest.fixture
def begin() -> Iterator[Begin]:
    started: list[MqttSource] = []

    def start(port: int, *, at_once: bool = True, client_id: str = "jartide-test", **changes: object):  # type: ignore[no-untyped-def]
        keepalive_s = int(changes.pop("keepalive_s", 30))  # type: ignore[call-overload]
        clocks = {key: changes.pop(key) for key in ("clocks", "wall", "monotonic") if key in changes}
        settings = MqttSettings(**({"host": "127.0.0.1", "port": port} | changes))  # type: ignore[arg-type]
        source = MqttSource(settings, client_id, jars=JARS, keepalive_s=keepalive_s, **clocks)  # type: ignore[arg-type]
        caught = Caught(at_once=at_once)
        caught.source = source
        source.start(caught)
        started.append(source)
        return source, caught

    yield start
    for source in started:
        source.stop()


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with mosquitto(tmp_path / "broker") as running:
        yield running
