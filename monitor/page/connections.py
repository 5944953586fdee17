"""The page's connections: how many there may be, and how long one may take for its request.

The whole daemon shares its descriptors. Browsers and programs send their requests immediately; somebody who opens
connections and sends nothing, or half a request, must not take the descriptors that sources, store and notices need.
uvicorn itself waits for ever for the head of a request, and logs each one that it turns away.
"""

from __future__ import annotations

import asyncio
import logging
import resource
import time
from collections import Counter
from typing import Any

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

MOST_CONNECTIONS = 400  # at once: 200 open pages (`live.MOST_PAGES`), each with a request beside its stream
RESERVED = 256  # descriptors left for sources, store, notices, and what the kernel hands over before it is turned away
WHOLE_S = 10.0  # for a whole request: it has 50 kB at most
BACKLOG = 32  # connections that are accepted in one turn of the loop
AGAIN_S = 60.0  # the same line is logged once in this time
KINDS_MAX = 200  # of lines, remembered


def most_connections() -> int:
    """How many of this process's descriptors the page may use."""
    soft, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    if soft == resource.RLIM_INFINITY:
        return MOST_CONNECTIONS
    return max(8, min(MOST_CONNECTIONS, soft - RESERVED))


def protocol(most: int, whole_s: float = WHOLE_S) -> type[H11Protocol]:
    """uvicorn's HTTP protocol with at most `most` connections. When all are taken, the one that has owed the rest of
    its request for longest makes room; without one, the new one is turned away."""
    # connections with an incomplete request, oldest first; those in uvicorn's keep-alive are not among them
    waiting: dict[Bounded, asyncio.TimerHandle | None] = {}

    class Bounded(H11Protocol):
        def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
            super().connection_made(transport)
            if len(self.connections) > most:
                next(iter(waiting), self).cut_off()
            if self in self.connections:
                self.look()

        def data_received(self, data: bytes) -> None:
            super().data_received(data)
            self.look()

        def on_response_complete(self) -> None:
            super().on_response_complete()
            self.look()

        def connection_lost(self, exc: Exception | None) -> None:
            self.settle()
            super().connection_lost(exc)

        def look(self) -> None:
            """Begin or stop waiting for a request. Bytes that trickle in do not extend the time."""
            if self.conn.their_state not in (h11.IDLE, h11.SEND_BODY):
                self.settle()
            elif self.timeout_keep_alive_task is not None:
                self.settle()
                waiting[self] = None
            elif waiting.get(self) is None:
                waiting.pop(self, None)
                waiting[self] = self.loop.call_later(whole_s, self.cut_off)

        def settle(self) -> None:
            if timer := waiting.pop(self, None):
                timer.cancel()

        def cut_off(self) -> None:
            self.settle()
            self.connections.discard(self)  # makes room at once; the transport says so a turn of the loop later
            self.transport.abort()

    return Bounded


class RepeatFilter(logging.Filter):
    """Lets a log line through once in `AGAIN_S`, with how many like it there were. For lines that strangers cause."""

    def __init__(self) -> None:
        super().__init__()
        self._said_s: dict[str, float] = {}
        self._held: Counter[str] = Counter()

    def filter(self, record: logging.LogRecord) -> bool:
        """Whether to log it."""
        kind, now_s = str(record.msg)[:200], time.monotonic()
        if record.levelno < logging.WARNING:
            return True
        if now_s - self._said_s.get(kind, float("-inf")) < AGAIN_S:
            self._held[kind] += 1
            return False
        if len(self._said_s) >= KINDS_MAX:
            self._said_s.clear()
        self._said_s[kind] = now_s
        if held := self._held.pop(kind, 0):
            record.msg, record.args = f"{record.getMessage()} (and {held} more like it)", ()
        return True


def log_seldom() -> None:
    """Let lines of the web server and the event loop through only seldom."""
    for name in ("uvicorn.error", "asyncio"):
        logger = logging.getLogger(name)
        if not any(isinstance(one, RepeatFilter) for one in logger.filters):
            logger.addFilter(RepeatFilter())


def limits(most: int, proxies: tuple[str, ...]) -> dict[str, Any]:
    """The settings for uvicorn about connections, sizes and proxies."""
    return {
        "http": protocol(most),
        "backlog": BACKLOG,
        "proxy_headers": bool(proxies),
        "forwarded_allow_ips": list(proxies),
        "timeout_keep_alive": 20,
        "timeout_graceful_shutdown": 2,
        "h11_max_incomplete_event_size": 32_768,
    }
