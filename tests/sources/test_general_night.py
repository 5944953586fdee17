"""A whole night as six kinds of general firmware would have said it, through a real broker to the decided fall.

The connection is the daemon's own; the wall clock is the test's, so that each message is received when it is sent in
the night, and the next is sent when it has come.
"""

from __future__ import annotations

import queue

import pytest

from monitor.runs import run_file
from monitor.settings import DisplaySettings, JarSettings, MqttSettings, Settings
from monitor.sources import Opening, open_sources
from monitor.values import Delivery, Reading, Rejected
from tests.servers import Mosquitto, wait_until
from tests.sources.test_general_form import KINDS, RUN, ends_with_its_fall, tables_of
from tests.sources.topics import Device


@pytest.mark.parametrize("kind", KINDS)
def test_a_night_through_a_broker_ends_with_its_fall(broker: Mosquitto, kind: str) -> None:
    tables = tuple(
        MqttSettings(host="127.0.0.1", port=broker.port, topic=one.topic, jar=one.jar, read=one.read)
        for one in tables_of(kind)
    )
    settings = Settings(jars=(JarSettings(name="midnight"),), mqtt=tables, display=DisplaySettings(time_zone="UTC"))
    clock = [0.0]
    (source,) = open_sources(Opening(settings=settings, client_token="token", wall=lambda: clock[0]))
    readings: list[Reading] = []
    came: queue.SimpleQueue[Reading] = queue.SimpleQueue()

    def put(item: Delivery | Rejected, *, wait_s: float) -> None:
        assert isinstance(item, Delivery), item
        came.put(item.reading)
        source.acknowledge([item.token])

    _, say, every_s = KINDS[kind]
    device, last_s = Device(broker.port), 0.0
    source.start(put)
    try:
        wait_until(lambda: source.health().connected, "connected")
        for reading in run_file.read(RUN).readings():
            if reading.time_s - last_s < every_s or reading.distance_mm is None or reading.temperature_c is None:
                continue
            last_s = clock[0] = reading.time_s
            for topic, payload in say(reading.distance_mm, reading.temperature_c):
                device.say(payload, topic=topic)
                readings.append(came.get(timeout=60.0))  # wakes at once, where a poll would cost 10 ms a message
    finally:
        source.stop()
        device.leave()
    assert came.empty()
    ends_with_its_fall(readings)
