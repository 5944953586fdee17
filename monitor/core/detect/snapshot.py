"""A jar's state as plain JSON and back: slotted dataclasses of numbers, strings, lists and each other. Floats go
through unchanged, so a thawed jar behaves bit for bit as the frozen one. Knows nothing of what the state means.
"""

from __future__ import annotations

from dataclasses import fields, is_dataclass
from typing import Any, TypeVar, get_args, get_type_hints

from monitor.values import Json

T = TypeVar("T")


def pack(value: Any) -> Json:
    """A state dataclass (or a plain value within one) as JSON; lists are copied."""
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: pack(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, list | tuple):
        return [pack(v) for v in value]
    return value  # type: ignore[no-any-return]


def unpack(kind: type[T], data: dict[str, Any]) -> T:
    """The state dataclass `kind` from its JSON."""
    return kind(**restored(kind, data))


def restored(kind: type, data: dict[str, Any]) -> dict[str, Any]:
    """The fields of `kind` that `data` holds, as values. A field that it lacks will keep its default (a carry written
    by an older version); one that the class lacks is left out."""
    hints = get_type_hints(kind)
    made: dict[str, Any] = {}
    for f in fields(kind):
        if f.name not in data:
            continue
        value = data[f.name]
        inner = next((h for h in (hints[f.name], *get_args(hints[f.name])) if is_dataclass(h)), None)
        if inner is not None and isinstance(value, dict):
            made[f.name] = unpack(inner, value)  # type: ignore[arg-type]
        elif isinstance(value, list):
            made[f.name] = [list(v) if isinstance(v, list) else v for v in value]
        else:
            made[f.name] = value
    return made
