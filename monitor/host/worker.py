"""A thread that does one kind of work again and again, until it is asked to end: what every best-effort sink runs in.

The work itself is the caller's: a function that does one turn of it and says how long the next one may wait. The worker
sees to the thread's name, to being woken, to an end in time, and to an error of the program's own, which is logged and
does not end the work.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable

log = logging.getLogger(__name__)

FAULT_S = 30.0  # after an error of our own: soon enough to be of use, too seldom to fill a log


class Worker:
    """Calls `turn` in a thread of its own. It returns after how many seconds to come again, at the latest (None: when
    woken); `wake` brings the next turn at once, or right after the one that is going on. `ending` is called in the same
    thread, once, after the last turn. The first turn comes after `first_s`."""

    def __init__(
        self,
        name: str,
        turn: Callable[[], float | None],
        *,
        ending: Callable[[], None] = lambda: None,
        first_s: float = 0.0,
    ) -> None:
        self._turn, self._ending, self._first_s = turn, ending, first_s
        self._stopping = threading.Event()
        self._woken = threading.Event()
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def wake(self) -> None:
        """There may be something to do. From any thread."""
        self._woken.set()

    @property
    def stopping(self) -> bool:
        """Whether it was asked to end."""
        return self._stopping.is_set()

    @property
    def running(self) -> bool:
        """Whether its thread has begun and not ended yet."""
        return self._thread.is_alive()

    def pause(self, seconds: float) -> None:
        """Within a turn: wait so long whatever wakes it; the end comes at once all the same."""
        self._stopping.wait(seconds)

    def ask_to_stop(self) -> None:
        """No further turn is begun; returns at once, so that several workers can end together."""
        self._stopping.set()
        self._woken.set()

    def stop(self, within_s: float) -> None:
        """End after the turn that is going on, if it is done in time; one that hangs is left behind."""
        self.ask_to_stop()
        if self.running:
            self._thread.join(within_s)

    def _run(self) -> None:
        self._stopping.wait(self._first_s)
        while not self.stopping:
            self._woken.clear()
            try:
                wait_s = self._turn()
            except Exception:
                log.exception("%s: an error in the program itself; carrying on", self._thread.name)
                self.pause(FAULT_S)
                wait_s = 0.0
            if not self.stopping:
                self._woken.wait(wait_s)
        try:
            self._ending()
        except Exception:
            log.exception("%s: an error while stopping", self._thread.name)
