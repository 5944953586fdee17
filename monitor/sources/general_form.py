"""Messages of devices that were not made for this: the config says where each quantity is, and one message becomes a
`Message`.

Pure, as `wire`, which reads our own form. The rules are those of general firmware (ESPHome, Tasmota, Zigbee bridges): a
number may be text; null, "None", "unavailable" and a path that is not there are missing, not wrong; a local time has no
zone; a distance that is not a number means that nothing is in range. A message that contains nothing of what was asked
for is neither a reading nor an error: such devices send everything over one topic.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from math import isfinite, nan
from typing import Any

from monitor.core.display.refusals import Refusal
from monitor.runs import rfc3339
from monitor.settings import READ_UNITS, ReadField
from monitor.sources.wire import (
    DISTANCE_MM,
    ECHO_US,
    PAYLOAD_MAX,
    PLAUSIBLE_C,
    SEQ_MAX,
    Message,
    Unreadable,
    token_of,
)  # fmt: skip

BRACKETS_MAX = 100  # a bridge's message about all of its sensors; json's scanner recurses on every one
NOTHING_IN_RANGE_MM = 8190.0  # as an optical ranging chip says it (ST VL53L0X)
MISSING = frozenset({"", "none", "null", "unavailable", "unknown"})
NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
PER_UNIT: dict[str, tuple[float, float]] = {
    # value x factor + offset is mm, us, degC or %
    "mm": (1.0, 0.0), "cm": (10.0, 0.0), "m": (1000.0, 0.0), "in": (25.4, 0.0),
    "us": (1.0, 0.0), "ms": (1000.0, 0.0), "s": (1e6, 0.0),
    "degC": (1.0, 0.0), "degF": (5 / 9, -160 / 9), "K": (1.0, -273.15), "pct": (1.0, 0.0),
}  # fmt: skip
LETTERS = {"C": "degC", "F": "degF", "K": "K"}

Offset = Callable[[float], float]


def parse(payload: bytes, read: Mapping[str, ReadField], offset_s: Offset, received_s: float) -> Message | None:
    """The message, or None where it contains nothing of what is asked for. Raises Unreadable, and nothing else.

    `offset_s` is the household's "local minus UTC" at a time, for device times without a zone.
    """
    if len(payload) > PAYLOAD_MAX:
        raise Unreadable(Refusal.TOO_LONG)
    try:
        text = payload.decode("utf-8").strip()
    except UnicodeDecodeError:
        raise Unreadable(Refusal.NOT_UTF8) from None
    whole = next(iter(read.values())).path == ""
    found: Any = text if whole else _json(text)
    given = {name: value for name, field in read.items() if (value := _at(found, field.path)) is not None}
    units = {name: _unit(name, read[name], found) for name in given}
    distance_mm = _distance_mm(given, units)
    echo_us = _within("echo", _number(given, units, "echo"), ECHO_US)
    values = (
        distance_mm,
        echo_us,
        _believable(_number(given, units, "temperature"), PLAUSIBLE_C),
        _believable(_number(given, units, "air"), PLAUSIBLE_C),
        _believable(_number(given, units, "humidity"), (0.0, 100.0)),
    )
    if values == (None,) * 5:
        return None
    uptime = _number(given, units, "uptime")
    return Message(
        None,
        *values,
        time_s=_time_s(given.get("time"), offset_s, received_s),
        boot=token_of(given.get("boot")),
        seq=_seq(given.get("seq")),
        up_ms=None if uptime is None else _within("uptime", uptime / 1000.0, (0.0, 1e12)),
    )


def _json(text: str) -> Any:
    if text.count("{") + text.count("[") > BRACKETS_MAX:
        raise Unreadable(Refusal.NESTED)
    try:
        return json.loads(text)
    except ValueError:
        if text.lower() in MISSING:
            return None
        raise Unreadable(Refusal.NOT_JSON) from None


def _at(found: Any, path: str) -> Any:
    """The value at a path; None where there is none, or a word that means "none"."""
    for step in path.split(".") if path else ():
        if isinstance(found, dict):
            found = found.get(step)
        elif isinstance(found, list) and step.isdecimal() and len(step) < 4:
            found = found[int(step)] if int(step) < len(found) else None
        else:
            return None
    return None if isinstance(found, str) and found.strip().lower() in MISSING else found


def _unit(name: str, field: ReadField, found: Any) -> str:
    said = _at(found, field.unit_path) if field.unit_path else None
    if isinstance(said, str) and (unit := LETTERS.get(said.strip().lstrip("°").upper())):
        return unit
    return field.unit or next(iter(READ_UNITS[name]), "")


def _number(given: Mapping[str, Any], units: Mapping[str, str], name: str) -> float | None:
    """The value in our unit; nan where the device says that it has none."""
    value = given.get(name)
    if value is None:
        return None
    if isinstance(value, str):
        value = value.strip()
        if value.lower().lstrip("+-") in ("nan", "inf", "infinity"):
            return nan
        if len(value) > 40 or not NUMBER.fullmatch(value):
            raise Unreadable(Refusal.NOT_A_NUMBER.about(name))
        value = float(value)
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise Unreadable(Refusal.NOT_A_NUMBER.about(name))
    factor, offset = PER_UNIT[units[name]]
    try:
        return float(value) * factor + offset
    except OverflowError:
        raise Unreadable(Refusal.OUT_OF_RANGE.about(name)) from None


def _distance_mm(given: Mapping[str, Any], units: Mapping[str, str]) -> float | None:
    value = _number(given, units, "distance")
    if value is None or isfinite(value):
        return _within("distance", value, DISTANCE_MM)
    return NOTHING_IN_RANGE_MM


def _within(name: str, value: float | None, limits: tuple[float, float]) -> float | None:
    if value is None or value != value:
        return None
    if not limits[0] <= value <= limits[1]:
        raise Unreadable(Refusal.OUT_OF_RANGE.about(name))
    return value


def _believable(value: float | None, limits: tuple[float, float]) -> float | None:
    return value if value is not None and limits[0] <= value <= limits[1] else None


def _seq(value: object) -> int | None:
    if isinstance(value, str) and value.isdecimal() and len(value) < 19:
        value = int(value)
    if value is None:
        return None
    if type(value) is not int or not 0 <= value <= SEQ_MAX:
        raise Unreadable(Refusal.NOT_WHOLE.about("seq"))
    return value


def _time_s(value: object, offset_s: Offset, received_s: float) -> float | None:
    """Unix seconds of RFC 3339, of a number, or of a local date and time without a zone."""
    if value is None:
        return None
    if isinstance(value, int | float) and not isinstance(value, bool) and isfinite(value):
        return float(value)
    if isinstance(value, str) and len(value) < 40:
        try:
            return rfc3339.parse(value)
        except ValueError:
            pass
        try:
            local_s = datetime.fromisoformat(value.strip()).replace(tzinfo=UTC).timestamp()
        except (ValueError, OverflowError):
            raise Unreadable(Refusal.NOT_A_DATE) from None
        # in the hour that comes twice, the one nearer to the time of receipt
        could_be = {local_s - offset_s(local_s + shift_s) for shift_s in (-86_400.0, 0.0, 86_400.0)}
        right = [time_s for time_s in could_be if time_s + offset_s(time_s) == local_s] or list(could_be)
        return min(right, key=lambda time_s: abs(time_s - received_s))
    raise Unreadable(Refusal.NOT_A_DATE)
