"""`jartide move`: moves a jar with its whole history to another daemon, from one store to another."""

from __future__ import annotations

import contextlib
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import click

from monitor.cli.opening import found_config, json_option, put_json, refuse, settings_from
from monitor.daemon.jars import Jars
from monitor.host.lock import StoreBusy, StoreLock
from monitor.host.time_zone import display
from monitor.runs import moving
from monitor.runs.store import Store, StoreTrouble
from monitor.settings import JarSettings, Settings


@click.command()
@click.argument("jars", metavar="JAR...", nargs=-1, required=True)
@click.option("--from", "config", type=click.Path(path_type=Path, dir_okay=False), default=found_config,
              help="Config of the daemon that watched them.  [default: the usual one]")  # fmt: skip
@click.option("--to", "to_config", required=True, type=click.Path(path_type=Path, dir_okay=False),
              help="Config of the daemon that will watch them.")  # fmt: skip
@json_option
def move(jars: tuple[str, ...], config: Path, to_config: Path, as_json: bool) -> None:
    """Move each JAR with its whole history from one daemon's store to another's, which goes on watching it.

    First stop both daemons, the one that takes the jar over before the other, and assign the jars to it in both configs
    (their `share`, or the tables) before you start both again: then nothing that the broker holds meanwhile is lost.
    """
    settings, to = settings_from(config), settings_from(to_config)
    if settings.store.path == to.store.path:
        refuse("--to: has the same store as --from")
    try:
        with _alone(settings.store.path) as source, _alone(to.store.path, may_be_new=True) as target:
            moved = []
            for name in jars:
                done = _move(source, target, name, settings, to)
                moved.append({"jar": name, "runs": done.runs, "readings": done.readings, "told": done.told})
                if not as_json:
                    click.echo(f"{name}: {done.runs} runs, {done.readings} readings, {done.told} notes and feedings")
            if as_json:
                put_json({"jars": moved})
    except StoreTrouble as error:
        click.echo(str(error), err=True)
        sys.exit(2 if error.lasting else 1)


def _move(source: Store, target: Store, name: str, settings: Settings, to: Settings) -> moving.Moved:
    now_s = time.time()
    run = source.open_run(name)
    carry = None
    if run is not None:
        jar = _as_watched(name, settings, to, run.empty_mm)
        jar = replace(jar, empty_mm=run.empty_mm, geometry=run.geometry)
        watched = Jars(replace(settings, jars=(jar,)), source, display(settings.display))
        watched.catch_up(now_s)
        carry = watched.frozen(name)
    try:
        return moving.move(source, target, name, carry, now_s)
    except moving.CannotMove as error:
        click.echo(f"{name}: {error}", err=True)
        sys.exit(1)


def _as_watched(name: str, settings: Settings, to: Settings, empty_mm: float | None) -> JarSettings:
    """The jar's table in either config, whichever share it now belongs to; one made up if neither names it."""
    known = {jar.name: jar for jar in (*to.jars, *settings.jars)}
    return known.get(name, JarSettings(name=name, empty_mm=empty_mm))


@contextlib.contextmanager
def _alone(path: Path, *, may_be_new: bool = False) -> Iterator[Store]:
    """The store, while no daemon uses it; exits with 1 if one does."""
    if not path.exists() and not may_be_new:
        refuse(f"{path}: there is no such store")
    try:
        with StoreLock(path), Store.open(path) as store:
            yield store
    except StoreBusy as error:
        click.echo(f"{error}; stop it first", err=True)
        sys.exit(1)
    except OSError as error:
        refuse(f"{path}: {error.strerror}")
