"""Questions to the store from the page's event loop: each runs in a worker thread that has a connection of its own.

Two workers: one slow question does not hold up the rest, and a crowd of browsers cannot take more of the machine from
the readings than that. A connection that failed is closed, and the next question opens a new one.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Concatenate, ParamSpec, TypeVar

from monitor.pulse import working
from monitor.runs.store import Store, StoreTrouble

P = ParamSpec("P")
T = TypeVar("T")

WORKERS = 2
WAITING = 100  # questions that may wait for a worker: about two seconds' worth


class TooBusy(Exception):
    """More is asked at once than is worth queueing."""


class Readers:
    """`await readers.ask(question, ...)` is `question(store, ...)`, run elsewhere. Raises what that raises,
    StoreTrouble when the store cannot be opened, and TooBusy."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._pool = ThreadPoolExecutor(WORKERS, thread_name_prefix="page-reader")
        self._mine = threading.local()
        self._waiting = 0

    async def ask(self, question: Callable[Concatenate[Store, P], T], *args: P.args, **kwargs: P.kwargs) -> T:
        """The question's answer."""
        if self._waiting >= WAITING:
            raise TooBusy
        self._waiting += 1
        try:
            loop = asyncio.get_running_loop()
            return await loop.run_in_executor(self._pool, lambda: self._answer(question, *args, **kwargs))
        finally:
            self._waiting -= 1

    def close(self) -> None:
        """Let go; a question under way is not waited for."""
        self._pool.shutdown(wait=False, cancel_futures=True)

    def _answer(self, question: Callable[Concatenate[Store, P], T], *args: P.args, **kwargs: P.kwargs) -> T:
        store: Store | None = getattr(self._mine, "store", None)
        if store is None:
            store = self._mine.store = Store.join(self._path)
        try:
            with working():
                return question(store, *args, **kwargs)
        except StoreTrouble:
            self._mine.store = None
            store.close()
            raise
