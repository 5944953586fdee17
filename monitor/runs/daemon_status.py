"""What the daemon last knew of itself, as JSON in the store: written by the daemon, read by `jartide status`.

Once a minute and not with every reading: each write is a page on the SD card. A trouble is kept as what a person reads:
what is wrong, since when, and what to do.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Protocol

from monitor.core.display.units import Display
from monitor.host.clock import Moment
from monitor.runs.store import Store
from monitor.values import JarState, SourceHealth

KEY = "status"


class HasTrouble(Protocol):
    """Anything that can say what is wrong with it."""

    @property
    def advice(self) -> str:
        """What to do about it: one sentence."""

    def trouble(self) -> str | None:
        """One plain sentence without its full stop, or None when all is well."""


@dataclass(frozen=True, slots=True)
class LastingTrouble:
    """A trouble that stays as long as the daemon runs."""

    sentence: str
    advice: str

    def trouble(self) -> str | None:
        """The same at any time."""
        return self.sentence


class TroubleSince:
    """Since when each part is in trouble."""

    def __init__(self, display: Display) -> None:
        self._display = display
        self._since: dict[int, Moment] = {}

    def sentences(self, parts: Iterable[HasTrouble], now_s: float, monotonic_s: float) -> list[str]:
        """What is wrong now, since when, what to do: one text each, for `status` and the page."""
        out = []
        for part in parts:
            sentence = part.trouble()
            if sentence is None:
                self._since.pop(id(part), None)
            else:
                since_s = self._since.setdefault(id(part), Moment(now_s, monotonic_s)).by(now_s, monotonic_s)
                out.append(f"{self._display.since(sentence, since_s, now_s)}. {part.advice}")
        return out


def write(
    store: Store,
    now_s: float,
    states: Sequence[JarState],
    sources: Iterable[SourceHealth],
    troubles: Iterable[str] = (),
) -> None:
    """Keep the daemon's state as of `now_s`; `troubles` are those of all but the sources. Raises StoreTrouble."""
    body = {
        "as_of_s": now_s,
        "jars": [asdict(state) for state in states],
        "sources": [asdict(health) for health in sources],
        "troubles": list(troubles),
    }
    store.set_meta(KEY, json.dumps(body, separators=(",", ":"), ensure_ascii=False))


def read(store: Store) -> dict[str, Any] | None:
    """What `write` kept last; None before the first time. Raises StoreTrouble."""
    text = store.meta(KEY)
    if text is None:
        return None
    body: dict[str, Any] = json.loads(text)
    return body
