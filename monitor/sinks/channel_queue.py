"""Sends waiting notices over one channel and keeps account of it: `sinks.notices` runs one in a thread for each
channel.

A channel only sends; when to try, what goes out together and what is stored is decided here. Everything that waits for
one jar goes out as one message. After a failure the channel waits for 30 s, doubling up to 1 h, by the monotonic clock;
after a refusal (wrong password, no such address) for an hour. Before a message goes out it is marked as on its way, so
that a crash in between leads to at most one second copy, under the same id.
"""

from __future__ import annotations

import logging
import time
from collections import deque
from collections.abc import Callable, Collection, Sequence
from contextlib import suppress
from dataclasses import dataclass
from itertools import groupby
from typing import Protocol

from monitor.core.notify.conditions import Kind
from monitor.host.failpoints import failpoint
from monitor.host.heartbeat import sending
from monitor.runs import deliveries, outbox
from monitor.runs.outbox import StoredNotice
from monitor.runs.store import Store
from monitor.values import Notice

log = logging.getLogger(__name__)

FIRST_WAIT_S, LONGEST_WAIT_S = 30.0, 3600.0
TROUBLED_AFTER = 3  # failures in a row: one may be a router that restarts
TEXT_CHARS = 2000  # push services take 1 to 4 kB, and nobody reads more at night


@dataclass(frozen=True, slots=True, kw_only=True)
class Failure:
    """Why a message did not go out, without any secret, and how long to wait at least."""

    reason: str
    wait_s: float = 0.0


class Channel(Protocol):
    """A way to send notices. `key` names it in the store, `shown` for people; neither holds a secret."""

    @property
    def key(self) -> str: ...

    @property
    def shown(self) -> str: ...

    def send(self, together: Sequence[StoredNotice]) -> Failure | None:
        """Send these notices of one jar as one message; None when they went out. May block, but never for ever."""

    def break_off(self) -> None:
        """Stop sending, where that is possible; the message counts as not sent. From any thread."""


class ChannelQueue:
    """One channel's deliveries. Belongs to the thread that calls `turn`; `trouble` may be called from any."""

    def __init__(
        self,
        channel: Channel,
        channels: Collection[str],
        wall: Callable[[], float] = time.time,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self.channel = channel
        self._channels = frozenset(channels)
        self._wall, self._monotonic = wall, monotonic
        self._failures = 0
        self._reason = ""
        self._refused = False
        self._not_before_s = 0.0
        self._unmarked: list[int] = []  # went out, but the store could not be told: not to be sent again
        self._unstored: deque[StoredNotice] = deque()

    def resume(self, store: Store) -> None:
        """Continue with what was on its way when the daemon stopped. Raises StoreTrouble."""
        deliveries.resume(store, self.channel.key, self._wall(), self._channels)

    def turn(self, store: Store) -> float | None:
        """Send what waits; returns after how many seconds to call again (None: when there is something new).
        Raises StoreTrouble."""
        if self._unmarked:
            self._mark(store)
        held_s = self._not_before_s - self._monotonic()
        if held_s > 0:
            return held_s
        deliveries.expire(store, self._wall())
        waiting = deliveries.owed(store, self.channel.key, self._wall())
        waiting.sort(key=lambda kept: (kept.notice.jar, kept.run))
        for _, group in groupby(waiting, key=lambda kept: (kept.notice.jar, kept.run)):
            if not self._send(store, sorted(group, key=_pressing)):
                return max(self._not_before_s - self._monotonic(), 0.0)
        return None

    def send_now(self, notice: Notice) -> None:
        """Leave a notice that no outbox can take now for the next `send_unstored`. From any thread."""
        self._unstored.append(outbox.outside(notice))

    def cancel(self) -> None:
        """Drop what was left for `send_unstored` and has not gone out: it is no longer true. From any thread."""
        self._unstored.clear()

    def send_unstored(self) -> bool:
        """Send what is not in the store, in order; returns whether all of it went out."""
        for kept in self._unstored.copy():
            with sending():
                failure = self.channel.send([kept])
            if failure is not None:
                log.warning("%s not told to %s: %s", kept.message_id, self.channel.shown, failure.reason)
                return False
            with suppress(ValueError):  # cancelled meanwhile
                self._unstored.remove(kept)
        return True

    def try_now(self) -> None:
        """Try now: what held the channel back is gone (the connection is back)."""
        self._not_before_s = 0.0

    def trouble(self) -> str | None:
        """One sentence: at once for a refusal, which only a person can fix, else after a few failures in a row."""
        if self._failures < TROUBLED_AFTER and not self._refused:
            return None
        tries = f"{self._failures} {'try' if self._failures == 1 else 'tries'}"
        return f"notices do not get through to {self.channel.shown}: {self._reason} ({tries})"

    def _send(self, store: Store, together: list[StoredNotice]) -> bool:
        ids = [kept.id for kept in together]
        deliveries.sending(store, self.channel.key, ids, self._wall())
        with sending():
            failure = self.channel.send(together)
        if failure is None:
            self._failures, self._reason, self._refused, self._not_before_s = 0, "", False, 0.0
            self._unmarked = ids
            failpoint("sent")
            self._mark(store)
            return True
        deliveries.failed(store, self.channel.key, ids, self._wall(), failure.reason)
        wait_s = max(failure.wait_s, min(FIRST_WAIT_S * 2**self._failures, LONGEST_WAIT_S))
        self._failures, self._reason = min(self._failures + 1, 1000), failure.reason
        self._refused = failure.wait_s >= LONGEST_WAIT_S
        self._not_before_s = self._monotonic() + wait_s
        log.warning(
            "notice %s not delivered to %s: %s; next try in %.0f s",
            together[0].message_id[:80], self.channel.shown, failure.reason, wait_s,
        )  # fmt: skip
        return False

    def _mark(self, store: Store) -> None:
        deliveries.sent(store, self.channel.key, self._unmarked, self._wall(), self._channels)
        self._unmarked = []


def message(together: Sequence[StoredNotice], link: str | None = None) -> tuple[str, str]:
    """Title and text of notices that go out as one message, with a link to more about it. The last line has their ids,
    by which a second copy can be told from a new message."""
    title, text = words(together)
    ids = " ".join(_one_line(kept.message_id) for kept in together[:10])
    more = f"\n\n{link}" if link else ""
    return title, f"{text}{more}\n\n[{ids}]"


def words(together: Sequence[StoredNotice]) -> tuple[str, str]:
    """Title and text of notices that go out together, the most pressing first."""
    first, *others = together
    title = first.notice.title + (f" (and {len(others)} more)" if others else "")
    parts = [first.notice.text, *(f"{kept.notice.title}: {kept.notice.text}" for kept in others)]
    text = "\n\n".join(parts)
    return _one_line(title), text if len(text) <= TEXT_CHARS else text[: TEXT_CHARS - 1] + "…"


def _pressing(kept: StoredNotice) -> tuple[int, float]:
    kinds = list(Kind)
    known = kept.notice.kind in kinds
    return kinds.index(Kind(kept.notice.kind)) if known else len(kinds), -kept.notice.due_s


def _one_line(text: str) -> str:
    line = " ".join("".join(char if char.isprintable() else " " for char in text[:400]).split())
    return line if len(line) <= 100 else f"{line[:60]}…{line[-39:]}"
