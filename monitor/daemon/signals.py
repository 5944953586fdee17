"""What the operating system's signals ask of the watch, from its beginning to its end: stop, or read the config anew.

Installed once around all that `assembly.watch` does, so that no signal finds the process without a handler while one
daemon hands over to the next.
"""

from __future__ import annotations

import contextlib
import signal
import threading
from collections.abc import Iterator

from monitor.daemon.loop import Daemon


class SignalRequests:
    """What the signals have asked for; `daemon` is the one that watches at present."""

    def __init__(self) -> None:
        self.stop_asked, self.reload_asked = threading.Event(), threading.Event()
        self.daemon: Daemon | None = None

    def stop(self) -> None:
        self.stop_asked.set()
        if self.daemon is not None:
            self.daemon.stop()


@contextlib.contextmanager
def signals() -> Iterator[SignalRequests]:
    """SIGTERM and SIGINT end the watch cleanly, SIGHUP asks for the config to be read anew, at any moment."""
    requests = SignalRequests()
    does = {signal.SIGTERM: requests.stop, signal.SIGINT: requests.stop, signal.SIGHUP: requests.reload_asked.set}
    before = {number: signal.signal(number, lambda n, _: does[signal.Signals(n)]()) for number in does}
    try:
        yield requests
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
