"""`jartide review RUN` and `jartide compare RUN RUN...`: recorded runs in review, in the terminal, as JSON, or
as one HTML file."""

from __future__ import annotations

import json
import shutil
import sys
from collections.abc import Sequence
from pathlib import Path

import click

from monitor.cli import completion
from monitor.cli.fitted import say
from monitor.cli.opening import F, ascii_only, refuse, to_be_new, with_options
from monitor.cli.progress import progress
from monitor.cli.recorded import Recorded, recorded, reviewed, run_options
from monitor.core.display.units import shown
from monitor.review import words
from monitor.review.summary import CycleSummary, RunSummary
from monitor.review.summary_json import run_json
from monitor.review.text_curve import BESIDE, spark, text_curve
from monitor.runs import whole_file

MIDDLE = "middle"
INDENT = 2
WIDEST, NARROWEST = 72, 10  # characters of a curve: more is no clearer, less is not a curve
SPARK = 24  # characters of a cycle's curve in a line of `compare`


def looking_back(command: F) -> F:
    """What both commands take."""
    return with_options(
        command,
        click.option("--json", "as_json", is_flag=True, help="One JSON object per run, each on one line."),
        click.option(
            "--html",
            type=click.Path(path_type=Path, dir_okay=False),
            help="A new file: one self-contained report with pictures, to keep or send.",
        ),
        run_options,
    )


@click.command()
@looking_back
@click.option("--feedings", type=click.Path(path_type=Path), help="FEEDINGS.csv, for a run file.")
@click.argument("run", metavar="RUN[:CYCLE]", shell_complete=completion.runs)
def review(
    run: str, config: Path, store_path: Path | None, empty_mm: float | None, feedings: Path | None, html: Path | None,
    as_json: bool,
) -> None:  # fmt: skip
    """Look back at a run: RUN is a run file (CSV), or the number of a run in the store.

    The times of the peak and of the start of the fall are refined using the readings before and after; ranges hold 90
    %. Notes are shown in their cycles for runs in the store; a run file holds only readings.
    """
    to_be_new("--html", html)
    named = recorded(run, config, store_path, empty_mm, feedings)
    summary = reviewed(named)
    if html is not None:
        _write_html(html, [(run, named, summary)])
    if as_json:
        click.echo(json.dumps(run_json(run, summary), ensure_ascii=False))
    elif html is None:
        for line in words.run_lines(summary, named.show):
            say(line)
        for cycle in summary.cycles:
            click.echo(f"\n{words.cycle_title(cycle, named.show)}")
            noted = (f"noted {line}" for line in words.note_lines(cycle, named.show))
            for line in [*words.cycle_lines(cycle, named.show), *noted, *_curve(cycle)]:
                say(f"{'':{INDENT}}{line}")


@click.command()
@looking_back
@click.argument("runs", metavar="RUN[:CYCLE] RUN[:CYCLE]...", nargs=-1, required=True, shell_complete=completion.runs)
def compare(
    runs: tuple[str, ...], config: Path, store_path: Path | None, empty_mm: float | None, html: Path | None,
    as_json: bool,
) -> None:  # fmt: skip
    """Compare runs, or cycles of runs, side by side: one line for each cycle, and the median of each run."""
    to_be_new("--html", html)
    if len(runs) < 2:
        refuse("RUN: give at least two runs to compare, or use `jartide review` for one")
    found = []
    for name in runs:
        named = recorded(name, config, store_path, empty_mm, None)
        found.append((name, named, reviewed(named)))
    if html is not None:
        _write_html(html, found)
    if as_json:
        for name, _, summary in found:
            click.echo(json.dumps(run_json(name, summary), ensure_ascii=False))
    elif html is None:
        _print_table(found)


def _print_table(found: Sequence[tuple[str, Recorded, RunSummary]]) -> None:
    wide = max(len(_label(named)) for _, named, _ in found) + len(MIDDLE) + 1
    columns = f"{{:{wide}}}{{:>11}} {{:>21}} {{:>21}} {{:>8}}"
    narrow = len(columns.format(*[""] * 5))
    drawn = sys.stdout.isatty() and shutil.get_terminal_size().columns >= narrow + 2 + SPARK

    def row(name: str, cells: Sequence[str], curve: str = "") -> None:
        click.echo(columns.format(name, *cells) + curve)

    row("", ("rise", "to the peak", "to the fall", "warmth"))
    for _, named, summary in found:
        for cycle in summary.cycles:
            curve = f"  {spark(cycle.curve, width=SPARK, plain=ascii_only())}" if drawn else ""
            row(f"{_label(named)}:{cycle.number}", words.cells(cycle, named.show), curve)
        if len(summary.cycles) > 1:
            row(f"{_label(named)} {MIDDLE}", words.middles(summary.cycles, named.show))
    if any(len(summary.cycles) > 1 for _, _, summary in found):
        click.echo(f"{MIDDLE}: the median of the cycles that began with a feeding")


def _curve(cycle: CycleSummary) -> list[str]:
    """A small curve, if there is a terminal to show it."""
    if not sys.stdout.isatty():
        return []
    marks, key = [(note.time_s, "n") for note in cycle.notes], ["n noted"] if cycle.notes else []
    for span, letter, word in (
        (cycle.top and cycle.top.peak_at, "P", "peak"),
        (cycle.top and cycle.top.fall_at, "F", "start of fall"),
    ):
        if span:
            marks.append((span.likely_s, letter))
            key.append(f"{letter} {word}")
    width = shutil.get_terminal_size().columns - INDENT - BESIDE
    lines = text_curve(cycle.curve, marks, width=min(max(width, NARROWEST), WIDEST), plain=ascii_only())
    return [*lines, f"{'':8}hours{''.join(f', {one}' for one in key)}"] if lines else []


def _write_html(path: Path, found: Sequence[tuple[str, Recorded, RunSummary]]) -> None:
    """Write the report; the file appears only when it is complete."""
    from monitor.review.picture import PictureError
    from monitor.review.report import Part, pictures_in, report

    parts = [
        Part(name=_label(named), jar=named.jar, summary=summary, readings=named.readings, events=named.events)
        for _, named, summary in found
    ]
    try:
        with progress(pictures_in(parts), "drawing") as seen:
            text = report(parts, found[0][1].show, found[0][1].zone, seen)
        with whole_file.writing(path) as out:
            out.write(text)
    except PictureError as error:
        click.echo(str(error), err=True)
        sys.exit(1)
    except OSError as error:
        refuse(f"--html {path}: cannot be written: {error.strerror}")
    click.echo(f"written: {path}", err=True)


def _label(run: Recorded) -> str:
    """ "night.csv", or the jar and the number of a run of the store, "rye 3"; `:CYCLE` after it names a part."""
    return f"{shown(run.jar.name)} {run.name}" if run.name.isdecimal() else Path(run.name).name
