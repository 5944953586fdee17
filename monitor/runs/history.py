"""A starter's past cycles, from a CYCLES.csv or from the store: what the culture is learnt from.

Form of CYCLES.csv (UTF-8): a header row with `fed_at,starter_g,flour_g,water_g,mean_temperature_c,hours_to_peak,
hours_to_fall,rise_ratio`; hours count from the feeding, those to the peak until the first touch of the top (in a column
`hours_to_highest` instead: until its highest point), the temperature is the mean from there to the start of fall, any
cell may be empty, further columns are ignored. A row that makes no sense is skipped with its line and reason; a file
that is no such table is a HistoryError. What is learnt from the rows is decided in `core.forecast`.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Collection, Iterable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import TextIO

from monitor.core.detect.superseded import SAME_FEEDING_S
from monitor.core.forecast import timing
from monitor.host import named_file
from monitor.runs import rfc3339
from monitor.runs.cells import number, split
from monitor.runs.store import Run, RunReason, Store
from monitor.values import DAY_S, Cycle, Feeding

COLUMNS = (
    "fed_at", "starter_g", "flour_g", "water_g", "mean_temperature_c", "hours_to_peak", "hours_to_fall", "rise_ratio",
)  # fmt: skip
# What a jar of starter can show; anything outside is a slip of the pen. Nothing rises within a quarter of an hour, a
# cycle of ten days was in a fridge, and a rise beyond tenfold is foam or a wrong empty distance.
BOUNDS = {
    "starter_g": (0.1, 1e5),
    "flour_g": (0.1, 1e5),
    "water_g": (0.1, 1e5),
    "mean_temperature_c": (0.0, 45.0),
    "hours_to_peak": (0.25, 240.0),
    "hours_to_highest": (0.25, 240.0),
    "hours_to_fall": (0.25, 240.0),
    "rise_ratio": (0.5, 10.0),
}
DILUTIONS = (1.05, 2000.0)
HYDRATIONS = (0.3, 3.0)
LEAST_RISE_RATIO = 1.05  # a lower rise has no peak that could be dated


class HistoryError(ValueError):
    """The file cannot be read as a table of cycles; the text says what, where and what would be right."""


# branches: one check of the file after the other
def read(path: Path | str, jar: str = "") -> tuple[list[Cycle], list[str]]:
    """The cycles in a CYCLES.csv, oldest first, and one sentence for each row that was skipped. Raises HistoryError."""
    path = Path(path)
    try:
        text = named_file.text_of(path, errors="replace")
    except OSError as error:
        raise HistoryError(f"{path}: {error.strerror or error}") from None
    if "\0" in text:
        raise HistoryError(f"{path}: not a text file; a history is CSV in UTF-8")
    lines = text.splitlines()
    first = next((i for i, line in enumerate(lines) if line.strip() and not line.startswith("#")), None)
    columns = [] if first is None else [cell.strip() for cell in split(lines[first])]
    if (
        first is None
        or "fed_at" not in columns
        or not {"hours_to_peak", "hours_to_highest", "hours_to_fall"} & set(columns)
    ):
        raise HistoryError(f"{path}: no header row like {','.join(COLUMNS)}")
    cycles: dict[float, Cycle] = {}
    skipped: list[str] = []
    last_s = -math.inf
    for place, line in enumerate(lines[first + 1 :], first + 2):
        cells = [cell.strip() for cell in split(line)]
        if not any(cells) or line.startswith("#"):
            continue
        try:
            if len(cells) > len(columns) and any(cells[len(columns) :]):
                raise ValueError("more cells than columns (a decimal comma?)")
            cycle = _cycle(dict(zip(columns, cells, strict=False)), jar, last_s)
            if cycle.fed_at_s in cycles:
                raise ValueError("there is already a feeding at this time")
        except ValueError as error:
            skipped.append(f"{path}, line {place}: skipped: {error}")
            continue
        last_s = cycle.fed_at_s
        cycles[cycle.fed_at_s] = cycle
    return [cycles[fed_at_s] for fed_at_s in sorted(cycles)], skipped


def from_store(store: Store, jar: str) -> list[Cycle]:
    """The cycles of the starter in a jar whose fall began or that ended: see `of_starter`."""
    return over(of_starter(store, jar))


def over(cycles: Iterable[Cycle]) -> list[Cycle]:
    """The cycles whose fall began or that ended."""
    return [one for one in cycles if one.fall_at_s is not None or one.ended_at_s is not None]


def of_starter(store: Store, jar: str) -> list[Cycle]:
    """All cycles of the starter in a jar, oldest first, over all the jar's runs since another starter was put in, with
    the open cycle and those that a change of the jar cut short; peaks, rises and falls are those that are shown
    (`smoothed_cycles`). Each feeding counts once: of an imported run only those that neither the daemon nor an earlier
    import knows, as a run that was exported and imported again has the very same nights."""
    runs = store.runs_of(jar)
    begun_s = max((run.began_s for run in runs if run.reason is RunReason.ANOTHER_STARTER), default=-math.inf)
    found: list[Cycle] = []
    for run in sorted(runs, key=lambda run: run.imported):  # watched runs first
        some = [cycle for cycle in store.smoothed_cycles(run.id) if cycle.fed_at_s >= begun_s]
        found += [cycle for cycle in some if not _known(cycle, found)] if run.imported else some
    return sorted(found, key=lambda cycle: cycle.fed_at_s)


def known_elsewhere(store: Store, run: Run) -> list[int]:
    """The other runs of the same jar that also have a feeding of this one."""
    others = [other for other in store.runs_of(run.jar) if other.id != run.id]
    own = store.cycles(run.id)
    return [other.id for other in others if any(_known(cycle, own) for cycle in store.cycles(other.id))]


def _known(cycle: Cycle, others: Iterable[Cycle]) -> bool:
    """Whether one of the others begins with the same feeding, which may be reported in one run and seen in another."""
    return any(abs(cycle.fed_at_s - other.fed_at_s) <= SAME_FEEDING_S for other in others)


def write(out: TextIO, cycles: Iterable[Cycle]) -> None:
    """Write a CYCLES.csv that `read` accepts, with hours and temperature rounded to a sensible precision."""
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    for cycle in cycles:
        known = [t for t in cycle.temperatures_c if t is not None]
        fall_h, highest_h = (
            None if at_s is None else (at_s - cycle.fed_at_s) / 3600.0 for at_s in (cycle.fall_at_s, cycle.peak_at_s)
        )
        touch_h = None if highest_h is None else timing.first_touch_h(highest_h, fall_h)
        hours = len(known) if fall_h is None else max(math.ceil(fall_h), 1)
        mean_c = round(sum(known[:hours]) / len(known[:hours]), 2) if known else None
        ratio = None if cycle.peak_ratio is None else round(cycle.peak_ratio, 3)
        cells = [
            number(value)
            for value in (*cycle.feeding.weights.values(), mean_c, _rounded(touch_h), _rounded(fall_h), ratio)
        ]
        writer.writerow([rfc3339.text(cycle.fed_at_s), *cells])


def _rounded(hours: float | None) -> float | None:
    return None if hours is None else round(hours, 3)


# branches: one check of a row after the other
def _cycle(row: Mapping[str, str], jar: str, last_s: float) -> Cycle:
    values = {name: _value(name, row.get(name, "")) for name in BOUNDS}
    fed_at_s = _time(row["fed_at"]) if row.get("fed_at") else max(last_s, 0.0) + DAY_S
    fed = Feeding(starter_g=values["starter_g"], flour_g=values["flour_g"], water_g=values["water_g"])
    if fed.dilution is not None and not DILUTIONS[0] <= fed.dilution <= DILUTIONS[1]:
        grams = f"{fed.starter_g:g} g starter in {fed.flour_g:g} g flour and {fed.water_g:g} g water"
        raise ValueError(f"{grams} is not a feeding")
    if fed.hydration is not None and not HYDRATIONS[0] <= fed.hydration <= HYDRATIONS[1]:
        raise ValueError(f"{fed.water_g:g} g water to {fed.flour_g:g} g flour is not a dough for a starter")
    peak_h, fall_h, ratio = values["hours_to_peak"], values["hours_to_fall"], values["rise_ratio"]
    if peak_h is not None and fall_h is not None and fall_h < peak_h:
        raise ValueError(f"hours_to_fall {fall_h:g} before hours_to_peak {peak_h:g}")
    highest_h = values["hours_to_highest"]
    if highest_h is not None and fall_h is not None and fall_h < highest_h:
        raise ValueError(f"hours_to_fall {fall_h:g} before hours_to_highest {highest_h:g}")
    if highest_h is None and peak_h is not None:
        highest_h = timing.highest_h(peak_h, fall_h)
    if ratio is not None and ratio < LEAST_RISE_RATIO:
        highest_h = fall_h = ratio = None
    hours = math.ceil(fall_h or highest_h or 1.0)
    return Cycle(
        jar=jar,
        number=0,
        fed_at_s=fed_at_s,
        told=True,
        feeding=fed,
        peak_at_s=None if highest_h is None else fed_at_s + 3600.0 * highest_h,
        fall_at_s=None if fall_h is None else fed_at_s + 3600.0 * fall_h,
        peak_ratio=ratio,
        temperatures_c=(values["mean_temperature_c"],) * hours,
    )


def _value(name: str, cell: str) -> float | None:
    if not cell:
        return None
    try:
        value = float(cell)
    except ValueError:
        raise ValueError(f"{name} {cell[:20]!r} is not a number") from None
    low, high = BOUNDS[name]
    if not low <= value <= high:
        raise ValueError(f"{name} {value:g} is not possible; it must be {low:g} to {high:g}")
    return value


def _time(cell: str) -> float:
    try:
        return rfc3339.parse(cell)
    except ValueError:
        pass
    try:
        when = datetime.fromisoformat(cell)  # without a zone, as if UTC: only the order matters
    except ValueError:
        raise ValueError(f"fed_at {cell[:30]!r} is not a time like 2026-03-02T06:00:00Z") from None
    return (when if when.tzinfo else when.replace(tzinfo=UTC)).timestamp()


def latest_rises(store: Store, jar: str, most: int) -> list[tuple[int, Cycle]]:
    """(run, cycle) of a jar's latest closed cycles that had a peak, newest first. Raises StoreTrouble."""
    rows = store.query(
        """SELECT run, number FROM cycle WHERE run IN (SELECT run.id FROM run JOIN jar ON jar.id = run.jar
        WHERE jar.name = ?) AND ended_at_s IS NOT NULL AND json_extract(body, '$.peak_ratio') IS NOT NULL
        ORDER BY fed_at_s DESC LIMIT ?""",
        (jar, most),
    )
    by_run = {run: {cycle.number: cycle for cycle in store.smoothed_cycles(run)} for run in {row[0] for row in rows}}
    return [(run, by_run[run][number]) for run, number in rows]


def lately(store: Store, jars: Collection[str], since_s: float) -> dict[str, list[Cycle]]:
    """The cycles of some jars that were fed since a time, in order and of live runs only, without reading years of
    them; as they were decided, so that nothing announced depends on the smoother. Raises StoreTrouble."""
    found: dict[str, list[Cycle]] = {jar: [] for jar in jars}
    rows = store.query(
        """SELECT DISTINCT run.id FROM cycle JOIN run ON run.id = cycle.run WHERE cycle.fed_at_s >= ?
        AND digest IS NULL""",
        (since_s,),
    )
    for (run,) in rows:
        for cycle in store.cycles(run):
            if cycle.jar in found and cycle.fed_at_s >= since_s:
                found[cycle.jar].append(cycle)
    return {jar: sorted(some, key=lambda one: one.fed_at_s) for jar, some in found.items()}
