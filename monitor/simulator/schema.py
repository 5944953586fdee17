"""Reads a table of a scenario into a dataclass whose fields say what is allowed. Pure.

All problems of a scenario are collected, one line each: which key, what is wrong, what is allowed. Only `scenario.py`
uses it; the daemon's config has its own reader with line numbers.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Mapping
from dataclasses import MISSING, dataclass, field, fields
from typing import Any, TypeVar

Read = Callable[[object], object]  # gives the value, or raises ValueError saying what is allowed
T = TypeVar("T")

_SPAN = re.compile(r"\s*(\d+(?:\.\d+)?)\s*(s|min|h|d)")
_SECONDS = {"s": 1.0, "min": 60.0, "h": 3600.0, "d": 86400.0}


class ScenarioError(ValueError):
    """The scenario cannot be played; the text has one line for each problem."""


@dataclass(frozen=True, slots=True)
class Part:
    """A field that is a table of its own, or a list of them."""

    cls: type
    many: bool


def key(read: Read | Part, default: Any = MISSING, *, doc: str) -> Any:
    """A field: how it is read, its default (none: it must be given) and a sentence."""
    return field(default=default, metadata={"read": read, "doc": doc})


def number(low: float, high: float, unit: str = "") -> Read:
    """A number from `low` to `high`."""

    def read(raw: object) -> float:
        if isinstance(raw, bool) or not isinstance(raw, int | float) or not low <= raw <= high:
            raise ValueError(f"allowed: a number from {low:g} to {high:g}{' ' + unit if unit else ''}")
        return float(raw)

    return read


def whole(low: int, high: int) -> Read:
    """A whole number from `low` to `high`."""

    def read(raw: object) -> int:
        if isinstance(raw, bool) or not isinstance(raw, int) or not low <= raw <= high:
            raise ValueError(f"allowed: a whole number from {low} to {high}")
        return raw

    return read


def one_of(*choices: str) -> Read:
    """One of some words."""

    def read(raw: object) -> str:
        if raw not in choices:
            near = difflib.get_close_matches(str(raw), choices, 1)
            raise ValueError(f"allowed: {', '.join(choices)}" + (f" (did you mean {near[0]}?)" if near else ""))
        return str(raw)

    return read


def some_of(*choices: str) -> Read:
    """A list of some words."""

    def read(raw: object) -> tuple[str, ...]:
        if not isinstance(raw, list) or not raw or not set(map(str, raw)) <= set(choices):
            raise ValueError(f"allowed: a list of {', '.join(choices)}")
        return tuple(str(word) for word in raw)

    return read


def text(raw: object) -> str:
    """One line of text."""
    if not isinstance(raw, str) or not raw.strip() or "\n" in raw:
        raise ValueError("allowed: one line of text")
    return raw.strip()


def jar_name(raw: object) -> str:
    """A name that fits into an MQTT topic and a file name."""
    if not isinstance(raw, str) or not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._-]{0,39}", raw):
        raise ValueError("allowed: 1 to 40 letters, digits, . - and _, beginning with a letter or digit")
    return raw


def yes_or_no(raw: object) -> bool:
    """true or false."""
    if not isinstance(raw, bool):
        raise ValueError("allowed: true or false")
    return raw


def clock(raw: object) -> float:
    """A local time of day, `"21:30"`, as seconds after midnight."""
    match = re.fullmatch(r"([01]?\d|2[0-3]):([0-5]\d)", raw) if isinstance(raw, str) else None
    if match is None:
        raise ValueError('allowed: a time of day like "21:30"')
    return int(match[1]) * 3600.0 + int(match[2]) * 60.0


def span(raw: object) -> float:
    """A time since the scenario's start, `"5h"`, `"2d 3h"` or `"90min"`, as seconds."""
    if isinstance(raw, str) and raw.strip():
        rest, seconds = raw.strip().removeprefix("+"), 0.0
        while match := _SPAN.match(rest):
            seconds += float(match[1]) * _SECONDS[match[2]]
            rest = rest[match.end() :]
        if not rest.strip():
            return seconds
    raise ValueError('allowed: a time since the start like "90min", "5h" or "2d 3h"')


def read_table(cls: type[T], raw: object, where: str, problems: list[str]) -> T | None:
    """`raw` as a `cls`; None, with the reasons appended to `problems`, when it cannot be one."""
    if not isinstance(raw, Mapping):
        problems.append(f"{where}: allowed: a table")
        return None
    known = {f.name: f for f in fields(cls)}  # type: ignore[arg-type]
    bad = len(problems)
    prefix = f"{where}." if where else ""
    for name in raw:
        if name not in known:
            near = difflib.get_close_matches(str(name), known, 1)
            hint = f"; did you mean {near[0]}?" if near else f"; allowed: {', '.join(known)}"
            problems.append(f"{prefix}{name}: no such key{hint}")
    values: dict[str, Any] = {}
    for name, one in known.items():
        if name not in raw:
            if one.default is MISSING:
                problems.append(f"{prefix}{name}: missing; {one.metadata['doc']}")
            continue
        read = one.metadata["read"]
        if isinstance(read, Part):
            values[name] = _part(read, raw[name], prefix + name, problems)
            continue
        try:
            values[name] = read(raw[name])
        except ValueError as error:
            problems.append(f"{prefix}{name} = {_short(raw[name])}: {error}")
    if len(problems) > bad:
        return None
    return cls(**values)


def _part(part: Part, raw: object, where: str, problems: list[str]) -> Any:
    if not part.many:
        return read_table(part.cls, raw, where, problems)
    if not isinstance(raw, list):
        problems.append(f"{where}: allowed: [[{where}]] tables")
        return ()
    return tuple(read_table(part.cls, one, f"{where}[{i}]", problems) for i, one in enumerate(raw, 1))


def _short(raw: object) -> str:
    shown = (
        f'"{raw}"'
        if isinstance(raw, str)
        else {True: "true", False: "false"}.get(raw, str(raw))
        if isinstance(raw, bool)
        else str(raw)
    )
    return shown if len(shown) <= 40 else shown[:37] + "..."
