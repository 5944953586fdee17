"""Smooths each cycle once it is finished, in a thread that gives way to everything else, with its own view of the store
(`review.hindsight` does the work). Nothing waits for it: until then a cycle is shown as it was decided."""

from __future__ import annotations

import logging
import os
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path

from monitor.host.heartbeat import working
from monitor.host.worker import Worker
from monitor.runs.store import Store, StoreTrouble

log = logging.getLogger(__name__)

FIRST_S = 60.0  # after a start there is better to do
AGAIN_S = 30.0  # a cycle ends once or twice a day, and a look for one takes a millisecond
AT_ONCE = 50  # cycles for which the store is opened once: each takes a tenth of a second to a second
STOP_S = 5.0
NICENESS = 5  # as the page's own smoother: a third of the processor time of a reading's thread, where both want it


class Smoothing:
    """A sink that leaves what the smoother says in the store."""

    advice = "Nothing is lost, and it is tried again every half minute."

    def __init__(self, store_path: Path, empty_mm: Mapping[str, float | None]) -> None:
        self._store_path, self._empty_mm = store_path, empty_mm
        self._gave_way = False
        self._worker = Worker("smoother", self._turn, first_s=FIRST_S)

    def start(self) -> None:
        """Begin; the first look is a minute later."""
        self._worker.start()

    def wake(self) -> None:
        """New readings are of a cycle that is open: nothing to do."""

    def stop(self) -> None:
        """End, after the cycle in hand."""
        self._worker.stop(STOP_S)

    def trouble(self) -> str | None:
        """None: what it cannot do now it does later, and nobody misses it meanwhile."""
        return None

    def _turn(self) -> float:
        if not self._gave_way:
            with suppress(OSError):
                os.nice(NICENESS)  # of this thread: Linux counts by the thread
            self._gave_way = True
        try:
            with Store.join(self._store_path) as store, working() as on:
                waiting = store.unsmoothed(AT_ONCE)
                if not waiting:
                    return AGAIN_S
                from monitor.review import hindsight  # loads numpy: not before there is something to smooth

                for run, number in waiting:
                    if self._worker.stopping:
                        break
                    hindsight.keep(store, run, number, self._empty_mm)
                    on()
            return 0.0
        except StoreTrouble as error:
            log.info("finished cycles are shown as they were decided: %s", error)
        return AGAIN_S
