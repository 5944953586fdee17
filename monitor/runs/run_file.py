"""The run file: a recorded run as CSV, and the list of feedings beside it. Reading is tolerant about rows and strict
about the form: a bad row goes into `rejected` with its line and reason, a file that is no run file is a `RunFileError`.

Form (UTF-8): leading `# key: value` lines, a header row, then a reading on each line in order of arrival. `time` (RFC
3339, with its zone) and `distance_mm` are required columns; columns come in any order, unknown ones are ignored, an
empty or absent cell is a missing value. Late, doubled and unbelievable readings are left to `plausibility`. Sources:
RFC 4180 (quoting), RFC 3339 (time).
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from math import nan
from pathlib import Path
from typing import Literal, TextIO

from monitor.core.detect.superseded import DENIABLE
from monitor.core.display.units import printable, without_controls
from monitor.core.vessel.geometry import parse_geometry
from monitor.runs import rfc3339
from monitor.runs.cells import guard, guard_line, number, one_line, split, unguard, unguard_line
from monitor.runs.items import LEAST_G
from monitor.settings import JarSettings
from monitor.values import MEASURED, Fed, Feeding, Geometry, Reading, Straight

REQUIRED = ("time", "distance_mm")
USUAL = ("time", "distance_mm", "temperature_c")
SURFACE = ("distance_mm", "echo_us")
FEEDING = ("fed_at", "starter_g", "flour_g", "water_g", "flour")
TRACED = ("flour_lot", "seed", "by")  # further columns of feedings, written where any of them has a value
LARGEST = 1e6  # no jar, air or echo comes near this (1e6 us of echo is 170 m): such a cell is garbled
KEPT_REJECTED = 1000  # enough to find what is wrong; the rest are counted
# keys of the header that are used; the others are kept as they are
KNOWN_KEYS = ("shows", "jar", "empty_mm", "geometry", "sensor", "venting", "not_so")
MOST_KEYS = 200
_LONGEST = 65_536  # characters of a line
_LONGEST_KEY, _LONGEST_VALUE = 100, 2000


def jar_of(name: str, header: Mapping[str, str], empty_mm: float | None, geometry: Geometry | None) -> JarSettings:
    """The settings of the jar of a run; sensor and lid as in the header, else the usual ones."""
    sensor: Literal["optical", "ultrasonic"] = "ultrasonic" if header.get("sensor") == "ultrasonic" else "optical"
    lids: dict[str, Literal["open", "loose", "tight"]] = {"open": "open", "loose": "loose", "tight": "tight"}
    venting = lids.get(header.get("venting", ""), "loose")
    return JarSettings(name=name, empty_mm=empty_mm, geometry=geometry or Straight(), sensor=sensor, venting=venting)


def not_so_of(header: Mapping[str, str]) -> tuple[str, ...]:
    """The events that never happened, as the header names them: "fed@1772409600", separated by spaces; anything else in
    it is ignored."""
    kinds = "|".join(kind.value for kind in DENIABLE)
    return tuple(match[0] for match in re.finditer(rf"\b({kinds})@\d{{1,12}}\b", header.get("not_so", "")))


class RunFileError(ValueError):
    """The file is not what it should be; the text says what is wrong, where, and what would be right."""


@dataclass(frozen=True, slots=True)
class RejectedRow:
    """A row that is no reading: its line in the file (from 1), a short fixed reason, and what the row was."""

    line: int
    reason: str
    detail: str


@dataclass(slots=True)
class RunFile:
    """An open run file whose form is right. `rows()` reads it anew each time, row by row.

    `rejected` holds the first KEPT_REJECTED rows that were no readings, `rejected_count` counts all of them, and
    `spoilt_cells` counts garbled cells of columns that a reading can do without: they are missing values.
    """

    path: Path
    jar: str
    header: dict[str, str]
    columns: tuple[str, ...]
    rejected: list[RejectedRow] = field(default_factory=list)
    rejected_count: int = 0
    spoilt_cells: int = 0

    @property
    def empty_mm(self) -> float | None:
        """The empty distance that the file states; None when it states none that can be read."""
        match = re.match(r"\d+(\.\d+)?", self.header.get("empty_mm", ""))
        return float(match[0]) if match else None

    @property
    def geometry(self) -> Geometry | None:
        """The jar's shape that the file states; None when it states none that can be read."""
        try:
            return parse_geometry(self.header.get("geometry", ""))
        except ValueError:
            return None

    @property
    def not_so(self) -> tuple[str, ...]:
        """The events that never happened, as a person said."""
        return not_so_of(self.header)

    def rows(self) -> Iterator[tuple[float | None, Reading]]:
        """(`received` or None, reading) for each good row, in file order; `rejected` is filled as they go by."""
        self.rejected, self.rejected_count, self.spoilt_cells = [], 0, 0
        with _open(self.path) as lines:
            line = _skip_to_header(lines, self.path)[0]
            yield from _rows(self, lines, line + 1)

    def readings(self) -> list[Reading]:
        """All good rows at once."""
        return [reading for _, reading in self.rows()]

    def reject(self, line: int, reason: str, detail: str) -> None:
        """Count a row that is no reading, and keep it if it is among the first."""
        self.rejected_count += 1
        if len(self.rejected) < KEPT_REJECTED:
            self.rejected.append(RejectedRow(line, reason, printable(detail[:80])))


def read(path: Path | str) -> RunFile:
    """Open a run file and read its header. Raises RunFileError when it is missing or is not a run file."""
    path = Path(path)
    with _open(path) as lines:
        _, header, columns = _skip_to_header(lines, path)
    _require(columns, REQUIRED, path)
    return RunFile(path=path, jar=header.get("jar") or without_controls(path.stem), header=header, columns=columns)


# branches: the checks of a cell stand in the loop: a run may have millions
def _rows(run: RunFile, lines: TextIO, first_line: int) -> Iterator[tuple[float | None, Reading]]:
    place = {name: index for index, name in reversed(list(enumerate(run.columns)))}  # the first of two equal names
    time_at = place["time"]
    received_at = place.get("received")
    measured = [(name, place[name]) for name in MEASURED if name in place]
    width = len(run.columns)
    jar = run.jar
    for line_number, line in enumerate(_bounded(lines, run.path), first_line):
        cells = split(line)
        if len(cells) < width:
            if len(cells) == 1 and (not cells[0].strip() or cells[0].startswith("#")):
                continue
            cells += [""] * (width - len(cells))
        elif len(cells) > width and any(cells[width:]):  # probably a decimal comma: no cell can be trusted
            run.reject(line_number, "more cells than columns", line.strip())
            continue
        try:
            time_s = rfc3339.parse(cells[time_at].strip())
        except ValueError as error:
            run.reject(line_number, f"time: {error}", line.strip())
            continue
        received_s: float | None = None
        if received_at is not None and (received := cells[received_at].strip()):
            try:
                received_s = rfc3339.parse(received)
            except ValueError:
                run.spoilt_cells += 1
        values: dict[str, float] = {}
        for name, index in measured:
            cell = cells[index]
            if not cell or cell.isspace():
                continue
            try:
                value = float(cell)
            except ValueError:
                value = nan
            if -LARGEST <= value <= LARGEST and "_" not in cell:  # false for nan
                values[name] = value
            elif name in SURFACE:
                run.reject(line_number, f"{name}: not a number that a sensor can give", line.strip())
                break
            else:
                run.spoilt_cells += 1
        else:
            if "echo_us" in values and "distance_mm" in values:
                del values["echo_us"]  # a reading has only one of the two, and every file has the distance
            yield received_s, Reading(time_s=time_s, jar=jar, **values)


def write(
    out: TextIO,
    rows: Iterable[tuple[float | None, Reading]],
    *,
    header: Mapping[str, str],
    columns: Sequence[str] = USUAL,
) -> int:
    """Write a run file and return how many rows. `columns` are any of `time`, MEASURED and `received`, at least
    REQUIRED. What `read` read of a file from `write` is written again identically."""
    for key, value in header.items():
        out.write(f"# {one_line(key)}: {guard_line(one_line(value))}\n")
    out.write(",".join(columns) + "\n")
    count = 0
    for received_s, reading in rows:
        cells = []
        for name in columns:
            if name == "time":
                cells.append(rfc3339.text(reading.time_s))
            elif name == "received":
                cells.append("" if received_s is None else rfc3339.text(received_s))
            else:
                cells.append(number(getattr(reading, name)))
        out.write(",".join(cells) + "\n")
        count += 1
    return count


# --- feedings -------------------------------------------------------------------------------------------------------


def read_feedings(path: Path | str, jar: str) -> tuple[list[Fed], list[RejectedRow]]:
    """The feedings in a FEEDINGS.csv (`fed_at,starter_g,flour_g,water_g,flour`, and `flour_lot,seed,by` where there are
    such columns; grams may be empty, or within the bounds of `jartide fed`), in file order, and the rows that are none.
    Raises RunFileError when the file is missing or has no `fed_at` column."""
    path = Path(path)
    fed: list[Fed] = []
    rejected: list[RejectedRow] = []
    with _open(path) as lines:
        header_line, _, columns = _skip_to_header(lines, path)
        _require(columns, ("fed_at",), path)
        for number, line in enumerate(_bounded(lines, path), header_line + 1):
            cells = split(line)
            if not any(cell.strip() for cell in cells) or line.startswith("#"):
                continue
            row = dict(zip(columns, (cell.strip() for cell in cells), strict=False))
            try:
                time_s = rfc3339.parse(row["fed_at"])
                grams = {name: _grams(name, row.get(name, "")) for name in FEEDING[1:4]}
            except ValueError as error:
                rejected.append(RejectedRow(number, str(error), printable(line.strip()[:80])))
                continue
            flour, lot, seed, by = (
                without_controls(unguard_line(unguard(row.get(name, "")))) or None for name in ("flour", *TRACED)
            )
            feeding = Feeding(**grams, flour=flour)
            fed.append(Fed(time_s=time_s, jar=jar, feeding=feeding, flour_lot=lot, seed=seed, by=by))
    return fed, rejected


def write_feedings(out: TextIO, fed: Iterable[Fed]) -> None:
    """Write a FEEDINGS.csv that `read_feedings` reads back identically."""
    some = list(fed)
    traced = TRACED if any(getattr(item, name) for item in some for name in TRACED) else ()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow((*FEEDING, *traced))
    for item in some:
        words = [item.feeding.flour, *(getattr(item, name) for name in traced)]
        grams = [number(value) for value in item.feeding.weights.values()]
        cells = [guard(guard_line(one_line(text or ""))) for text in words]
        writer.writerow([rfc3339.text(item.time_s), *grams, *cells])


def _grams(name: str, cell: str) -> float | None:
    if not cell:
        return None
    try:
        value = float(cell)
    except ValueError:
        raise ValueError(f"{name}: not a number") from None
    if not 0 <= value <= LARGEST:
        raise ValueError(f"{name}: not an amount in grams")
    if value < LEAST_G and (value > 0 or name == "flour_g"):  # a feeding adds flour
        raise ValueError(f"{name}: must be {'' if name == 'flour_g' else '0, or '}{LEAST_G:g} or more")
    return value


# --- the form of the file --------------------------------------------------------------------------------------------


def _open(path: Path) -> TextIO:
    if path.is_fifo() or path.is_socket():
        raise RunFileError(f"{path}: is a pipe; a run file is read more than once, so save it to a file first")
    try:
        file = path.open(encoding="utf-8-sig", errors="replace")
        file.read(0)
    except OSError as error:
        raise RunFileError(f"{path}: {error.strerror or error}") from None
    return file


def _bounded(lines: TextIO, path: Path) -> Iterator[str]:
    """The lines, each cut at _LONGEST characters: a gigabyte without a newline must not fill the memory. Raises
    RunFileError where the disk gives no more."""
    try:
        while line := lines.readline(_LONGEST):
            yield line
            while len(line) == _LONGEST and not line.endswith("\n"):
                line = lines.readline(_LONGEST)
    except OSError as error:
        raise RunFileError(f"{path}: {error.strerror or error}") from None


def _skip_to_header(lines: TextIO, path: Path) -> tuple[int, dict[str, str], tuple[str, ...]]:
    """Reads the `#` lines and the header row; returns its line number, the keys and the column names."""
    header: dict[str, str] = {}
    number = 0
    while True:
        try:
            line = lines.readline(_LONGEST)
        except OSError as error:
            raise RunFileError(f"{path}: {error.strerror or error}") from None
        number += 1
        if "\0" in line:
            raise RunFileError(f"{path}, line {number}: not a text file in UTF-8; a run file is CSV in UTF-8")
        if line.startswith("#"):
            key, colon, value = line[1:].partition(":")
            key = key.strip()[:_LONGEST_KEY]
            if colon and (key in KNOWN_KEYS or len(header) < MOST_KEYS):
                header[without_controls(key)] = without_controls(unguard_line(value.strip()[:_LONGEST_VALUE]))
        elif line.strip():
            return number, header, tuple(cell.strip() for cell in split(line))
        elif not line:
            raise RunFileError(f"{path}: no header row; a run file needs one like {','.join(USUAL)}")


def _require(columns: tuple[str, ...], required: Sequence[str], path: Path) -> None:
    missing = [name for name in required if name not in columns]
    if not missing:
        return
    if len(columns) == 1 and any(sign in columns[0] for sign in ";\t"):
        raise RunFileError(f"{path}: cells must be separated by commas, found {columns[0][:60]!r}")
    found = ",".join(columns)
    raise RunFileError(f"{path}: no column {' and no column '.join(missing)}; the header row is {found[:80]!r}")
