"""A recorded run as a person names it, for `review`, `compare` and `picture`: a run file (CSV), or the
number of a run in the store; either with `:CYCLE`. Exits with 2 and says what is wrong if there is no such run."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import tzinfo
from pathlib import Path

import click

from monitor.cli.numbers import Within
from monitor.cli.opening import F, config_option, refuse, run_file_from, settings_from, store_option, with_options
from monitor.cli.progress import ROW_CHARS, progress, watched
from monitor.core.assess import notebook
from monitor.core.detect.superseded import not_superseded
from monitor.core.display.refusals import Refusal
from monitor.core.display.units import Display
from monitor.host.time_zone import calendar
from monitor.host.time_zone import display as display_for
from monitor.review.summary import RunSummary, Stretch, summarize
from monitor.runs import reported
from monitor.runs.reading_columns import ReadingColumns
from monitor.runs.run_file import jar_of, not_so_of
from monitor.runs.store import Store, StoreTrouble
from monitor.settings import DisplaySettings, JarSettings
from monitor.sources.replay import replay
from monitor.values import Event, EventKind, Fed, Noted, Reading


@dataclass(frozen=True, slots=True, kw_only=True)
class Recorded:
    """A run, or the part of it that was named, with what was decided in it; `show` is how its owner reads numbers.
    `notes` are what the store's notebook has of that time (a run file carries none); `cycle` is the number asked for,
    `fed_at_s` when the store's cycle of that number began."""

    name: str
    jar: JarSettings
    readings: Sequence[Reading]
    events: list[Event]
    told: list[Fed]
    rejected: Mapping[str, int]
    show: Display
    zone: tzinfo
    notes: Sequence[Noted] = ()
    cycle: int | None = None
    fed_at_s: float | None = None


def run_options(command: F) -> F:
    """The options that say where a named run is and how to read it."""
    return with_options(
        command,
        click.option(
            "--empty-mm", type=Within(20.0, 4000.0), help="Distance over the empty jar.  [default: the run's own]"
        ),
        store_option,
        config_option,
    )


def recorded(
    which: str, config: Path, store_path: Path | None, empty_mm: float | None, feedings: Path | None
) -> Recorded:
    """The whole run that `which` names; exits with 2 when there is none or it is empty."""
    name, number = which, None
    if not Path(which).exists() and which.rpartition(":")[2].isdecimal() and ":" in which:
        name, number = which.rpartition(":")[0], int(which.rpartition(":")[2])
    if not name.isdecimal() and not Path(name).exists():
        _refuse_a_jar(name, config, store_path)
    if name.isdecimal() and not Path(name).exists():
        run = _stored(int(name), number, config, store_path, empty_mm)
    else:
        run = replace(_filed(Path(name), empty_mm, feedings), cycle=number)
    if not run.readings:
        refuse(f"RUN: {name} holds no readings")
    return run


def _refuse_a_jar(name: str, config: Path, store_path: Path | None) -> None:
    """Where a run is asked for by its jar's name, exits with 2 and says which runs it has."""
    if store_path is None and not config.exists():
        return
    path = settings_from(config).store.path if store_path is None else store_path
    if not path.exists():
        return
    try:
        with Store.join(path) as store:
            runs = [run.id for run in store.runs() if run.jar == name]
            cycles = [cycle.number for cycle in store.cycles(runs[-1])] if runs else []
    except StoreTrouble:
        return
    if runs:
        latest = f", its latest cycle {runs[-1]}:{cycles[-1]}" if cycles else ""
        refuse(f"RUN: {name} is a jar; its latest run is {runs[-1]}{latest} (all: jartide runs {name})")


def reviewed(run: Recorded) -> RunSummary:
    """The summary of a run, with only the cycle asked for; exits with 2 when it has no such cycle."""

    def choose(every: Sequence[Stretch]) -> Sequence[Stretch]:
        if run.cycle is None:
            return every
        if run.fed_at_s is not None:  # the store's cycles are numbered by the daemon: the one that began then
            fed_at_s = run.fed_at_s
            return [min(every, key=lambda stretch: abs(stretch.begin_s - fed_at_s))]
        wanted = [stretch for stretch in every if stretch.number == run.cycle]
        if not wanted:
            refuse(f"CYCLE: {run.name} has no cycle {run.cycle}; it has {every[0].number} to {every[-1].number}")
        return wanted

    cycles = 1 if run.cycle is not None else 1 + sum(event.kind is EventKind.FED for event in run.events)
    with progress(cycles, "looking both ways") as seen:
        summary = summarize(run.readings, run.events, run.told, run.jar, run.rejected, seen, choose, run.notes)
    assert summary is not None  # a recorded run has readings
    return summary


def _filed(path: Path, empty_mm: float | None, feedings: Path | None) -> Recorded:
    opened, told = run_file_from(path, feedings)
    jar = jar_of(opened.jar, opened.header, opened.empty_mm if empty_mm is None else empty_mm, opened.geometry)
    with progress(path.stat().st_size // ROW_CHARS, path.name) as seen:
        readings, events, rejected = _replayed(watched(opened.rows(), seen), told, jar, opened.not_so)
    rejected[Refusal.BAD_ROW] += opened.rejected_count
    return Recorded(
        name=str(path),
        jar=jar,
        readings=readings,
        events=events,
        told=told,
        rejected=rejected,
        show=display_for(DisplaySettings()),
        zone=calendar(None),
    )


def _replayed(
    rows: Iterator[tuple[float | None, Reading]], told: list[Fed], jar: JarSettings, not_so: Sequence[str]
) -> tuple[Sequence[Reading], list[Event], Counter[str]]:
    """Decides again what happened in a run."""
    readings = ReadingColumns()
    rejected: Counter[str] = Counter()

    def noting() -> Iterator[tuple[float | None, Reading]]:
        for received_s, reading in rows:
            readings.append(reading)
            yield received_s, reading

    events = not_superseded(replay(noting(), told, jar, rejected, not_so=not_so))
    return readings, events, rejected


def _stored(number: int, cycle: int | None, config: Path, store_path: Path | None, empty_mm: float | None) -> Recorded:
    """A run of the store, and when the asked-for cycle began in it."""
    shown = DisplaySettings()
    if store_path is None:
        settings = settings_from(config)
        store_path, shown = settings.store.path, settings.display
    try:
        with Store.join(store_path) as store:
            run = store.run(number)
            if run is None:
                refuse(f"RUN: there is no run {number} and no file of that name; `jartide runs` lists them")
            numbered = {c.number: c.fed_at_s for c in store.cycles(run.id)}
            if cycle is not None and numbered and cycle not in numbered:
                refuse(f"CYCLE: run {number} has no cycle {cycle}; `jartide runs` lists them")
            told = store.fed_in(run)
            notes = notebook.during(store.noted(run.jar), min([run.began_s, *numbered.values()]), run.ended_s)
            jar = jar_of(run.jar, run.header, run.empty_mm if empty_mm is None else empty_mm, run.geometry)
            events = not_superseded(store.events(run.id))
            not_so = reported.never_was(store, run) or not_so_of(run.header)
            rejected: Counter[str] = Counter()
            count = store.count(run.id)
            with progress(count, f"run {number}") as seen:
                rows = watched(store.rows_of(run), seen)
                if events:  # as decided when the readings came in
                    readings: Sequence[Reading] = ReadingColumns(reading for _, reading in rows)
                else:
                    readings, events, rejected = _replayed(rows, told, jar, not_so)
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
        show=display_for(shown),
        zone=calendar(shown.time_zone),
        notes=notes,
        cycle=cycle,
        fed_at_s=None if cycle is None else numbered.get(cycle),
    )
