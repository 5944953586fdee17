"""Signs of life of all threads except the daemon's loop: which of them takes far too long over one piece of work.

A thread wraps its work in `with working() as on:` and calls `on()` where the next piece begins; what may wait for ever
by design stays outside. What sends to others, with best effort, uses `sending()` instead. `status` and the page show
whatever hangs. The daemon's assembly asks here before it tells the service manager that all is well, but only about the
threads that watching depends on: somebody else's server must not get the daemon restarted.
"""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable, Iterator

HUNG_S = 600.0  # each of our network calls ends within half a minute, and a piece of work has a few of them
_since_s: dict[str, float] = {}
_best_effort: set[str] = set()


@contextlib.contextmanager
def working(name: str | None = None) -> Iterator[Callable[[], None]]:
    """This thread (or `name`) is at a piece of work; to call what this yields means that the next piece has begun."""
    name = name or threading.current_thread().name

    def on() -> None:
        _since_s[name] = time.monotonic()

    on()
    try:
        yield on
    finally:
        _since_s.pop(name, None)


@contextlib.contextmanager
def sending() -> Iterator[None]:
    """Like `working`, for one piece of work that watching does not depend on."""
    name = threading.current_thread().name
    _best_effort.add(name)
    try:
        with working():
            yield
    finally:
        _best_effort.discard(name)


def hung() -> list[str]:
    """The names of those that have been at one piece of work for longer than HUNG_S."""
    now_s = time.monotonic()
    return sorted(name for name, since_s in list(_since_s.items()) if now_s - since_s > HUNG_S)


def hung_at_the_watch() -> list[str]:
    """Those of `hung` that watching depends on."""
    return [name for name in hung() if name not in _best_effort]


class HungThreads:
    """Hanging threads, as one of the daemon's troubles."""

    advice = "The service manager restarts the daemon; without one, stop `jartide watch` and start it again."

    def trouble(self) -> str | None:
        """Which threads hang, in a sentence; or None."""
        names = hung()
        return f"no sign of life from: {', '.join(names)}" if names else None
