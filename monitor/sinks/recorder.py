"""The recorder: the one sink that must not fail. It gathers what arrives and commits it in groups before it is stepped.

Grouping spares an SD card: a commit writes 4 to 8 kB, so with fifty rows in it each costs a fiftieth of that. The
daemon's loop calls `take`, asks `due`, and calls `commit`; the recorder has no clock and no thread. When the disk is
full or cannot be written, everything is kept in bounded memory and tried again; `trouble` says so.
"""

from __future__ import annotations

from collections import Counter, deque
from dataclasses import dataclass, field
from typing import TypeAlias

from monitor.core.display.refusals import Refusal
from monitor.runs.store import Store, StoreTrouble
from monitor.values import Arrival, ClockSet, Delivery, Rejected

UNACKNOWLEDGED = (
    10  # half of the 20 messages that a broker sends in advance by default (paho, mosquitto): it never waits
)
ROWS = 50  # a larger group saves little: about 200 bytes for each row are left in any case
AGE_S = 5.0  # the most that a power cut may cost, and that the page may lag behind
RETRY_S = 5.0  # a full disk does not empty faster, and a busy one is not helped by asking more often
KEPT_ROWS = 20_000  # a day of 4 s readings, a few megabytes


Unstored: TypeAlias = Delivery | Rejected | ClockSet
"""What waits for its commit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Committed:
    """The result of a commit: arrivals to step in order, and tokens to acknowledge, by source."""

    arrivals: list[Arrival] = field(default_factory=list)
    tokens: dict[str, list[object]] = field(default_factory=dict)


class Recorder:
    """Owns the order of arrival in the store: `last_seq` is the last item that it has handed on to be stepped."""

    def __init__(self, store: Store, last_seq: int) -> None:
        self.store = store
        self.last_seq = last_seq
        self.trouble: str | None = None
        self._lost: Counter[str] = Counter()
        self._first = True  # is committed immediately: somebody who has just started the daemon looks whether it works
        self._waiting: deque[Unstored] = deque()
        self._tokens: Counter[str] = Counter()
        self._since_s: float | None = None
        self._retry_at_s: float | None = None
        self._settled: dict[str, list[object]] = {}

    def take(self, thing: Unstored, now_s: float) -> None:
        """Keep something until the next commit; a step of the clock keeps its place among the rest. `now_s` is by a
        monotonic clock. In trouble, the oldest beyond KEPT_ROWS are lost; once the store is well it counts them as
        rejected."""
        self._waiting.append(thing)
        if not isinstance(thing, ClockSet) and thing.token is not None:
            self._tokens[thing.source] += 1
        if self._since_s is None:
            self._since_s = now_s
        if len(self._waiting) > KEPT_ROWS:
            self._lose_one()

    def waiting(self) -> list[Unstored]:
        """What was taken but is not stored yet, in order."""
        return list(self._waiting)

    def full(self) -> bool:
        """Whether the group is so large that a larger one would save little."""
        return len(self._waiting) >= ROWS

    def due(self, now_s: float) -> bool:
        """Whether it is time to commit as soon as nothing more is at hand; a `full` group does not wait for that."""
        if self._retry_at_s is not None:
            return now_s >= self._retry_at_s
        if self._since_s is None:
            return False
        if self._first:
            return True
        if len(self._waiting) >= ROWS or now_s - self._since_s >= AGE_S:
            return True
        return any(count >= UNACKNOWLEDGED for count in self._tokens.values())

    def behind(self) -> bool:
        """Whether another process reported something since the last commit. Also True when the store cannot say so now,
        as the commit that follows finds out why. Raises StoreTrouble when it is lasting."""
        if self.trouble is not None:
            return False  # looked at with the next try
        try:
            return self.store.last_seq() != self.last_seq
        except StoreTrouble as error:
            if error.lasting:
                raise
            return True

    def commit(self, now_s: float) -> Committed:
        """Commit what waits, and fetch what other processes have reported. On trouble that may pass, nothing is handed
        on and `trouble` is set. Raises StoreTrouble when it is lasting; then the daemon must stop."""
        waiting = list(self._waiting)
        own: list[Arrival | None] = []
        try:
            self.store.look_for_file()
            if waiting:
                own = self._write(waiting)
                self._settle(waiting)
            arrivals = self._in_order([arrival for arrival in own if arrival is not None])
        except StoreTrouble as error:
            if error.lasting:
                raise
            self.trouble = str(error)
            self._retry_at_s = now_s + RETRY_S
            return Committed()
        self.trouble = None
        self._retry_at_s = None
        tokens, self._settled = self._settled, {}
        return Committed(arrivals=arrivals, tokens=tokens)

    def _write(self, waiting: list[Unstored]) -> list[Arrival | None]:
        """Store everything that waits, in one transaction."""
        own: list[Arrival | None] = []
        batch: list[Delivery | Rejected] = self._losses()
        with self.store.writing():
            for thing in waiting:
                if isinstance(thing, ClockSet):
                    own += self._add(batch)
                    own.append(Arrival(seq=self.store.tell(thing, thing.time_s), received_s=thing.time_s, item=thing))
                    batch = []
                else:
                    batch.append(thing)
            own += self._add(batch)
            self.store.look_for_file()  # last of all, so that nothing is acknowledged that cannot be found again
        return own

    def _add(self, batch: list[Delivery | Rejected]) -> list[Arrival | None]:
        if not batch:
            return []
        deliveries = [thing for thing in batch if isinstance(thing, Delivery)]
        return self.store.add(deliveries, [thing for thing in batch if isinstance(thing, Rejected)])

    def _settle(self, committed: list[Unstored]) -> None:
        self._first = False
        self._lost.clear()
        for thing in committed:
            if not isinstance(thing, ClockSet) and thing.token is not None:
                self._settled.setdefault(thing.source, []).append(thing.token)
        self._waiting.clear()
        self._tokens.clear()
        self._since_s = None

    def _in_order(self, own: list[Arrival]) -> list[Arrival]:
        """Our own arrivals, with those that other processes reported before or in between."""
        latest = self.store.last_seq()
        if latest != self.last_seq + len(own):
            own = list(self.store.arrivals(None, self.last_seq))
        self.last_seq = max(latest, own[-1].seq if own else 0)  # the latest may be one of unknown time, never stepped
        return own

    def _losses(self) -> list[Delivery | Rejected]:
        if not self._lost:
            return []
        now_s = next(thing.received_s for thing in reversed(self._waiting) if not isinstance(thing, ClockSet))
        return [Rejected(source=name, received_s=now_s, reason=Refusal.LOST, count=n) for name, n in self._lost.items()]

    def _lose_one(self) -> None:
        """Drop the oldest that no broker waits for: one that is never acknowledged would block all that come after
        it."""
        for place, thing in enumerate(self._waiting):
            if not isinstance(thing, ClockSet) and thing.token is None:
                del self._waiting[place]
                self._lost[thing.source] += 1
                return
