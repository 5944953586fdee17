"""`jartide runs`, `export`, `import` and `backup`: what is in the store, and run files written from it and read into
it."""

from __future__ import annotations

import contextlib
import json
import re
import sys
import time
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from textwrap import wrap
from typing import TextIO
from zoneinfo import ZoneInfo

import click

from monitor.cli import completion
from monitor.cli.nearest import near
from monitor.cli.opening import config_option, json_option, put_json, refuse, settings_from, store_option, to_be_new
from monitor.cli.progress import ROW_CHARS, growing, progress
from monitor.core.display.units import without_controls
from monitor.review.words import reached
from monitor.runs import history, lots, rfc3339, run_file, transfer, whole_file
from monitor.runs.device_numbers import Missing
from monitor.runs.run_file import RunFileError
from monitor.runs.store import Run, Store, StoreTrouble
from monitor.values import H_S, Cycle, Fed

SHOWN_REJECTED = 5
COPY = re.compile(r"jartide-\d{8}T\d{6}Z\.db")  # as `backup --into` names its copies: no other file is removed
WIDTH = 80
ABOUT = "~"  # before numbers of a finished cycle that the smoother has not seen yet
LATEST_RUNS, LATEST_CYCLES = 8, 5  # of each run: about a screen
FEEDINGS = ".feedings.csv"  # in place of .csv: how `recover` and the simulated runs name a run's feedings beside it


@click.command()
@config_option
@store_option
@click.argument("jars", metavar="[JAR]...", nargs=-1, shell_complete=completion.jars)
@click.option("--all", "every", is_flag=True, help="All runs and cycles, not only the latest.")
@click.option("--json", "as_json", is_flag=True, help="All, as one JSON object per run, each on one line.")
# branches: the same list as JSON and as lines
def runs(config: Path, store_path: Path | None, jars: tuple[str, ...], every: bool, as_json: bool) -> None:
    """List the latest runs in the store and their cycles, newest last, for some JARs or for all."""
    path, zone = _where(config, store_path)
    with _joined(path) as store:
        rows = store.count_by_run()
        found = store.runs()
        names = {run.jar for run in found}
        if unknown := [jar for jar in jars if jar not in names]:
            refuse(f"JAR: there is no run of {unknown[0]}.{near(unknown[0], names)}")
        chosen = [run for run in found if not jars or run.jar in jars]
        listed = [(run, store.smoothed_cycles(run.id), *rows.get(run.id, (0, None))) for run in chosen]
        missing = store.missing(0.0)
    if as_json:
        for run, cycles, count, first_s in listed:
            lost = sum(gap.count for gap in _gaps(run, missing))
            whole = _as_json(run, cycles, count, first_s) | {"never_came": lost}
            click.echo(json.dumps(whole, ensure_ascii=False))
        return
    if not listed:
        click.echo("No runs yet.")
    if not every:
        listed, runs_before = listed[-LATEST_RUNS:], len(listed[:-LATEST_RUNS])
    cycles_before, decided = 0, False
    if any(cycles for _, cycles, *_ in listed):
        click.echo(_ROW.format("", "fed", "grams", "rise", "peak after", "fall after").rstrip())
    for run, cycles, count, first_s in listed:
        since = _local(run.began_s if first_s is None else first_s, zone)  # a daemon may have waited days for a sensor
        until = "now" if run.ended_s is None else _local(run.ended_s, zone)
        heard = f"{_count(count, 'reading')}{_lost(run, missing)}"
        for line in wrap(
            f"{run.id:<6} {run.jar}, {since} to {until}, {heard} ({run.reason.words})", WIDTH, subsequent_indent=" " * 7
        ):
            click.echo(line)
        shown = cycles if every else cycles[-LATEST_CYCLES:]
        cycles_before += len(cycles) - len(shown)
        for cycle in shown:
            over = not cycle.smoothed and (cycle.ended_at_s is not None or run.ended_s is not None)
            decided = decided or (over and cycle.peak_at_s is not None)
            click.echo(_ROW.format(f"  {run.id}:{cycle.number}", *_cells(cycle, zone, ABOUT if over else "")).rstrip())
    if decided:
        click.echo(f"{ABOUT}: as decided at the time; `jartide watch` looks at the whole cycle later")
    if not every and (runs_before or cycles_before):
        before = [_count(n, f"earlier {what}") for n, what in ((runs_before, "run"), (cycles_before, "cycle")) if n]
        click.echo(f"{' and '.join(before)} not shown; to see all: jartide runs --all")


@click.command()
@config_option
@store_option
@click.argument("which", metavar="RUN[:CYCLE]", shell_complete=completion.runs)
@click.option(
    "-o", "--output", type=click.Path(path_type=Path, dir_okay=False), help="A new file. Default: standard output."
)
@click.option(
    "--feedings",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Also write the reported feedings, to this new file.",
)
@json_option
def export(
    config: Path, store_path: Path | None, which: str, output: Path | None, feedings: Path | None, as_json: bool
) -> None:  # fmt: skip
    """Write a run, or one cycle of it, as a run file (CSV)."""
    path, _ = _where(config, store_path)
    if as_json and output is None:
        refuse("--json: says what was written with -o; without it, standard output is the run file itself")
    to_be_new("--output", output)
    to_be_new("--feedings", feedings)
    jars = () if store_path is not None else settings_from(config).jars
    beside = None if output is not None or not sys.stdout.isatty() else False  # no bar among the rows themselves
    with _joined(path) as store:
        run, cycle = _named(store, which)
        with _target(output) as out, progress(store.count(run.id), f"run {which}", on=beside) as seen:
            jar = next((jar for jar in jars if jar.name == run.jar), None)
            count = transfer.export(store, run, cycle, out, seen, jar)
        if feedings is not None:
            with _target(feedings) as out:
                usual = next((jar.flour for jar in jars if jar.name == run.jar), None)
                run_file.write_feedings(out, lots.with_lots(store, _fed(store, run, cycle), usual))
    if as_json:
        put_json({
            "run": run.id, "cycle": None if cycle is None else cycle.number, "jar": run.jar, "readings": count,
            "file": str(output), "feedings_file": None if feedings is None else str(feedings),
        })  # fmt: skip
    else:
        click.echo(f"{count} readings", err=True)


@click.command("import")
@config_option
@store_option
@click.option("--feedings", type=click.Path(path_type=Path, dir_okay=False), help="FEEDINGS.csv of the one FILE.")
@click.argument("files", metavar="FILE...", nargs=-1, required=True, type=click.Path(path_type=Path, dir_okay=False))
@json_option
def import_(
    config: Path, store_path: Path | None, feedings: Path | None, files: tuple[Path, ...], as_json: bool
) -> None:  # fmt: skip
    """Read run files (CSV) into the store, each as a finished run, and judge them as `jartide watch` would have.

    NAME.feedings.csv among the FILEs is taken as the feedings of NAME.csv.
    """
    from monitor.review import hindsight  # loads numpy with the first cycle
    from monitor.sources.stored_run import judge

    if feedings is not None and len(files) > 1:
        refuse("--feedings: only with one FILE; import them one by one")
    told = _feedings_among(files) if feedings is None else {files[0]: feedings}
    path, _ = _where(config, store_path)
    there, taken_in = False, []
    with _sentences(), Store.join(path) if path.exists() else Store.open(path) as store:
        for file, beside in told.items():
            shown, name = without_controls(str(file)), without_controls(file.name)
            size = file.stat().st_size if file.exists() else 0
            try:
                fed = [] if beside is None else _read_feedings(beside, run_file.read(file).jar)
                with progress(size // ROW_CHARS, name) as seen:
                    done = transfer.import_file(store, file, time.time(), fed, seen)
                run = store.run(done.run)
                assert run is not None
                with progress(done.rows, f"judging {name}") as seen:
                    judge(store, run, seen)
                cycles = store.cycles(run.id)
                with progress(len(cycles), f"looking both ways at {name}") as looked:
                    for cycle in cycles:
                        hindsight.keep(store, run.id, cycle.number, {})
                        looked()
            except RunFileError as error:
                refuse(str(error))
            except transfer.AlreadyThereError as error:
                click.echo(f"{shown}: {error}", err=True)
                there = True
                continue
            others = history.known_elsewhere(store, run)
            taken_in.append({
                "file": str(file), "run": done.run, "jar": done.file.jar, "readings": done.rows, "overlaps": others,
                "rejected": done.file.rejected_count,
            })  # fmt: skip
            if not as_json:
                click.echo(f"{shown}: run {done.run}, jar {done.file.jar}, {done.rows} readings")
            if others and not as_json:
                also = " and ".join(f"run {other}" for other in others)
                click.echo(f"{shown}: overlaps {also} of this jar; feedings in both count once")
            _say_rejected(done.file)
    if as_json:
        put_json({"files": taken_in})
    sys.exit(1 if there else 0)


@click.command()
@config_option
@store_option
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False), required=False)
@click.option(
    "--into",
    type=click.Path(path_type=Path, file_okay=False),
    help="A folder instead of FILE; the copy is named after the time (UTC).",
)
@click.option("--keep", type=click.IntRange(1), help="With --into: keep this many copies there, and remove older ones.")
@json_option
def backup(
    config: Path, store_path: Path | None, file: Path | None, into: Path | None, keep: int | None, as_json: bool
) -> None:  # fmt: skip
    """Copy the whole store to a new FILE, even while the daemon runs."""
    path, _ = _where(config, store_path)
    if (file is None) == (into is None):
        refuse("FILE: give a new file, or a folder with --into")
    if keep is not None and into is None:
        refuse("--keep: only goes with --into")
    copy = file if into is None else into / f"jartide-{datetime.now(UTC):%Y%m%dT%H%M%SZ}.db"
    assert copy is not None
    if copy.exists():  # a device too, which the finished copy would replace
        refuse(f"FILE: {copy} exists already; give a new name")
    size = path.stat().st_size if path.exists() else 0
    with _joined(path) as store, growing(copy.with_name(f"{copy.name}.part"), size, copy.name):
        store.backup(copy)
    older: list[Path] = []
    if into is not None and keep is not None:
        older = sorted(one for one in into.glob("jartide-*.db") if COPY.fullmatch(one.name))[:-keep]
        for old in older:
            old.unlink()
    if as_json:
        put_json({"file": str(copy), "bytes": copy.stat().st_size, "removed": [str(old) for old in older]})
        return
    click.echo(f"{copy}: {copy.stat().st_size} bytes")
    for old in older:
        click.echo(f"{old}: removed")


# --- finding ----------------------------------------------------------------------------------------------------------


def _where(config: Path, store_path: Path | None) -> tuple[Path, tzinfo | None]:
    if store_path is not None:
        return store_path, None
    settings = settings_from(config)
    name = settings.display.time_zone
    return settings.store.path, ZoneInfo(name) if name else None


@contextlib.contextmanager
def _sentences() -> Iterator[None]:
    """A fault of the store ends the command with one line: exit code 2 if it is lasting, 1 if it may pass."""
    try:
        yield
    except StoreTrouble as error:
        click.echo(str(error), err=True)
        sys.exit(2 if error.lasting else 1)


@contextlib.contextmanager
def _joined(path: Path) -> Iterator[Store]:
    with _sentences(), Store.join(path) as store:
        yield store


def _named(store: Store, which: str) -> tuple[Run, Cycle | None]:
    """The run and cycle that `3` or `3:5` names."""
    run_text, colon, cycle_text = which.partition(":")
    if not _is_number(run_text) or (colon and not _is_number(cycle_text)):
        refuse(f"RUN[:CYCLE]: {which} is neither a run like 3 nor a cycle like 3:5; `jartide runs` lists them")
    run = store.run(int(run_text))
    if run is None:
        refuse(f"RUN: there is no run {run_text}; `jartide runs` lists them")
    if not colon:
        return run, None
    cycles = [cycle for cycle in store.cycles(run.id) if cycle.number == int(cycle_text)]
    if not cycles:
        refuse(f"CYCLE: run {run_text} has no cycle {cycle_text}; `jartide runs` lists them")
    return run, cycles[0]


def _is_number(text: str) -> bool:
    return text.isdecimal() and len(text) < 10


def _gaps(run: Run, missing: Sequence[Missing]) -> list[Missing]:
    """The readings that never came and would have belonged to a live run."""
    end_s = float("inf") if run.ended_s is None else run.ended_s
    return [gap for gap in missing if not run.imported and gap.jar == run.jar and run.began_s <= gap.to_s < end_s]


def _lost(run: Run, missing: Sequence[Missing]) -> str:
    count = sum(gap.count for gap in _gaps(run, missing))
    return f", {count} never arrived" if count else ""


def _fed(store: Store, run: Run, cycle: Cycle | None) -> list[Fed]:
    told = store.fed_in(run)
    if cycle is None:
        return told
    ended_s = float("inf") if cycle.ended_at_s is None else cycle.ended_at_s
    return [item for item in told if cycle.fed_at_s <= item.time_s < ended_s]


# --- showing ----------------------------------------------------------------------------------------------------------


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def _local(time_s: float, zone: tzinfo | None) -> str:
    return datetime.fromtimestamp(time_s).astimezone(zone).strftime("%Y-%m-%d %H:%M")


_ROW = "{:8} {:17} {:16} {:12} {:11} {}"  # with two digits in each place, 80 columns


def _cells(cycle: Cycle, zone: tzinfo | None, about: str) -> tuple[str, str, str, str, str]:
    """When it was fed, with what, how high it rose, when it peaked and fell; `about` marks what was decided live."""
    grams = "" if cycle.number else "first seen"  # watching began in the middle of a cycle
    if cycle.feeding.grams is not None:
        grams = "+".join(f"{one:g}" for one in cycle.feeding.grams) + " g"
    rise = "" if cycle.peak_ratio is None else f"{about}{cycle.peak_ratio:.2f} times"
    if cycle.reached_ratio is not None:
        rise = reached(cycle.reached_ratio)
    peak, fall = (
        "" if at_s is None else f"{about}{(at_s - cycle.fed_at_s) / H_S:.1f} h"
        for at_s in (cycle.peak_at_s, cycle.fall_at_s)
    )
    return _local(cycle.fed_at_s, zone), grams, rise, peak, fall


def _as_json(run: Run, cycles: list[Cycle], rows: int, first_s: float | None) -> dict[str, object]:
    def time_text(time_s: float | None) -> str | None:
        return None if time_s is None else rfc3339.text(time_s)

    return {
        "run": run.id,
        "jar": run.jar,
        "began_at": time_text(run.began_s),
        "first_reading_at": time_text(first_s),
        "ended_at": time_text(run.ended_s),
        "reason": run.reason,
        "readings": rows,
        "cycles": [
            {
                "cycle": cycle.number,
                "fed_at": time_text(cycle.fed_at_s),
                **cycle.feeding.weights,
                "flour": cycle.feeding.flour,
                "peak_at": time_text(cycle.peak_at_s),
                "peak_ratio": cycle.peak_ratio,
                "reached_ratio": cycle.reached_ratio,
                "fall_at": time_text(cycle.fall_at_s),
                "ended_at": time_text(cycle.ended_at_s),
                "smoothed": cycle.smoothed,
            }
            for cycle in cycles
        ],
    }


def _feedings_among(files: tuple[Path, ...]) -> dict[Path, Path | None]:
    """The run files in the order given, each with its feedings if they are given too."""
    told: dict[Path, Path | None] = {file: None for file in files if not file.name.endswith(FEEDINGS)}
    for file in files:
        if file.name.endswith(FEEDINGS):
            of = file.with_name(f"{file.name.removesuffix(FEEDINGS)}.csv")
            if of not in told:
                refuse(f"FILE: {file} holds feedings; give the run file {of.name} too")
            told[of] = file
    return told


def _read_feedings(path: Path, jar: str) -> list[Fed]:
    fed, rejected = run_file.read_feedings(path, jar)
    _say_left_out(path, rejected)
    return fed


def _say_rejected(file: run_file.RunFile) -> None:
    _say_left_out(file.path, file.rejected[:SHOWN_REJECTED])
    shown = without_controls(str(file.path))
    if file.rejected_count > SHOWN_REJECTED:
        click.echo(f"{shown}: {file.rejected_count} rows left out in all", err=True)
    if file.spoilt_cells:
        click.echo(f"{shown}: {file.spoilt_cells} garbled cells treated as missing", err=True)


def _say_left_out(path: Path, rows: Sequence[run_file.RejectedRow]) -> None:
    for row in rows:
        click.echo(f"{without_controls(str(path))}, line {row.line}: left out, {row.reason}: {row.detail}", err=True)


@contextlib.contextmanager
def _target(path: Path | None) -> Iterator[TextIO]:
    """Standard output, or a file that appears only when it is complete."""
    if path is None:
        yield sys.stdout
        return
    try:
        with whole_file.writing(path) as out:
            yield out
    except OSError as error:
        refuse(f"{path}: cannot be written: {error.strerror}")
