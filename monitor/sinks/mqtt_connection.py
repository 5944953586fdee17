"""What sinks on the connection of an MQTT source have in common: the part of it that they use, how they begin and
end."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Protocol

from monitor.host.worker import Worker
from monitor.values import SourceHealth

STOP_S = 4.0


class Connection(Protocol):
    """The part of an MQTT source that sinks use."""

    name: str

    def listen(self, topic: str, take: Callable[[str | None, bytes, bool, object], None]) -> None: ...
    def publish(self, topic: str, payload: str, *, retain: bool = False) -> bool: ...
    def acknowledge(self, tokens: Sequence[object]) -> None: ...
    def health(self) -> SourceHealth: ...


class ConnectionSink:
    """A best-effort sink that works in `worker` on the connection of a source, which itself reports that connection's
    trouble. A commit does not wake it."""

    def __init__(self, worker: Worker) -> None:
        self._worker = worker

    def start(self) -> None:
        """Begin."""
        self._worker.start()

    def wake(self) -> None:
        """Something was committed: nothing to do."""

    def stop(self) -> None:
        """End, after the turn in hand."""
        self._worker.stop(STOP_S)

    def trouble(self) -> str | None:
        """None: see the class."""
        return None
