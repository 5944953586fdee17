"""Which topics of a broker have a jar's distance and temperature: from what devices say about themselves, and from what
their messages look like. Pure: retained discovery messages and samples in, candidates out.

The discovery messages are Home Assistant's (`<prefix>/sensor/.../config` and, one for a device with all its components,
`<prefix>/device/.../config`, https://www.home-assistant.io/integrations/mqtt/#mqtt-discovery), which ESPHome, Tasmota,
Zigbee2MQTT and OpenMQTTGateway retain. Where a device says nothing about itself, a key's name and the size of its
number decide: a surface under a jar's lid is 20 to 400 mm away, a number that cannot be centimetres or metres.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from monitor.sources.general_form import MISSING, PER_UNIT

NEAR_MM = (15.0, 2000.0)  # a jar under its sensor, with room for a tall stand
COARSE_MM = 5.0  # with such steps a rise is seen late and feedings are invented (with 1 to 3 mm they are not)
LENGTHS, TEMPERATURES = ("mm", "cm", "m", "in"), {"°C": "degC", "°F": "degF", "K": "K", "C": "degC", "F": "degF"}
TEMPLATE = re.compile(r"\{\{\s*value_json((?:\.\w+|\[['\"][^'\"]+['\"]\]|\[\d+\])+)\s*(?:\|[^}]*)?\}\}")
PLAIN = re.compile(r"\{\{\s*value\s*(?:\|[^}]*)?\}\}")
DISTANCE_KEY = re.compile(r"dist|range|depth|tof|vl53|sonic|level_mm|echo", re.IGNORECASE)
TEMPERATURE_KEY = re.compile(r"temp", re.IGNORECASE)
FLAT_MAX = 200  # numbers of one message that are considered


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """One number on one topic. `value` is the latest one in mm or degC; `step_mm` is the resolution of a distance."""

    topic: str
    kind: str  # "distance" or "temperature", as the keys of `read`
    path: str
    unit: str
    value: float | None
    step_mm: float | None = None
    says_so: bool = False  # the device itself named the unit

    @property
    def coarse(self) -> bool:
        """Whether its steps are too large to follow a starter."""
        return self.step_mm is not None and self.step_mm >= COARSE_MM


def candidates(messages: Mapping[str, bytes], own: Sequence[re.Pattern[str]] = ()) -> list[Quantity]:
    """The quantities that may be a jar's, from the last message of each topic: possible distances, the surest first,
    and the thermometers beside them. Topics that match one of `own` are already used."""
    described = {(one.topic, one.path): one for topic, raw in messages.items() for one in _described(topic, raw)}
    found: dict[tuple[str, str], Quantity] = {}
    for topic, raw in messages.items():
        if topic.endswith("/config") or any(pattern.fullmatch(topic) for pattern in own):
            continue
        for path, text in _numbers(raw):
            known = described.get((topic, path))
            one = _quantity(topic, path, text, known, raw)
            if one is not None:
                found[topic, path] = one
    for place, known in described.items():  # no message came meanwhile, but the device describes it
        if place not in found and not any(pattern.fullmatch(known.topic) for pattern in own):
            found[place] = known
    distances = [one for one in found.values() if one.kind == "distance" and _may_be_a_jar(one)]
    distances.sort(key=lambda one: (not one.says_so, one.value is None, one.topic))
    devices = {_device(one.topic) for one in distances}
    thermometers = [one for one in found.values() if one.kind == "temperature" and _device(one.topic) in devices]
    return distances + sorted(thermometers, key=lambda one: one.topic)


def tables(quantities: Sequence[Quantity]) -> dict[str, dict[str, dict[str, str]]]:
    """Topic -> the `read` table for it: the first distance and the first temperature on each topic."""
    out: dict[str, dict[str, dict[str, str]]] = {}
    for one in quantities:
        read = out.setdefault(one.topic, {})
        if one.kind in read or (read and (one.path == "" or "" in [field.get("path", "") for field in read.values()])):
            continue
        field = {"path": one.path} if one.path else {}
        usual = {"distance": "mm", "temperature": "degC"}[one.kind]
        read[one.kind] = field | ({} if one.unit == usual else {"unit": one.unit})
    return out


def jar_of(topic: str, jars: Sequence[str]) -> str | None:
    """The jar that a topic names in one of its levels, or the only jar there is."""
    parts = re.split(r"[/_\- ]", topic.lower())
    named = [jar for jar in jars if jar.lower() in parts or jar.lower() in topic.lower().split("/")]
    return named[0] if len(named) == 1 else jars[0] if len(jars) == 1 else None


def _may_be_a_jar(one: Quantity) -> bool:
    return one.value is None or NEAR_MM[0] <= one.value <= NEAR_MM[1]


def _device(topic: str) -> str:
    """The part of a topic that all topics of one device have in common, as general firmware builds them."""
    levels = topic.split("/")
    return "/".join(levels[:2]) if levels[0] in ("tele", "zigbee2mqtt", "esphome", "home", "rtl_433") else levels[0]


def _quantity(topic: str, path: str, text: str, known: Quantity | None, raw: bytes) -> Quantity | None:
    try:
        number = float(text)
    except ValueError:
        number = float("nan")
    finite = number == number and abs(number) < 1e6
    name = f"{topic}/{path}" if path == "" else path
    if known is not None:
        kind, unit = known.kind, known.unit
    elif not finite:
        return None
    elif DISTANCE_KEY.search(name):
        kind, unit = "distance", _length_unit(name, number)
    elif TEMPERATURE_KEY.search(name) and "unit" not in name.lower():
        kind, unit = "temperature", _temperature_unit(name, number, raw)
    else:
        return None
    factor, offset = PER_UNIT[unit]
    step_mm = None
    if kind == "distance" and finite:
        step_mm = factor * 10.0 ** -len(text.partition(".")[2]) if "e" not in text.lower() else None
    value = number * factor + offset if finite else None
    return Quantity(
        topic=topic, kind=kind, path=path, unit=unit, value=value, step_mm=step_mm, says_so=known is not None
    )


def _length_unit(name: str, number: float) -> str:
    for unit in ("mm", "cm", "in"):
        if name.lower().endswith((f"_{unit}", f".{unit}")):
            return unit
    return "m" if abs(number) < 1.0 else "cm" if abs(number) < 15.0 or re.search(r"VL53|HCSR|SR04", name) else "mm"


def _temperature_unit(name: str, number: float, raw: bytes) -> str:
    if re.search(r"(_|temp)f$", name.lower()) or b'"TempUnit":"F"' in raw.replace(b" ", b""):
        return "degF"
    return "K" if number > 230 else "degF" if number > 55 else "degC"


def _numbers(raw: bytes) -> Iterator[tuple[str, str]]:
    """(path, text) of every number in a message, or of the whole message if it is one."""
    try:
        text = raw.decode().strip()
        found = json.loads(text, parse_float=lambda number: _Number(number), parse_int=lambda number: _Number(number))
    except (ValueError, RecursionError):
        if raw.strip().lower() in (b"nan", b"-nan"):
            yield "", "nan"
        return
    yield from _flat(found, "", [FLAT_MAX])


class _Number(str):
    """A number as it was written."""


def _flat(found: Any, path: str, left: list[int]) -> Iterator[tuple[str, str]]:
    if left[0] <= 0 or path.count(".") > 6:
        return
    if isinstance(found, dict):
        for key, value in found.items():
            if key and "." not in key:
                yield from _flat(value, f"{path}.{key}" if path else key, left)
    elif isinstance(found, list):
        for at, value in enumerate(found[:50]):
            yield from _flat(value, f"{path}.{at}" if path else str(at), left)
    elif isinstance(found, _Number) or (isinstance(found, str) and re.fullmatch(r"[+-]?\d+(\.\d+)?", found)):
        left[0] -= 1
        yield path, str(found)


def _described(topic: str, raw: bytes) -> Iterator[Quantity]:
    """What a discovery message says about distances and temperatures."""
    if not topic.endswith("/config"):
        return
    try:
        found = json.loads(raw)
    except (ValueError, RecursionError):
        return
    if not isinstance(found, dict):
        return
    components = found.get("components", found.get("cmps"))
    parts = list(components.values()) if isinstance(components, dict) else [found]
    for part in parts:
        if isinstance(part, dict) and (one := _described_one({**found, **part})) is not None:
            yield one


def _described_one(part: Mapping[str, Any]) -> Quantity | None:
    base = str(part.get("~", ""))
    state = str(part.get("state_topic", part.get("stat_t", "")))
    state = base + state[1:] if state.startswith("~") else state[:-1] + base if state.endswith("~") else state
    unit = str(part.get("unit_of_measurement", part.get("unit_of_meas", "")))
    template = str(part.get("value_template", part.get("val_tpl", "")))
    path = ""
    if match := TEMPLATE.fullmatch(template.strip()):
        path = ".".join(re.findall(r"\w+", match[1])) if "[" not in match[1] else _bracketed(match[1])
    elif template and not PLAIN.fullmatch(template.strip()):
        return None  # a template of its own, which no path can express
    if not state or unit.lower() in MISSING:
        return None
    if unit in LENGTHS:
        return Quantity(topic=state, kind="distance", path=path, unit=unit, value=None, says_so=True)
    if unit in TEMPERATURES:
        return Quantity(topic=state, kind="temperature", path=path, unit=TEMPERATURES[unit], value=None, says_so=True)
    return None


def _bracketed(steps: str) -> str:
    found = re.findall(r"\.(\w+)|\[['\"]([^'\"]+)['\"]\]|\[(\d+)\]", steps)
    return ".".join(next(part for part in step if part) for step in found)
