"""Exports runs from the store as run files, and imports them. Only readings travel; the jar's set-up is in the header.

An imported run is finished and kept apart: its items are never stepped as new ones, thinned or mirrored.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import TextIO

from monitor.core.vessel.geometry import format_geometry
from monitor.runs import items, reported, rfc3339, run_file
from monitor.runs.cells import number
from monitor.runs.run_file import RunFile, RunFileError
from monitor.runs.run_log import MARKS
from monitor.runs.store import Run, Store
from monitor.settings import JarSettings
from monitor.values import MEASURED, Cycle, Fed, Reading, Straight

LARGEST_FILE_BYTES = 256 << 20  # eight million rows: two years of a reading every 10 s
_CHUNK = 5_000  # rows in one transaction: a tenth of a second, so that a running daemon is not delayed
_UNFINISHED = "unfinished "


@dataclass(frozen=True, slots=True)
class Imported:
    """The run that a file became, and how many rows went in. `file` knows which rows did not, and why."""

    run: int
    rows: int
    file: RunFile


class AlreadyThereError(ValueError):
    """The very same file was imported before; `run` is what it became."""

    def __init__(self, run: int) -> None:
        super().__init__(f"this file has already been imported, as run {run}")
        self.run = run


def export(
    store: Store,
    run: Run,
    cycle: Cycle | None,
    out: TextIO,
    seen: Callable[[int], object] = lambda rows: None,
    jar: JarSettings | None = None,
) -> int:
    """Write a run, or one cycle of it, as a run file; returns how many rows. `seen` is called each thousand rows.
    `jar` is the config's, for what the store does not know of a live run: its sensor and lid."""
    rows = store.rows_of(run)
    header = {key: text for key, text in run.header.items() if key not in MARKS} if run.imported else header_of(run)
    if not run.imported and jar is not None and jar.sensor == "ultrasonic":
        header |= {"sensor": jar.sensor, "venting": jar.venting}
    if none := reported.never_was(store, run):
        header["not_so"] = " ".join(none)
    header.setdefault("jar", run.jar)  # for a file that named none, its own name was taken
    if cycle is not None:
        ended_s = float("inf") if cycle.ended_at_s is None else cycle.ended_at_s
        rows = (row for row in rows if cycle.fed_at_s <= row[1].time_s < ended_s)
        header |= {"cycle": str(cycle.number), "fed_at": rfc3339.text(cycle.fed_at_s)}
    return run_file.write(out, _watched(rows, seen), header=header, columns=_columns(store, run))


def import_file(
    store: Store,
    path: Path,
    now_s: float,
    fed: Sequence[Fed] = (),
    seen: Callable[[int], object] = lambda rows: None,
) -> Imported:
    """Import a run file, and the feedings beside it, as a finished run. Raises RunFileError (no run file, too large, no
    good row) and AlreadyThereError. An import that was interrupted leaves nothing that counts, and can be repeated."""
    file = run_file.read(path)
    if path.stat().st_size > LARGEST_FILE_BYTES:
        raise RunFileError(f"{path}: is larger than {LARGEST_FILE_BYTES >> 20} MB; split it")
    with path.open("rb") as content:
        digest = hashlib.file_digest(content, "sha256").hexdigest()
    if found := store.query("SELECT id FROM run WHERE digest = ?", (digest,)):
        raise AlreadyThereError(found[0][0])
    _forget_unfinished(store, digest)
    geometry = format_geometry(file.geometry or Straight())
    with store.writing():
        jar = store.jar_id(file.jar)
        run = store.write(
            """INSERT INTO run (jar, began_s, ended_s, first_seq, reason, empty_mm, geometry, header, digest)
                VALUES (?, ?, ?, 0, 'import_not_finished', ?, ?, ?, ?)""",
            (jar, now_s, now_s, file.empty_mm, geometry, json.dumps(file.header), _UNFINISHED + digest),
        ).lastrowid
    assert run is not None
    seq = items.before_imported(run)
    rows = _watched(file.rows(), seen)
    count = 0
    first_s, last_s = float("inf"), float("-inf")
    while chunk := list(islice(rows, _CHUNK)):
        with store.writing():
            store.write_many(
                items.INSERT, (items.imported_row(seq + n, run, jar, *row) for n, row in enumerate(chunk, 1))
            )
        seq += len(chunk)
        count += len(chunk)
        times = [reading.time_s for _, reading in chunk]
        first_s, last_s = min(first_s, *times), max(last_s, *times)
    if count == 0:
        _forget_unfinished(store, digest)
        raise RunFileError(f"{path}: no row of it is a reading")
    for n, item in enumerate(fed, 1):
        told = (items.told_kind(item), items.told_text(item))
        store.write(items.INSERT_TOLD, (seq + n, run, jar, None, item.time_s, *told))
    done = "UPDATE run SET reason = 'imported', digest = ?, began_s = ?, ended_s = ? WHERE id = ?"
    store.write(done, (digest, first_s, last_s, run))
    return Imported(run, count, file)


def _forget_unfinished(store: Store, digest: str) -> None:
    with store.writing():
        for (run,) in store.query("SELECT id FROM run WHERE digest = ?", (_UNFINISHED + digest,)):
            start = items.before_imported(run)
            store.write("DELETE FROM item WHERE seq > ? AND seq <= ?", (start, items.before_imported(run - 1)))
            store.write("DELETE FROM run WHERE id = ?", (run,))


def header_of(run: Run) -> dict[str, str]:
    """The header of a live run's file: the jar, and its set-up."""
    header = {"shows": f"run {run.id} of jar {run.jar}, as recorded", "jar": run.jar}
    if run.empty_mm is not None:
        header["empty_mm"] = number(run.empty_mm)
    return header | {"geometry": format_geometry(run.geometry)}


def _columns(store: Store, run: Run) -> tuple[str, ...]:
    """The usual columns and those in which this run has anything."""
    others = (*(name for name in MEASURED if name not in run_file.USUAL), "received")
    wanted = ", ".join(f"count({'received_s' if name == 'received' else name})" for name in others)
    counts = store.query(f"SELECT {wanted} FROM item WHERE run = ? AND told IS NULL", (run.id,))[0]
    return (*run_file.USUAL, *(name for name, count in zip(others, counts, strict=True) if count))


def _watched(
    rows: Iterator[tuple[float | None, Reading]], seen: Callable[[int], object]
) -> Iterator[tuple[float | None, Reading]]:
    for count, row in enumerate(rows, 1):
        yield row
        if count % 1000 == 0:
            seen(1000)
