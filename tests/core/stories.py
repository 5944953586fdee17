"""Invented stories of a jar, as readings, and the events that the step function makes of them."""

from __future__ import annotations

import math
import random
from collections.abc import Iterable

from monitor.core.detect import step as core
from monitor.settings import JarSettings
from monitor.values import Arrival, Event, EventKind, Item, Reading

JAR = JarSettings(name="rye", empty_mm=180.0)
HOUR_S = 3600.0
BEGAN_S = 1_772_409_600.0  # 2026-03-02T00:00:00Z
K = EventKind


def bump(hours: float, start_mm: float = 45.0, rise_mm: float = 45.0, top_h: float = 8.0) -> float:
    """A rise and a fall: a cosine up, a slower one down."""
    if hours < 0.0:
        return start_mm
    part = min(hours / top_h, 1.0) if hours < top_h else max(0.0, 1.0 - (hours - top_h) / 14.0)
    return start_mm + rise_mm * 0.5 * (1.0 - math.cos(math.pi * part))


def story(
    hours: float,
    *,
    every_s: float = 60.0,
    noise_mm: float = 0.8,
    seed: int = 1,
    fed_h: tuple[float, ...] = (1.0,),
    before_mm: float = 75.0,
    temperature_c: float = 24.0,
    step_mm: float = 1.0,
) -> list[Reading]:
    """Readings of a jar fed at `fed_h` (the lid off for 4 min before), standing at `before_mm` until then."""
    rng = random.Random(seed)
    out = []
    for k in range(int(hours * HOUR_S / every_s)):
        at_h = k * every_s / HOUR_S
        fed = max((f for f in fed_h if f <= at_h), default=None)
        level = before_mm if fed is None else bump(at_h - fed)
        value = round((180.0 - level + rng.gauss(0.0, noise_mm)) / step_mm) * step_mm
        if any(0.0 < f - at_h <= 4.0 / 60.0 for f in fed_h):
            value = 8190.0
        out.append(Reading(time_s=BEGAN_S + k * every_s, jar="rye", distance_mm=value, temperature_c=temperature_c))
    return out


def run(
    items: Iterable[Item], jar: JarSettings = JAR, state: core.DetectorState | None = None
) -> tuple[core.DetectorState, list[Event]]:
    """Items in order of arrival, each received at its own time or at the latest before."""
    state = state or core.begin(jar)
    events: list[Event] = []
    running_s = -math.inf
    for seq, item in enumerate(items):
        running_s = max(running_s, item.time_s)
        state, new = core.take(state, Arrival(seq=seq, received_s=running_s, item=item), jar)  # type: ignore[arg-type]
        events += new
    return state, events


def kinds(events: Iterable[Event]) -> list[EventKind]:
    return [e.kind for e in events if e.kind is not K.FORECAST]


def one(events: Iterable[Event], kind: EventKind) -> Event:
    found = [e for e in events if e.kind is kind]
    assert len(found) == 1, found
    return found[0]
