"""A starter's past cycles for `plan` and `assess`, from a CYCLES.csv or from the store. Exits with 2 if none can be
read."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from monitor.cli.opening import refuse

if TYPE_CHECKING:
    from monitor.values import Cycle, Noted


def from_file(path: Path) -> list[Cycle]:
    """The cycles in a CYCLES.csv; rows that make no sense are reported on standard error and left out."""
    from monitor.runs import history  # imported here, as the store: a command's help needs neither

    try:
        cycles, skipped = history.read(path)
    except history.HistoryError as error:
        refuse(f"--history: {error}")
    for line in skipped:
        click.echo(line, err=True)
    return cycles


def from_store(path: Path, jar: str) -> tuple[list[Cycle], list[Noted]]:
    """The cycles of the starter in a jar, with the open one, and all notes about it."""
    from monitor.runs import history
    from monitor.runs.store import Store, StoreTrouble

    try:
        with Store.join(path) as store:
            return history.of_starter(store, jar), store.noted(jar)
    except StoreTrouble as error:
        refuse(str(error))
