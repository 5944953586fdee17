"""What the daemon last knew about itself, as JSON in the store: written by the daemon, read by `jartide status`.

Once a minute and not with every reading, as each write is a page on the SD card. A trouble is stored as people read it:
what is wrong, since when, and what to do.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, fields
from typing import Any, Protocol, TypeVar

from monitor.core.display.units import Display
from monitor.host.clock import Moment
from monitor.runs.store import Store
from monitor.values import Cycle, Forecast, JarState, Level, SourceHealth, Span, Stage, flat, unflat

KEY = "status"
T = TypeVar("T")

STALE_S = 180.0  # the daemon writes its state each minute; three missed ones are no accident


@dataclass(frozen=True, slots=True, kw_only=True)
class Status:
    """What the daemon knew at a time; page and command line both show this."""

    as_of_s: float
    jars: tuple[JarState, ...]
    sources: tuple[SourceHealth, ...]
    troubles: tuple[str, ...]


class HasTrouble(Protocol):
    """Anything that can say what is wrong with it."""

    @property
    def advice(self) -> str:
        """What to do about the trouble: one sentence."""

    def trouble(self) -> str | None:
        """One plain sentence without its full stop, or None when all is well."""


@dataclass(frozen=True, slots=True)
class LastingTrouble:
    """A trouble that stays as long as the daemon runs."""

    sentence: str
    advice: str

    def trouble(self) -> str | None:
        """The trouble, which never changes."""
        return self.sentence


class TroubleSince:
    """Remembers since when each part has been in trouble."""

    def __init__(self, display: Display) -> None:
        self._display = display
        self._since: dict[int, Moment] = {}

    def sentences(self, parts: Iterable[HasTrouble], now_s: float, monotonic_s: float) -> list[str]:
        """What is wrong now, since when, and what to do: a text for each trouble, for `status` and the page."""
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
    """Store the daemon's state at `now_s`; `troubles` are those of everything except the sources. Raises
    StoreTrouble."""
    status = Status(as_of_s=now_s, jars=tuple(states), sources=tuple(sources), troubles=tuple(troubles))
    store.set_meta(KEY, json.dumps(status, default=flat, separators=(",", ":"), ensure_ascii=False))


def read(store: Store) -> Status | None:
    """What `write` stored last; None before the first time and where another version wrote it. Raises StoreTrouble."""
    text = store.meta(KEY)
    if text is None:
        return None
    try:
        kept: dict[str, Any] = json.loads(text)
        return Status(
            as_of_s=float(kept["as_of_s"]),
            jars=tuple(_state_of(one) for one in kept["jars"]),
            sources=tuple(SourceHealth(**one) for one in kept["sources"]),
            troubles=tuple(kept["troubles"]),
        )
    except (KeyError, TypeError, ValueError):
        return None


def _state_of(body: dict[str, Any]) -> JarState:
    """The state of one jar. Raises KeyError, TypeError and ValueError for anything else."""
    cycles: dict[str, Cycle | None] = {}
    for key in ("cycle", "previous"):
        one = body[key]
        cycles[key] = None if one is None else Cycle(**{**unflat(one), "temperatures_c": tuple(one["temperatures_c"])})
    return JarState(
        **{
            **{field.name: body[field.name] for field in fields(JarState) if field.name in body},
            **cycles,
            "stage": Stage(body["stage"]),
            "level": _made(Level, body["level"]),
            "forecast": _forecast_of(body["forecast"]),
        }
    )


def _forecast_of(body: dict[str, Any] | None) -> Forecast | None:
    if body is None:
        return None
    peak_at, fall_at = _made(Span, body["peak_at"]), _made(Span, body["fall_at"])
    return Forecast(made_at_s=body["made_at_s"], peak_at=peak_at, fall_at=fall_at)


def _made(kind: Callable[..., T], body: dict[str, Any] | None) -> T | None:
    return None if body is None else kind(**body)
