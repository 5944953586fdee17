"""A config file becomes frozen settings, or every problem in it at once, each on one line of text.

tomllib reads; the values go into the schema of `monitor.settings` as they are, without conversion ("12" is no number,
true is no 1); `monitor.config.rules` knows what a value may be beyond its type. This module adds the line, the value,
what is allowed, and the nearest right key. The command line prints the problems and exits with 2.
"""

from __future__ import annotations

import difflib
import os
import re
import tomllib
from dataclasses import MISSING, fields, replace
from functools import cache
from pathlib import Path
from types import UnionType
from typing import Any, Literal, get_args, get_origin, get_type_hints

from monitor.config.jar_tables import JarTable, expand
from monitor.config.read_table import read_fields
from monitor.config.rules import Problem, broken_rules
from monitor.config.share import owner, parse_share
from monitor.config.toml_lines import Where, line_of, spans, toml_text
from monitor.core.display.units import CONTROLS, printable
from monitor.core.vessel.geometry import table
from monitor.settings import (
    SOURCES,
    DisplaySettings,
    InfluxSettings,
    JarSettings,
    MqttSettings,
    NoticeSettings,
    PageSettings,
    PlaceSettings,
    Settings,
    StoreSettings,
)
from monitor.values import Geometry, Straight, Tapered

REPEATED: dict[str, type] = {
    "jar": JarSettings,
    "group": JarSettings,  # its keys are those of its jars
    "place": PlaceSettings,
    **SOURCES,
}
SINGLE: dict[str, type] = {
    "store": StoreSettings,
    "notices": NoticeSettings,
    "influx": InfluxSettings,
    "display": DisplaySettings,
    "page": PageSettings,
}
HEADERS = {name: f"[[{name}]]" for name in REPEATED} | {name: f"[{name}]" for name in SINGLE}
SHAPES = {
    "straight": ("diameter_mm",),
    "tapered": ("bottom_diameter_mm", "top_diameter_mm", "height_mm"),
    "table": ("points",),
}
SECRET_KEY = re.compile(r"pass|secret|token|credential|api_?key", re.IGNORECASE)
LARGEST_NUMBER = 1e15  # more than anything that is asked for, and still an exact float
LARGEST_BYTES = 1 << 20  # a hundred jars with all their settings and a page of comments each
_ENDLESS = re.compile(r"[0-9_]{4300}")
_NOTHING = object()


class SettingsError(ValueError):
    """A config file that cannot be used. `problems` has one line of text for each problem, in the file's order."""

    def __init__(self, problems: tuple[str, ...]) -> None:
        super().__init__("\n".join(problems))
        self.problems = problems


def load(path: Path | str) -> Settings:
    """The settings in a config file; paths in it are relative to the file's own folder. Raises SettingsError."""
    path = Path(path)
    try:
        text = _bytes_of(path).decode("utf-8-sig")
    except FileNotFoundError:
        raise SettingsError(
            (f"{path}: there is no such file: `jartide init` writes one, or name yours with --config",)
        ) from None
    except OSError as error:
        raise SettingsError((f"{path}: cannot be read: {error.strerror}",)) from None
    except UnicodeDecodeError as error:
        at = error.object[: error.start].count(b"\n") + 1
        raise SettingsError((f"{path}, line {at}: is not UTF-8 text: save it as UTF-8",)) from None
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        found = re.search(r"(.*) \(at line (\d+), column (\d+)\)$", str(error))
        what, line, column = found.groups() if found else (str(error), str(text.count("\n") + 1), "1")
        raise SettingsError((f"{path}, line {line}, column {column}: is not TOML: {printable(what)}",)) from None
    except ValueError:  # Python reads no decimal number of more than 4300 digits
        at = next((n for n, line in enumerate(text.split("\n"), 1) if _ENDLESS.search(line)), 1)
        raise SettingsError((f"{path}, line {at}: contains a number with thousands of digits",)) from None
    except RecursionError:
        raise SettingsError((_too_deep(path),)) from None
    try:
        settings, problems = settings_from(raw)
        if problems:
            places = spans(text.replace("\r\n", "\n"))
            placed = sorted((line_of(places, where) or 0, _said(raw, where, what)) for where, what in problems)
            raise SettingsError(tuple(f"{path}{f', line {at}' if at else ''}: {said}" for at, said in placed))
    except RecursionError:
        raise SettingsError((_too_deep(path),)) from None
    return _from_folder(settings, path.absolute().parent)


def _bytes_of(path: Path) -> bytes:
    """The contents of the file. Raises OSError, and SettingsError for something that is no config and might never
    end."""
    if path.is_fifo() or path.is_socket():
        raise SettingsError((f"{path}: is a pipe: the config must be a file, as it is read again when it changes",))
    with path.open("rb") as file:
        content = file.read(LARGEST_BYTES + 1)
    if len(content) > LARGEST_BYTES:
        raise SettingsError((f"{path}: is larger than {LARGEST_BYTES >> 10} kB: is it a config?",))
    return content


def _too_deep(path: Path) -> str:
    return f"{path}: its brackets are nested hundreds deep: a config needs two or three"


# branches: one branch for each kind of table
def settings_from(raw: dict[str, Any]) -> tuple[Settings, list[Problem]]:
    """Settings from parsed TOML, and everything that is wrong with it. Whatever is wrong is replaced by its default, so
    that the rest is still checked; with any problem the settings must not be used."""
    problems: list[Problem] = []
    parts: dict[str, Any] = {}
    tables: dict[str, list[dict[str, Any]]] = {}
    for name, value in raw.items():
        if name in REPEATED:
            if not isinstance(value, list) or not all(isinstance(one, dict) for one in value):
                problems.append(((name,), f"write its header with double brackets, [[{name}]]: there may be several"))
                value = []
            tables[name] = value
        elif name == "share":
            parts[name] = _share(value, problems)
        elif name in SINGLE:
            if not isinstance(value, dict):
                problems.append(((name,), f"must be one table: write its header as [{name}]"))
                value = {}
            parts[name] = _filled(SINGLE[name], value, (name,), problems)
        else:
            problems.append(((name,), f"there is no such table; {_meant(name, HEADERS)}{', '.join(HEADERS.values())}"))
    for name in (*SOURCES, "place", "group"):
        made = tuple(_filled(REPEATED[name], one, (name, at), problems) for at, one in enumerate(tables.get(name, [])))
        if name != "group":
            parts[name] = made
    in_file: list[Problem] = []
    expanded = expand(tables.get("jar", []), tables.get("group", []), in_file)
    parts["jars"] = tuple(_filled(JarSettings, jar.keys, ("jar", at), problems) for at, jar in enumerate(expanded))
    settings = Settings(**parts)
    known = {where for where, _ in problems}
    problems += [(where, what) for where, what in broken_rules(settings) if where not in known]
    of_groups = {where for where, _ in problems if where[0] == "group"}
    for where, what in problems:
        place = _in_file(where, expanded)
        if place == where or place not in of_groups:  # a problem of a group is reported once, not for each of its jars
            in_file.append((place, what))
    return _share_of(settings), list(dict.fromkeys(in_file))


def _in_file(where: Where, expanded: list[JarTable]) -> Where:
    """The place in the file of a problem with a jar as it was made."""
    match where:
        case ("jar", int(at), *rest):
            return expanded[at].where(tuple(rest))
    return where


def _share(value: Any, problems: list[Problem]) -> str | None:
    try:
        if not isinstance(value, str):
            raise ValueError('must be text in "quotes", such as "2/4"')
        parse_share(value)
    except ValueError as error:
        problems.append((("share",), str(error)))
        return None
    return value


def _share_of(settings: Settings) -> Settings:
    """The same settings with only the jars that this share watches."""
    if settings.share is None:
        return settings
    which, of = parse_share(settings.share)
    mine = tuple(jar for jar in settings.jars if owner(jar.name, of) == which)
    return replace(settings, jars=mine, elsewhere=frozenset(jar.name for jar in settings.jars) - {j.name for j in mine})


@cache
def _kinds(schema: type) -> dict[str, Any]:
    """The keys of a table, each with its type; computed once, not for each of thousands of jars."""
    kinds = get_type_hints(schema)
    return {**kinds, "read": read_fields} if schema is MqttSettings else kinds


def _filled(schema: type, raw: dict[str, Any], where: Where, problems: list[Problem]) -> Any:
    """One table as an instance of its schema; what is wrong is added to `problems`."""
    kinds = _kinds(schema)
    values: dict[str, Any] = {}
    for key, value in raw.items():
        if key not in kinds:
            problems.append(((*where, key), _no_such_key(key, where, list(kinds))))
            continue
        try:
            values[key] = _value(kinds[key], value)
        except ValueError as error:
            problems.append(((*where, key), str(error)))
    for field in fields(schema):
        if field.default is MISSING and field.default_factory is MISSING and field.name not in values:
            if field.name not in raw:
                problems.append(((*where, field.name), "is missing"))
            values[field.name] = ""
    return schema(**values)


# branches: one branch for each kind of value that the schema has
def _value(kind: Any, value: Any) -> Any:
    """The value, if it is of the kind in the schema. Raises ValueError that says what would be right."""
    if kind is read_fields:
        return read_fields(value)
    if kind == Geometry:
        return _geometry(value)
    if isinstance(kind, UnionType) or get_origin(kind) not in (None, Literal, tuple):
        (kind,) = (one for one in get_args(kind) if one is not type(None))
    if get_origin(kind) is Literal:
        names = get_args(kind)
        if not isinstance(value, str) or value not in names:
            near = _meant(value, names) if isinstance(value, str) else ""
            raise ValueError(f"{near}It must be {' or '.join(map(toml_text, names))}")
        return value
    if get_origin(kind) is tuple:
        if not isinstance(value, list) or not all(isinstance(one, str) for one in value):
            raise ValueError('must be a list of texts: ["...", "..."]')
        if any(CONTROLS.search(one) for one in value):
            raise ValueError("must not contain control characters: a terminal would obey them")
        return tuple(value)
    if kind is float:
        return _number(value)
    if kind is int and (isinstance(value, bool) or not isinstance(value, int) or abs(value) > LARGEST_NUMBER):
        raise ValueError("must be a whole number, without quotes")
    if kind is bool and not isinstance(value, bool):
        raise ValueError("must be true or false, without quotes")
    if kind in (str, Path) and not isinstance(value, str):
        raise ValueError('must be text in "quotes"')
    if isinstance(value, str) and CONTROLS.search(value):
        raise ValueError("must not contain control characters: a terminal would obey them")
    if kind is Path and not value:
        raise ValueError("must be the path of a file")
    return Path(value) if kind is Path else value


def _number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) <= LARGEST_NUMBER:
        raise ValueError("must be a number, without quotes")
    return float(value)


def _geometry(value: Any) -> Geometry:
    """{shape = "straight", diameter_mm = 85} and its sisters; whether the sizes make sense is checked by a rule."""
    shape = value.get("shape") if isinstance(value, dict) else None
    if not isinstance(shape, str) or shape not in SHAPES:
        near = _meant(shape, SHAPES) if isinstance(shape, str) else ""
        forms = ", ".join(f'{{shape = "{name}", {" = ..., ".join(keys)} = ...}}' for name, keys in SHAPES.items())
        raise ValueError(f"{near}It must be one of {forms}")
    keys = SHAPES[shape]
    for key in value:
        if key not in (*keys, "shape"):
            raise ValueError(f"there is no {key} in a {shape} jar; {_meant(key, keys)}It has {', '.join(keys)}")
    if missing := [key for key in keys if key not in value and shape != "straight"]:
        raise ValueError(f"a {shape} jar needs {' and '.join(missing)} too")
    if shape == "table":
        return table(_points(value["points"]))
    sizes = {key: _number_of(key, value[key]) for key in keys if key in value}
    return Straight(**sizes) if shape == "straight" else Tapered(**sizes)


def _number_of(key: str, value: Any) -> float:
    try:
        return _number(value)
    except ValueError as error:
        raise ValueError(f"{key} {error}") from None


def _points(value: Any) -> list[tuple[float, float]]:
    try:
        return [(_number(height_mm), _number(volume_ml)) for height_mm, volume_ml in value]
    except (TypeError, ValueError):
        form = "[[0, 0], [40, 200], [80, 420]]"
        raise ValueError(f"points must be a list of [height in mm, volume in ml], such as {form}") from None


def _no_such_key(key: str, where: Where, names: list[str]) -> str:
    ways = [name for name in names if SECRET_KEY.search(name) and name.endswith(("_env", "_file"))]
    if ways and SECRET_KEY.search(key) and key not in names:
        return f"secrets must not be in this file: use {' or '.join(sorted(ways))}"
    return f"there is no such key; {_meant(key, names)}{HEADERS[str(where[0])]} has {', '.join(names)}"


def _meant(given: str, names: Any) -> str:
    near = difflib.get_close_matches(given, names, n=1)
    return f"did you mean {near[0]}? " if near else ""


def _said(raw: dict[str, Any], where: Where, what: str) -> str:
    """The problem with its table, key and value in front: `[[jar]] rye: empty_mm = "12": must be ...`."""
    head, value = HEADERS.get(str(where[0]), str(where[0])), raw.get(str(where[0]))
    for step in where[1:]:
        if isinstance(step, int):
            value = value[step] if isinstance(value, list) else None
            name = next(
                (value[key] for key in ("name", "port", "host") if isinstance(value, dict) and key in value), ""
            )
            head += f" {name if isinstance(name, str) and name and '@' not in name else step + 1}"
        else:
            value = value.get(step, _NOTHING) if isinstance(value, dict) else _NOTHING
            head += f": {step}{_shown(step, value)}"
    said = f"{head}: {what}"
    return printable(said)  # a key may hold a line's end


def _shown(key: str, value: object) -> str:
    """` = value` as in the file, shortened; what may be a secret that somebody put there is not repeated."""
    if value is _NOTHING:
        return ""
    text = toml_text(value)
    named = key.endswith("_file") or (key.endswith("_env") and not re.search(r"[^A-Z0-9_\[\]\", ]", text))
    if "@" in text or ((SECRET_KEY.search(key) or key.endswith("_env")) and not named):
        return " = (not shown)"
    return " = " + (text if len(text) <= 70 else text[:67] + "...")


def _from_folder(settings: Settings, folder: Path) -> Settings:
    """The same settings with every relative path counted from `folder`, and `~` as the home it stands for."""

    def placed(part: Any) -> Any:
        values = {field.name: getattr(part, field.name) for field in fields(part)}
        paths = {key: folder / value.expanduser() for key, value in values.items() if isinstance(value, Path)}
        return replace(part, **paths)

    store: StoreSettings = placed(settings.store)
    return replace(
        settings,
        # links are followed once, here: SQLite, the lock and all other parts must mean the same file
        store=replace(store, path=Path(os.path.realpath(store.path))),
        notices=placed(settings.notices),
        page=placed(settings.page),
        influx=None if settings.influx is None else placed(settings.influx),
        mqtt=tuple(placed(mqtt) for mqtt in settings.mqtt),
    )
