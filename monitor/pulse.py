"""Signs of life of the threads that do the sinks' work: which of them is at one piece of work for far too long.

A thread wraps each piece of work in `with working():`; waiting for work is not counted. The daemon's assembly asks
`hung()` before it tells the service manager that all is well.
"""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Iterator

HUNG_S = 600.0  # every network call of ours ends within half a minute; a batch has a few of them
_since_s: dict[str, float] = {}


@contextlib.contextmanager
def working() -> Iterator[None]:
    """This thread is at one piece of work."""
    name = threading.current_thread().name
    _since_s[name] = time.monotonic()
    try:
        yield
    finally:
        _since_s.pop(name, None)


def hung() -> list[str]:
    """The names of the threads that have been at one piece of work for longer than HUNG_S."""
    now_s = time.monotonic()
    return sorted(name for name, since_s in list(_since_s.items()) if now_s - since_s > HUNG_S)
