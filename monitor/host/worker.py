"""A thread that does one kind of work again and again until it is asked to stop: every best-effort sink runs in one.

The work itself is a function of the caller that does one turn and says how long the next one may wait. The worker takes
care of the thread's name, of waking it, of ending in time, and of errors in the program itself, which are logged and do
not end the work.
"""

from __future__ import annotations

import logging
import os
import threading
from collections.abc import Callable
from contextlib import suppress

log = logging.getLogger(__name__)

FAULT_S = 30.0  # after an error in the program: soon enough to be of use, and rarely enough not to fill a log


class Worker:
    """Calls `turn` in a thread of its own. `turn` returns after how many seconds to call it again at the latest (None:
    when woken); `wake` brings the next turn immediately, or right after the present one. `ending` is called once in the
    same thread, after the last turn. The first turn comes after `first_s`; `niceness` is the thread's own."""

    def __init__(
        self,
        name: str,
        turn: Callable[[], float | None],
        *,
        ending: Callable[[], None] = lambda: None,
        first_s: float = 0.0,
        niceness: int = 0,
    ) -> None:
        self._turn, self._ending, self._first_s, self._niceness = turn, ending, first_s, niceness
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
        """Whether it was asked to stop."""
        return self._stopping.is_set()

    @property
    def running(self) -> bool:
        """Whether its thread has begun and not ended yet."""
        return self._thread.is_alive()

    def pause(self, seconds: float) -> None:
        """Within a turn: wait that long whatever wakes it, but stop immediately when asked to."""
        self._stopping.wait(seconds)

    def ask_to_stop(self) -> None:
        """Begin no further turn; returns immediately, so that several workers can stop at the same time."""
        self._stopping.set()
        self._woken.set()

    def stop(self, within_s: float) -> None:
        """Stop after the present turn, if that is done in time; one that hangs is abandoned."""
        self.ask_to_stop()
        if self.running:
            self._thread.join(within_s)

    def _run(self) -> None:
        give_way(self._niceness)
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


def give_way(niceness: int) -> None:
    """Give this thread a lower priority than the others of its process (Linux has a niceness for each thread)."""
    if niceness:
        with suppress(OSError):
            os.nice(niceness)
