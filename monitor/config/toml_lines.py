"""The lines of each key in a TOML text, and values as TOML text. `tomllib` gives values but no lines; errors and edits
need the lines.

Pure. Assumes that the text is valid TOML (tomllib has read it), and follows strings, comments and brackets only closely
enough to know which lines begin a table or a key.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass

Where = tuple[str | int, ...]
"""The path to a value: keys, and an index for each array of tables: ("jar", 0, "empty_mm")."""

_PART = r"""\s*("[^"\\\n]*(?:\\.[^"\\\n]*)*"|'[^'\n]*'|[A-Za-z0-9_-]+)\s*"""
_DOTTED = re.compile(rf"{_PART}(?:\.{_PART})*")
_ONE_PART = re.compile(_PART)
# what can hide a bracket or a newline: comments and the four kinds of string
_INSIDE_STRING = "\x00"  # begins a line that is the inside of a multi-line string
_OPAQUE = re.compile(r'''#[^\n]*|"""(?:\\.|[^\\])*?"{3,5}|\'\'\'.*?\'{3,5}|"(?:\\.|[^"\\\n])*"|'[^'\n]*\'''', re.DOTALL)


@dataclass(frozen=True, slots=True)
class Span:
    """Lines `first` to `last` (counted from 1, both included)."""

    first: int
    last: int


def spans(text: str) -> dict[Where, Span]:
    """Each table and each key of the text with the lines that it takes. A table reaches from its header to the line
    before the next header; a key from its name to the end of its value. Keys of inline tables are not listed."""
    lines = _blanked(text).split("\n")
    found: dict[Where, Span] = {}
    arrays: dict[Where, int] = {}
    table: Where = ()
    number = 0
    while number < len(lines):
        first, line = number, lines[number]
        number += 1
        if header := re.match(r"\s*(\[\[?)", line):
            if table:
                found[table] = Span(found[table].first, first)
            table = _table(_keys(line[header.end() :]), double=header[1] == "[[", arrays=arrays)
            found[table] = Span(first + 1, len(lines))
        elif keys := _keys(line):
            depth = _depth(line)
            while number < len(lines) and (depth > 0 or lines[number].startswith(_INSIDE_STRING)):
                depth += _depth(lines[number])
                number += 1
            found[table + keys] = Span(first + 1, number)
    return found


def line_of(found: dict[Where, Span], where: Where) -> int | None:
    """The line of `where`, or of the nearest thing around it that has one, such as the table that lacks the key."""
    for length in range(len(where), 0, -1):
        if span := found.get(where[:length]):
            return span.first
    return None


def with_values(text: str, table: Where, values: dict[str, str]) -> str:
    """The text with these keys of one table set to these TOML values; everything else stays byte for byte, comments
    behind the values included. A key that is new to the table goes below its last own key. Raises KeyError when there
    is no such table, or when a key is written as a table of its own."""
    found = spans(text)
    lines: list[str | None] = list(text.split("\n"))
    below = max([span.last for where, span in found.items() if where[:-1] == table], default=found[table].first)
    added: list[str] = []
    for key, value in values.items():
        where = (*table, key)
        if any(other[: len(where)] == where and other != where for other in found):
            raise KeyError(key)
        if where not in found:
            added.append(f"{key} = {value}")
            continue
        span = found[where]
        first, last = str(lines[span.first - 1]), str(lines[span.last - 1])
        comment = next((token.start() for token in _OPAQUE.finditer(last) if token[0].startswith("#")), len(last))
        behind = last[len(last[:comment].rstrip()) :]  # the gap, the comment, and a carriage return
        lines[span.first - 1 : span.last] = [None] * (span.last - span.first + 1)
        lines[span.first - 1] = f"{first[: first.index('=') + 1]} {value}{behind}"
    carriage = "\r" if "\r\n" in text else ""
    lines[below:below] = [line + carriage for line in added]
    return "\n".join(line for line in lines if line is not None)


def toml_text(value: object) -> str:
    """A value as TOML writes it on one line: text, numbers, true and false, lists and inline tables."""
    if isinstance(value, str):
        # JSON's escapes are a subset of TOML's, which also wants the delete character escaped
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(toml_text, value))}]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key} = {toml_text(inner)}" for key, inner in value.items()) + "}"
    try:
        return str(value)
    except ValueError:  # Python writes no number of more than 4300 digits, which one in hexadecimal may have
        return "a number of thousands of digits"


def _blanked(text: str) -> str:
    """The text without comments and the insides of strings, every line kept in its place. Quoted keys stay."""

    def blank(token: re.Match[str]) -> str:
        if token[0].startswith("#"):
            return ""
        if newlines := token[0].count("\n"):
            return '""' + f"\n{_INSIDE_STRING}" * newlines
        before = text[text.rfind("\n", 0, token.start()) + 1 : token.start()]
        return '""' if "=" in before or re.search(r"[][{}=]", token[0]) else token[0]

    return _OPAQUE.sub(blank, text)


def _keys(text: str) -> Where:
    """The dotted key at the beginning of a line or inside a header's brackets; () when there is none."""
    whole = _DOTTED.match(text)
    if whole is None or text[whole.end() : whole.end() + 1] not in ("=", "]"):
        return ()
    return tuple(part.strip("\"'") for part in _ONE_PART.findall(whole[0]))


def _table(keys: Where, *, double: bool, arrays: dict[Where, int]) -> Where:
    """The path of a header's table, with the index of each array of tables on the way."""
    where: Where = ()
    for position, key in enumerate(keys):
        where = (*where, key)
        if double and position == len(keys) - 1:
            arrays[where] = arrays.get(where, -1) + 1
        if where in arrays:
            where = (*where, arrays[where])
    return where


def _depth(line: str) -> int:
    return sum(line.count(bracket) for bracket in "[{") - sum(line.count(bracket) for bracket in "]}")
