"""One place of the program that reaches outside fails, once, the first time that it is come to: whatever runs then must
get over it, or end in a sentence.

The failure is an exception raised at the line before it is run (a trace function may do that), so it passes through
the program's own handlers as one of the call itself would. `outside_calls` counts the places that were made to fail.
"""

from __future__ import annotations

import errno
import os
import sqlite3
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType
from typing import Any

from tests.outside_calls import FAILED, ROOT, Place, places

PLACES = places()
LINES: dict[str, dict[int, Place]] = {}
for _place in PLACES:
    LINES.setdefault(str(ROOT / _place.path), {})[_place.line] = _place


@contextmanager
def _traced(called: Callable[..., Any]) -> Iterator[None]:
    before = sys.gettrace()
    threading.settrace(called)
    sys.settrace(called)
    try:
        yield
    finally:
        sys.settrace(before)
        threading.settrace(before)  # type: ignore[arg-type]


def reached(run: Callable[[], object]) -> list[Place]:
    """The places that `run` comes to, in the order in which it does."""
    found: dict[Place, None] = {}

    def within(frame: FrameType, event: str, value: Any) -> Callable[..., Any]:
        if event == "line" and (place := LINES[frame.f_code.co_filename].get(frame.f_lineno)):
            found[place] = None
        return within

    with _traced(lambda frame, event, value: within if frame.f_code.co_filename in LINES else None):
        run()
    return list(found)


@contextmanager
def failing(place: Place) -> Iterator[None]:
    """Within it, the first call at that place fails."""
    file, due = str(ROOT / place.path), [True]

    def within(frame: FrameType, event: str, value: Any) -> Callable[..., Any]:
        if event == "line" and frame.f_lineno == place.line and due:
            due.clear()
            FAILED.add((file, place.line))
            raise failure(place)
        return within

    with _traced(lambda frame, event, value: within if due and frame.f_code.co_filename == file else None):
        yield
    assert not due, f"{place} was not come to"


def failure(place: Place) -> Exception:
    """What a broken disk, line or network raises there."""
    name = place.call.rpartition(".")[2]
    if place.path.startswith("monitor/runs/") and name in ("execute", "executemany", "connect", "commit", "query"):
        error = sqlite3.OperationalError("disk I/O error")
        error.sqlite_errorcode = sqlite3.SQLITE_IOERR
        return error
    return OSError(errno.EIO, os.strerror(errno.EIO))
