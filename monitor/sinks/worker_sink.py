"""How a best-effort sink that works by itself begins and ends: it looks when its time has come, not at each commit."""

from __future__ import annotations

from monitor.host.worker import Worker

STOP_S = 5.0  # for the piece of work in hand


class WorkerSink:
    """A best-effort sink that works in `worker`. What it cannot do, it says in `_trouble`."""

    def __init__(self, worker: Worker, *, stop_s: float = STOP_S) -> None:
        self._worker, self._stop_s = worker, stop_s
        self._trouble: str | None = None

    def start(self) -> None:
        """Begin."""
        self._worker.start()

    def wake(self) -> None:
        """Something was committed: nothing to do, the next look comes by itself."""

    def stop(self) -> None:
        """End, after the piece of work in hand."""
        self._worker.stop(self._stop_s)

    def trouble(self) -> str | None:
        """One sentence while something cannot be done."""
        return self._trouble
