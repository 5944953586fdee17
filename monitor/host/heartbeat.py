"""Signs of life of all threads but the daemon's loop: which of them is at one piece of work for far too long.

A thread wraps its work in `with working() as on:` and calls `on()` where the next piece of it begins; what may wait
for ever by design is left outside. The daemon's assembly asks before it tells the service manager that all is well;
`status` and the page show what it says.
"""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable, Iterator

HUNG_S = 600.0  # every network call of ours ends within half a minute, and a piece of work has a few of them
_since_s: dict[str, float] = {}


@contextlib.contextmanager
def working(name: str | None = None) -> Iterator[Callable[[], None]]:
    """This thread (or what is named) is at a piece of work; calling what is given says that the next one has begun."""
    name = name or threading.current_thread().name

    def on() -> None:
        _since_s[name] = time.monotonic()

    on()
    try:
        yield on
    finally:
        _since_s.pop(name, None)


def hung() -> list[str]:
    """The names of those that have been at one piece of work for longer than HUNG_S."""
    now_s = time.monotonic()
    return sorted(name for name, since_s in list(_since_s.items()) if now_s - since_s > HUNG_S)


class HungThreads:
    """A thread that hangs, as a trouble among others."""

    advice = "The service manager starts the daemon anew; without one, end `jartide watch` and start it again."

    def trouble(self) -> str | None:
        """Which threads, or None."""
        names = hung()
        return f"no sign of life from: {', '.join(names)}" if names else None
