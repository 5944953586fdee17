"""Which events still hold after later reports have superseded some of them, and which never happened.

Events never change: a later event that makes earlier ones wrong names them in `replaces` (`reports.py`). Used by
whatever shows or counts past events. When a person says that an event never happened (a feeding, a lid, an absence, a
rest), the state is given its name before the readings that showed it are stepped again (`DetectorState.not_so`).
"""

from __future__ import annotations

from collections.abc import Iterable

from monitor.core.detect.cycle import OpenCycle
from monitor.values import Cycle, Event, EventKind, Fed, Noted, Noting

SAME_FEEDING_S = 3 * 3600.0  # a feeding reported this near to a seen one is the same feeding
SAME_RISE_S = 6 * 3600.0  # within it a jar in a kitchen has begun to rise (bakers' hours to double: 4 to 8)
# An event denied by its time is looked for this far around it, as an earlier correction may have moved it since. Nobody
# feeds or lifts the lid of one jar twice within an hour.
NEAR_S = 3600.0
DENIABLE = (EventKind.FED, EventKind.LID_OFF, EventKind.JAR_AWAY, EventKind.REST_BEGAN, EventKind.REST_ENDED)
WATCHED = {Noting.REST, Noting.REST_OVER, Noting.AWAY, Noting.BACK, Noting.STIRRED, Noting.TAKEN, Noting.BAKED}


def changes_watch(item: Fed | Noted) -> bool:
    """Whether a report changes what is watched for. The others only go into the notebook."""
    return isinstance(item, Fed) or item.what in WATCHED


def is_same_rise(before: Cycle | OpenCycle, known: bool, fed_at_s: float, time_s: float) -> bool:
    """Whether a feeding reported for an earlier time is the one that was seen at `fed_at_s`: not longer before than a
    fed starter takes to rise, and when the cycle before had begun to fall, or at least reached its top. Where neither
    is known, its own feeding (`known`: it was told or seen) must be longer past than two words for one may be apart."""
    turned_s = before.fall_at_s or before.peak_at_s
    begun_s = before.fed_at_s + (SAME_FEEDING_S if known else 0.0)
    return fed_at_s - time_s <= SAME_RISE_S and time_s > (begun_s if turned_s is None else turned_s)


def name_of(event: Event) -> str:
    """The name of an event, as `replaces` has it: "fed@1772409600"."""
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


def shown_at_s(event: Event, cycle: Cycle) -> float:
    """When an event of a cycle happened, as it is shown: a finished cycle's peak and fall are the smoother's as soon as
    it has seen them."""
    smoothed = (
        {EventKind.PEAK_REACHED: cycle.peak_at_s, EventKind.FALL_BEGAN: cycle.fall_at_s} if cycle.smoothed else {}
    )
    at_s = smoothed.get(event.kind)
    return event.happened_at_s if at_s is None else at_s


def was_none(not_so: Iterable[str], kind: EventKind, from_s: float, to_s: float | None = None) -> bool:
    """Whether the person said that no event of this kind happened between two times (or at one), give or take
    NEAR_S."""
    last_s = from_s if to_s is None else to_s
    return any(named is kind and from_s - NEAR_S <= at_s <= last_s + NEAR_S for named, at_s in map(parsed, not_so))


def parsed(name: str) -> tuple[EventKind, float]:
    """Kind and time in the name of an event. Raises ValueError for what is no such name."""
    kind, _, at = name.partition("@")
    return EventKind(kind), float(at)
