"""What sources that play messages share: a thread that hands each one on when the daemon's clock passes its time.

Used by `recorded` and `simulated`. The daemon's clock may run faster than the real one.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable

from monitor.sources import Put
from monitor.sources.boot_clock import BootClocks
from monitor.sources.ingest import Ingest, SourceStatus

LONGEST_WAIT_S = 0.5  # real seconds between looks at the clock, which may be stepped
STOP_S = 4.0


class Playback:
    """The thread, the health and the ingest of a source called `name`. `wall` is the daemon's clock, `speed` times as
    fast as the real one."""

    def __init__(self, name: str, jars: Iterable[str], *, speed: float, wall: Callable[[], float]) -> None:
        self._name, self._speed, self._wall = name, speed, wall
        self._ingest = Ingest(
            name,
            jars=frozenset(jars),
            jar=None,
            bare_lines=False,
            clocks=BootClocks(),
            wall=wall,
            monotonic=wall,
        )
        self.status = SourceStatus(name, wall, wall)
        self.ended = threading.Event()  # nothing more will come
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None

    def start(self, play: Callable[[], None]) -> None:
        """Begin to play, in a thread."""
        self._thread = threading.Thread(target=self._run, args=(play,), name=self._name, daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End at once."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join(STOP_S)

    @property
    def stopping(self) -> bool:
        """Whether it was asked to end."""
        return self._stop.is_set()

    def wait_until(self, at_s: float) -> bool:
        """Wait until the daemon's clock passes a time; False when asked to stop."""
        while (left_s := at_s - self._wall()) > 0:
            if self._stop.wait(min(left_s / self._speed, LONGEST_WAIT_S)):
                return False
        return not self.stopping

    def hand_on(self, put: Put, message: bytes) -> None:
        """A message as a device sends it."""
        self.status.message_came()
        taken = self._ingest.take(message)
        if taken is not None:
            put(taken)

    def _run(self, play: Callable[[], None]) -> None:
        try:
            play()
        finally:
            self.ended.set()
