"""Questions to the store from the page's event loop: each runs in a worker thread that has a connection of its own.

Two workers: one slow question does not delay the others, and a crowd of browsers cannot take more of the machine away
from the readings than that. Long computations have a worker of their own with low priority. A connection that failed is
closed, and the next question opens a new one.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Concatenate, ParamSpec, TypeVar

from monitor.host.heartbeat import working
from monitor.host.worker import give_way
from monitor.runs.store import Store, StoreTrouble

P = ParamSpec("P")
T = TypeVar("T")

WORKERS = 2
WAITING = 100  # questions that may wait for a worker: about two seconds' worth


class TooBusy(Exception):
    """There are more questions at once than are worth queueing."""


class Readers:
    """`await readers.ask(question, ...)` is `question(store, ...)`, run elsewhere. Raises what that raises,
    StoreTrouble when the store cannot be opened, and TooBusy."""

    def __init__(self, path: Path, *, workers: int = WORKERS, waiting: int = WAITING, niceness: int = 0) -> None:
        self._path = path
        self._pool = ThreadPoolExecutor(
            workers, thread_name_prefix="page-reader", initializer=give_way, initargs=(niceness,)
        )
        self._mine = threading.local()
        self._waiting = 0
        self._most = waiting
        self._closed = False

    async def ask(self, question: Callable[Concatenate[Store, P], T], *args: P.args, **kwargs: P.kwargs) -> T:
        """The question's answer."""
        if self._closed or self._waiting >= self._most:
            raise TooBusy
        self._waiting += 1
        try:
            loop = asyncio.get_running_loop()
            return await loop.run_in_executor(self._pool, lambda: self._answer(question, *args, **kwargs))
        except asyncio.CancelledError:
            if self._closed:  # the page is closing: whoever still waits gets an answer
                raise TooBusy from None
            raise
        finally:
            self._waiting -= 1

    def close(self) -> None:
        """Close, without waiting for a question that is being answered."""
        self._closed = True
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
