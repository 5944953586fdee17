"""`jartide review RUN` and `jartide compare RUN RUN...`: recorded runs looked back upon, in the terminal or as JSON."""

from __future__ import annotations

import json
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from statistics import median

import click

from monitor.cli.opening import config_option, refuse, settings_from
from monitor.core.display import Display, duration, shown
from monitor.review.summary import CycleSummary, Range, RunSummary, summarize
from monitor.review.text_curve import text_curve
from monitor.runs import rfc3339, run_file
from monitor.runs.store import Store, StoreTrouble
from monitor.settings import DisplaySettings, JarSettings
from monitor.sources.replay import replay
from monitor.values import Event, EventKind, Fed, Json, Reading, Span, Straight
from monitor.zone import display as display_for

LONG_ROWS = 20_000  # about a second of work: from here on a bar is worth its line

_store_option = click.option(
    "--store", "store_path", type=click.Path(path_type=Path, dir_okay=False), help="The store, without a config."
)
_empty_option = click.option(
    "--empty-mm", type=click.FloatRange(20.0, 4000.0), help="Distance over the empty jar; else the run's own."
)


@click.command()
@config_option
@_store_option
@_empty_option
@click.option("--feedings", type=click.Path(path_type=Path), help="FEEDINGS.csv, for a run file.")
@click.option("--json", "as_json", is_flag=True, help="The same as one JSON object.")
@click.argument("run", metavar="RUN[:CYCLE]")
def review(
    run: str, config: Path, store_path: Path | None, empty_mm: float | None, feedings: Path | None, as_json: bool
) -> None:
    """Look back on a run: RUN is a run file (CSV), or the number of a run in the store.

    Times of the peak and of the start of the fall are refined by looking both ways; ranges hold 90 %.
    """
    summary, show = _reviewed(run, config, store_path, empty_mm, feedings)
    if as_json:
        click.echo(json.dumps(_run_json(run, summary), ensure_ascii=False))
        return
    for line in _run_lines(summary, show):
        click.echo(line)


@click.command()
@config_option
@_store_option
@_empty_option
@click.option("--json", "as_json", is_flag=True, help="One JSON object a run, one a line.")
@click.argument("runs", metavar="RUN[:CYCLE] RUN[:CYCLE]...", nargs=-1, required=True)
def compare(
    runs: tuple[str, ...], config: Path, store_path: Path | None, empty_mm: float | None, as_json: bool
) -> None:
    """Lay runs, or cycles of runs, side by side: a line for each cycle, and the middle of each run's."""
    if len(runs) < 2:
        refuse("RUN: give at least two runs to compare, or use `jartide review` for one")
    found = [(name, _reviewed(name, config, store_path, empty_mm, None)[0]) for name in runs]
    if as_json:
        for name, summary in found:
            click.echo(json.dumps(_run_json(name, summary), ensure_ascii=False))
        return
    wide = max(len(_label(name)) for name in runs) + 4
    click.echo(f"{'':{wide}}{'rise':>14}  {'to the peak':>18}  {'to the fall':>18}  {'mean':>8}")
    for name, summary in found:
        for cycle in summary.cycles:
            click.echo(f"{f'{_label(name)} {cycle.number}':{wide}}" + _compared(cycle))
        if len(summary.cycles) > 1:
            click.echo(f"{f'{_label(name)} mid':{wide}}" + _middle(summary.cycles))


# --- finding ---------------------------------------------------------------------------------------------------------


def _reviewed(
    which: str, config: Path, store_path: Path | None, empty_mm: float | None, feedings: Path | None
) -> tuple[RunSummary, Display]:
    """The summary of what `which` names, and how its owner reads numbers; exits with 2 when there is none."""
    name, number = which, None
    if not Path(which).exists() and which.rpartition(":")[2].isdecimal() and ":" in which:
        name, number = which.rpartition(":")[0], int(which.rpartition(":")[2])
    if name.isdecimal() and not Path(name).exists():
        summary, show, fed_at_s = _stored(int(name), number, config, store_path, empty_mm)
    else:
        summary, show, fed_at_s = _filed(Path(name), empty_mm, feedings), display_for(DisplaySettings()), None
    if summary is None:
        refuse(f"RUN: {name} holds no readings")
    if number is None:
        return summary, show
    if fed_at_s is not None:  # the store's cycles are numbered by the daemon: the one that began then
        wanted = [min(summary.cycles, key=lambda cycle: abs(cycle.begin_s - fed_at_s))]
    else:
        wanted = [cycle for cycle in summary.cycles if cycle.number == number]
    if not wanted:
        refuse(f"CYCLE: {name} has no cycle {number}; it has {len(summary.cycles)}")
    return replace(summary, cycles=tuple(wanted)), show


def _filed(path: Path, empty_mm: float | None, feedings: Path | None) -> RunSummary | None:
    told: list[Fed] = []
    try:
        opened = run_file.read(path)
        if feedings is not None:
            told, bad = run_file.read_feedings(feedings, opened.jar)
            for row in bad:
                click.echo(f"{feedings}, line {row.line}: {row.reason}", err=True)
    except run_file.RunFileError as error:
        refuse(str(error))
    jar = JarSettings(
        name=opened.jar,
        empty_mm=opened.empty_mm if empty_mm is None else empty_mm,
        geometry=opened.geometry or Straight(),
    )
    rows = path.stat().st_size // 34  # a row is about that many characters
    with _bar(rows, path.name) as seen:
        return _replayed(_noting(opened.rows(), seen), told, jar, lambda: opened.rejected_count)


def _replayed(
    rows: Iterator[tuple[float | None, Reading]], told: list[Fed], jar: JarSettings, bad_rows: Callable[[], int]
) -> RunSummary | None:
    """Decides anew what happened in a run, then sums it up."""
    readings: list[Reading] = []
    rejected: Counter[str] = Counter()

    def noting() -> Iterator[tuple[float | None, Reading]]:
        for received_s, reading in rows:
            readings.append(reading)
            yield received_s, reading

    events = [event for event in replay(noting(), told, jar, rejected) if event.kind is not EventKind.FORECAST]
    rejected["not a reading"] += bad_rows()
    return summarize(readings, _standing(events), told, jar, rejected)


def _stored(
    number: int, cycle: int | None, config: Path, store_path: Path | None, empty_mm: float | None
) -> tuple[RunSummary | None, Display, float | None]:
    """Summary of a run of the store, and when the asked-for cycle began in it."""
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
            events = store.events(run.id)
            count = int(store.query("SELECT count(*) FROM item WHERE run = ? AND told IS NULL", (run.id,))[0][0])
            with _bar(count, f"run {number}") as seen:
                rows = _noting(store.rows_of(run), seen)
                if events:  # decided when they came in
                    summary = summarize((r for _, r in rows), _standing(events), told, jar, {})
                else:
                    summary = _replayed(rows, told, jar, lambda: 0)
    except StoreTrouble as error:
        click.echo(str(error), err=True)
        sys.exit(2 if error.lasting else 1)
    return summary, show, None if cycle is None else numbered.get(cycle)


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
def _bar(rows: int, label: str) -> Iterator[Callable[[], None]]:
    """A progress bar on a terminal for what takes longer than a second; quiet in a pipe."""
    if rows < LONG_ROWS or not sys.stderr.isatty():
        yield lambda: None
        return
    with click.progressbar(length=rows, label=label, file=sys.stderr) as bar:
        count = 0

        def seen() -> None:
            nonlocal count
            count += 1
            if count % 1000 == 0:
                bar.update(1000)

        yield seen


# --- in words --------------------------------------------------------------------------------------------------------


def _run_lines(run: RunSummary, show: Display) -> Iterator[str]:
    began, ended = (_local(t, show) for t in (run.began_s, run.ended_s))
    yield f"{shown(run.jar)}: {began} to {ended} ({duration(run.ended_s - run.began_s)})"
    every = "" if run.sampling_s is None else f", one every {_seconds(run.sampling_s)}"
    yield f"{run.readings} readings{every}; {run.with_level} of a surface"
    if run.gaps:
        longest_s = max(b - a for a, b in run.gaps)
        yield f"{len(run.gaps)} silence{'s' if len(run.gaps) > 1 else ''}, the longest {duration(longest_s)}"
    if run.rejected:
        yield "not believed: " + ", ".join(f"{count} {reason}" for reason, count in run.rejected.items())
    for cycle in run.cycles:
        yield ""
        yield from _cycle_lines(cycle, show)


def _cycle_lines(cycle: CycleSummary, show: Display) -> Iterator[str]:
    if cycle.fed_at_s is None:
        began = f"from {_local(cycle.begin_s, show)}, in the middle of it"
    else:
        fed = cycle.fed
        grams = "" if fed is None or fed.flour_g is None else f" with {show.weight(fed.flour_g)} of flour"
        began = f"fed {_local(cycle.fed_at_s, show)}{grams}"
    yield f"cycle {cycle.number}: {began}, watched for {duration(cycle.end_s - cycle.begin_s)}"
    if cycle.top is None:
        yield "  stayed flat" if cycle.flat else "  no peak"
    else:
        if cycle.rise_ratio is not None:
            yield f"  rose to {_range(cycle.rise_ratio, 2)} times its starting level"
        elif cycle.rise_mm is not None:
            yield f"  rose by {_range(cycle.rise_mm, 0)} mm"
        yield f"  peak {_when(cycle.top.peak_at, cycle.hours_to_peak, show)}"
        if cycle.top.fall_at is not None:
            known = "" if cycle.known_at_s is None else f"; could be told at {_local(cycle.known_at_s, show)}"
            yield f"  fall {_when(cycle.top.fall_at, cycle.hours_to_fall, show)}{known}"
    if cycle.mean_c is not None and cycle.least_c is not None and cycle.most_c is not None:
        mean, least, most = (show.temperature(c) for c in (cycle.mean_c, cycle.least_c, cycle.most_c))
        yield f"  {mean} on average, from {least} to {most}"
    if cycle.disturbed:
        yield f"  {cycle.disturbed} jump{'s' if cycle.disturbed > 1 else ''} of the level without a feeding"
    if sys.stdout.isatty():
        marks = [] if cycle.top is None else [(cycle.top.peak_at.likely_s, "P")]
        if cycle.top is not None and cycle.top.fall_at is not None:
            marks.append((cycle.top.fall_at.likely_s, "F"))
        plain = "utf" not in (sys.stdout.encoding or "").lower()
        for line in text_curve(cycle.curve, marks, plain=plain):
            yield f"  {line}"


def _local(time_s: float, show: Display) -> str:
    """A local day and time: 2026-03-02 07:40."""
    from datetime import UTC, datetime

    return f"{datetime.fromtimestamp(time_s + show.offset_s(time_s), UTC):%Y-%m-%d %H:%M}"


def _seconds(length_s: float) -> str:
    return f"{length_s:g} s" if length_s < 120.0 else f"{length_s / 60.0:g} min"


def _range(values: Range, digits: int) -> str:
    low, likely, high = (f"{value:.{digits}f}" for value in values)
    return likely if low == high else f"{likely} ({low} to {high})"


def _when(span: Span, hours: Range | None, show: Display) -> str:
    sides = " to ".join(_local(t, show)[11:] for t in (span.earliest_s, span.latest_s))
    after = "" if hours is None else f", {_range(hours, 1)} h after the feeding"
    return f"{_local(span.likely_s, show)} (between {sides}){after}"


def _label(name: str) -> str:
    return Path(name).name


def _compared(cycle: CycleSummary) -> str:
    rise = "flat" if cycle.flat else "-"
    if cycle.rise_ratio is not None:
        rise = f"{cycle.rise_ratio[1]:.2f} times"
    elif cycle.rise_mm is not None:
        rise = f"{cycle.rise_mm[1]:.0f} mm"
    peak, fall = (
        "-" if hours is None else f"{_range(hours, 1)} h" for hours in (cycle.hours_to_peak, cycle.hours_to_fall)
    )
    warm = "-" if cycle.mean_c is None else f"{cycle.mean_c:.1f} °C"
    return f"{rise:>14}  {peak:>18}  {fall:>18}  {warm:>8}"


def _middle(cycles: tuple[CycleSummary, ...]) -> str:
    def middle(values: list[float], form: str) -> str:
        return format(median(values), form) if values else "-"

    rise = middle([c.rise_ratio[1] for c in cycles if c.rise_ratio is not None], ".2f")
    peak = middle([c.hours_to_peak[1] for c in cycles if c.hours_to_peak is not None], ".1f")
    fall = middle([c.hours_to_fall[1] for c in cycles if c.hours_to_fall is not None], ".1f")
    warm = middle([c.mean_c for c in cycles if c.mean_c is not None], ".1f")
    units = (" times", " h", " h", " °C")
    texts = (t if t == "-" else t + unit for t, unit in zip((rise, peak, fall, warm), units, strict=True))
    return "{:>14}  {:>18}  {:>18}  {:>8}".format(*texts)


# --- as JSON ---------------------------------------------------------------------------------------------------------


def _run_json(name: str, run: RunSummary) -> dict[str, Json]:
    return {
        "run": name,
        "jar": run.jar,
        "began_at": _time(run.began_s),
        "ended_at": _time(run.ended_s),
        "readings": run.readings,
        "with_level": run.with_level,
        "sampling_s": run.sampling_s,
        "gaps": [{"from": _time(a), "to": _time(b)} for a, b in run.gaps],
        "rejected": dict(run.rejected),
        "cycles": [_cycle_json(cycle) for cycle in run.cycles],
    }


def _cycle_json(cycle: CycleSummary) -> dict[str, Json]:
    top = cycle.top
    fed = cycle.fed
    return {
        "cycle": cycle.number,
        "began_at": _time(cycle.begin_s),
        "ended_at": _time(cycle.end_s),
        "fed_at": _time(cycle.fed_at_s),
        "starter_g": None if fed is None else fed.starter_g,
        "flour_g": None if fed is None else fed.flour_g,
        "water_g": None if fed is None else fed.water_g,
        "starting_level_mm": _round(cycle.start_mm, 1),
        "peak_at": None if top is None else _span(top.peak_at),
        "peak_level_mm": None if top is None else _three(top.peak_mm, 1),
        "fall_at": None if top is None or top.fall_at is None else _span(top.fall_at),
        "fall_known_at": _time(cycle.known_at_s),
        "rise_mm": _three(cycle.rise_mm, 1),
        "rise_ratio": _three(cycle.rise_ratio, 3),
        "hours_to_peak": _three(cycle.hours_to_peak, 2),
        "hours_to_fall": _three(cycle.hours_to_fall, 2),
        "mean_temperature_c": _round(cycle.mean_c, 2),
        "least_temperature_c": _round(cycle.least_c, 2),
        "greatest_temperature_c": _round(cycle.most_c, 2),
        "stayed_flat": cycle.flat,
        "disturbed": cycle.disturbed,
        "curve": [[_time(t), round(level, 2)] for t, level in cycle.curve],
    }


def _time(time_s: float | None) -> str | None:
    return None if time_s is None else rfc3339.text(float(round(time_s)))


def _round(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)


def _three(values: Range | None, digits: int) -> Json:
    if values is None:
        return None
    return {name: round(v, digits) for name, v in zip(("low", "likely", "high"), values, strict=True)}


def _span(span: Span) -> Json:
    return {"earliest": _time(span.earliest_s), "likely": _time(span.likely_s), "latest": _time(span.latest_s)}
