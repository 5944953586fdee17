"""Readings that a board posts to the page, for boards that only speak HTTP: `POST api/jars/JAR/reading`.

The page's server hands the body on and answers only when the reading is committed, or refused: after an answer of 201
it is stored for good. A group of readings is committed within 5 s, so a board has to wait for about that long.
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Sequence

from monitor.core.display.refusals import words
from monitor.sources import Put
from monitor.sources.boot_clock import BootClocks
from monitor.sources.ingest import Clock, Ingest, SourceStatus
from monitor.values import Rejected, SourceHealth

STORED_S = 20.0  # for a commit; the recorder gathers for 5 s, and a busy card takes some more


class PostedReadings:
    """See the module. A source without a thread of its own: the page's threads call it."""

    def __init__(
        self,
        jars: frozenset[str],
        clocks: BootClocks | None = None,
        wall: Clock = time.time,
        monotonic: Clock = time.monotonic,
    ) -> None:
        self.name = "http"
        self._ingest = Ingest(self.name, jars=jars, clocks=clocks, wall=wall, monotonic=monotonic)
        self._status = SourceStatus(self.name, wall, monotonic)
        self._put: Put | None = None

    def start(self, put: Put) -> None:
        """From now on readings are accepted."""
        self._put = put
        self._status.report(connected=True, trouble=None)

    def stop(self) -> None:
        """From now on no reading is accepted."""
        self._put = None
        self._status.report(connected=False, trouble=None)

    def acknowledge(self, tokens: Sequence[object]) -> None:
        """Their readings are committed: let those who wait for them go on."""
        for token in tokens:
            if isinstance(token, threading.Event):
                token.set()

    def health(self) -> SourceHealth:
        """Open while the daemon runs."""
        return self._status.health()

    def take(self, jar: str, payload: bytes) -> str | None:
        """Hand a reading on and wait until it is committed. Returns None, or why it was refused, in words. Raises
        TimeoutError when it was not committed in time; it may be later, and a second copy is known by boot and seq."""
        put, stored = self._put, threading.Event()
        if put is None:
            raise TimeoutError
        self._status.message_came()
        item = self._ingest.take(payload, jar=jar, token=stored)
        assert item is not None  # messages of our own form are readings or refused
        try:
            put(item)
        except queue.Full:  # the daemon is stopping
            raise TimeoutError from None
        if isinstance(item, Rejected):
            return words(item.reason)
        if not stored.wait(STORED_S):
            raise TimeoutError
        return None
