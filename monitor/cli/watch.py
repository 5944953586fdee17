"""`jartide watch`: the daemon, in the foreground; a service manager puts it into the background."""

from __future__ import annotations

import faulthandler
import logging
import os
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

import click

from monitor.cli.opening import config_option, refuse, settings_from
from monitor.config.reader import load
from monitor.core.display.units import printable
from monitor.host import played_clock

if TYPE_CHECKING:
    from monitor.daemon.loop import Daemon
    from monitor.host.played_clock import PlayedClock

LOOK_S = 0.1  # between two looks for the played clock's file


@click.command()
@config_option
@click.option("--debug", is_flag=True, help="Log more.")
@click.option("--clock", "clock_file", type=click.Path(path_type=Path, dir_okay=False),
              help="Follow the time of a night played by `jartide simulate --clock`.")  # fmt: skip
def watch(config: Path, debug: bool, clock_file: Path | None) -> None:
    """Watch the jars of the config until stopped (Ctrl-C or SIGTERM)."""
    settings = settings_from(config)
    log_to_stderr(logging.DEBUG if debug else logging.INFO)
    faulthandler.enable()  # the watchdog ends a hanging daemon with SIGABRT: the journal then shows where it hung
    from monitor.daemon import assembly
    from monitor.host.lock import StoreBusy
    from monitor.host.secret import SecretError
    from monitor.runs.store import StoreTrouble

    try:
        played = None if clock_file is None else _played(clock_file)
        clock = None if played is None else played.clock()
        beside = played_clock.beside(settings.store.path)

        def started(_: Daemon) -> None:  # it holds the store: a clock's file that is still there is an old one
            beside.unlink(missing_ok=True)
            if played is not None:
                played_clock.write(beside, played)

        assembly.watch(settings, clock=clock, reread=lambda: load(config), config=config, started=started)
        beside.unlink(missing_ok=True)
    except SecretError as error:
        refuse(str(error))
    except (StoreBusy, StoreTrouble) as error:
        click.echo(str(error), err=True)
        sys.exit(1)
    except OSError as error:
        click.echo(f"{settings.store.path}: {error.strerror or error}", err=True)
        sys.exit(1)


def _played(path: Path) -> PlayedClock:
    """The clock of the night that is played; waits for its beginning."""
    said = False
    while True:
        try:
            found = played_clock.read(path, time.time())
        except (played_clock.NoPlayedClock, OSError) as error:
            refuse(f"--clock {path}: {getattr(error, 'strerror', None) or error}")
        if found is not None and found.speed == 0.0:
            refuse(f"--clock {path}: it stands: it tells commands what time it is in a house of `jartide demo`")
        if found is not None:
            return found
        if not said:
            click.echo(f"waiting for a night: jartide simulate SCENARIO.toml --clock {path} ...", err=True)
            said = True
        time.sleep(LOOK_S)


def log_to_stderr(level: int) -> None:
    """Log lines on standard error; with the journal's priorities where the journal reads them."""
    handler = logging.StreamHandler()
    handler.setFormatter(_Priorities() if os.environ.get("JOURNAL_STREAM") else _Printable(_PLAIN))
    logging.basicConfig(level=level, handlers=[handler])
    for chatty in ("apscheduler", "apprise", "urllib3", "requests", "matplotlib", "uvicorn"):
        logging.getLogger(chatty).setLevel(logging.WARNING)  # at DEBUG some of them print addresses with passwords


_PLAIN = "%(asctime)s %(levelname)s %(name)s: %(message)s"


class _Printable(logging.Formatter):
    """Removes control characters from names and messages: a terminal would obey them, and a line end would forge a
    line."""

    def formatMessage(self, record: logging.LogRecord) -> str:
        record.message = printable(record.message)
        return super().formatMessage(record)


class _Priorities(_Printable):
    """`<N>` before each line, N as in syslog(3); the journal adds the time itself."""

    def format(self, record: logging.LogRecord) -> str:
        priority = {logging.CRITICAL: 2, logging.ERROR: 3, logging.WARNING: 4, logging.INFO: 6}.get(record.levelno, 7)
        lines = f"{record.name}: {super().format(record)}".splitlines()
        return "\n".join(f"<{priority}>{line}" for line in lines)
