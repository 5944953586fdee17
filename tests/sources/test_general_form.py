"""Readings as devices say them that were not made for this.

The messages are those that the firmware's own documents and sources show: ESPHome (`sensor` over MQTT: a bare number,
NaN when nothing is in range), Tasmota (`tele/.../SENSOR`), Zigbee2MQTT and rtl_433 (one object of everything), a Zigbee
bridge's list, OpenMQTTGateway. Numbers are invented, forms are not.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.config.read_table import read_fields
from monitor.core.detect import step as core
from monitor.host.time_zone import offset_of
from monitor.runs import rfc3339, run_file
from monitor.runs.run_file import jar_of
from monitor.settings import DisplaySettings, JarSettings, MqttSettings, Settings
from monitor.sources import Opening, open_sources
from monitor.sources.general_form import parse
from monitor.sources.mqtt_tables import Tables
from monitor.sources.replay import arrivals
from monitor.sources.wire import Message, Unreadable
from monitor.values import Delivery, EventKind, Reading, Rejected, Straight
from tests.servers import Mosquitto, wait_until
from tests.sources.topics import Device

NOW_S = 1_795_000_000.0
ROME = offset_of("Europe/Rome")
RUN = Path(__file__).resolve().parents[2] / "simulated_runs" / "good_night.csv"

TASMOTA = {
    "distance": {"path": "VL53L0X.Distance", "unit": "cm"},
    "temperature": {"path": "DS18B20.Temperature", "unit_path": "TempUnit"},
    "time": {"path": "Time"},
}


def message(payload: object, read: dict[str, dict[str, str]]) -> Message | None:
    raw = payload if isinstance(payload, str) else json.dumps(payload)
    return parse(raw.encode(), dict(read_fields(read)), ROME, NOW_S)


@pytest.mark.parametrize(
    ("payload", "read", "distance_mm", "temperature_c"),
    [
        ("0.09", {"distance": {"unit": "m"}}, 90.0, None),
        ("nan", {"distance": {"unit": "m"}}, 8190.0, None),  # nothing in range, and not "nothing measured"
        ("24.1", {"temperature": {}}, None, 24.1),
        ("75.4", {"temperature": {"unit": "degF"}}, None, 24.111),
        ("297.25", {"temperature": {"unit": "K"}}, None, 24.1),
        ({"VL53L0X": {"Distance": 9.2}, "DS18B20": {"Temperature": 24.1}, "TempUnit": "C"}, TASMOTA, 92.0, 24.1),
        ({"VL53L0X": {"Distance": 9.2}, "DS18B20": {"Temperature": 75.38}, "TempUnit": "F"}, TASMOTA, 92.0, 24.1),
        ({"VL53L0X": {"Distance": None}, "DS18B20": {"Temperature": 24.1}}, TASMOTA, None, 24.1),
        ({"d": ["x", {"in": "3.622"}]}, {"distance": {"path": "d.1.in", "unit": "in"}}, 91.999, None),
        (
            {"distance": "unavailable", "t": 20},
            {"distance": {"path": "distance"}, "temperature": {"path": "t"}},
            None,
            20,
        ),
        ({"t": "nan", "d": 92}, {"distance": {"path": "d"}, "temperature": {"path": "t"}}, 92.0, None),
    ],
)
def test_numbers_come_out_in_our_units(
    payload: object, read: dict[str, dict[str, str]], distance_mm: float | None, temperature_c: float | None
) -> None:
    found = message(payload, read)
    assert found is not None
    assert found.distance_mm == pytest.approx(distance_mm, abs=1e-3)
    assert found.temperature_c == pytest.approx(temperature_c, abs=1e-3)


def test_an_echo_and_an_uptime_have_units_too() -> None:
    read = {"echo": {"path": "e", "unit": "ms"}, "uptime": {"path": "u", "unit": "s"}, "boot": {"path": "b"}}
    found = message({"e": 0.53, "u": 12.5, "b": 7}, read)
    assert found is not None
    assert found.echo_us == pytest.approx(530.0)
    assert found.up_ms == pytest.approx(12_500.0)
    assert found.boot == "7"


@pytest.mark.parametrize(
    "payload",
    ["unavailable", "None", "null", "", {"linkquality": 120}, {"VL53L0X": None}, {"VL53L0X": {"Distance": "unknown"}}],
)
def test_nothing_of_it_is_no_reading_and_no_error(payload: object) -> None:
    assert message(payload, TASMOTA) is None
    if isinstance(payload, str):
        assert message(payload, {"distance": {}}) is None


@pytest.mark.parametrize(
    ("payload", "said"),
    [("{", "not JSON"), ({"VL53L0X": {"Distance": "9,2"}}, "distance is not a number"),
     ({"VL53L0X": {"Distance": True}}, "distance is not a number"),
     ({"VL53L0X": {"Distance": 1e300}}, "distance is out of range"),
     ({"VL53L0X": {"Distance": 9.2}, "Time": "noon"}, "time is no date and time")],
)  # fmt: skip
def test_what_is_wrong_is_refused_with_a_reason(payload: object, said: str) -> None:
    with pytest.raises(Unreadable, match=said):
        message(payload, TASMOTA)


NAMES = st.sampled_from(["VL53L0X", "Distance", "Time", "DS18B20"])
ANY_JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=9),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(NAMES, inner),
    max_leaves=9,
)


@given(st.one_of(st.binary(max_size=300), ANY_JSON.map(lambda value: json.dumps(value).encode())))
def test_anything_at_all_is_a_message_nothing_or_a_reason(payload: bytes) -> None:
    try:
        found = parse(payload, dict(read_fields(TASMOTA)), ROME, NOW_S)
    except Unreadable:
        return
    assert found is None or found[1:6] != (None,) * 5


@pytest.mark.parametrize(
    ("said", "received", "meant"),
    [
        ("2026-11-28T20:27:00", "2026-11-28T19:27:02", "2026-11-28T19:27:00"),
        ("2026-07-01 20:27:00", "2026-07-01T18:27:02", "2026-07-01T18:27:00"),
        # 25 October 2026, 02:30 comes twice in Rome: at 00:30 and at 01:30 UTC
        ("2026-10-25T02:30:00", "2026-10-25T00:30:01", "2026-10-25T00:30:00"),
        ("2026-10-25T02:30:00", "2026-10-25T01:30:01", "2026-10-25T01:30:00"),
        ("2026-11-28T20:27:00Z", "2026-11-28T20:27:02", "2026-11-28T20:27:00"),
    ],
)
def test_a_local_time_is_the_households(said: str, received: str, meant: str) -> None:
    def utc(text: str) -> float:
        return datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()

    raw = json.dumps({"VL53L0X": {"Distance": 9.2}, "Time": said}).encode()
    found = parse(raw, dict(read_fields(TASMOTA)), ROME, utc(received))
    assert found is not None
    assert found.time_s == utc(meant)


# --- a whole night, as each kind of firmware would have said it

Said = list[tuple[str, str]]  # topics and payloads
Kind = tuple[list[tuple[str, dict[str, dict[str, str]]]], Callable[[float, float], Said], float]
KINDS: dict[str, Kind] = {
    "esphome": (
        [("jar/sensor/distance/state", {"distance": {"unit": "m"}}), ("jar/sensor/t/state", {"temperature": {}})],
        lambda mm, c: [("jar/sensor/distance/state", f"{mm / 1000:.3f}"), ("jar/sensor/t/state", f"{c:.1f}")],
        60.0,
    ),
    "tasmota": (
        [("tele/jar/SENSOR", {key: TASMOTA[key] for key in ("distance", "temperature")})],
        lambda mm, c: [("tele/jar/SENSOR", json.dumps(
            {"VL53L0X": {"Distance": round(mm / 10, 1)}, "DS18B20": {"Temperature": round(c, 1)}, "TempUnit": "C"}
        ))],
        300.0,
    ),
    "zigbee": (
        [("zigbee2mqtt/level", {"distance": {"path": "distance", "unit": "m"}}),
         ("zigbee2mqtt/probe", {"temperature": {"path": "temperature"}, "humidity": {"path": "humidity"}})],
        lambda mm, c: [("zigbee2mqtt/level", json.dumps({"distance": round(mm / 1000, 3), "linkquality": 90})),
                       ("zigbee2mqtt/probe", json.dumps({"temperature": round(c, 2), "humidity": 61, "battery": 97}))],
        60.0,
    ),
    "rtl_433": (
        [("rtl_433/house/devices/Tank/7", {"distance": {"path": "depth_cm", "unit": "cm"},
                                           "temperature": {"path": "temperature_F", "unit": "degF"}})],
        lambda mm, c: [("rtl_433/house/devices/Tank/7", json.dumps(
            {"model": "Tank", "id": 7, "depth_cm": round(mm / 10, 1), "temperature_F": round(c * 1.8 + 32, 1)}))],
        60.0,
    ),
    "gateway": (
        [("home/gateway/BTtoMQTT/A4C1", {"distance": {"path": "distance"}, "temperature": {"path": "tempc"}})],
        lambda mm, c: [("home/gateway/BTtoMQTT/A4C1", json.dumps(
            {"id": "A4:C1", "rssi": -60, "distance": round(mm), "tempc": round(c, 2)}))],
        60.0,
    ),
    "list": (
        [("plant/io", {"distance": {"path": "ports.2.value", "unit": "in"}})],
        lambda mm, c: [("plant/io", json.dumps({"ports": [{"value": 1}, None, {"value": f"{mm / 25.4:.2f}"}]}))],
        60.0,
    ),
}  # fmt: skip


def tables_of(kind: str) -> list[MqttSettings]:
    return [
        MqttSettings(host="127.0.0.1", topic=topic, jar="midnight", read=read_fields(read))
        for topic, read in KINDS[kind][0]
    ]


@pytest.mark.parametrize("kind", KINDS)
def test_a_night_of_it_ends_with_its_fall(kind: str) -> None:
    """The simulated night's fall is known as early as its own expectation allows for our own device's words."""
    run = run_file.read(RUN)
    _, say, every_s = KINDS[kind]
    clock = [0.0]
    tables = Tables(
        tables_of(kind), "mqtt", jars=frozenset({"midnight"}), wall=lambda: clock[0], monotonic=lambda: clock[0]
    )
    readings: list[Reading] = []
    last_s = 0.0
    for reading in run.readings():
        if reading.time_s - last_s < every_s or reading.distance_mm is None or reading.temperature_c is None:
            continue
        last_s = clock[0] = reading.time_s
        for topic, payload in say(reading.distance_mm, reading.temperature_c):
            for item in tables.take(topic, payload.encode(), again=False, waited=False):
                assert isinstance(item, Delivery), item
                readings.append(item.reading)
    ends_with_its_fall(readings)


def ends_with_its_fall(readings: Sequence[Reading]) -> None:
    """One fall, known as early as the night's own expectation wants it."""
    header = run_file.read(RUN).header
    jar = jar_of("midnight", header, 150.0, Straight())
    vigil, kinds = core.begin(jar), Counter[str]()
    known_s = 0.0
    for arrival in arrivals([(None, reading) for reading in readings], (), "midnight", Counter()):
        vigil, events = core.take(vigil, arrival, jar)
        for event in events:
            kinds[event.kind.value] += 1
            if event.kind is EventKind.FALL_BEGAN:
                known_s = event.decided_at_s
    assert kinds["fall_began"] == 1
    expected = json.loads(RUN.with_suffix(".expected.json").read_text())["must"]
    (fall,) = [one for one in expected if one["kind"] == "fall_began"]
    first_s, last_s = (rfc3339.parse(text) for text in fall["decided"])
    assert first_s <= known_s <= last_s


def test_tables_of_one_broker_share_a_connection_and_each_takes_its_own(broker: Mosquitto) -> None:
    tables = [
        MqttSettings(host="127.0.0.1", port=broker.port, topic=one.topic, jar=one.jar, read=one.read)
        for kind in KINDS for one in tables_of(kind)
    ]  # fmt: skip
    settings = Settings(
        jars=(JarSettings(name="midnight"), JarSettings(name="rye")),
        mqtt=(*tables, MqttSettings(host="127.0.0.1", port=broker.port)),
        display=DisplaySettings(time_zone="Europe/Rome"),
    )
    (source,) = open_sources(Opening(settings=settings, client_token="token"))
    came: list[Delivery | Rejected] = []

    def put(item: Delivery | Rejected, *, wait_s: float) -> None:
        came.append(item)
        source.acknowledge([item.token])

    device = Device(broker.port)
    device.say("0.100", topic="jar/sensor/distance/state", retain=True)  # from before we listened
    source.start(put)
    try:
        wait_until(lambda: source.health().connected, "connected")
        device.say("{}", topic="plant/io")  # nothing of it: acknowledged, and not refused
        for kind in KINDS:
            for topic, payload in KINDS[kind][1](92.0, 24.0):
                device.say(payload, topic=topic)
        device.say(json.dumps({"distance_mm": 92.0}), topic="jartide/rye/reading")
        wait_until(lambda: len(came) >= 10, "all of them")
    finally:
        source.stop()
        device.leave()
    assert not [item for item in came if isinstance(item, Rejected)]
    old, *new = [item for item in came if isinstance(item, Delivery)]
    assert (old.again, old.timed, old.reading.distance_mm) == (True, False, 100.0)
    assert [item.reading.distance_mm for item in new if item.reading.distance_mm] == pytest.approx([92.0] * 7, abs=0.1)
    assert new[-1].reading.jar == "rye"
    assert broker.log().count("as jartide-token ") == 1
