"""Progress of whatever takes longer than a second: one bar on standard error, for import, export, judging, replay,
review, backup and recovery. Nothing at all in a pipe, and nothing for what is over at once."""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Protocol, TypeVar

import click

if TYPE_CHECKING:
    from click._termui_impl import ProgressBar

T = TypeVar("T")
AFTER_S = 0.7  # of work: who waits longer begins to wonder
ROW_CHARS = 34  # of a run file's row, to estimate the number of rows from the file's size
EVERY_S = 0.1  # between two movements of the bar: more of them only slow the work down


class Seen(Protocol):
    """Called with how many further steps are done."""

    def __call__(self, steps: int = 1, /) -> None: ...


def _seen(on: bool | None) -> bool:
    return sys.stderr.isatty() if on is None else on


@contextmanager
def progress(
    count: int, label: str, *, clock: Callable[[], float] = time.monotonic, on: bool | None = None
) -> Iterator[Seen]:
    """A bar of about `count` steps; call what it yields as they are done. `on`: whether anybody can see it
    (default: standard error is a terminal). It appears after `AFTER_S`, and not at all when all is done by then."""
    if not _seen(on):
        yield lambda steps=1, /: None
        return
    due_s, done = clock() + AFTER_S, 0
    bar: ProgressBar[int] | None = None
    with ExitStack() as stack:

        def seen(steps: int = 1, /) -> None:
            nonlocal bar, due_s, done
            done += steps
            now_s = clock()
            if now_s < due_s:
                return
            due_s = now_s + EVERY_S
            if bar is None:
                bar = stack.enter_context(click.progressbar(length=max(count, done), label=label, file=sys.stderr))
            bar.update(done)
            done = 0

        yield seen
        if bar is not None:
            bar.update(max(int(bar.length or 0) - bar.pos, 0))  # the count was a guess, but now it is done


def watched(rows: Iterable[T], seen: Seen) -> Iterator[T]:
    """The rows, each counted as a step."""
    for row in rows:
        yield row
        seen()


@contextmanager
def growing(file: Path, size: int, label: str, *, on: bool | None = None) -> Iterator[None]:
    """A bar for work in one piece that writes a file of about `size` bytes: it grows with the file."""
    if not _seen(on):  # nobody to look at the file for
        yield
        return
    over = threading.Event()

    def look(seen: Seen) -> None:
        so_far = 0
        while not over.wait(EVERY_S):
            with suppress(OSError):  # the file is not there yet, or no longer
                now = file.stat().st_size
                seen(max(now - so_far, 0))
                so_far = max(now, so_far)

    with progress(size, label, on=True) as seen:
        looking = threading.Thread(target=look, args=(seen,), daemon=True)
        looking.start()
        try:
            yield
        finally:
            over.set()
            looking.join()
