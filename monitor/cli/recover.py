"""`jartide recover`: saves what can still be read of a damaged store that was set aside, as a new store and as run
files."""

from __future__ import annotations

import contextlib
import sys
from dataclasses import asdict
from pathlib import Path
from shlex import quote

import click

from monitor.cli.opening import json_option, put_json, refuse, to_be_new
from monitor.cli.progress import progress

ROW_BYTES = 80  # of a store's file for each reading


@click.command()
@click.argument("damaged", type=click.Path(path_type=Path, dir_okay=False))
@click.option(
    "-o",
    "--output",
    "folder",
    type=click.Path(path_type=Path, file_okay=False),
    required=True,
    help="A folder for recovered.db and a run file for each run; `jartide import` adds them to the present store.",
)
@json_option
def recover(damaged: Path, folder: Path, as_json: bool) -> None:
    """Save what can be read of DAMAGED. Exits with 1 if that is nothing, otherwise with 0, damage or not."""
    from monitor.runs import recovery, run_file, transfer
    from monitor.runs.store import Store, StoreTrouble

    if not damaged.is_file():
        refuse(f"DAMAGED: there is no file {damaged}; the daemon's log names the file that it set aside")
    target = folder / "recovered.db"
    was_there = folder.exists()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with progress(damaged.stat().st_size // ROW_BYTES, f"reading {damaged.name}") as seen:
            found = recovery.recover(damaged, target, seen)
        runs: list[dict[str, object]] = []
        for table in found:
            if (table.rows or not table.whole) and not as_json:
                click.echo(f"{table.table}: {table.rows} rows{'' if table.whole else ', the rest is damaged'}")
        with Store.join(target) as store:
            for run in store.runs():
                path = folder / f"run-{run.id}.csv"
                beside = path.with_suffix(".feedings.csv")
                to_be_new("--output", path)
                to_be_new("--output", beside)
                count = store.count(run.id)
                with path.open("w", encoding="utf-8", newline="") as out, progress(count, path.name) as seen:
                    rows = transfer.export(store, run, None, out, seen)
                fed = store.fed_in(run)
                if fed:
                    with beside.open("w", encoding="utf-8", newline="") as out:
                        run_file.write_feedings(out, fed)
                if not as_json:
                    click.echo(f"run {run.id} of {run.jar}: {rows} readings, {len(fed)} feedings reported: {path}")
                runs.append({
                    "run": run.id, "jar": run.jar, "readings": rows, "feedings": len(fed), "file": str(path),
                    "feedings_file": str(beside) if fed else None,
                })  # fmt: skip
        if as_json:
            put_json({"store": str(target), "tables": [asdict(table) for table in found], "runs": runs})
        elif runs:
            click.echo(f"to add them to the present store: jartide import {quote(str(folder))}/run-*.csv")
    except StoreTrouble as error:
        if not was_there:
            with contextlib.suppress(OSError):  # it may hold an incomplete copy
                folder.rmdir()
        click.echo(str(error), err=True)
        sys.exit(1)
    except OSError as error:
        refuse(f"--output {folder}: {error.strerror or error}")
