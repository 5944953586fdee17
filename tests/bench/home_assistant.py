"""Home Assistant's own code reads our description and presses our button:
`python -m tests.bench.home_assistant PYTHON`.

PYTHON is one with Home Assistant in it, which is too large (500 MB) to be brought for the tests: in a place of its own,
under Python 3.13, `pip install homeassistant==2025.1.4 home-assistant-frontend==20250109.2 'paho-mqtt<2' numpy`.
It is started with nothing but a stored entry for a real broker, to which `jartide watch` speaks; printed are the
entities that it made of one jar, each with its state, and whether a press of "Fed" is a feeding in the daemon's store.
Exit code 1 when something is missing.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from pathlib import Path

from monitor.config.reader import load
from monitor.runs.store import Store
from monitor.sinks.home_assistant import payload
from monitor.values import Fed
from tests.daemon.test_watch import known, watching
from tests.servers import mosquitto, wait_until
from tests.sources.topics import Device, reading

CONFIG = """
[[jar]]
name = "rye"
empty_mm = 180
flour = "whole rye"
[[mqtt]]
host = "127.0.0.1"
port = {port}
home_assistant = "homeassistant"
notice_topic = "jartide/{{jar}}/notice"
command_topic = "jartide/{{jar}}/command"
[page]
on = false
"""

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
        (folder / "jartide.toml").write_text(CONFIG.format(port=broker.port))
        settings = load(folder / "jartide.toml")
        wanted = payload(settings.jars[0], settings.mqtt[0], "", None)["components"]
        with watching(folder):
            wait_until(lambda: (known(folder).get("sources") or [{}])[0].get("connected"), "connected")  # type: ignore[index]
            device = Device(broker.port)
            topic = "jartide/rye/state/availability"
            device.hear(topic)
            device.say(*(reading(n) for n in range(20)))
            wait_until(
                lambda: any(one[:2] == (topic, b"online") for one in device.heard), "the jar is said to be there", 120.0
            )
            command = [python, "-c", HUB, str(hub), str(len(wanted))]
            done = subprocess.run(command, capture_output=True, text=True, timeout=300)
            device.leave()
        try:
            states = json.loads(done.stdout.strip().rpartition("\n")[2])
        except ValueError:
            print(done.stdout[-2000:], done.stderr[-4000:], sep="\n")
            return 1
        with Store.join(folder / "jartide.db") as store:
            fed = [one for one in store.told("rye") if isinstance(one, Fed)]
    missing = [name for name in wanted if not any(one.endswith(f"_rye_{name}") for one in states)]
    for unique_id, state in sorted(states.items()):
        print(f"{unique_id:36s} {'disabled' if state is None else state[0]}")
    print(f"missing: {', '.join(missing) or 'none'}; a press of Fed told {len(fed)} feeding(s)")
    return 0 if not missing and len(fed) == 1 else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
