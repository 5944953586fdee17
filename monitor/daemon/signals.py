"""What signals of the operating system ask the daemon to do, from its start to its end: stop, or read the config again.

Installed once around all that `assembly.watch` does, so that no signal finds the process without a handler while one
daemon hands over to the next.
"""

from __future__ import annotations

import contextlib
import logging
import os
import signal
import threading
from collections.abc import Iterator

from monitor.daemon.loop import Daemon

log = logging.getLogger(__name__)

MOST_S = 20.0  # the unit gives 30 s (TimeoutStopSec) and then kills, which its log calls a failure


def _end_here() -> None:
    """End on the spot, as a kill would, but with a log line: what was committed stays, and all else comes again."""
    log.error(
        "shutting down takes longer than %.0f s (a slow disk?): cut short; nothing that was stored is lost", MOST_S
    )
    os._exit(0)


class SignalRequests:
    """What the signals have asked for; `daemon` is the one that is watching now."""

    def __init__(self) -> None:
        self.stop_asked, self.reload_asked = threading.Event(), threading.Event()
        self.daemon: Daemon | None = None
        self._bound: threading.Timer | None = None

    def stop(self) -> None:
        """Stop watching, within MOST_S whatever hangs."""
        if not self.stop_asked.is_set():
            self._bound = threading.Timer(MOST_S, _end_here)
            self._bound.daemon = True
            self._bound.start()
        self.stop_asked.set()
        if self.daemon is not None:
            self.daemon.stop()

    def ended(self) -> None:
        """Watching has ended: nothing is left that could hang, and the process may go on with something else."""
        if self._bound is not None:
            self._bound.cancel()


@contextlib.contextmanager
def signals() -> Iterator[SignalRequests]:
    """SIGTERM and SIGINT end the watch cleanly, SIGHUP asks for the config to be read again, at any moment."""
    requests = SignalRequests()
    does = {signal.SIGTERM: requests.stop, signal.SIGINT: requests.stop, signal.SIGHUP: requests.reload_asked.set}
    before = {number: signal.signal(number, lambda n, _: does[signal.Signals(n)]()) for number in does}
    try:
        yield requests
    finally:
        requests.ended()
        for number, handler in before.items():
            signal.signal(number, handler)
