"""A recorded run by the name that a person gives it, for `review`, `compare` and `picture`: a run file (CSV), or the
number of a run in the store; either with `:CYCLE`. Exits with 2 and says what is wrong where there is none."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import click

from monitor.cli.opening import refuse, run_file_from, settings_from
from monitor.core.display import Display
from monitor.review.summary import RunSummary, summarize
from monitor.runs.store import Store, StoreTrouble
from monitor.settings import DisplaySettings, JarSettings
from monitor.sources.replay import replay
from monitor.values import Event, EventKind, Fed, Reading, Straight
from monitor.zone import display as display_for

LONG_ROWS, LONG_CYCLES = 20_000, 8  # about a second of work: from here on a bar is worth its line


@dataclass(frozen=True, slots=True, kw_only=True)
class Recorded:
    """A run, or the part of it that was named, with what was decided in it; `show` is how its owner reads numbers.
    `cycle` is the number asked for, `fed_at_s` when the store's cycle of that number began."""

    name: str
    jar: JarSettings
    readings: list[Reading]
    events: list[Event]
    told: list[Fed]
    rejected: Mapping[str, int]
    show: Display
    cycle: int | None = None
    fed_at_s: float | None = None


def recorded(
    which: str, config: Path, store_path: Path | None, empty_mm: float | None, feedings: Path | None
) -> Recorded:
    """The whole run that `which` names; exits with 2 when there is none or it is empty."""
    name, number = which, None
    if not Path(which).exists() and which.rpartition(":")[2].isdecimal() and ":" in which:
        name, number = which.rpartition(":")[0], int(which.rpartition(":")[2])
    if name.isdecimal() and not Path(name).exists():
        run = _stored(int(name), number, config, store_path, empty_mm)
    else:
        run = replace(_filed(Path(name), empty_mm, feedings), cycle=number)
    if not run.readings:
        refuse(f"RUN: {name} holds no readings")
    return run


def reviewed(run: Recorded) -> RunSummary:
    """The summary of a run, with only the cycle asked for; exits with 2 when it has no such cycle."""
    cycles = 1 + sum(event.kind is EventKind.FED for event in run.events)
    with _bar(cycles, "looking both ways", LONG_CYCLES, 1) as seen:
        summary = summarize(run.readings, run.events, run.told, run.jar, run.rejected, seen)
    assert summary is not None  # a recorded run has readings
    if run.cycle is None:
        return summary
    if run.fed_at_s is not None:  # the store's cycles are numbered by the daemon: the one that began then
        fed_at_s = run.fed_at_s
        wanted = [min(summary.cycles, key=lambda cycle: abs(cycle.begin_s - fed_at_s))]
    else:
        wanted = [cycle for cycle in summary.cycles if cycle.number == run.cycle]
    if not wanted:
        numbers = f"{summary.cycles[0].number} to {summary.cycles[-1].number}"
        refuse(f"CYCLE: {run.name} has no cycle {run.cycle}; it has {numbers}")
    return replace(summary, cycles=tuple(wanted))


def _filed(path: Path, empty_mm: float | None, feedings: Path | None) -> Recorded:
    opened, told = run_file_from(path, feedings)
    jar = JarSettings(
        name=opened.jar,
        empty_mm=opened.empty_mm if empty_mm is None else empty_mm,
        geometry=opened.geometry or Straight(),
    )
    rows = path.stat().st_size // 34  # a row is about that many characters
    with _bar(rows, path.name) as seen:
        readings, events, rejected = _replayed(_noting(opened.rows(), seen), told, jar)
    rejected["not a reading"] += opened.rejected_count
    return Recorded(
        name=str(path),
        jar=jar,
        readings=readings,
        events=events,
        told=told,
        rejected=rejected,
        show=display_for(DisplaySettings()),
    )


def _replayed(
    rows: Iterator[tuple[float | None, Reading]], told: list[Fed], jar: JarSettings
) -> tuple[list[Reading], list[Event], Counter[str]]:
    """Decides anew what happened in a run."""
    readings: list[Reading] = []
    rejected: Counter[str] = Counter()

    def noting() -> Iterator[tuple[float | None, Reading]]:
        for received_s, reading in rows:
            readings.append(reading)
            yield received_s, reading

    events = [event for event in replay(noting(), told, jar, rejected) if event.kind is not EventKind.FORECAST]
    return readings, _standing(events), rejected


def _stored(number: int, cycle: int | None, config: Path, store_path: Path | None, empty_mm: float | None) -> Recorded:
    """A run of the store, and when the asked-for cycle began in it."""
    show = display_for(DisplaySettings())
    if store_path is None:
        settings = settings_from(config)
        store_path, show = settings.store.path, display_for(settings.display)
    try:
        with Store.join(store_path) as store:
            found = store.runs("WHERE run.id = ?", (number,))
            if not found:
                refuse(f"RUN: there is no run {number} and no file of that name; `jartide runs` lists them")
            run = found[0]
            numbered = {c.number: c.fed_at_s for c in store.cycles(run.id)}
            if cycle is not None and numbered and cycle not in numbered:
                refuse(f"CYCLE: run {number} has no cycle {cycle}; `jartide runs` lists them")
            told = [t for t in store.told(run.jar, run.began_s) if isinstance(t, Fed)]
            told = [fed for fed in told if run.ended_s is None or fed.time_s < run.ended_s]
            jar = JarSettings(
                name=run.jar, empty_mm=run.empty_mm if empty_mm is None else empty_mm, geometry=run.geometry
            )
            events = _standing(store.events(run.id))
            rejected: Counter[str] = Counter()
            count = int(store.query("SELECT count(*) FROM item WHERE run = ? AND told IS NULL", (run.id,))[0][0])
            with _bar(count, f"run {number}") as seen:
                rows = _noting(store.rows_of(run), seen)
                if events:  # decided when they came in
                    readings = [reading for _, reading in rows]
                else:
                    readings, events, rejected = _replayed(rows, told, jar)
    except StoreTrouble as error:
        click.echo(str(error), err=True)
        sys.exit(2 if error.lasting else 1)
    return Recorded(
        name=str(number),
        jar=jar,
        readings=readings,
        events=events,
        told=told,
        rejected=rejected,
        show=show,
        cycle=cycle,
        fed_at_s=None if cycle is None else numbered.get(cycle),
    )


def _standing(events: list[Event]) -> list[Event]:
    """Events without those that a later telling replaced."""
    replaced = {event.replaces for event in events if event.replaces is not None}
    return [event for event in events if f"{event.kind.value}@{event.happened_at_s:.0f}" not in replaced]


def _noting(
    rows: Iterator[tuple[float | None, Reading]], seen: Callable[[], None]
) -> Iterator[tuple[float | None, Reading]]:
    for row in rows:
        seen()
        yield row


@contextmanager
def _bar(count: int, label: str, least: int = LONG_ROWS, every: int = 1000) -> Iterator[Callable[[], None]]:
    """A progress bar on a terminal for what takes longer than a second; quiet in a pipe. Give `count` steps, and call
    what it yields at each; the bar moves once in `every` of them."""
    if count < least or not sys.stderr.isatty():
        yield lambda: None
        return
    with click.progressbar(length=count, label=label, file=sys.stderr) as bar:
        done = 0

        def seen() -> None:
            nonlocal done
            done += 1
            if done % every == 0:
                bar.update(every)

        yield seen
