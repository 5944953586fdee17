"""What sinks on the connection of an MQTT source have in common: the part of it that they use, and how long they may
take to end. The source itself reports the connection's trouble."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Protocol

from monitor.values import SourceHealth

STOP_S = 4.0


class Connection(Protocol):
    """The part of an MQTT source that sinks use."""

    name: str

    def listen(self, topic: str, take: Callable[[str | None, bytes, bool, object], None]) -> None: ...
    def publish(self, topic: str, payload: str, *, retain: bool = False) -> bool: ...
    def acknowledge(self, tokens: Sequence[object]) -> None: ...
    def health(self) -> SourceHealth: ...
