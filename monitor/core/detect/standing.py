"""Which of the events that were decided still stand, after later reports have made some of them wrong.

Events are never changed: one that makes earlier ones wrong names them in `replaces` (`reports.py`). For looking back.
"""

from __future__ import annotations

from collections.abc import Iterable

from monitor.values import Event, EventKind


def name(event: Event) -> str:
    """What `replaces` calls an event: "fed@1772409600"."""
    return f"{event.kind.value}@{event.happened_at_s:.0f}"


def standing(events: Iterable[Event]) -> list[Event]:
    """The events (in the order decided) that no later one replaced. One may replace an earlier one of its own name: a
    feeding that was seen and then reported."""
    out: list[Event] = []
    for event in events:
        if event.replaces is not None:
            wrong = set(event.replaces.split())
            out = [one for one in out if name(one) not in wrong]
        if event.kind is not EventKind.TAKEN_BACK:
            out.append(event)
    return out
