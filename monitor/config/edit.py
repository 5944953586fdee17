"""Changes a config file: keys of one table are set or removed, everything else stays byte for byte, with its comments.
A text that would not load is never written, and the former file is kept beside the new one.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import time
import tomllib
from collections.abc import Mapping
from pathlib import Path

from monitor.config.reader import SettingsError, load
from monitor.config.toml_lines import Where, spans, toml_text, with_values
from monitor.values import Geometry, Json, Straight, Tapered

KEPT = 5  # former files that are kept; older ones go


class CannotEdit(ValueError):
    """The file stays as it is; the text says why, in one sentence or more."""


def changed(text: str, table: Where, values: Mapping[str, object]) -> str:
    """The text with these keys of a table; None removes a key. A missing table is added at the end, if it is a single
    one such as ("notices",). Raises CannotEdit."""
    found = spans(text)
    gone = {key for key, value in values.items() if value is None}
    kept = {key: toml_text(_as_people_write(value)) for key, value in values.items() if value is not None}
    if table not in found:
        if len(table) > 1:
            raise CannotEdit(f"there is no table {'.'.join(map(str, table))}")
        lines = [f"{key} = {value}" for key, value in kept.items()]
        return "\n".join([text.rstrip("\n"), "", f"[{table[0]}]", *lines, ""]) if kept else text
    try:
        text = with_values(text, table, kept)
    except KeyError as error:
        raise CannotEdit(f"{error.args[0]} has its own table: change it in the file") from None
    lines = text.split("\n")
    places = spans(text)
    for key in gone:
        if any(where[: len(table) + 1] == (*table, key) and len(where) > len(table) + 1 for where in places):
            raise CannotEdit(f"{key} has its own table: change it in the file")
    cut = [place for key in gone if (place := places.get((*table, key))) is not None]
    for place in sorted(cut, key=lambda one: -one.first):
        del lines[place.first - 1 : place.last]
    return "\n".join(lines)


def jar_table(text: str, name: str) -> Where:
    """The place of one jar's table. Raises CannotEdit for a jar without one of its own, such as one of a range."""
    for index, jar in enumerate(tomllib.loads(text).get("jar", [])):
        if jar.get("name") == name:
            return "jar", index
    raise CannotEdit(f"{name} is one of a range and has no table of its own: change it in the file")


def read(path: Path) -> str:
    """The file's text, without the byte order mark that some editors put at its start. Raises CannotEdit."""
    try:
        return path.read_bytes().decode("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise CannotEdit(f"{path.name}: cannot be read: {getattr(error, 'strerror', None) or 'not UTF-8'}") from None


def save(path: Path, text: str) -> Path:
    """Replace the file by this text, if that loads; returns where the former file is kept. Raises CannotEdit with what
    the config reader finds wrong."""
    path = path.resolve()  # a link stays a link
    kept = path.with_name(f"{path.name}.before-{time.strftime('%Y%m%dT%H%M%SZ', time.gmtime())}")
    part = path.with_name(f".{path.name}.part")
    try:
        mark = b"\xef\xbb\xbf" if path.read_bytes().startswith(b"\xef\xbb\xbf") else b""
        shutil.copy2(path, part)  # for its mode
        part.write_bytes(mark + text.encode("utf-8"))
        load(part)
        shutil.copy2(path, kept)
        os.replace(part, path)
    except SettingsError as error:
        raise CannotEdit("\n".join(said.partition(": ")[2] for said in error.problems)) from None
    except OSError as error:
        raise CannotEdit(f"{path}: not changed: {error.strerror}") from None
    finally:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
    with contextlib.suppress(OSError):
        for old in sorted(path.parent.glob(f"{path.name}.before-*"))[:-KEPT]:
            old.unlink()
    return kept


def geometry_value(geometry: Geometry) -> dict[str, Json]:
    """A geometry as the config has it, an inline table."""
    match geometry:
        case Straight():
            return {
                "shape": "straight",
                **({} if geometry.diameter_mm is None else {"diameter_mm": geometry.diameter_mm}),
            }
        case Tapered():
            sizes = ("bottom_diameter_mm", "top_diameter_mm", "height_mm")
            return {"shape": "tapered", **{key: getattr(geometry, key) for key in sizes}}
    points: list[Json] = [[0, 0]]
    for height_mm, volume_ml in geometry.points:
        points.append([height_mm, volume_ml])
    return {"shape": "table", "points": points}


def _as_people_write(value: object) -> object:
    """150.0 -> 150."""
    if isinstance(value, dict):
        return {key: _as_people_write(inner) for key, inner in value.items()}
    return int(value) if isinstance(value, float) and value.is_integer() else value
