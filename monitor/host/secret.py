"""Passwords, tokens and notification addresses: from the environment or a file, never from the config file or the
command line, and never in a log. Sources and sinks call this when they connect, so that a changed file counts at the
next try.
"""

from __future__ import annotations

import logging
import os
import stat
from pathlib import Path

from monitor.host import named_file

log = logging.getLogger(__name__)


class SecretError(Exception):
    """A secret that the config names is missing. The text says which one and what to do, and contains no secret."""


def secret(*, env: str | None, file: Path | None, what: str) -> str | None:
    """The secret that `env` (a variable's name) or `file` holds, without the newline at its end; None when neither is
    configured. `what` names it for the person ("the password for mqtt broker.local").

    Raises SecretError when it is configured but missing, empty or unreadable.
    """
    if env is not None:
        value = os.environ.get(env)
        if not value:
            raise SecretError(f"{what}: the environment variable {env} is {'empty' if value == '' else 'not set'}")
        return value
    if file is None:
        return None
    value = _text(file, what).rstrip("\r\n")
    if not value:
        raise SecretError(f"{what}: {file} is empty")
    return value


def addresses(*, envs: tuple[str, ...], file: Path | None) -> tuple[str, ...]:
    """Notification addresses (apprise URLs): one from each variable in `envs`, then one a line of `file` (empty lines
    and lines that begin with # are skipped). Each is a secret. Raises SecretError as `secret` does."""
    what = "notification address"
    found = [value for name in envs if (value := secret(env=name, file=None, what=what))]
    if file is not None:
        lines = [line.strip() for line in _text(file, what).splitlines()]
        found += [line for line in lines if line and not line.startswith("#")]
    return tuple(found)


def exposed(file: Path) -> str | None:
    """One sentence when others on this machine may read the file, else None (also when it is not there)."""
    try:
        mode = file.stat().st_mode
    except OSError:
        return None
    if not mode & stat.S_IROTH:
        return None
    return f"{file} can be read by every user of this machine: chmod 600 {file}"


def _text(file: Path, what: str) -> str:
    try:
        if file.is_fifo():
            raise SecretError(f"{what}: {file} is a pipe: it must be a file, as it is read again at each try")
        text = named_file.text_of(file)
    except FileNotFoundError:
        raise SecretError(f"{what}: there is no file {file}") from None
    except (OSError, UnicodeDecodeError) as error:
        raise SecretError(f"{what}: cannot read {file}: {getattr(error, 'strerror', None) or 'not UTF-8'}") from None
    if warning := exposed(file):
        log.warning("%s", warning)
    return text
