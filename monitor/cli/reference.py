"""The guide's reference, made from the code itself whenever it is asked for: every key, command, topic with its JSON,
event, notice, path of the API and metric. A new one appears by itself; at most it needs a sentence to describe it.
"""

from __future__ import annotations

import json
import tempfile
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

from monitor.guide import Page

NOW_S = 1_772_500_500.0  # of the invented jar in the examples: 2026-03-03 01:15 UTC
EVENTS = {
    "fed": "A feeding, seen or reported; `evidence.sure` is false if the drop may have been something else.",
    "rise_began": "It has climbed by more than noise and wander can explain.",
    "peak_reached": "It is at its highest; may be refined, the last one of a cycle counts.",
    "fall_began": "It sinks for good: feed now. At most once a cycle.",
    "stayed_flat": "No rise when one was due.",
    "lid_off": "The sensor sees no dough: the lid is off.",
    "lid_on": "The sensor sees the dough again.",
    "disturbed": "The level jumped without a feeding.",
    "jar_away": "Nothing under the sensor for half an hour.",
    "jar_back": "A jar is there again.",
    "rest_began": "It is in the fridge: seen by the cold, or reported.",
    "rest_ended": "It is out of the fridge again.",
    "sensor_silent": "No readings for longer than usual.",
    "sensor_back": "Readings are back.",
    "forecast": "When peak and fall are expected, hourly (`--forecasts`).",
    "taken_back": "Somebody reported it by mistake; names what no longer holds.",
}
NOTICES = {
    "throw_away": "You noted mould, or pink, orange or black streaks.",
    "near_rim": "It will reach the lid (or the sensor, if the rim is not known).",
    "feed_now": "It has begun to sink for good; repeated every `repeat_h` until a feeding is seen or reported.",
    "feeding_question": "The level dropped, and the readings don't show why: fed, stirred down, or taken?",
    "overdue": "Fed a day ago and no rise and fall seen, or you noted hooch.",
    "at_peak": "It is at its highest: the moment to bake.",
    "peak_ahead": "That many hours before the expected peak, if `peak_ahead_h` is set.",
    "stays_flat": "No rise when one was due.",
    "too_hot": "Above `too_hot_c`.",
    "too_cold": "Below `too_cold_c`.",
    "sensor_silent": "Readings stopped.",
    "sensor_back": "They came back.",
    "wrong_unit": "The firmware sends distances or temperatures in the wrong unit.",
    "bake_feeding": "A feeding for the bake you planned is due, in grams.",
    "bake_moved": "The jar is faster or slower than expected: the feedings for the bake have new times.",
    "growing": "When you feed a new starter whose first day you entered: what is usual from now on, what to weigh.",
    "unlike_siblings": "A jar of a group is slower or lower than the others by more than chance.",
    "sensor_drifts": "A sensor of a group drifts away from its neighbours.",
    "rest_reminder": "Weekly, while it is in the fridge.",
    "daily_summary": "Once a day, if `daily_summary` is set.",
}


def outlines() -> tuple[Page, ...]:
    """Title and words of each page; `filled` has the text."""
    return tuple(Page(key=key, title=title, words=words, text="") for key, (title, words, _) in PAGES.items())


def filled(page: Page) -> Page:
    """The page with its text; a page that is not one of these is returned as it is."""
    return replace(page, text=PAGES[page.key][2]()) if page.key in PAGES else page


@cache
def keys() -> str:
    """Every key of the config, from its schema."""
    from monitor.config.json_schema import json_schema
    from monitor.host.shipped import shipped

    schema: Any = json_schema(shipped("configs/everything.toml").read_text("utf-8"))
    out = ["Only the `name` of a jar and a source of readings are required. `jartide init --schema` prints",
           "this for editors; `configs/everything.toml` has every key with an example."]  # fmt: skip
    for name, table in schema["properties"].items():
        repeated = table["type"] == "array"
        inner = table["items"] if repeated else table
        if "properties" not in inner:
            out += ["", f"**{name}** (above the first table): {inner.get('description', '')}"]
            continue
        out += ["", f"## {f'[[{name}]]' if repeated else f'[{name}]'}", ""]
        out += [
            f"- `{key}` ({_kind(about)}): {about.get('description', '')}" for key, about in inner["properties"].items()
        ]
    return "\n".join(out)


def _kind(about: dict[str, Any]) -> str:
    if "enum" in about:
        return " or ".join(json.dumps(one) for one in about["enum"])
    words = {"string": "text", "boolean": "true or false", "array": "list", "integer": "whole number"}
    kind = words.get(about.get("type", ""), about.get("type", "table"))
    return f"{kind}, {about['minimum']:g} to {about['maximum']:g}" if "minimum" in about else str(kind)


@cache
def commands() -> str:
    """What every command's help says."""
    import click

    from monitor.cli import GROUPS, main

    whole = click.Context(main, info_name="jartide", max_content_width=100, **main.context_settings)
    out = ["Exit codes: 0 done; 1 the answer is no, or a check failed; 2 the call or the config is wrong."]
    for group, names in GROUPS.items():
        out += ["", f"## {group}"]
        for name in names:
            command = main.get_command(whole, name)
            assert command is not None
            context = click.Context(command, info_name=name, parent=whole, max_content_width=100)
            out += ["", f"### jartide {name}", "", "```text", command.get_help(context), "```"]
    return "\n".join(out)


@cache
def topics() -> str:
    """What goes over MQTT, as JSON of an invented jar."""
    from monitor.runs.outbox import State, StoredNotice
    from monitor.settings import JarSettings, MqttSettings
    from monitor.sinks import home_assistant
    from monitor.sinks.mqtt_commands import COMMANDS
    from monitor.sinks.mqtt_state import notice_body, state_body
    from monitor.values import Notice

    told = Notice(
        jar="rye", cycle=4, kind="feed_now", repeat=0, due_s=NOW_S, expires_s=NOW_S + 86_400.0, title="Feed rye now",
        text="It has begun to sink.",
    )  # fmt: skip
    kept = StoredNotice(id=1, message_id="rye.1.4.feed_now.0", run=1, notice=told, state=State.PENDING, changed_s=NOW_S)
    mqtt = MqttSettings(host="localhost", notice_topic="jartide/notice", command_topic="jartide/{jar}/command",
                        home_assistant="homeassistant")  # fmt: skip
    described = home_assistant.payload(JarSettings(name="rye"), mqtt, "INSTANCE", None)["components"]
    entities = [f"- {one['platform']} `{name}`: {one['name']}" for name, one in described.items()]
    bodies: list[tuple[str, str, object]] = [
        ("jartide/JAR/reading", "In: a reading. `distance_mm` or `echo_us`; the rest if the device has it.",
         {"distance_mm": 92.4, "temperature_c": 24.1, "boot": "a1b2", "seq": 17, "up_ms": 170000}),
        ("jartide/JAR/state", "Out, retained, every minute and with every decision; null means unknown.",
         state_body(_jar())),
        ("jartide/notice", "Out, if `notice_topic` is set; not retained.", notice_body(kept)),
        ("jartide/JAR/command", f"In, if `command_topic` is set: one of {', '.join(COMMANDS)}, and an `id`.",
         {"fed": {"flour_g": 100}, "id": "one"}),
        ("jartide/JAR/command/result", "Out: the result.",
         {"id": "one", "ok": True, "seq": 41, "at_s": NOW_S}),
    ]  # fmt: skip
    out = ["These are the default topics; each has a key in `[[mqtt]]`. QoS 1 throughout."]
    for name, says, body in bodies:
        out += ["", f"## {name}", "", says, "", "```json", json.dumps(body, indent=2, ensure_ascii=False), "```"]
    out += ["", "## jartide/status, jartide/JAR/state/availability", "", "Out, retained: `online` or `offline`."]
    out += ["", "## homeassistant/device/jartide_INSTANCE_JAR/config", ""]
    out += ["Out, retained, if `home_assistant` sets the prefix. The entities of a jar:", "", *entities]
    return "\n".join(out)


@cache
def events() -> str:
    """Each kind with an example, as `jartide replay` decides on a shipped run."""
    from monitor.values import EventKind

    lines = ["`jartide replay RUN.csv --format jsonl` prints one JSON object per line: `kind`, `jar`, `happened_at`",
             "(when it happened), `decided_at` (when it could be known), `evidence`.", ""]  # fmt: skip
    lines += [f"- `{kind.value}`: {EVENTS[kind.value]}" for kind in EventKind]
    return "\n".join([*lines, "", "A simulated night:", "", "```json", *_night(), "```"])


def _night() -> list[str]:
    from click.testing import CliRunner

    from monitor.cli import main
    from monitor.host.shipped import shipped

    words = ["replay", str(shipped("simulated_runs/good_night.csv")), "--format", "jsonl"]
    return CliRunner().invoke(main, words).stdout.splitlines()


@cache
def notice_kinds() -> str:
    """What a person can be notified of."""
    from monitor.core.notify.conditions import Kind

    out = ["The most urgent first. Each can be listed in `leave_out` and `quiet_except` of `[notices]`.", ""]
    out += [f"- `{kind.value}`: {NOTICES[kind.value]}" for kind in Kind]
    out += ["- `store_trouble`: nothing can be stored, so nothing is decided.",
            "- `store_damaged`: the store was damaged, and a new one was started."]  # fmt: skip
    return "\n".join(out)


@cache
def api() -> str:
    """The page's API, from its description."""
    from monitor.page.openapi import document

    out = ["Programs send `Authorization: Bearer` with the token of `token_file` in `[page]`; the page itself",
           'describes everything at `api/openapi.json`. Times are Unix seconds, errors {error: sentence}.']  # fmt: skip
    for path, methods in document()["paths"].items():
        for method, about in methods.items():
            out += ["", f"### {method.upper()} {path}", "", f"{about['summary']}.", ""]
            for one in about.get("parameters", []):
                needed = "" if one.get("required") else ", may be left out"
                out.append(f"- `{one['name']}` ({one['in']}{needed}): {one.get('description', '')}")
    return "\n".join(out)


@cache
def metric_names() -> str:
    """The families of `/metrics`, as they are for an invented jar."""
    from prometheus_client.parser import text_string_to_metric_families

    from monitor.page import metrics
    from monitor.runs import daemon_status
    from monitor.runs.store import Store
    from monitor.values import SourceHealth

    source = SourceHealth(name="mqtt", connected=True, trouble=None, since_s=NOW_S, last_message_s=NOW_S)
    with tempfile.TemporaryDirectory() as folder, Store.open(Path(folder) / "s.db", NOW_S) as store:
        daemon_status.write(store, NOW_S, [_jar()], [source])
        text = metrics.text(store, NOW_S, "")[0].decode()
    out = ["Base units, as in OpenMetrics: metres, seconds, degrees Celsius, ratios.", ""]
    for family in text_string_to_metric_families(text):
        labels = sorted({label for sample in family.samples for label in sample.labels})
        out.append(f"- `{family.name}` ({', '.join([family.type, *labels])}): {family.documentation}")
    return "\n".join(out)


def _jar() -> Any:
    from monitor.values import Cycle, Forecast, JarState, Level, Span, Stage, of_grams

    def span(at_s: float) -> Span:
        return Span(earliest_s=at_s - 3000.0, likely_s=at_s, latest_s=at_s + 3600.0)

    return JarState(
        jar="rye", now_s=NOW_S, stage=Stage.RISING, previous=None, slope_mm_per_h=7.3, slope_sd_mm_per_h=0.4,
        cycle=Cycle(jar="rye", number=4, fed_at_s=NOW_S - 14_400.0, feeding=of_grams((25, 100, 100))),
        level=Level(time_s=NOW_S, distance_mm=86.0, level_mm=66.0, sd_mm=0.6, volume_ml=None, rise_ratio=1.61,
                    rise_ratio_sd=0.02, temperature_c=24.1),
        last_reading_s=NOW_S - 8.0, temperature_c=24.1, room_c=None, noise_mm=0.6, sampling_s=10.0, silent_since_s=None,
        stuck_since_s=None, lid_off_since_s=None, question=None,
        forecast=Forecast(made_at_s=NOW_S, peak_at=span(NOW_S + 9000.0), fall_at=span(NOW_S + 14_000.0)),
    )  # fmt: skip


PAGES: dict[str, tuple[str, tuple[str, ...], Callable[[], str]]] = {
    "keys": ("Every key of the config", ("keys", "config", "settings", "options", "everything"), keys),
    "commands": ("Every command", ("commands", "options of commands", "exit codes", "help"), commands),
    "topics": ("Topics and their JSON", ("topics", "mqtt topics", "state topic", "json"), topics),
    "events": ("Events", ("events", "replay", "jsonl", "kinds of event"), events),
    "notice_kinds": ("The kinds of notice", ("notice kinds", "kinds of notice", "leave out"), notice_kinds),
    "api": ("The page's API", ("api", "openapi", "json api"), api),
    "metric_names": ("Metrics", ("metric names", "names of metrics"), metric_names),
}
"""Key -> title, words, and what makes the text."""
