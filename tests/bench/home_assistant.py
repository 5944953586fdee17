"""Home Assistant's own code reads our description and presses our button:
`python -m tests.bench.home_assistant PYTHON`.

PYTHON is one with Home Assistant in it, which is too large (500 MB) to be brought for the tests: in a place of its own,
under Python 3.13, `pip install homeassistant==2025.1.4 home-assistant-frontend==20250109.2 'paho-mqtt<2' numpy`.
It is started with nothing but a stored entry for a real broker; printed are the entities that it made of one jar, each
with its state, and whether a press of "Fed" is a feeding in the store. Exit code 1 when something is missing.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

from monitor.runs.store import Store
from monitor.settings import JarSettings, MqttSettings, Settings, StoreSettings
from monitor.sinks.home_assistant import HomeAssistant, payload
from monitor.sinks.mqtt_commands import MqttCommands
from monitor.sinks.mqtt_state import state_body
from monitor.sources.mqtt_source import MqttSource
from monitor.values import Fed, Forecast, JarState, Span, Stage
from tests.servers import mosquitto, wait_until

NOW_S = 1_790_000_000.0
JAR = JarSettings(name="rye", flour="whole rye")
SPAN = Span(earliest_s=NOW_S + 3600.0, likely_s=NOW_S + 7200.0, latest_s=NOW_S + 10_800.0)
STATE = JarState(
    jar="rye", now_s=NOW_S, stage=Stage.RISING, cycle=None, previous=None, level=None, slope_mm_per_h=None,
    slope_sd_mm_per_h=None, last_reading_s=NOW_S, temperature_c=24.1, room_c=None, noise_mm=None, sampling_s=None,
    silent_since_s=None, stuck_since_s=None, lid_off_since_s=None, question=None,
    forecast=Forecast(made_at_s=NOW_S, peak_at=SPAN, fall_at=SPAN),
)  # fmt: skip

HUB = """
import asyncio, json, sys
from homeassistant import bootstrap
from homeassistant.helpers import entity_registry
from homeassistant.runner import RuntimeConfig

async def main():
    hass = await bootstrap.async_setup_hass(RuntimeConfig(config_dir=sys.argv[1], skip_pip=True, log_no_color=True))
    await hass.async_start()
    found = []
    for _ in range(600):
        await asyncio.sleep(0.1)
        found = [one for one in entity_registry.async_get(hass).entities.values() if one.platform == "mqtt"]
        if len(found) >= int(sys.argv[2]):
            break
    await asyncio.sleep(1)
    states = {}
    for one in found:
        state = hass.states.get(one.entity_id)
        attributes = {} if state is None else {key: str(value) for key, value in state.attributes.items()}
        states[one.unique_id] = None if state is None else [state.state, attributes]
    button = [one.entity_id for one in found if one.unique_id.endswith("_fed_button")]
    if button:
        await hass.services.async_call("button", "press", {"entity_id": button[0]}, blocking=True)
    await asyncio.sleep(1)
    print("\\n" + json.dumps(states), flush=True)
    await hass.async_stop()

asyncio.run(main())
"""


def entry(port: int) -> dict[str, object]:
    """Home Assistant's store with one broker in it."""
    when = "2025-01-01T00:00:00+00:00"
    broker = {
        "entry_id": "broker", "version": 1, "minor_version": 2, "domain": "mqtt", "title": "broker",
        "data": {"broker": "127.0.0.1", "port": port, "discovery": True, "discovery_prefix": "homeassistant"},
        "options": {}, "pref_disable_new_entities": False, "pref_disable_polling": False, "source": "user",
        "unique_id": None, "disabled_by": None, "created_at": when, "modified_at": when, "discovery_keys": {},
    }  # fmt: skip
    return {"version": 1, "minor_version": 4, "key": "core.config_entries", "data": {"entries": [broker]}}


def main(python: str) -> int:
    """See the module."""
    with tempfile.TemporaryDirectory() as name, mosquitto(Path(name) / "broker") as broker:
        folder, hub = Path(name), Path(name) / "hub"
        (hub / ".storage").mkdir(parents=True)
        (hub / ".storage" / "core.config_entries").write_text(json.dumps(entry(broker.port)))
        (hub / "configuration.yaml").write_text("")
        mqtt = MqttSettings(
            host="127.0.0.1", port=broker.port, home_assistant="homeassistant", notice_topic="jartide/notice",
            command_topic="jartide/{jar}/command",
        )  # fmt: skip
        settings = Settings(jars=(JAR,), mqtt=(mqtt,), store=StoreSettings(path=folder / "s.db"))
        Store.open(folder / "s.db", NOW_S).close()
        source = MqttSource(mqtt, "jartide-hub", jars=frozenset({"rye"}))
        sinks = (
            HomeAssistant(folder / "s.db", source, mqtt, settings, "abc"),
            MqttCommands(folder / "s.db", source, mqtt, settings),
        )
        source.start(lambda item: None)
        for sink in sinks:
            sink.start()
        wait_until(lambda: source.health().connected, "connected")
        source.publish("jartide/rye/state", json.dumps(state_body(replace(STATE))), retain=True)
        source.publish("jartide/rye/state/availability", "online", retain=True)
        wanted = payload(JAR, mqtt, "abc", None)["components"]
        command = [python, "-c", HUB, str(hub), str(len(wanted))]
        done = subprocess.run(command, capture_output=True, text=True, timeout=300)
        try:
            states = json.loads(done.stdout.strip().rpartition("\n")[2])
        except ValueError:
            print(done.stdout[-2000:], done.stderr[-4000:], sep="\n")
            return 1
        with Store.join(folder / "s.db") as store:
            fed = [one for one in store.told("rye") if isinstance(one, Fed)]
        for sink in sinks:
            sink.stop()
        source.stop()
    missing = [name for name in wanted if f"jartide_abc_rye_{name}" not in states]
    for unique_id, state in sorted(states.items()):
        print(f"{unique_id:36s} {'disabled' if state is None else state[0]}")
    print(f"missing: {', '.join(missing) or 'none'}; a press of Fed told {len(fed)} feeding(s)")
    return 0 if not missing and len(fed) == 1 else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
