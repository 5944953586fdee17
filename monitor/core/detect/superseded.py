"""Which events still hold, after later reports have superseded some of them.

Events never change: one that makes earlier ones wrong names them in `replaces` (`reports.py`). Used by whatever shows
or counts past events.
"""

from __future__ import annotations

from collections.abc import Iterable

from monitor.values import Event, EventKind


def name_of(event: Event) -> str:
    """What `replaces` calls an event: "fed@1772409600"."""
    return f"{event.kind.value}@{event.happened_at_s:.0f}"


def not_superseded(events: Iterable[Event]) -> list[Event]:
    """The events (in the order decided) that no later one replaced. One may replace an earlier one of its own name: a
    feeding that was seen and then reported.

    >>> seen = Event(kind=EventKind.FED, jar="rye", happened_at_s=0.0, decided_at_s=300.0)
    >>> told = Event(kind=EventKind.FED, jar="rye", happened_at_s=60.0, decided_at_s=900.0, replaces=name_of(seen))
    >>> not_superseded([seen, told]) == [told]
    True
    """
    out: list[Event] = []
    for event in events:
        if event.replaces is not None:
            wrong = set(event.replaces.split())
            out = [one for one in out if name_of(one) not in wrong]
        if event.kind is not EventKind.TAKEN_BACK:
            out.append(event)
    return out
