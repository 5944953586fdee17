"""What jars look like to Home Assistant, and what its buttons do: a script plays the hub against a real broker.

The keys that each platform takes are written down here from
https://www.home-assistant.io/integrations/mqtt/#device-discovery-payload and the pages of sensor.mqtt,
binary_sensor.mqtt, event.mqtt and button.mqtt; the templates are rendered by Jinja, as Home Assistant renders them.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import jinja2
import pytest

from monitor.runs.store import Store
from monitor.settings import JarSettings, MqttSettings, Settings, StoreSettings
from monitor.sinks.home_assistant import HomeAssistant, config_topic, payload
from monitor.sinks.mqtt_commands import MqttCommands
from monitor.sinks.mqtt_state import state_body
from monitor.sources.mqtt_source import MqttSource
from monitor.values import Fed, JarState, Noted, Noting, Stage
from tests.servers import Mosquitto, mosquitto, wait_until
from tests.sources.topics import Device

ENTITY = {"platform", "name", "unique_id", "availability", "entity_category", "enabled_by_default", "device_class"}
ALLOWED = {
    "sensor": ENTITY | {
        "value_template", "unit_of_measurement", "state_class", "suggested_display_precision", "options",
        "json_attributes_topic", "json_attributes_template",
    },
    "binary_sensor": ENTITY | {"value_template"},
    "event": ENTITY | {"state_topic", "value_template", "event_types", "qos"},
    "button": ENTITY | {"command_topic", "payload_press"},
}  # fmt: skip
ROOT = {"device", "origin", "availability", "availability_mode", "state_topic", "qos", "components"}
DEVICE = {"identifiers", "name", "manufacturer", "model", "sw_version", "configuration_url"}
TIMESTAMPS = {"fed", "peak", "fall", "peak_expected", "feed_expected", "last_reading"}

JARS = (JarSettings(name="rye", flour="whole rye"), JarSettings(name="white.1"))
MQTT = MqttSettings(
    host="127.0.0.1",
    notice_topic="jartide/notice",
    command_topic="jartide/{jar}/command",
    home_assistant="homeassistant",
)
STATE = JarState(
    jar="rye", now_s=1.79e9, stage=Stage.RISING, cycle=None, previous=None, level=None, slope_mm_per_h=None,
    slope_sd_mm_per_h=None, last_reading_s=1.79e9, temperature_c=24.126, room_c=None, noise_mm=None, sampling_s=None,
    silent_since_s=None, stuck_since_s=None, lid_off_since_s=None, question=None, forecast=None,
)  # fmt: skip


def rendered(template: str, value: object) -> str:
    environment = jinja2.Environment()
    environment.filters["tojson"] = json.dumps
    return environment.from_string(template).render(value_json=value)


def test_a_jar_is_described_by_keys_that_are_known() -> None:
    said = payload(JARS[0], MQTT, "abc", "http://kitchen.local:8140")
    assert set(said) <= ROOT
    assert set(said["device"]) <= DEVICE
    components: dict[str, dict[str, Any]] = said["components"]
    for name, one in components.items():
        assert set(one) <= ALLOWED[one["platform"]], name
        assert one["unique_id"] == f"jartide_abc_rye_{name}"
    assert len({one["unique_id"] for one in components.values()}) == len(components) >= 19
    assert components["fed_button"]["payload_press"] == '{"fed": {}}'
    assert components["stage"]["options"] == [stage.value for stage in Stage]
    assert len(json.dumps(said)) < 16_384  # the example broker's limit
    bare = payload(JARS[0], replace(MQTT, notice_topic=None, command_topic=None), "abc", None)
    assert {one["platform"] for one in bare["components"].values()} == {"sensor", "binary_sensor"}
    assert "configuration_url" not in bare["device"]


@pytest.mark.parametrize("known", [False, True])
def test_every_template_renders_what_its_entity_takes(known: bool) -> None:
    body = state_body(STATE)
    if known:
        span = {"earliest": "2026-03-02T05:00:00Z", "likely": "2026-03-02T06:00:00Z", "latest": "2026-03-02T07:00:00Z"}
        body |= {
            "rise_ratio": 1.934, "fall_at": "2026-03-02T06:00:00Z", "forecast_peak_at": span, "forecast_fall_at": span,
            "fed_at": span["likely"], "peak_at": span["likely"], "silent_since": span["likely"], "question": "fed?",
        }  # fmt: skip
    out = {
        name: rendered(one["value_template"], body)
        for name, one in payload(JARS[0], MQTT, "abc", None)["components"].items()
        if "value_template" in one and one["platform"] != "event"
    }
    assert (out["stage"], out["temperature"]) == ("rising", "24.13")
    assert out["rise"] == ("193.0" if known else "None")  # "None" is unknown to Home Assistant
    assert out["feed_now"] == out["question"] == out["sensor_problem"] == ("ON" if known else "OFF")
    for name in TIMESTAMPS - {"last_reading"}:
        assert out[name] == ("2026-03-02T06:00:00Z" if known else "None"), name


def test_a_notice_of_another_jar_is_no_event_of_this_one() -> None:
    template = payload(JARS[0], MQTT, "abc", None)["components"]["notice"]["value_template"]
    notice = {
        "jar": "rye",
        "kind": "feed_now",
        "title": "Feed rye now",
        "text": "It sinks.",
        "id": "rye.1.2.feed_now.0",
    }
    assert json.loads(rendered(template, notice))["event_type"] == "feed_now"
    assert rendered(template, notice | {"jar": "white.1"}) == ""


# --- a hub and a daemon's connection, at a real broker


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with mosquitto(tmp_path / "broker") as running:
        yield running


@contextmanager
def described(
    broker: Mosquitto, path: Path, jars: tuple[JarSettings, ...] = JARS, now_s: Callable[[], float] = lambda: 1.79e9
) -> Iterator[MqttSource]:
    """Connection, descriptions and commands, as the daemon joins them."""
    mqtt = replace(MQTT, port=broker.port)
    settings = Settings(jars=jars, mqtt=(mqtt,), store=StoreSettings(path=path))
    source = MqttSource(mqtt, "jartide-hub", jars=frozenset(jar.name for jar in jars))
    sinks = [HomeAssistant(path, source, mqtt, settings, "abc"), MqttCommands(path, source, mqtt, settings, now_s)]
    source.start(lambda item: None)
    for sink in sinks:
        sink.start()
    wait_until(lambda: source.health().connected, "connected")
    try:
        yield source
    finally:
        for sink in sinks:
            sink.stop()
        source.stop()


def test_a_hub_that_starts_again_and_a_jar_that_goes(broker: Mosquitto, tmp_path: Path) -> None:
    path = tmp_path / "s.db"
    Store.open(path, 1.79e9).close()
    rye, white = (config_topic("homeassistant", "abc", jar.name) for jar in JARS)
    assert white == "homeassistant/device/jartide_abc_white_1/config"
    hub = Device(broker.port)
    hub.hear("homeassistant/device/#")
    with described(broker, path):
        wait_until(lambda: {topic for topic, _, _ in hub.heard} == {rye, white}, "both jars")
        hub.heard.clear()
        hub.say("online", topic="homeassistant/status")
        wait_until(lambda: {topic for topic, _, _ in hub.heard} == {rye, white}, "both again")
    later = Device(broker.port)
    later.hear("homeassistant/device/#")
    wait_until(lambda: len(later.heard) == 2, "they are retained")
    later.heard.clear()
    with described(broker, path, JARS[:1]):
        wait_until(lambda: (white, b"", False) in later.heard, "the one that left is taken away")
    hub.leave()
    later.leave()


@pytest.mark.fault("M22")
def test_a_pressed_button_is_a_feeding_and_is_answered(broker: Mosquitto, tmp_path: Path) -> None:
    path = tmp_path / "s.db"
    Store.open(path, 1.79e9).close()
    now = [1.79e9]
    buttons = payload(JARS[0], MQTT, "abc", None)["components"]
    hub = Device(broker.port)
    hub.hear("jartide/+/command/result")

    def told(topic: str, body: object, *, retain: bool = False) -> dict[str, Any]:
        hub.heard.clear()
        hub.say(body if isinstance(body, str) else json.dumps(body), topic=topic, retain=retain)
        wait_until(lambda: hub.heard, "an answer")
        assert hub.heard[0][0] == f"{topic}/result"
        return dict(json.loads(hub.heard[0][1]))

    rye = "jartide/rye/command"
    with described(broker, path, now_s=lambda: now[0]), Store.join(path) as store:
        fed = told(buttons["fed_button"]["command_topic"], buttons["fed_button"]["payload_press"])
        assert (fed["ok"], fed["at_s"]) == (True, 1.79e9)
        again = told(rye, {"fed": {}, "id": "two"})
        assert (again["ok"], again["id"]) == (False, "two")  # nobody feeds a jar twice in a minute
        assert "within the last minute" in again["error"]
        now[0] += 120
        grams = told(rye, {"fed": {"starter_g": 20, "flour_g": 60, "water_g": 60}})
        taken_back = told(rye, {"taken_back": {"seq": grams["seq"]}})
        assert taken_back["ok"]
        assert told("jartide/white.1/command", buttons["taken"]["payload_press"])["ok"]
        assert told(rye, buttons["snooze_button"]["payload_press"])["ok"]
        assert told(rye, {"noted": {"what": "rest"}})["ok"]
        kept = [one for one in store.told("rye") if isinstance(one, Fed | Noted)]
        assert [type(one).__name__ for one in kept] == ["Fed", "Noted", "Noted"]
        assert kept[-1].what is Noting.REST  # type: ignore[union-attr]
        for wrong, said in (
            ("{", "not JSON"),
            ([], "one of fed, noted"),
            ({"fed": {}, "noted": {}}, "one of fed, noted"),
            ({"fed": {"flour_g": -5}}, "flour_g: must be"),
            ({"noted": {"what": "dance"}}, "what: must be one of"),
            ("x" * 5000, "at most 4096 bytes"),
        ):
            answer = told(rye, wrong)
            assert not answer["ok"]
            assert said in answer["error"], answer
        assert "no jar 'spelt'" in told("jartide/spelt/command", {"fed": {}})["error"]
    hub.leave()


@pytest.mark.fault("M22")
def test_a_retained_command_is_refused(broker: Mosquitto, tmp_path: Path) -> None:
    path = tmp_path / "s.db"
    Store.open(path, 1.79e9).close()
    hub = Device(broker.port)
    hub.hear("jartide/+/command/result")
    hub.say(json.dumps({"noted": {"what": "hooch"}}), topic="jartide/rye/command", retain=True)
    with described(broker, path), Store.join(path) as store:
        wait_until(lambda: hub.heard, "an answer")
        assert "must not be retained" in json.loads(hub.heard[0][1])["error"]
        assert list(store.told("rye")) == []
    hub.leave()
