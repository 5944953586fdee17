"""What sources that play messages share: a thread that hands each one on when the daemon's clock passes its time.

Used by `recorded` and `simulated`. The daemon's clock may run faster than the real one.
"""

from __future__ import annotations

import math
import threading
from collections import deque
from collections.abc import Callable, Iterable, Sequence

from monitor.sources import Put
from monitor.sources.boot_clock import BootClocks
from monitor.sources.ingest import Ingest, SourceStatus

LONGEST_WAIT_S = 0.5  # real seconds between looks at the clock, which may be stepped
STOP_S = 4.0
BEHIND_S = 120.0  # by the daemon's clock: it stores every 5 s, and reports a silent sensor only after many minutes


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
        self._next_s = -math.inf  # the time of the next message; inf when nothing more will come
        self._under_way: deque[float] = deque()  # the times of messages that the daemon has not stored yet
        self.ended = threading.Event()
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
        """Whether it was asked to stop."""
        return self._stop.is_set()

    def wait_until(self, at_s: float) -> bool:
        """Wait until the daemon's clock reaches the time of the next message; False when asked to stop."""
        self._next_s = at_s
        while (left_s := at_s - self._wall()) > 0:
            if self._stop.wait(min(left_s / self._speed, LONGEST_WAIT_S)):
                return False
        return not self.stopping

    def hand_on(self, put: Put, message: bytes) -> None:
        """Hand on a message as a device sends it."""
        self.status.message_came()
        taken = self._ingest.take(message, token=self._next_s)
        if taken is not None:
            self._under_way.append(self._next_s)
            put(taken)

    def stored(self, tokens: Sequence[object]) -> None:
        """That many of the oldest messages handed on are now in the store."""
        for _ in tokens:
            self._under_way.popleft()

    @property
    def next_s(self) -> float:
        """How far the player's own clock may go without judging anything before its reading: to the next message, and
        to BEHIND_S after the oldest one that is not stored yet; inf when nothing more will come."""
        try:
            return min(self._next_s, self._under_way[0] + BEHIND_S)
        except IndexError:
            return self._next_s

    def _run(self, play: Callable[[], None]) -> None:
        try:
            play()
        finally:
            self._next_s = math.inf
            self.ended.set()
