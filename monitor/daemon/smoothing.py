"""Smooths each cycle once it is finished, in a thread that gives way to everything else, with its own view of the store
(`review.hindsight` does the work). Nothing waits for it: until then a cycle is shown as it was decided."""

from __future__ import annotations

import logging
from collections.abc import Mapping
from pathlib import Path

from monitor.host.heartbeat import working
from monitor.host.worker import Worker
from monitor.runs.store import Store, StoreTrouble
from monitor.sinks.worker_sink import WorkerSink

log = logging.getLogger(__name__)

FIRST_S = 60.0  # after a start there is better to do
AGAIN_S = 30.0  # a cycle ends once or twice a day, and a look for one takes a millisecond
AT_ONCE = 50  # cycles for which the store is opened once: each takes a tenth of a second to a second
NICENESS = 5  # as the page's own smoother: a third of the processor time of a reading's thread, where both want it


class Smoothing(WorkerSink):
    """A sink that leaves what the smoother says in the store. It reports no trouble: what it cannot do now it does
    later, and nobody misses it meanwhile."""

    advice = "Nothing is lost, and it is tried again every half minute."

    def __init__(self, store_path: Path, empty_mm: Mapping[str, float | None]) -> None:
        self._store_path, self._empty_mm = store_path, empty_mm
        self._given_up: set[tuple[int, int]] = set()  # runs and cycles at which the program itself failed
        super().__init__(Worker("smoother", self._turn, first_s=FIRST_S, niceness=NICENESS))

    def _turn(self) -> float:
        try:
            with Store.join(self._store_path) as store, working() as on:
                waiting = [one for one in store.unsmoothed(AT_ONCE + len(self._given_up)) if one not in self._given_up]
                if not waiting:
                    return AGAIN_S
                from monitor.review import hindsight  # loads numpy: not before there is something to smooth

                for run, number in waiting:
                    if self._worker.stopping:
                        break
                    try:
                        hindsight.keep(store, run, number, self._empty_mm)
                    except StoreTrouble:
                        raise
                    except Exception:  # one cycle must not keep all others from being smoothed
                        self._given_up.add((run, number))
                        log.exception("cycle %d:%d cannot be smoothed: it is shown as it was decided", run, number)
                    on()
            return 0.0 if len(waiting) >= AT_ONCE else AGAIN_S
        except StoreTrouble as error:
            log.info("finished cycles are shown as they were decided: %s", error)
        return AGAIN_S
