"""Thins readings older than the configured age once a day, in its own thread and with its own connection to the store
(`runs.retention` does the work). Only where that is configured."""

from __future__ import annotations

import logging
from collections.abc import Callable
from pathlib import Path

from monitor.host.heartbeat import working
from monitor.host.worker import Worker
from monitor.runs import retention
from monitor.runs.store import Store, StoreTrouble
from monitor.sinks.worker_sink import WorkerSink
from monitor.values import DAY_S

log = logging.getLogger(__name__)

FIRST_S = 600.0  # after a start other things come first


class Thinner(WorkerSink):
    """The setting `thin_after_days` as a sink."""

    advice = "Nothing is lost, and it is tried again every day. Make sure there is room on the disk."

    def __init__(self, store_path: Path, after_days: float) -> None:
        self._store_path = store_path
        self._after_s = after_days * DAY_S
        super().__init__(Worker("thinner", self._turn, first_s=FIRST_S))

    def _turn(self) -> float:
        try:
            with Store.join(self._store_path) as store, working() as on:
                gone = retention.thin(store, store.running_s() - self._after_s, lambda: self._stopping(on))
            self._trouble = None
            if gone:
                log.info("thinned: %d readings became five-minute means", gone)
        except StoreTrouble as error:
            self._trouble = f"old readings could not be thinned: {error}"
            log.warning("%s", self._trouble)
        return DAY_S

    def _stopping(self, on: Callable[[], None]) -> bool:
        """Whether to stop, asked before each chunk; so a long thinning is many pieces of work."""
        on()
        return self._worker.stopping
