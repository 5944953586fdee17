"""Single cells and header values of the run file: splitting a line, numbers, and text that a spreadsheet
must not run as a formula. What the columns mean is in `run_file`.
"""

from __future__ import annotations

import csv
import re


def number(value: float | None) -> str:
    """The shortest text that reads back as the same number; "" for None."""
    return "" if value is None else repr(float(value)).removesuffix(".0")


# A spreadsheet runs a cell that begins with one of these as a formula. A quote before it makes it text. Where there are
# quotes already one more is added, so that taking one away always gives the original back.
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
