"""What the tests of the store keep in it."""

from __future__ import annotations

from typing import Any

from monitor.runs import schema
from monitor.runs.store import Store
from monitor.settings import JarSettings
from monitor.values import (
    Delivery,
    Event,
    EventKind,
    Notice,
    Reading,
)

T = 1_772_431_200.0  # 2026-03-02T06:00:00Z
RYE = JarSettings(name="rye", empty_mm=180.0)


def delivery(n: float, jar: str = "rye", **given: Any) -> Delivery:
    reading = Reading(time_s=T + 10 * n, jar=jar, distance_mm=100.0, temperature_c=24.0)
    return Delivery(**{"source": "mqtt", "received_s": T + 10 * n, "reading": reading, "timed": True, **given})


def event(n: float, kind: EventKind = EventKind.RISE_BEGAN) -> Event:
    return Event(
        kind=kind, jar="rye", happened_at_s=T + n, decided_at_s=T + n + 60, evidence={"n": n, "why": ["ü", None]}
    )


def notice(kind: str = "feed_now", cycle: int = 1, repeat: int = 0, due_s: float = T, **given: Any) -> Notice:
    words = {"title": "Feed rye", "text": "It fell.", "expires_s": due_s + 3600, **given}
    return Notice(jar="rye", cycle=cycle, kind=kind, repeat=repeat, due_s=due_s, **words)


def content(store: Store) -> dict[str, list[Any]]:
    return {table: store.query(f"SELECT * FROM {table}") for table in sorted(schema.tables() - {"rejected"})}
