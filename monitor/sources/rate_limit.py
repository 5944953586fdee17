"""Keeps a device that sends far too fast from filling the store: of readings that are closer together than is of any
use, the newest is kept and the others are counted. Used by the serial source; over MQTT the broker's window for
unacknowledged messages sets the pace.

A starter moves less than a millimetre in a minute. Readings of one jar that were *measured* less than `READING_GAP_S`
apart are one reading, so a recording that is played faster than life, with its own times, passes whole. Refused lines
(a wrong baud rate makes a hundred a second) are combined by their reason, with their count.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Hashable
from dataclasses import replace

from monitor.core.display.refusals import Refusal
from monitor.values import Delivery, Rejected

READING_GAP_S = 0.5
REFUSED_GAP_S = 1.0


class RateLimit:
    """What passes now, and what waits for its turn; at most one thing for each jar and each reason."""

    def __init__(self) -> None:
        self._passed_s: dict[Hashable, float] = {}  # receipt of the last one that passed
        self._measured_s: dict[Hashable, float] = {}
        self._held: dict[Hashable, Delivery | Rejected] = {}
        # readings that a newer one replaced, since the last one that passed
        self._dropped: Counter[Hashable] = Counter()
        self.dropped = 0  # of all kinds, ever

    def offer(self, item: Delivery | Rejected) -> list[Delivery | Rejected]:
        """What to pass on now, oldest first: this item, or nothing while it has to wait."""
        if isinstance(item, Rejected):
            return self._refused(item)
        reading = item.reading
        kind = (reading.jar, reading.distance_mm is None and reading.echo_us is None)
        last_s = self._measured_s.get(kind)
        if last_s is not None and abs(reading.time_s - last_s) < READING_GAP_S:
            self._drop(kind)
            self._held[kind] = item
            return []
        self._drop(kind)
        return self._pass(kind, item)

    def due(self, now_s: float) -> list[Delivery | Rejected]:
        """What has waited long enough at `now_s` (the wall clock, as in `received_s`)."""
        ready: list[Delivery | Rejected] = []
        for kind, item in list(self._held.items()):
            gap_s = REFUSED_GAP_S if isinstance(item, Rejected) else READING_GAP_S
            if abs(now_s - self._passed_s[kind]) >= gap_s:  # abs: a clock set back must not hold it for ever
                del self._held[kind]
                ready += self._pass(kind, item)
        return ready

    def _refused(self, item: Rejected) -> list[Delivery | Rejected]:
        kind = item.reason
        last_s = self._passed_s.get(kind)
        if kind not in self._held and (last_s is None or abs(item.received_s - last_s) >= REFUSED_GAP_S):
            return self._pass(kind, item)
        waiting = self._held.get(kind)
        self._held[kind] = replace(item, count=item.count + (waiting.count if isinstance(waiting, Rejected) else 0))
        return []

    def _drop(self, kind: Hashable) -> None:
        """What is held gives way to a newer one."""
        if self._held.pop(kind, None) is not None:
            self._dropped[kind] += 1
            self.dropped += 1

    def _pass(self, kind: Hashable, item: Delivery | Rejected) -> list[Delivery | Rejected]:
        """It, behind the count of those that gave way: whoever follows their device's numbers must not miss them."""
        self._passed_s[kind] = item.received_s
        if isinstance(item, Rejected):
            return [item]
        self._measured_s[kind] = item.reading.time_s
        count = self._dropped.pop(kind, 0)
        if not count:
            return [item]
        reason, jar = Refusal.TOO_OFTEN, item.reading.jar
        dropped = Rejected(
            source=item.source, received_s=item.received_s, reason=reason, detail="", jar=jar, count=count
        )
        return [dropped, item]
