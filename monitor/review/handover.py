"""What happened since a given hour, for whoever takes over: feedings, notes, peaks, falls, sensors, notices, in order.

From the store, for `jartide handover` and the page. What is due is on the feeding sheet (`feeding_sheet`).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from monitor.core.assess import notebook
from monitor.core.detect.superseded import SAME_FEEDING_S, not_superseded, shown_at_s
from monitor.runs import outbox
from monitor.runs.outbox import State
from monitor.runs.store import Store
from monitor.values import Cycle, Event, EventKind, Fed, Noted, Noting

MOST_NOTICES = 500
WORDS = {
    EventKind.PEAK_REACHED: "at its peak",
    EventKind.FALL_BEGAN: "began to sink",
    EventKind.STAYED_FLAT: "stayed flat",
    EventKind.REST_BEGAN: "began to rest",
    EventKind.REST_ENDED: "came out of its rest",
    EventKind.JAR_AWAY: "taken away",
    EventKind.JAR_BACK: "back under its sensor",
    EventKind.SENSOR_SILENT: "sensor silent",
    EventKind.SENSOR_BACK: "sensor back",
    EventKind.DISTURBED: "its level jumped",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Happened:
    """One thing that happened to a jar; `by` is who reported it, None for what was seen and where no name was given."""

    at_s: float
    jar: str
    what: str
    by: str | None = None


def since(store: Store, jars: Sequence[str], since_s: float) -> list[Happened]:
    """What happened to some jars since a time, oldest first. Raises StoreTrouble."""
    found: list[Happened] = []
    for jar in jars:
        told = [item for item in store.told(jar, since_s) if isinstance(item, Fed | Noted)]
        run = store.open_run(jar)
        cycles = store.smoothed_cycles(run.id) if run else []
        fed_s = [cycle.fed_at_s for cycle in cycles if cycle.told]
        found += [_of_told(item, fed_s) for item in told if not _snooze(item)]
        if run:
            events = not_superseded(store.events(run.id, since_s))
            some = [_as_shown(event, cycles) for event in events]
            found += _of_events(jar, [one for one in some if one.happened_at_s >= since_s])
    for kept in outbox.latest(store, MOST_NOTICES):
        if kept.state is State.SENT and kept.changed_s >= since_s and kept.notice.jar in jars:
            found.append(Happened(at_s=kept.changed_s, jar=kept.notice.jar, what=f"sent: {kept.notice.title}"))
    return sorted(found, key=lambda one: (one.at_s, one.jar))


def _snooze(item: Fed | Noted) -> bool:
    return isinstance(item, Noted) and item.what is Noting.SNOOZE


def _of_told(item: Fed | Noted, fed_s: Sequence[float]) -> Happened:
    """`fed_s` are the feedings as they stand: one that was told and seen happened when the sensor saw it."""
    if isinstance(item, Noted):
        said = notebook.says(item).removesuffix(f" ({item.by})")
        return Happened(at_s=item.time_s, jar=item.jar, what=said, by=item.by)
    grams = item.feeding.grams
    weighed = f" {' + '.join(f'{one:g}' for one in grams)} g" if grams else ""
    lot = f", flour of lot {item.flour_lot}" if item.flour_lot else ""
    seed = f", starter from {item.seed}" if item.seed else ""
    seen_s = min(fed_s, key=lambda one: abs(one - item.time_s), default=item.time_s)
    at_s = seen_s if abs(seen_s - item.time_s) <= SAME_FEEDING_S else item.time_s
    return Happened(at_s=at_s, jar=item.jar, what=f"fed{weighed}{lot}{seed}", by=item.by)


def _as_shown(event: Event, cycles: Sequence[Cycle]) -> Event:
    """A peak or a fall of a finished cycle happened when the smoother says so, here as everywhere."""
    at_s = event.happened_at_s
    mine = next((one for one in reversed(cycles) if one.smoothed and one.fed_at_s <= at_s), None)
    if mine is None or (mine.ended_at_s is not None and at_s >= mine.ended_at_s):
        return event
    return replace(event, happened_at_s=shown_at_s(event, mine))


def _of_events(jar: str, events: Iterable[Event]) -> Iterator[Happened]:
    """The events, with only the last one of a top that was refined several times."""
    peak: Event | None = None
    for event in sorted(events, key=lambda one: one.decided_at_s):
        if event.kind is EventKind.PEAK_REACHED:
            peak = event
            continue
        if peak is not None and event.kind in (EventKind.FED, EventKind.FALL_BEGAN):
            yield _of_event(jar, peak)
            peak = None
        if event.kind is EventKind.FED and not event.evidence.get("told"):
            yield Happened(at_s=event.happened_at_s, jar=jar, what="fed (seen by the sensor)")
        elif event.kind in WORDS and not event.evidence.get("told"):
            yield _of_event(jar, event)
    if peak is not None:
        yield _of_event(jar, peak)


def _of_event(jar: str, event: Event) -> Happened:
    return Happened(at_s=event.happened_at_s, jar=jar, what=WORDS[event.kind])
