"""The MQTT source against a real broker: readings in, our own words out, errors of our own."""

import queue
import re
import threading
import time
from types import SimpleNamespace

import paho.mqtt.client
import pytest

from monitor.settings import JarSettings, MqttSettings, SerialSettings, Settings
from monitor.sources import Opening, mqtt_publisher, mqtt_source, open_sources
from monitor.sources.mqtt_source import MqttSource
from monitor.values import Delivery, Rejected
from tests.servers import Mosquitto, wait_until
from tests.sources.topics import JARS, TOPIC, Begin, Device, connected, distances, joined, reading


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_readings_come_in_and_the_status_is_kept(broker: Mosquitto, begin: Begin, protocol: str) -> None:
    source, caught = joined(begin, broker.port, protocol=protocol)
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
    joined(begin, broker.port, client_id="dies")
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
    source, _ = joined(begin, broker.port)
    assert source.publish("jartide/rye/state", '{"stage":"rising"}', retain=True)
    wait_until(lambda: device.heard == [("jartide/rye/state", b'{"stage":"rising"}', False)], "the state")
    broker.stop()
    wait_until(lambda: not connected(source), "noticed")
    began_s = time.monotonic()
    assert not source.publish("jartide/rye/state", "{}")
    assert time.monotonic() - began_s < mqtt_publisher.PUBLISH_S  # it knows that nobody hears
    device.leave()


@pytest.mark.fault("M8")
@pytest.mark.fault("M9")
def test_what_is_no_reading_does_not_close_the_window(broker: Mosquitto, begin: Begin) -> None:
    """mosquitto sends 20 unacknowledged messages at most; refused ones have to be acknowledged too."""
    source, caught = begin(broker.port, protocol="3.1.1")  # with 5 the broker itself drops what is long
    wait_until(lambda: connected(source), "connected")
    device = Device(broker.port)
    bad = [b"\xff\xfe", b"", b"null", b"[" * 10_000, b"x" * 1_000_000, b'{"distance_mm":true}'] * 10
    device.say(*bad, reading(1))
    wait_until(lambda: caught.readings, "the good one")
    assert len(caught.reasons) == 60
    assert set(caught.reasons) == {
        "not_utf8", "empty", "not_an_object", "too_long", "not_a_number:distance_mm"
    }  # fmt: skip
    device.leave()


def test_without_acknowledgement_the_broker_holds_the_rest(broker: Mosquitto, begin: Begin) -> None:
    source, caught = begin(broker.port, at_once=False, protocol="3.1.1")  # with 5 we ask for a larger window
    wait_until(lambda: connected(source), "connected")
    device = Device(broker.port)
    device.say(*(reading(n) for n in range(60)))
    # mosquitto sends 20 ahead, our own echo among them; as the echo is acknowledged, 2.0.11 at times sends 20 more
    wait_until(lambda: len(caught.items) >= 19, "a full window")
    assert len(caught.items) <= 40
    assert broker.log().count("Received PUBACK from jartide-test") <= 1  # the echo's
    caught.at_once = True
    caught.commit(caught.items[:20])
    wait_until(lambda: len(caught.items) == 60, "all")
    assert caught.distances == distances(*range(60))
    device.leave()


@pytest.mark.fault("M14")
def test_unknown_jars_and_topics(broker: Mosquitto, begin: Begin) -> None:
    _, caught = joined(begin, broker.port)
    device = Device(broker.port)
    for n in range(100):
        device.client.publish(f"jartide/jar{n}/reading", reading(n), qos=1)
    device.say(reading(1, jar="other"), topic="jartide/wheat/reading")  # the topic counts
    wait_until(lambda: caught.readings, "the known one")
    assert caught.readings[0].reading.jar == "wheat"
    assert caught.reasons == ["unknown_jar"] * 100
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


@pytest.mark.fault("M13")
def test_an_error_while_taking_in_loses_nothing(
    broker: Mosquitto, begin: Begin, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(mqtt_source, "RETRY_S", (0.1, 0.2))
    source, caught = joined(begin, broker.port)
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

    def put(item: Delivery | Rejected, *, wait_s: float) -> None:
        if not room.acquire(timeout=min(wait_s, 0.02)):
            raise queue.Full
        items.append(item)

    source = MqttSource(MqttSettings(host="127.0.0.1", port=broker.port), "full", jars=JARS)
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
    source.stop()
    wait_until(lambda: device.heard and device.heard[-1][1] == b"offline", "left in good order")
    device.leave()
    _, caught = begin(broker.port, client_id="full")
    wait_until(lambda: caught.distances[-1:] == [111.0], "what there was no room for")
    assert caught.distances == distances(5, 6, 7, 8, 9, 11)  # and what was not acknowledged


@pytest.mark.fault("M17")
@pytest.mark.parametrize(("protocol", "qos"), [("5", 1), ("3.1.1", 0)])
def test_the_broker_hears_from_us_while_the_daemon_has_no_room(
    broker: Mosquitto, protocol: str, qos: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """MQTT 5.0, 3.1.2.10: after one and a half keep-alives without a word the broker ends the connection. The client's
    clocks are moved here; the answers to its pings lie behind readings for which there is no room."""
    clock = [1000.0]
    monkeypatch.setattr(mqtt_source, "time", SimpleNamespace(monotonic=lambda: clock[0]))
    monkeypatch.setattr(paho.mqtt.client, "time_func", lambda: clock[0])
    room, items = threading.Semaphore(5), []

    def put(item: Delivery | Rejected, *, wait_s: float) -> None:
        if not room.acquire(timeout=min(wait_s, 0.02)):
            raise queue.Full
        items.append(item)
        source.acknowledge([item.token])

    def said() -> int:
        return len(re.findall(r"Received \w+ from full", broker.log()))

    source = MqttSource(MqttSettings(host="127.0.0.1", port=broker.port, protocol=protocol), "full", jars=JARS)
    source.start(put)
    wait_until(lambda: connected(source), "connected")
    device = Device(broker.port)
    for n in range(200):
        device.client.publish(TOPIC, reading(n), qos=qos)
    wait_until(lambda: source._held, "no more room")
    for _ in range(6):
        before = said()
        clock[0] += mqtt_source.KEEPALIVE_S / 2
        wait_until(lambda before=before: said() > before, "a word to the broker")
    room.release(1000)
    wait_until(lambda: len(items) >= 200, "all")
    assert [item.reading.distance_mm for item in items] == distances(*range(200))
    assert connected(source)
    assert broker.log().count("as full (") == 1  # greeted once
    source.stop()
    device.leave()


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
    sources = open_sources(Opening(settings=settings, client_token="0123456789"))
    assert [source.name for source in sources] == [
        "serial /dev/x", "mqtt a:8883", "mqtt b:1883 jartide/{jar}/reading", "mqtt b:1883 other/{jar}"
    ]  # fmt: skip
    assert all(not source.health().connected for source in sources)
