"""The JSON Schema of the config, for editors that complete and check TOML: `jartide init --schema` prints it.

Nothing is repeated here: tables, keys and types are those of `monitor.settings`, bounds those of
`monitor.config.rules`, and each key's description is the comment beside it in configs/everything.toml. What only the
whole file shows (two jars with one name, a rim above the sensor) is left to `jartide check`. Draft 2020-12,
https://json-schema.org/.
"""

from __future__ import annotations

import re
from dataclasses import MISSING, fields
from pathlib import Path
from types import NoneType, UnionType
from typing import Any, Literal, get_args, get_origin, get_type_hints

from monitor.config.reader import REPEATED, SHAPES, SINGLE
from monitor.config.rules import LIMITS
from monitor.values import Geometry, Json

DRAFT = "https://json-schema.org/draft/2020-12/schema"
_KEY = re.compile(r"(?:# )?([a-z_]+) = [^#]*(?:#\s?(.*))?")  # "port = 8140   # Default: 8140"
_MORE = re.compile(r"\s{12,}# ?(.*)")  # the comment goes on in the next line
_HEADER = re.compile(r"\[\[?([a-z]+)\]?\]")


def json_schema(everything: str) -> dict[str, Json]:
    """The schema; `everything` is the text of configs/everything.toml."""
    described = descriptions(everything)
    properties: dict[str, Json] = {"share": {"type": "string", "description": described.get(("", "share"), "")}}
    for name, table in REPEATED.items():
        properties[name] = {"type": "array", "items": _table(name, table, described)}
    for name, table in SINGLE.items():
        properties[name] = _table(name, table, described)
    return {
        "$schema": DRAFT,
        "title": "The config of Jartide",
        "type": "object",
        "properties": properties,
        "required": ["jar"],
        "additionalProperties": False,
    }


def descriptions(everything: str) -> dict[tuple[str, str], str]:
    """(table, key) -> the comment beside the key where it is first named, on one line; the table "" is the top
    level."""
    found: dict[tuple[str, str], str] = {}
    table, at = "", None
    for line in everything.splitlines():
        if header := _HEADER.match(line):
            table, at = header[1], None
        elif key := _KEY.match(line):
            at = (table, key[1])
            if at in found:
                at = None
            else:
                found[at] = (key[2] or "").strip()
        elif at is not None and (more := _MORE.match(line)):
            found[at] = f"{found[at]} {more[1].strip()}".strip()
        else:
            at = None
    return found


def _table(name: str, table: type, described: dict[tuple[str, str], str]) -> Json:
    """One table: its keys with type, bounds and description. A group's keys are a jar's."""
    hints = get_type_hints(table)
    properties: dict[str, Json] = {}
    for field in fields(table):
        other = f"{field.name.removesuffix('_file')}_env"  # a secret's two places have one comment
        places = ((name, field.name), (name, other), ("jar" if name == "group" else "", field.name))
        told = next((text for place in places if (text := described.get(place))), "")
        kind = _kind(hints[field.name], LIMITS.get("jar" if name == "group" else name, {}).get(field.name))
        properties[field.name] = {**kind, "description": told} if told else kind
    required: list[Json] = [
        field.name for field in fields(table) if field.default is MISSING and field.default_factory is MISSING
    ]
    return {"type": "object", "properties": properties, "required": required, "additionalProperties": False}


def _kind(hint: Any, limits: tuple[float, float, str] | None) -> dict[str, Json]:
    if hint == Geometry:
        return _geometry()
    if get_origin(hint) is UnionType or type(hint) is UnionType:
        (hint,) = [one for one in get_args(hint) if one is not NoneType]
    if get_origin(hint) is Literal:
        return {"enum": list(get_args(hint))}
    if get_args(hint) == (str, ...):
        return {"type": "array", "items": {"type": "string"}}
    if hint is bool:
        return {"type": "boolean"}
    if hint in (int, float):
        bounds: dict[str, Json] = {} if limits is None else {"minimum": limits[0], "maximum": limits[1]}
        return {"type": "integer" if hint is int else "number", **bounds}
    if hint in (str, Path):
        return {"type": "string"}
    return {"type": "object"}  # a table of its own, whose keys the reader knows


def _geometry() -> dict[str, Json]:
    shapes: list[Json] = []
    for shape, keys in SHAPES.items():
        inner: dict[str, Json] = {"shape": {"const": shape}}
        for key in keys:
            inner[key] = {"type": "array"} if key == "points" else {"type": "number", "exclusiveMinimum": 0}
        shapes.append({"type": "object", "properties": inner, "required": ["shape"], "additionalProperties": False})
    return {"oneOf": shapes}
