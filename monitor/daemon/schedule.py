"""What the daemon has planned for later: the next tick, from which silence, summaries and repeats follow. The work
itself is done by the caller.

A small owner of APScheduler's background scheduler. It holds **one-shot date jobs only**, never intervals or cron
rules: on a board without a clock of its own the wall clock is stepped by years when the network comes up, and a
repeating job would then run once for every period in between, or not at all after a step back. So each entry is planned
once; the caller plans the next one when it has run, and again when `ClockWatch` has found a step. An overdue entry runs
once and immediately (`coalesce`, no `misfire_grace_time`); the caller knows whether it is too late to be of use.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import NamedTuple

from apscheduler.executors.pool import ThreadPoolExecutor
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.date import DateTrigger

log = logging.getLogger(__name__)

AGAIN_S = 0.01  # real seconds until the next look at a clock that lags behind the real one, as a played clock may stop
FARTHEST_S = 1e9  # 30 years: beyond it a date may have no name; `_run` looks again


class _Entry(NamedTuple):
    due_s: float
    call: Callable[[], None]
    still: Callable[[], None] | None


class Schedule:
    """Named things to do once, each at a wall-clock time. Entries run one at a time in a thread of the schedule's own.

    `wall` tells the time; `speed` is how many of its seconds pass in a real one (the demo's clock is a fast one).
    """

    def __init__(self, wall: Callable[[], float] = time.time, speed: float = 1.0) -> None:
        self._wall, self._speed = wall, speed
        self._entries: dict[str, _Entry] = {}
        self._lock = threading.RLock()
        self._stopped = False
        self._scheduler = BackgroundScheduler(
            timezone=UTC,
            executors={"default": ThreadPoolExecutor(1)},
            # an entry may plan itself again while it runs, and a stepping clock may hand one over again while it waits:
            # `_run` tells those apart, and the scheduler must not drop any
            job_defaults={"coalesce": True, "misfire_grace_time": None, "max_instances": 100},
        )
        self._scheduler.start()

    def plan(self, name: str, due_s: float, call: Callable[[], None], still: Callable[[], None] | None = None) -> None:
        """Do `call` at `due_s` (Unix time), or at once if that is past. Replaces an entry of the same name. `still` is
        called at each look that comes too early, as they do while the clock stands."""
        with self._lock:
            if self._stopped:
                return
            self._entries[name] = _Entry(due_s, call, still)
            self._add(name, due_s)

    def stop(self) -> None:
        """Nothing more is begun. An entry that is running is not waited for."""
        with self._lock:
            if self._stopped:
                return
            self._stopped = True
            self._entries.clear()
        self._scheduler.shutdown(wait=False)

    def _add(self, name: str, due_s: float, wait_s: float = 0.0) -> None:
        left_s = min(max((due_s - self._wall()) / self._speed, wait_s), FARTHEST_S)
        when = datetime.now(UTC) + timedelta(seconds=left_s)
        self._scheduler.add_job(self._run, DateTrigger(when), args=(name, due_s), id=name, replace_existing=True)

    def _run(self, name: str, due_s: float) -> None:
        with self._lock:
            entry = self._entries.get(name)
            if entry is None or entry.due_s != due_s:  # planned again while this one waited for the thread
                return
            if due_s > self._wall():  # the clock was set back after the scheduler had begun this one, or stands
                if entry.still is not None:
                    entry.still()
                self._add(name, due_s, AGAIN_S)
                return
            del self._entries[name]
        try:
            entry.call()
        except Exception:
            log.exception("planned work %r failed", name)
