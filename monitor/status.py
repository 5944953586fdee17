"""What the daemon last knew of itself, as JSON in the store: written by the daemon, read by `jartide status`.

Once a minute and not with every reading: each write is a page on the SD card.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import asdict
from typing import Any, Protocol

from monitor.runs.store import Store
from monitor.values import JarState, SourceHealth

KEY = "status"


class Troubled(Protocol):
    """Anything that can say what is wrong with it."""

    def trouble(self) -> str | None:
        """One plain sentence, or None when all is well."""


def write(
    store: Store,
    now_s: float,
    states: Sequence[JarState],
    sources: Iterable[SourceHealth],
    sinks: Iterable[Troubled],
    said: Iterable[str] = (),
) -> None:
    """Keep the daemon's state as of `now_s`. Raises StoreTrouble."""
    body = {
        "as_of_s": now_s,
        "jars": [asdict(state) for state in states],
        "sources": [asdict(health) for health in sources],
        "troubles": [*said, *(sentence for sink in sinks if (sentence := sink.trouble()))],
    }
    store.set_meta(KEY, json.dumps(body, separators=(",", ":"), ensure_ascii=False))


def read(store: Store) -> dict[str, Any] | None:
    """What `write` kept last; None before the first time. Raises StoreTrouble."""
    text = store.meta(KEY)
    if text is None:
        return None
    body: dict[str, Any] = json.loads(text)
    return body
