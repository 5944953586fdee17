"""What other daemons at the same broker believe about their jars, from the states that they publish (`mqtt_state`);
kept in memory for the page's list of all jars.

A state may come from anybody who may write the topic. So its size, its form and their number are limited, and only a
few checked fields of it are kept. It is only shown; nothing is decided by it.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Collection
from dataclasses import dataclass
from typing import Any

from monitor.core.display.units import CONTROLS
from monitor.runs import rfc3339
from monitor.sinks.mqtt_connection import Connection
from monitor.values import Stage

MOST_BYTES = 16_384
MOST_JARS = 50_000  # more than twice what four daemons were measured with
MOST_NAME = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherJar:
    """One jar of another daemon, as that last published it; None for what it did not say."""

    jar: str
    heard_s: float
    stage: Stage
    fed_at_s: float | None
    fall_at_s: float | None  # seen, or expected
    rise_ratio: float | None
    temperature_c: float | None
    silent: bool


class OtherJars:
    """The latest state of each jar that is not ours; `take` is called by the connection's thread, the rest by any."""

    def __init__(self, connection: Connection, topic: str, mine: Collection[str], wall: Callable[[], float]) -> None:
        self._connection, self._mine, self._wall = connection, frozenset(mine), wall
        self._lock = threading.Lock()
        self._known: dict[str, OtherJar] = {}
        connection.listen(topic, self.take)

    def take(self, jar: str | None, payload: bytes, retained: bool, token: object) -> None:
        """Take one state; anything else, and our own states, are ignored."""
        self._connection.acknowledge([token])
        if jar is None or jar in self._mine or len(jar) > MOST_NAME or CONTROLS.search(jar):
            return
        known = other_jar(jar, payload, self._wall())
        with self._lock:
            if known is not None and (jar in self._known or len(self._known) < MOST_JARS):
                self._known[jar] = known

    def known(self) -> list[OtherJar]:
        """All of them, the one that needs feeding soonest first."""
        with self._lock:
            every = list(self._known.values())
        return sorted(every, key=lambda one: (one.fall_at_s is None, one.fall_at_s or 0.0, one.jar))


def other_jar(jar: str, payload: bytes, now_s: float) -> OtherJar | None:
    """The jar in a published state; None for anything that is no state.

    >>> other_jar("rye", b'{"stage": "rising", "rise_ratio": 1.5, "jar": "rye"}', 0.0).rise_ratio
    1.5
    """
    if len(payload) > MOST_BYTES:
        return None
    try:
        body = json.loads(payload)
        stage = Stage(body["stage"])
    except (ValueError, KeyError, TypeError, RecursionError):
        return None
    ahead = body.get("forecast_fall_at")
    expected = ahead.get("likely") if isinstance(ahead, dict) else None
    return OtherJar(
        jar=jar,
        heard_s=_time(body.get("time")) or now_s,
        stage=stage,
        fed_at_s=_time(body.get("fed_at")),
        fall_at_s=_time(body.get("fall_at")) or _time(expected),
        rise_ratio=_number(body.get("rise_ratio"), 0.0, 20.0),
        temperature_c=_number(body.get("temperature_c"), -40.0, 100.0),
        silent=body.get("silent_since") is not None,
    )


def _time(value: Any) -> float | None:
    try:
        return rfc3339.parse(value) if isinstance(value, str) else None
    except ValueError:
        return None


def _number(value: Any, low: float, high: float) -> float | None:
    plain = isinstance(value, int | float) and not isinstance(value, bool)
    return float(value) if plain and low <= value <= high else None
