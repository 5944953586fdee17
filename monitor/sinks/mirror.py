"""Copies readings and events from the store to a time-series server, in order.

The store itself is the outbox: a cursor in it says how far the server has got, so nothing is lost by a restart of ours
or by days without the server. A server that is killed may lose what it acknowledged in its last seconds (measured with
VictoriaMetrics 1.79: up to 6 s, not 11 s). So rows count as safe only when the same connection still works OVERLAP_S
after they were acknowledged; over a new connection all others are sent again. To send the same points with the same
times again changes nothing.

Best effort: runs in its own thread with its own connection to the store, never delays a reading, and says what is wrong
in `trouble()`. A row that the server will never take is found by halving its batch, and is set aside.
"""

from __future__ import annotations

import contextlib
import logging
import time
from collections import deque
from collections.abc import Sequence
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING

from monitor.host.heartbeat import sending
from monitor.host.worker import Worker
from monitor.runs import cursors
from monitor.runs.store import Store, StoreTrouble
from monitor.settings import InfluxSettings
from monitor.values import Arrival, Event

if TYPE_CHECKING:
    from monitor.sinks.time_series import Connection

log = logging.getLogger(__name__)

OVERLAP_S = 60.0  # ten times the longest loss that was measured
BATCH = 1000  # lines in one request: about 100 kB
PAUSE_S = 5.0  # the recorder commits no more often
FIRST_RETRY_S, LAST_RETRY_S = 1.0, 300.0
DENIED_RETRY_S = 300.0  # until somebody changes a setting
ASKED_RETRY_S = 3600.0  # the longest wait that a server may ask for
PARKED_KEPT = 1000  # rows set aside that are kept to look at; a server that refuses more has one reason for all
STOP_S = 2.0
ITEMS, EVENTS = "influx items", "influx events"


class Mirror:
    """The [influx] table as a sink. Call `wake` after each commit of the recorder. `progress` holds the last row of
    each stream that the server has acknowledged."""

    advice = "Nothing is lost: everything is sent once the server accepts it. Start it, or correct [influx]."

    def __init__(self, settings: InfluxSettings, store_path: Path) -> None:
        self._settings = settings
        self._store_path = store_path
        self._trouble: str | None = None
        self.progress: dict[str, int] = {}
        self._drain: _Drain | None = None
        self._wait_s = FIRST_RETRY_S
        self._worker = Worker("mirror", self._turn, ending=self._end)

    def start(self) -> None:
        """Begin to send, from where the last start got to."""
        self._worker.start()

    def wake(self) -> None:
        """There may be something new in the store."""
        self._worker.wake()

    def stop(self) -> None:
        """Stop; what was not sent is sent after the next start."""
        self._worker.stop(STOP_S)

    def trouble(self) -> str | None:
        """One sentence while the server does not take what it should; None while all is well."""
        return self._trouble

    def _turn(self) -> float | None:
        from monitor.sinks.time_series import DeniedError, RefusedError

        try:
            if self._drain is None:
                self._drain = _Drain(self._settings, self._store_path, self._worker, self.progress)
            self._drain.drain()
            self._say(self._drain.parked)
            self._wait_s = FIRST_RETRY_S
            self._worker.pause(PAUSE_S)
            return None  # wait until there is something new
        except DeniedError as error:
            self._again(str(error), DENIED_RETRY_S)
        except (RefusedError, StoreTrouble) as error:
            self._again(str(error), max(self._wait_s, min(getattr(error, "retry_after_s", 0.0), ASKED_RETRY_S)))
            self._wait_s = min(self._wait_s * 2, LAST_RETRY_S)
        except Exception:
            log.exception("the mirror stumbled; it goes on in %g s", LAST_RETRY_S)
            self._again("an error in the mirror itself; see the log", LAST_RETRY_S)
        return 0.0

    def _again(self, trouble: str, wait_s: float) -> None:
        """Begin again at the stored cursors after a while, over another connection."""
        self._say(trouble)
        self._end()
        self._worker.pause(wait_s)

    def _end(self) -> None:
        if self._drain is not None:
            self._drain.close()
            self._drain = None

    def _say(self, trouble: str | None) -> None:
        if trouble is not None and trouble != self._trouble:
            log.warning("%s", trouble)
        if trouble is None and self._trouble is not None:
            log.info("[influx] %s: takes everything again", self._settings.url)
        self._trouble = trouble


class _Drain:
    """Sends over one client until a failure; the next one then begins at the stored cursors."""

    def __init__(self, settings: InfluxSettings, store_path: Path, worker: Worker, progress: dict[str, int]) -> None:
        from monitor.sinks.time_series import Connection

        self.parked: str | None = None
        self._worker = worker
        self._progress = progress
        self._connection: Connection = Connection(settings)
        self._store = Store.join(store_path)
        self._cursors = [_Cursor(self._store, ITEMS), _Cursor(self._store, EVENTS)]
        self._made = 0

    def close(self) -> None:
        for cursor in self._cursors:
            with contextlib.suppress(StoreTrouble):
                cursor.keep()
        self._store.close()
        self._connection.close()

    def drain(self) -> None:
        """Send everything new, readings first. Raises RefusedError and StoreTrouble."""
        for cursor in self._cursors:
            while not self._worker.stopping and (batch := self._next(cursor)):
                self.parked = None
                with sending():
                    self._send(cursor, batch)
                if self._reconnected():
                    for each in self._cursors:
                        each.rewind()
                else:
                    cursor.acknowledged(batch[-1][0], time.monotonic())
                self._progress[cursor.name] = cursor.place
        for cursor in self._cursors:
            cursor.keep_sometimes(time.monotonic())

    def _next(self, cursor: _Cursor) -> Sequence[tuple[int, Arrival | Event]]:
        if cursor.name == EVENTS:
            return self._store.events_after(cursor.place, BATCH)
        return [(arrival.seq, arrival) for arrival in islice(self._store.arrivals(None, cursor.place), BATCH)]

    def _send(self, cursor: _Cursor, batch: Sequence[tuple[int, Arrival | Event]]) -> None:
        """Send rows; a refused batch is halved until the row to blame is alone, and the others go in their order."""
        from monitor.sinks.time_series import PoisonError, lines_of

        lines = [line for _, thing in batch if (line := lines_of(thing)) is not None]
        if not lines:
            return
        try:
            self._connection.send(lines)
        except PoisonError as error:
            if len(batch) > 1 and "retention" not in str(error):  # some rows are too old: the server kept the others
                self._send(cursor, batch[: len(batch) // 2])
                self._send(cursor, batch[len(batch) // 2 :])
                return
            self.parked = f"{error}; left out from {cursor.name.removeprefix('influx ')} {batch[0][0]} on"
            self._park(cursor, batch[0][0], str(error))

    def _park(self, cursor: _Cursor, place: int, reason: str) -> None:
        cursors.park(self._store, cursor.name, place, time.time(), reason, PARKED_KEPT)

    def _reconnected(self) -> bool:
        made, self._made = self._made, self._connection.made
        return 0 < made < self._made


class _Cursor:
    """How far one stream has got: `place` is the last row acknowledged; the stored place is safe by OVERLAP_S."""

    def __init__(self, store: Store, name: str) -> None:
        self.name = name
        self._store = store
        self._safe = self._kept = self.place = cursors.place(store, name)
        self._kept_at_s = float("-inf")
        self._acknowledged: deque[tuple[float, int]] = deque()

    def acknowledged(self, place: int, now_s: float) -> None:
        """The server has taken everything up to `place`, over the same connection as before."""
        self.place = place
        self._acknowledged.append((now_s, place))
        while self._acknowledged[0][0] <= now_s - OVERLAP_S:
            self._safe = self._acknowledged.popleft()[1]

    def rewind(self) -> None:
        """Go back to the last safe row."""
        self.place = self._safe
        self._acknowledged.clear()

    def keep(self) -> None:
        """Store the safe place."""
        if self._safe != self._kept:
            cursors.keep(self._store, self.name, self._safe)
            self._kept = self._safe

    def keep_sometimes(self, now_s: float) -> None:
        """Store the safe place, but at most once in OVERLAP_S, as that costs a commit."""
        if now_s - self._kept_at_s >= OVERLAP_S:
            self.keep()
            self._kept_at_s = now_s
