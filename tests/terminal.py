"""A command as a person calls it: in this process, or on a pseudo-terminal for what only a person at one sees."""

from __future__ import annotations

import contextlib
import os
import pty
import subprocess
import threading
from typing import Literal

from click.testing import CliRunner, Result

from monitor.cli import main


def on_a_terminal(words: list[str], stream: Literal["stdout", "stderr"] = "stderr") -> tuple[str, str]:
    """(what a pipe got, what a terminal got): the terminal is at `stream`, the pipe at the other one."""
    ours, theirs = pty.openpty()
    shown = bytearray()

    def read() -> None:
        with contextlib.suppress(OSError):  # the other end was closed
            while part := os.read(ours, 65_536):
                shown.extend(part)

    reading = threading.Thread(target=read)
    reading.start()
    ends = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, stream: theirs}
    try:
        done = subprocess.run(words, text=True, check=True, timeout=100, **ends)  # type: ignore[call-overload]
    finally:
        os.close(theirs)
        reading.join(10)
        os.close(ours)
    return done.stdout or done.stderr or "", shown.decode()


def jartide(*words: object, answers: str | None = None, **env: str | None) -> Result:
    """The command in this process, with its output, its errors and its exit code; `answers` are typed into it."""
    return CliRunner().invoke(main, [str(word) for word in words], input=answers, env=env)
