"""`read = {...}` of an [[mqtt]] table: where each quantity is in a device's own messages.

`{distance = {path = "VL53L0X.Distance", unit = "cm"}, temperature = {path = "DS18B20.Temperature"}}`; a field without a
path is the whole payload. Pure; the reader adds file and line to what is wrong.
"""

from __future__ import annotations

import re
from dataclasses import fields
from typing import Any

from monitor.settings import READ_UNITS, ReadField

PATH = re.compile(r"[^.\s][^.]*(\.[^.]+)*")
MEASURED = ("distance", "echo", "temperature", "air", "humidity")


def read_fields(value: Any) -> tuple[tuple[str, ReadField], ...]:
    """The fields by name, in the order of READ_UNITS. Raises ValueError that says what would be right."""
    if not isinstance(value, dict) or not value:
        raise ValueError('must be a table such as {distance = {path = "VL53L0X.Distance", unit = "cm"}}')
    for name in value:
        if name not in READ_UNITS:
            raise ValueError(f"there is no {name}; there is {', '.join(READ_UNITS)}")
    found = tuple((name, _field(name, value[name])) for name in READ_UNITS if name in value)
    names = [name for name, _ in found]
    if not set(names) & set(MEASURED):
        raise ValueError(f"names no quantity: {', '.join(MEASURED)}")
    if "distance" in names and "echo" in names:
        raise ValueError("has both distance and echo: give only one")
    if len(found) > 1 and any(field.path == "" for _, field in found):
        raise ValueError("a field without a path is the whole payload, so it must be the only one")
    return found


def _field(name: str, value: Any) -> ReadField:
    keys = [field.name for field in fields(ReadField)]
    if not isinstance(value, dict) or not all(isinstance(one, str) for one in value.values()):
        raise ValueError(f'{name} must be a table of texts such as {{path = "a.b"}}, or {{}} for the whole payload')
    for key in value:
        if key not in keys:
            raise ValueError(f"{name} has no {key}; it has {', '.join(keys)}")
    for key in ("path", "unit_path"):
        if value.get(key) and not PATH.fullmatch(value[key]):
            raise ValueError(f'{name}: {key} must be keys joined by dots, such as "VL53L0X.Distance"')
    units = READ_UNITS[name]
    if "unit" in value and value["unit"] not in units:
        raise ValueError(f"{name}: unit must be {' or '.join(units)}" if units else f"{name} has no unit")
    if "unit_path" in value and name not in ("temperature", "air"):
        raise ValueError(f"{name}: unit_path is for temperatures, where a message says C or F")
    return ReadField(**value)
