"""`jartide find` on a broker with thirty topics: the two that matter, with their units, and a config that loads.

Discovery messages after https://www.home-assistant.io/integrations/mqtt/#mqtt-discovery, payloads as in
tests/sources/test_general_form.py.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from monitor.check.find import candidates, jar_of, tables
from monitor.config.reader import load
from tests.servers import mosquitto
from tests.sources.topics import Device
from tests.terminal import jartide

HOUSE: dict[str, object] = {
    **{f"zigbee2mqtt/lamp_{n}": {"state": "ON", "brightness": 200, "linkquality": 90} for n in range(8)},
    **{f"zigbee2mqtt/room_{n}": {"temperature": 20.5 + n, "humidity": 45, "battery": 97} for n in range(6)},
    **{f"tele/plug_{n}/SENSOR": {"Time": "2026-11-28T20:27:00", "ENERGY": {"Power": 12}} for n in range(6)},
    **{f"tele/plug_{n}/LWT": "Online" for n in range(4)},
    "car/odometer": {"distance_km": 104_233},
    "gate/ultrasonic/distance": "4.21",  # metres, or so it seems: no jar is four centimetres under its sensor
    "door/contact": "open",
}
ESPHOME = {
    "homeassistant/sensor/rye/distance/config": {
        "stat_t": "rye/sensor/distance/state", "unit_of_meas": "m", "name": "Distance", "dev_cla": "distance",
    },
    "homeassistant/sensor/rye/temp/config": {"stat_t": "~/state", "~": "rye/sensor/temp", "unit_of_meas": "°C"},
    "rye/sensor/distance/state": "0.09",
    "rye/sensor/temp/state": "24.1",
}  # fmt: skip
TASMOTA = {
    "tele/jar2/SENSOR": {
        "Time": "2026-11-28T20:27:00", "VL53L0X": {"Distance": 9.2}, "DS18B20": {"Id": "3C", "Temperature": 75.4},
        "TempUnit": "F",
    }
}  # fmt: skip
DEVICE = {
    "homeassistant/device/level7/config": {
        "dev": {"ids": "level7"}, "state_topic": "zigbee2mqtt/level7",
        "cmps": {
            "d": {"p": "sensor", "unit_of_measurement": "mm", "value_template": "{{ value_json['distance'] }}"},
            "t": {"p": "sensor", "unit_of_measurement": "°C", "value_template": "{{ value_json.temperature|int }}"},
            "x": {"p": "sensor", "unit_of_measurement": "mm", "value_template": "{% if value_json.a %}1{% endif %}"},
        },
    },
    "zigbee2mqtt/level7": {"distance": 92, "temperature": 24.13, "linkquality": 10},
}  # fmt: skip


def raw(messages: dict[str, object]) -> dict[str, bytes]:
    return {topic: (said if isinstance(said, str) else json.dumps(said)).encode() for topic, said in messages.items()}


@pytest.mark.parametrize(
    ("device", "wanted"),
    [
        (ESPHOME, {"rye/sensor/distance/state": {"distance": {"unit": "m"}},
                   "rye/sensor/temp/state": {"temperature": {}}}),
        (TASMOTA, {"tele/jar2/SENSOR": {
            "distance": {"path": "VL53L0X.Distance", "unit": "cm"},
            "temperature": {"path": "DS18B20.Temperature", "unit": "degF"}}}),
        (DEVICE, {"zigbee2mqtt/level7": {"distance": {"path": "distance"}, "temperature": {"path": "temperature"}}}),
    ],
    ids=["esphome", "tasmota", "device"],
)  # fmt: skip
def test_of_thirty_topics_the_two_that_matter(
    device: dict[str, object], wanted: dict[str, dict[str, dict[str, str]]]
) -> None:
    found = tables(candidates(raw(HOUSE | device)))
    found.pop("gate/ultrasonic/distance", None)  # may be one: a person sees that it is not
    assert found == wanted


def test_what_is_too_coarse_is_seen() -> None:
    (coarse, _) = candidates(raw(ESPHOME))
    assert (coarse.value, coarse.step_mm, coarse.coarse) == (pytest.approx(90.0), pytest.approx(10.0), True)
    (fine, _) = candidates(raw(TASMOTA))
    assert (fine.step_mm, fine.coarse) == (pytest.approx(1.0), False)


def test_a_jar_is_named_by_its_topic_or_is_the_only_one() -> None:
    assert jar_of("esphome/rye/distance", ["rye", "wheat"]) == "rye"
    assert jar_of("jar-rye/distance", ["rye", "wheat"]) == "rye"
    assert jar_of("jar7/distance", ["rye", "wheat"]) is None
    assert jar_of("jar7/distance", ["rye"]) == "rye"


def test_a_real_broker_and_a_config_that_loads(tmp_path: Path) -> None:
    config = tmp_path / "jartide.toml"
    with mosquitto(tmp_path / "broker") as broker:
        config.write_text(f'[[jar]]\nname = "rye"\n\n[[mqtt]]\nhost = "127.0.0.1"\nport = {broker.port}')
        device = Device(broker.port)
        for topic, payload in raw(HOUSE | ESPHOME).items():
            device.say(payload, topic=topic, retain=True)
        looked = jartide("find", "--config", config, "--listen-s", "2")
        assert looked.exit_code == 0, looked.output
        assert "rye/sensor/distance/state: 90 mm, in steps of 10 mm" in looked.output
        assert "Too coarse" in looked.output
        assert len(load(config).mqtt) == 1  # only shown
        wrote = jartide("find", "--config", config, "--listen-s", "2", "--write", "--json")
        assert wrote.exit_code == 0, wrote.output
        said = json.loads(wrote.stdout)
        assert {(one["kind"], one["topic"], one["coarse"]) for one in said["found"]} >= {
            ("distance", "rye/sensor/distance/state", True)
        }
        assert (said["written_to"], said["tables"].count("[[mqtt]]")) == (str(config), len(load(config).mqtt) - 1)
        tables_now = load(config).mqtt
        assert {one.topic for one in tables_now} >= {"rye/sensor/distance/state", "rye/sensor/temp/state"}
        assert {one.connection for one in tables_now} == {tables_now[0].connection}
        device.leave()
    gone = jartide("find", "--config", config, "--listen-s", "1")
    assert gone.exit_code == 2
    assert "is the broker running?" in gone.output
