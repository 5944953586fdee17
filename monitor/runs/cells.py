"""Single cells and header values of the run file: splitting a line, numbers, the jar's shape as one line, and text that
a spreadsheet must not run as a formula. What the columns mean is in `run_file`.
"""

from __future__ import annotations

import csv
import re

from monitor.values import Geometry, Straight, Tapered, VolumeTable


def number(value: float | None) -> str:
    """The shortest text that reads back as the same number; "" for None."""
    return "" if value is None else repr(float(value)).removesuffix(".0")


# A spreadsheet runs a cell that begins with one of these as a formula. One quote before it makes it text; quotes that
# stand there already gain one more, so that taking one away always gives the original back.
_DANGER = r"('*[=+\-@\t])"
_QUOTED = r"'('*[=+\-@\t])"
_BREAK = r"([,;\t]\s*\"?)"  # where a spreadsheet may see a new cell inside a header line


def guard(cell: str) -> str:
    return re.sub("^" + _DANGER, r"'\1", cell)


def unguard(cell: str) -> str:
    return re.sub("^" + _QUOTED, r"\1", cell)


def guard_line(value: str) -> str:
    return re.sub(_BREAK + _DANGER, r"\1'\2", value)


def unguard_line(value: str) -> str:
    return re.sub(_BREAK + _QUOTED, r"\1\2", value)


def one_line(text: str) -> str:
    return " ".join(text.split())


def split(line: str) -> list[str]:
    """The cells of one line. A row never spans lines here, so that one stray quote costs one row and not the file."""
    line = line.rstrip("\n")
    if '"' not in line:
        return line.split(",")
    try:
        return next(csv.reader([line]), [""])
    except csv.Error:
        return [line]


def geometry_text(geometry: Geometry) -> str:
    """One line that `geometry_of` reads back: `straight 85`, `tapered 70 90 140` (bottom, top, height) or
    `table 10:50 20:110` (height:volume); mm and ml."""
    match geometry:
        case Straight(diameter_mm=None):
            return "straight"
        case Straight(diameter_mm=diameter_mm):
            return f"straight {number(diameter_mm)}"
        case Tapered(bottom_diameter_mm=bottom_mm, top_diameter_mm=top_mm, height_mm=height_mm):
            return f"tapered {number(bottom_mm)} {number(top_mm)} {number(height_mm)}"
        case VolumeTable(points=points):
            return " ".join(["table", *(f"{number(height_mm)}:{number(volume_ml)}" for height_mm, volume_ml in points)])


def geometry_of(text: str) -> Geometry | None:
    """The shape that a line states; None when it states none in the form of `geometry_text`."""
    kind, *words = text.split() or [""]
    try:
        sizes = [float(part) for word in words for part in word.split(":")]
    except ValueError:
        return None
    if not all((0 if kind == "table" else 1e-3) <= size < 1e6 for size in sizes):
        return None
    match kind, sizes:
        case "straight", []:
            return Straight()
        case "straight", [diameter_mm]:
            return Straight(diameter_mm=diameter_mm)
        case "tapered", [bottom_mm, top_mm, height_mm]:
            return Tapered(bottom_diameter_mm=bottom_mm, top_diameter_mm=top_mm, height_mm=height_mm)
        case "table", [_, _, *_] if len(sizes) == 2 * len(words):
            return VolumeTable(points=tuple(zip(sizes[::2], sizes[1::2], strict=True)))
    return None
