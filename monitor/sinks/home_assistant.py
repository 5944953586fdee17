"""Describes each jar to Home Assistant as a device with its entities, by its discovery over MQTT.

One retained message for each jar at `<prefix>/device/jartide_<instance>_<jar>/config`
(https://www.home-assistant.io/integrations/mqtt/#device-discovery-payload). Its entities read the state topic that is
published anyway; the buttons write the command topic, where there is one. Sent when the connection comes up and when
Home Assistant says on `<prefix>/status` that it has started. A jar that has left the config is removed by an empty
message; the store remembers which were described.
"""

from __future__ import annotations

import json
import re
from math import inf
from pathlib import Path
from typing import Any

from monitor import __version__
from monitor.core.notify.conditions import Kind
from monitor.host.heartbeat import sending
from monitor.host.worker import Worker
from monitor.runs.store import Store, StoreTrouble
from monitor.settings import JarSettings, MqttSettings, Settings
from monitor.sinks.mqtt_connection import STOP_S, Connection
from monitor.sinks.worker_sink import WorkerSink
from monitor.values import Stage

KEY = "home assistant"  # in the store: the topics that were described, as a JSON list
LOOK_S = 5.0  # how soon a connection that is back is noticed
SAME_S = 0.1

Payload = dict[str, Any]


def config_topic(prefix: str, instance: str, jar: str) -> str:
    """Where a jar is described; `instance` is this store's own token."""
    return f"{prefix}/device/{_device_id(instance, jar)}/config"


def payload(jar: JarSettings, mqtt: MqttSettings, instance: str, address: str | None) -> Payload:
    """The description of one jar."""
    device = _device_id(instance, jar.name)
    state_topic = (mqtt.state_topic or "").replace("{jar}", jar.name)
    about: Payload = {"identifiers": [device], "name": jar.name, "manufacturer": "Jartide", "sw_version": __version__}
    if jar.flour:
        about["model"] = jar.flour
    if address:
        about["configuration_url"] = address
    alive = {"topic": mqtt.status_topic}
    components = {**_measured(), **_times(state_topic), **_signs(), **_notice(jar, mqtt), **_buttons(jar, mqtt)}
    for name, component in components.items():
        component["unique_id"] = f"{device}_{name}"
        if component.get("entity_category") == "diagnostic":
            component["availability"] = [alive]  # by itself, or it would be unavailable just when it is needed
    return {
        "device": about,
        "origin": {"name": "Jartide", "sw_version": __version__},
        "availability": [alive, {"topic": f"{state_topic}/availability"}],
        "availability_mode": "all",
        "state_topic": state_topic,
        "qos": 1,
        "components": components,
    }


def _sensor(name: str, template: str, **more: Any) -> Payload:
    return {"platform": "sensor", "name": name, "value_template": f"{{{{ {template} }}}}", **more}


def _measured() -> dict[str, Payload]:
    measurement = {"state_class": "measurement"}
    return {
        "stage": _sensor("Stage", "value_json.stage", device_class="enum", options=[stage.value for stage in Stage]),
        "rise": _sensor(
            "Rise", "(value_json.rise_ratio * 100) | round(0) if value_json.rise_ratio is not none else none",
            unit_of_measurement="%", suggested_display_precision=0, **measurement,
        ),
        "level": _sensor(
            "Height", "value_json.level_mm", device_class="distance", unit_of_measurement="mm", **measurement
        ),
        "temperature": _sensor(
            "Temperature", "value_json.temperature_c", device_class="temperature", unit_of_measurement="°C",
            **measurement,
        ),
        "slope": _sensor(
            "Pace", "value_json.slope_mm_per_h", unit_of_measurement="mm/h", enabled_by_default=False, **measurement
        ),
    }  # fmt: skip


def _times(state_topic: str) -> dict[str, Payload]:
    out = {
        key: _sensor(name, f"value_json.{key}_at", device_class="timestamp")
        for key, name in (("fed", "Fed"), ("peak", "Peak"), ("fall", "Began to fall"))
    }
    for key, name, of in (("peak_expected", "Peak expected", "peak"), ("feed_expected", "Feeding expected", "fall")):
        span = f"value_json.forecast_{of}_at"
        out[key] = _sensor(
            name, f"{span}.likely if {span} else none", device_class="timestamp",
            json_attributes_topic=state_topic,
            json_attributes_template=f"{{{{ ({span} or {{}}) | tojson }}}}",
        )  # fmt: skip
    out["last_reading"] = _sensor(
        "Last reading", "value_json.last_reading_at", device_class="timestamp", entity_category="diagnostic"
    )
    return out


def _signs() -> dict[str, Payload]:
    def sign(name: str, condition: str, **more: Any) -> Payload:
        template = f"{{{{ 'ON' if {condition} else 'OFF' }}}}"
        return {"platform": "binary_sensor", "name": name, "value_template": template, **more}

    return {
        "feed_now": sign("Feed now", "value_json.fall_at"),
        "question": sign("Question", "value_json.question"),
        "sensor_problem": sign(
            "Sensor", "value_json.silent_since or value_json.stuck_since", device_class="problem",
            entity_category="diagnostic",
        ),
    }  # fmt: skip


def _notice(jar: JarSettings, mqtt: MqttSettings) -> dict[str, Payload]:
    if not mqtt.notice_topic:
        return {}
    body = "'event_type': value_json.kind, 'title': value_json.title, 'text': value_json.text, 'id': value_json.id"
    template = f"{{{{ {{{body}}} | tojson }}}}"
    if "{jar}" not in mqtt.notice_topic:  # the notices of all jars come there: ignore those of others
        template = f"{{% if value_json.jar == {json.dumps(jar.name)} %}}{template}{{% endif %}}"
    kinds = [*(kind.value for kind in Kind), "store_trouble", "store_damaged"]
    return {
        "notice": {
            "platform": "event",
            "name": "Notice",
            "state_topic": mqtt.notice_topic.replace("{jar}", jar.name),
            "event_types": kinds,
            "qos": 1,
            "value_template": template,
        }
    }


def _buttons(jar: JarSettings, mqtt: MqttSettings) -> dict[str, Payload]:
    if not mqtt.command_topic:
        return {}
    pressed = {
        "fed_button": ("Fed", {"fed": {}}),
        "snooze_button": ("Quiet for two hours", {"snoozed": {"hours": 2}}),
        "taken": ("Some taken to bake", {"noted": {"what": "taken"}}),
        "stirred": ("Stirred down", {"noted": {"what": "stirred"}}),
    }
    topic = mqtt.command_topic.replace("{jar}", jar.name)
    return {
        key: {"platform": "button", "name": name, "command_topic": topic, "payload_press": json.dumps(body)}
        for key, (name, body) in pressed.items()
    }


def _device_id(instance: str, jar: str) -> str:
    return f"jartide_{instance}_{re.sub(r'[^A-Za-z0-9_-]', '_', jar)}"


class HomeAssistant(WorkerSink):
    """See the module: for the jars on one connection. When it ends, the descriptions stay; their availability then says
    that nobody watches."""

    advice = "Is the broker's access list right (configs/broker_acl_example)? `jartide check` looks."

    def __init__(
        self, path: Path, connection: Connection, mqtt: MqttSettings, settings: Settings, instance: str
    ) -> None:
        assert mqtt.home_assistant
        self._path = path
        self._connection = connection
        self._status_topic = f"{mqtt.home_assistant}/status"
        self._wanted = {
            config_topic(mqtt.home_assistant, instance, jar.name): json.dumps(
                payload(jar, mqtt, instance, settings.page.address), ensure_ascii=False
            )
            for jar in settings.jars
        }
        self._connected_since_s = -inf
        self._due: set[str] = set()
        super().__init__(Worker(f"jars to Home Assistant at {connection.name}", self._turn), stop_s=STOP_S)
        connection.listen(self._status_topic, self._hub_said)

    def _hub_said(self, jar: str | None, said: bytes, retained: bool, token: object) -> None:
        self._connection.acknowledge([token])
        if said == b"online":
            self._connected_since_s = -inf
            self._worker.wake()

    def _turn(self) -> float | None:
        health = self._connection.health()
        if not health.connected:
            self._connected_since_s = -inf
            return LOOK_S
        if abs(health.since_s - self._connected_since_s) > SAME_S:
            self._connected_since_s = health.since_s
            self._due = {*self._wanted, *self._described()}
        for topic in sorted(self._due):
            with sending():
                if not self._connection.publish(topic, self._wanted.get(topic, ""), retain=True):
                    return LOOK_S
            self._due.discard(topic)
            if not self._due:
                self._keep_described()
        return LOOK_S

    def _described(self) -> list[str]:
        """The topics that were described before."""
        try:
            with Store.join(self._path) as store:
                return [str(topic) for topic in json.loads(store.meta(KEY) or "[]")]
        except (StoreTrouble, ValueError):
            return []

    def _keep_described(self) -> None:
        try:
            with Store.join(self._path) as store:
                store.set_meta(KEY, json.dumps(sorted(self._wanted)))
        except StoreTrouble:
            self._connected_since_s = -inf  # describe them again
