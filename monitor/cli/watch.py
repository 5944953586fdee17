"""`jartide watch`: the daemon, in the foreground; a service manager puts it into the background."""

from __future__ import annotations

import faulthandler
import logging
import os
import sys
from pathlib import Path

import click

from monitor.cli.opening import config_option, refuse, settings_from
from monitor.config.reader import load
from monitor.core.display.units import printable


@click.command(short_help="Watch the jars until stopped.")
@config_option
@click.option("--debug", is_flag=True, help="Log more.")
def watch(config: Path, debug: bool) -> None:
    """Watch the jars of the config until stopped (Ctrl-C or SIGTERM)."""
    settings = settings_from(config)
    log_to_stderr(logging.DEBUG if debug else logging.INFO)
    faulthandler.enable()  # the watchdog ends a hanging daemon with SIGABRT: the journal then shows where it hung
    from monitor.daemon import assembly
    from monitor.host.lock import StoreBusy
    from monitor.host.secret import SecretError
    from monitor.runs.store import StoreTrouble

    try:
        assembly.watch(settings, reread=lambda: load(config), config=config)
    except SecretError as error:
        refuse(str(error))
    except (StoreBusy, StoreTrouble) as error:
        click.echo(str(error), err=True)
        sys.exit(1)
    except OSError as error:
        click.echo(f"{settings.store.path}: {error.strerror or error}", err=True)
        sys.exit(1)


def log_to_stderr(level: int) -> None:
    """Log lines on standard error; with the journal's priorities where the journal reads them."""
    handler = logging.StreamHandler()
    handler.setFormatter(_Priorities() if os.environ.get("JOURNAL_STREAM") else _Printable(_PLAIN))
    logging.basicConfig(level=level, handlers=[handler])
    for chatty in ("apscheduler", "apprise", "urllib3", "requests", "matplotlib", "uvicorn"):
        logging.getLogger(chatty).setLevel(logging.WARNING)  # at DEBUG some of them print addresses with passwords


_PLAIN = "%(asctime)s %(levelname)s %(name)s: %(message)s"


class _Printable(logging.Formatter):
    """No control characters of anybody's name or message: a terminal obeys them, and a line's end forges a line."""

    def formatMessage(self, record: logging.LogRecord) -> str:
        record.message = printable(record.message)
        return super().formatMessage(record)


class _Priorities(_Printable):
    """`<N>` before each line, N as in syslog(3); the journal adds the time itself."""

    def format(self, record: logging.LogRecord) -> str:
        priority = {logging.CRITICAL: 2, logging.ERROR: 3, logging.WARNING: 4, logging.INFO: 6}.get(record.levelno, 7)
        lines = f"{record.name}: {super().format(record)}".splitlines()
        return "\n".join(f"<{priority}>{line}" for line in lines)
