"""Notices on their way: a web service that answers as told, a clock, what the outbox says."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field
from typing import Any

from monitor.runs import outbox
from monitor.runs.store import Store
from monitor.sinks.apprise_channel import AppriseChannel
from monitor.sinks.channel_queue import ChannelQueue
from monitor.values import Notice

NOW = 1_790_000_000.0


def notice(kind: str = "feed_now", repeat: int = 0, jar: str = "rye", **changes: Any) -> Notice:
    given = {"due_s": NOW, "expires_s": NOW + 86400, "title": f"{kind} {jar}", "text": f"Text of {kind} {repeat}."}
    return Notice(jar=jar, cycle=4, kind=kind, repeat=repeat, **{**given, **changes})


@dataclass
class Web:
    """A web service of one's own. `answers` are (status, headers), the last for ever; a hanging one never answers."""

    port: int = 0
    answers: list[tuple[int, dict[str, str]]] = field(default_factory=lambda: [(200, {})])
    hang: bool = False
    got: list[dict[str, Any]] = field(default_factory=list)
    headers: list[dict[str, str]] = field(default_factory=list)
    let_go: threading.Event = field(default_factory=threading.Event)

    def address(self, path: str = "hook", query: str = "") -> str:
        return f"json://127.0.0.1:{self.port}/{path}{query}"


class Monotonic:
    """A monotonic clock that the test moves."""

    def __init__(self) -> None:
        self.now_s = 1000.0

    def __call__(self) -> float:
        return self.now_s


def queue(address: str, *others: str, clock: Monotonic | None = None) -> ChannelQueue:
    channel = AppriseChannel(address)
    return ChannelQueue(channel, {channel.key, *others}, lambda: NOW, clock or Monotonic())


def states(store: Store) -> list[str]:
    return [kept.state.value for kept in reversed(outbox.latest(store))]
