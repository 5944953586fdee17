"""A jar's state as plain JSON and back: slotted dataclasses of numbers, strings, lists and each other. Floats go
through unchanged, so a thawed jar behaves bit for bit as the frozen one. Knows nothing of what the state means.
"""

from __future__ import annotations

from array import array
from dataclasses import fields, is_dataclass
from typing import Any, TypeVar, get_type_hints

from monitor.values import Json

T = TypeVar("T")


def pack(value: Any) -> Json:
    """A state dataclass (or a plain value within one) as JSON; lists are copied."""
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: pack(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, list | tuple | array):
        return [pack(v) for v in value]
    return value  # type: ignore[no-any-return]


def unpack(kind: type[T], data: dict[str, Any]) -> T:
    """The state dataclass `kind` from its JSON. A field that the JSON lacks keeps its default (a carry written by an
    older version); one that the class lacks is left out."""
    hints = get_type_hints(kind)
    made: dict[str, Any] = {}
    for f in fields(kind):  # type: ignore[arg-type]
        if f.name not in data:
            continue
        hint, value = hints[f.name], data[f.name]
        if isinstance(hint, type) and is_dataclass(hint) and isinstance(value, dict):
            made[f.name] = unpack(hint, value)
        elif isinstance(value, list):
            made[f.name] = [list(v) if isinstance(v, list) else v for v in value]
        else:
            made[f.name] = value
    return kind(**made)
