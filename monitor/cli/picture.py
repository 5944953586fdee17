"""`jartide picture RUN -o night.png`: a recorded run as a still picture, from the store or from a run file."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from monitor.cli import completion
from monitor.cli.opening import json_option, put_json, to_be_new
from monitor.cli.recorded import recorded, reviewed, run_options

FORMATS = (".png", ".svg", ".pdf")


@click.command()
@run_options
@click.option("--feedings", type=click.Path(path_type=Path), help="FEEDINGS.csv, for a run file.")
@click.option("-o", "--output", type=click.Path(path_type=Path, dir_okay=False), required=True,
              help=f"A new file: {', '.join(FORMATS)}.")  # fmt: skip
@click.argument("run", metavar="RUN[:CYCLE]", shell_complete=completion.runs)
@json_option
def picture(
    run: str, config: Path, store_path: Path | None, empty_mm: float | None, feedings: Path | None, output: Path,
    as_json: bool,
) -> None:  # fmt: skip
    """Draw a run: RUN is a run file (CSV), or the number of a run in the store.

    Peaks and falls are worked out afterwards, with their 90 % ranges, as in `jartide review`. Notes are shown for runs
    in the store.
    """
    if output.suffix.lower() not in FORMATS:
        raise click.BadParameter(f"{output.name}: its ending sets the format: {', '.join(FORMATS)}", param_hint="-o")
    to_be_new("--output", output)
    from monitor.review import days, still
    from monitor.review.picture import PictureError, draw, write

    named = recorded(run, config, store_path, empty_mm, feedings)
    readings, events = named.readings, named.events
    seen = reviewed(named)
    cycles = seen.cycles
    notes = [note for cycle in cycles for note in cycle.notes]
    if named.cycle is not None:
        (part,) = cycles
        readings = [r for r in readings if part.begin_s <= r.time_s < part.end_s]
        events = [e for e in events if part.begin_s <= e.happened_at_s < part.end_s]
    title = named.jar.name if named.cycle is None else f"{named.jar.name}, cycle {named.cycle}"
    try:
        only = still.only_one(cycles)
        if only is not None and named.jar.empty_mm is not None:
            whole = [r for r in readings if only.begin_s <= r.time_s < only.end_s]
            write(still.one_cycle(whole, events, only, named.jar, named.zone, named.show), output)
        elif named.jar.empty_mm is not None and days.draws_run(seen):
            write(days.whole_run(seen, named.jar, named.zone, named.show), output)
        else:
            tops = [cycle.top for cycle in cycles if cycle.top is not None]
            draw(
                readings, events, empty_mm=named.jar.empty_mm, title=title, zone=named.zone, path=output, tops=tops,
                notes=notes, show=named.show,
            )  # fmt: skip
    except PictureError as error:
        click.echo(str(error), err=True)
        sys.exit(1)
    if as_json:
        put_json({"run": named.name, "cycle": named.cycle, "jar": named.jar.name, "file": str(output)})
    else:
        click.echo(f"drawn: {output}")
