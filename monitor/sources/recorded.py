"""A recorded night as a source inside the daemon: the messages of some devices, byte for byte, each at its time.

A line of the recording is a time (Unix seconds) and what came then: a device's message as it was sent, or an object
with `fed`, a feeding that somebody reported. The daemon's clock may run faster than the real one.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Sequence
from typing import Any

from monitor.sources import Put
from monitor.sources.playback import Playback
from monitor.values import Fed, SourceHealth, of_grams


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
        self._report = report
        self._playback = Playback(self.name, jars, speed=speed, wall=wall)
        self.ended = self._playback.ended

    def start(self, put: Put) -> None:
        """Begin to play, in a thread."""
        self._playback.start(lambda: self._play(put))

    def stop(self) -> None:
        """End at once."""
        self._playback.stop()

    def acknowledge(self, tokens: Sequence[object]) -> None:
        """The player's own clock waits for this (`next_s`)."""
        self._playback.stored(tokens)

    @property
    def next_s(self) -> float:
        """How far the daemon's clock may go before the next message has come and was stored (Unix seconds)."""
        return self._playback.next_s

    def health(self) -> SourceHealth:
        """Whether it is playing; that it has ended is no trouble."""
        return self._playback.status.health()

    def _play(self, put: Put) -> None:
        self._playback.status.report(connected=True, trouble=None)
        for line in self._lines:
            at, _, message = line.partition(" ")
            if not self._playback.wait_until(float(at)):
                return
            if message.startswith('{"fed"'):
                self._report(_fed(json.loads(message)))
            else:
                self._playback.hand_on(put, message.strip().encode())


def _fed(said: dict[str, Any]) -> Fed:
    return Fed(time_s=said["at"], jar=said["fed"], feeding=of_grams(said["grams"], said["flour"]))
