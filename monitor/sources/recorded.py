"""A recorded night as a source inside the daemon: the messages of some devices, byte for byte, each at its time.

A line of the recording is a time (Unix seconds) and what came then: a device's message as it was sent, or an object
with `fed`, a feeding that somebody reported. The daemon's clock may run faster than the real one.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterable, Sequence

from monitor.sources import Put
from monitor.sources.boot_clock import BootClocks
from monitor.sources.ingest import Ingest, SourceStatus
from monitor.values import Fed, SourceHealth

LONGEST_WAIT_S = 0.5  # real seconds between looks at the clock
STOP_S = 4.0


class RecordedSource:
    """Plays `lines` by `wall`, which runs `speed` times as fast as the real time; `report` takes the feedings."""

    def __init__(
        self,
        lines: Iterable[str],
        jars: Iterable[str],
        *,
        speed: float,
        wall: Callable[[], float],
        report: Callable[[Fed], None],
    ) -> None:
        self.name = "recorded"
        self._lines = list(lines)
        self._speed, self._wall, self._report = speed, wall, report
        self._ingest = Ingest(
            self.name,
            jars=frozenset(jars),
            jar=None,
            bare_lines=False,
            clocks=BootClocks(),
            wall=wall,
            monotonic=wall,
        )
        self._status = SourceStatus(self.name, wall, wall)
        self._stop = threading.Event()
        self.ended = threading.Event()  # nothing more will come
        self._thread: threading.Thread | None = None

    def start(self, put: Put) -> None:
        """Begin to play, in a thread."""
        self._thread = threading.Thread(target=self._play, args=(put,), name=self.name, daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End at once."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join(STOP_S)

    def acknowledge(self, tokens: Sequence[object]) -> None:
        """Nothing waits for it."""

    def health(self) -> SourceHealth:
        """Playing; its end is no trouble."""
        return self._status.health()

    def _play(self, put: Put) -> None:
        self._status.report(connected=True, trouble=None)
        try:
            for line in self._lines:
                at, _, message = line.partition(" ")
                if not self._wait_until(float(at)):
                    return
                if message.startswith('{"fed"'):
                    fed = json.loads(message)
                    starter_g, flour_g, water_g = fed["grams"]
                    self._report(
                        Fed(
                            time_s=fed["at"], jar=fed["fed"], starter_g=starter_g, flour_g=flour_g, water_g=water_g,
                            flour=fed["flour"],
                        )
                    )  # fmt: skip
                    continue
                self._status.message_came()
                taken = self._ingest.take(message.strip().encode())
                if taken is not None:
                    put(taken)
        finally:
            self.ended.set()

    def _wait_until(self, at_s: float) -> bool:
        while (left_s := at_s - self._wall()) > 0:
            if self._stop.wait(min(left_s / self._speed, LONGEST_WAIT_S)):
                return False
        return not self._stop.is_set()
