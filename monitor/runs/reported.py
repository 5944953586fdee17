"""Takes back mistaken reports and denies events that never happened (a tap on the wrong jar, a feeding only intended, a
spoonful taken for a feeding), and corrects past feedings.

Nothing told or decided is ever unstored: a `TakenBack` item says what was wrong. From then on the store leaves that out
of what it hands on (`mistakes.py`), and the carries that it had its part in are gone, so that the jar is judged again
from before it (`jars.py`); events that this makes wrong are replaced openly.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from monitor.core.detect.superseded import (
    NEAR_S,
    SAME_FEEDING_S,
    changes_watch,
    is_same_rise,
    name_of,
    not_superseded,
    parsed,
)
from monitor.runs import items
from monitor.runs.decisions import CARRIES_KEPT_S
from monitor.runs.items import OLDEST_S
from monitor.runs.mistakes import Mistakes
from monitor.runs.run_log import BEGUN_BY_NOTE, Run
from monitor.runs.store import Store
from monitor.values import Cycle, Event, EventKind, Fed, Json, Noted, Noting, TakenBack

ANSWERED_S = 12 * 3600.0  # so long "stirred down" and "took some" answer what was asked of a jar
SEEN = {  # what a person calls it -> the events that were seen of it
    "feeding": (EventKind.FED,),
    "lid": (EventKind.LID_OFF,),
    "away": (EventKind.JAR_AWAY,),
    "rest": (EventKind.REST_BEGAN, EventKind.REST_ENDED),
}

LOOK_BACK = 12  # feedings told without grams; the page asks for this each second


class CannotTakeBack(ValueError):
    """Nothing can be taken back; the text says why, in one sentence."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """Something a person told, and its place in the order of arrival."""

    seq: int
    item: Fed | Noted | TakenBack


@dataclass(frozen=True, slots=True, kw_only=True)
class Wrong:
    """What a `TakenBack` makes wrong: from which item on all is judged again, and what an event says of it."""

    from_seq: int
    evidence: Mapping[str, Json]
    happened_at_s: float


def last(store: Store, jar: str) -> Report | None:
    """The last report about a jar that still holds; None if there is none. Raises StoreTrouble."""
    wrong = store.mistakes(jar)
    some = "jar.name = ? ORDER BY item.seq DESC LIMIT ?"
    return next(_standing(store, wrong, some, jar, len(wrong.told) + wrong.count + 1), None)


def last_feeding(store: Store, jar: str) -> Fed | None:
    """The latest feeding that was reported of a jar and still stands, with its grams where one of the latest has them:
    one that was told without was probably as usual. None when there is none. Raises StoreTrouble."""
    wrong = store.mistakes(jar)
    some = "jar.name = ? AND item.told_kind = ? ORDER BY item.time_s DESC LIMIT ?"
    told = (one.item for one in _standing(store, wrong, some, jar, items.FEEDING, len(wrong.told) + LOOK_BACK))
    found = [one for one in told if isinstance(one, Fed)]
    found += [one.instead for one in wrong.standing.values() if one.instead is not None]
    found.sort(key=lambda one: -one.time_s)
    return next((one for one in found if one.feeding.grams is not None), found[0] if found else None)


def since(store: Store, received_s: float) -> list[Report]:
    """What was reported of all jars after a moment, as far as it still stands, in order. Raises StoreTrouble."""
    which = f"{items.RECEIVED} > ? AND item.time_s > ? ORDER BY item.seq"  # the time is what there is an index of
    return list(_standing(store, store.mistakes(), which, received_s, received_s - OLDEST_S))


def _standing(store: Store, wrong: Mistakes, which: str, *values: object) -> Iterator[Report]:
    # a few rows among millions: CROSS and + keep SQLite on the index of reports
    sql = f"""SELECT item.seq, item.told, item.time_s, jar.name FROM jar CROSS JOIN item ON item.jar = jar.id
        WHERE item.told IS NOT NULL AND +item.seq > 0 AND {which}"""
    for seq, text, time_s, jar in store.query(sql, values):
        item = items.told_of(text, time_s, jar)
        stands = seq in wrong.standing if isinstance(item, TakenBack) else seq not in wrong.told
        if stands and isinstance(item, Fed | Noted | TakenBack):
            yield Report(seq=seq, item=item)


def tell(store: Store, item: Fed | Noted, now_s: float) -> int:
    """Keep what a person tells of a jar now, and return its place. A feeding that was said to be none was one after
    all; one of a closed cycle is put into its place; an answer that it was no feeding makes it none. Raises
    CannotTakeBack and StoreTrouble."""
    with store.writing():
        if isinstance(item, Noted):
            seq = store.tell(item, now_s)
            asked = _asked(store, item) if item.what in (Noting.STIRRED, Noting.TAKEN) else None
            return seq if asked is None else correct_feeding(store, item.jar, asked.fed_at_s, now_s, None).seq
        for seq, one in store.mistakes(item.jar).standing.items():
            named = [] if one.event is None or one.instead is not None else [parsed(part) for part in one.event.split()]
            if any(kind is EventKind.FED and abs(at_s - item.time_s) <= NEAR_S for kind, at_s in named):
                _take_back(store, item.jar, Report(seq=seq, item=one), now_s)
        fed = feedings(store, item.jar)
        if fed and item.time_s < fed[-1][1].fed_at_s - SAME_FEEDING_S and not _of_same_rise(store, item, *fed[-1]):
            return _told_late(store, item, fed, now_s)
        return store.tell(item, now_s)


def _asked(store: Store, item: Noted) -> Cycle | None:
    """The feeding that a person is asked about, where the note is the answer."""
    fed = feedings(store, item.jar)
    newest = fed[-1][1] if fed else None
    if newest is None or newest.sure or newest.told or not 0.0 <= item.time_s - newest.fed_at_s <= ANSWERED_S:
        return None
    return newest


def _of_same_rise(store: Store, item: Fed, run: Run, newest: Cycle) -> bool:
    """Whether it is another time for the newest feeding, which was only seen."""
    before = [one for one in store.cycles(run.id) if one.number == newest.number - 1]
    return (
        not newest.told and bool(before) and is_same_rise(before[0], before[0].fed_known, newest.fed_at_s, item.time_s)
    )


def _told_late(store: Store, item: Fed, fed: list[tuple[Run, Cycle]], now_s: float) -> int:
    """About a cycle that is closed: what it adds to its feeding, or a feeding that nobody knew of."""
    _, nearest = min(fed, key=lambda one: abs(one[1].fed_at_s - item.time_s))
    if abs(nearest.fed_at_s - item.time_s) <= SAME_FEEDING_S:
        instead = replace(completed(item, nearest), time_s=nearest.fed_at_s)
        return correct_feeding(store, item.jar, nearest.fed_at_s, now_s, instead).seq
    place = _place_at(store, item.jar, 0, item.time_s)
    return _corrected(store, TakenBack(time_s=now_s, jar=item.jar, seq=place, instead=item), now_s).seq


def completed(item: Fed, known: Cycle | Fed) -> Fed:
    """A feeding with what was known of it before, where it leaves something out."""
    return replace(item, feeding=item.feeding.completed_by(known.feeding))


def take_back(store: Store, jar: str, now_s: float) -> Report:
    """Say that the last report about a jar was a mistake; returns that report. Safe beside a running daemon.
    Raises CannotTakeBack and StoreTrouble."""
    with store.writing():
        report = last(store, jar)
        if report is None:
            raise CannotTakeBack(f"there is nothing about {jar} to take back")
        if isinstance(report.item, Noted) and report.item.what in BEGUN_BY_NOTE:
            raise CannotTakeBack(f"the last entry about {jar} began a new run, which cannot be undone")
        if report.item.time_s < now_s - OLDEST_S:
            raise CannotTakeBack(f"the last entry about {jar} is more than three days old: it stays in the record")
        _take_back(store, jar, report, now_s)
    return report


def _take_back(store: Store, jar: str, report: Report, now_s: float) -> None:
    store.tell(TakenBack(time_s=now_s, jar=jar, seq=report.seq), now_s)
    if isinstance(report.item, TakenBack):
        store.forget_carries(jar, _from(store, report.item))
    elif changes_watch(report.item):
        store.forget_carries(jar, report.seq)


def feedings(store: Store, jar: str) -> list[tuple[Run, Cycle]]:
    """The feedings of a jar's own runs that are known, with the cycles that they began, in order of time. Raises
    StoreTrouble."""
    found = [(run, cycle) for run in store.live_runs(jar) for cycle in store.cycles(run.id)]
    fed = [one for one in found if one[1].fed_known]
    return sorted(fed, key=lambda one: one[1].fed_at_s)


def feeding_near(store: Store, jar: str, time_s: float) -> Cycle:
    """The feeding nearest to a time, within SAME_FEEDING_S. Raises CannotTakeBack and StoreTrouble."""
    fed = [cycle for _, cycle in feedings(store, jar)]
    nearest = min(fed, key=lambda cycle: abs(cycle.fed_at_s - time_s), default=None)
    if nearest is None or abs(nearest.fed_at_s - time_s) > SAME_FEEDING_S:
        _check_finished(store, jar, time_s)
        raise CannotTakeBack(f"no feeding of {jar} is known within three hours of that time")
    return nearest


def _check_finished(store: Store, jar: str, time_s: float) -> None:
    """Raises CannotTakeBack where the feeding lies in a run that came here finished: its items are not judged again."""
    cycles = [cycle for run in store.runs_of(jar) if run.imported for cycle in store.cycles(run.id)]
    if any(cycle.fed_known and abs(cycle.fed_at_s - time_s) <= SAME_FEEDING_S for cycle in cycles):
        raise CannotTakeBack("that feeding lies in a finished run, which came from elsewhere: it stays as it is")


def correct_feeding(store: Store, jar: str, fed_at_s: float, now_s: float, instead: Fed | None) -> Report:
    """Say what is true of the feeding that was told or seen for `fed_at_s`: `instead`, or that there was none. Raises
    CannotTakeBack and StoreTrouble."""
    with store.writing():
        fed = feedings(store, jar)
        found = next((one for one in fed if abs(one[1].fed_at_s - fed_at_s) < 1.0), None)
        if found is None:
            _check_finished(store, jar, fed_at_s)
            raise CannotTakeBack(f"there is no such feeding of {jar}: it has been corrected meanwhile")
        run, cycle = found
        if not may_correct(min(cycle.fed_at_s, cycle.fed_at_s if instead is None else instead.time_s), now_s):
            raise CannotTakeBack("that was more than a week ago: it stays in the record as it is")
        if instead is not None:
            _check_order(fed, cycle, instead, now_s)
        told, names = _known_of(store, jar, fed, cycle)
        names |= _replaced_by(store.events(run.id), names)
        at_s = [parsed(one)[1] for one in names]
        decided = store.first_decided(run.id, EventKind.FED, at_s)
        places = [*told, *([] if decided is None else [decided[0]])]
        if not places:
            raise CannotTakeBack(f"that feeding of {jar} cannot be traced")
        place = min(places)
        if instead is not None:
            known_s = decided[1] if decided is not None and decided[0] == place else instead.time_s
            place = _place_at(store, jar, place, max(known_s, instead.time_s))
            instead = replace(_with_what_was_said(store, instead, told), corrects_s=cycle.fed_at_s)
        item = TakenBack(
            time_s=now_s, jar=jar, seq=place, event=" ".join(sorted(names)), told=tuple(sorted(told)), instead=instead
        )
        store.forget_carries(jar, min(places))
        return _corrected(store, item, now_s)


def may_correct(fed_at_s: float, now_s: float) -> bool:
    """Whether a feeding is young enough to be put right: what a jar is judged again from is kept for a week."""
    return fed_at_s >= now_s - CARRIES_KEPT_S


def _check_order(fed: list[tuple[Run, Cycle]], cycle: Cycle, instead: Fed, now_s: float) -> None:
    if instead.time_s > now_s:
        raise CannotTakeBack("that time is in the future")
    between = sorted((cycle.fed_at_s, instead.time_s))
    if any(between[0] < one.fed_at_s < between[1] for _, one in fed if one is not cycle):
        raise CannotTakeBack("another feeding lies between the two times: correct that one first")


def _known_of(store: Store, jar: str, fed: list[tuple[Run, Cycle]], cycle: Cycle) -> tuple[set[int], set[str]]:
    """The reports of a feeding: the items, and the names of the events they refer to."""

    def is_its(time_s: float) -> bool:
        nearest = min((one for _, one in fed), key=lambda one: abs(one.fed_at_s - time_s))
        return nearest is cycle and abs(cycle.fed_at_s - time_s) <= SAME_FEEDING_S

    wrong = store.mistakes(jar)
    told: set[int] = set()
    names = {f"{EventKind.FED.value}@{cycle.fed_at_s:.0f}"}
    some = "jar.name = ? AND item.time_s BETWEEN ? AND ? ORDER BY item.seq"
    near = (cycle.fed_at_s - SAME_FEEDING_S, cycle.fed_at_s + SAME_FEEDING_S)
    reports = _standing(store, wrong, some, jar, *near)
    told |= {one.seq for one in reports if isinstance(one.item, Fed) and is_its(one.item.time_s)}
    for seq, one in wrong.standing.items():
        if one.instead is not None and is_its(one.instead.time_s):
            told |= {seq, *one.told}
            names |= set((one.event or "").split())
    return told, names


def _with_what_was_said(store: Store, instead: Fed, told: set[int]) -> Fed:
    """Everything besides grams and flour is kept from the earlier report, unless given again."""
    for seq in sorted(told, reverse=True):
        said = told_as(store, seq)
        before = said.instead if isinstance(said, TakenBack) else said
        if isinstance(before, Fed):
            beside = {name: getattr(instead, name) or getattr(before, name) for name in ("flour_lot", "seed", "by")}
            return replace(instead, **beside)
    return instead


def _replaced_by(events: list[Event], names: set[str]) -> set[str]:
    """The feedings that were seen first, where one of these took their place."""
    found: set[str] = set()
    for event in events:
        if event.kind is EventKind.FED and name_of(event) in names | found and event.replaces:
            found |= {one for one in event.replaces.split() if one.startswith(f"{EventKind.FED.value}@")}
    return found - names


def _place_at(store: Store, jar: str, from_seq: int, time_s: float) -> int:
    """The first item of a jar from `from_seq` on that was received when a time had come; the next one when none was."""
    of_jar = "jar = (SELECT id FROM jar WHERE name = ?)"
    start = from_seq
    if start == 0:
        sql = f"SELECT max(seq) FROM carry WHERE {of_jar} AND time_s <= ?"
        start = store.query(sql, (jar, time_s))[0][0] or 1
    sql = f"SELECT seq FROM item WHERE seq >= ? AND {of_jar} AND {items.RECEIVED} >= ? ORDER BY seq LIMIT 1"
    found = store.query(sql, (start, jar, time_s))
    return int(found[0][0]) if found else store.last_seq() + 1


def was_none(store: Store, jar: str, what: str, now_s: float, near_s: float | None = None) -> Report:
    """Say that what was seen last of a kind (a key of SEEN), or nearest to a time, was none. Raises CannotTakeBack and
    StoreTrouble."""
    with store.writing():
        found = [one for one in seen(store, jar, now_s) if one.kind in SEEN[what]]
        if not found:
            raise CannotTakeBack(f"no {what} of {jar} was seen within the last week")
        event = found[-1] if near_s is None else min(found, key=lambda one: abs(one.happened_at_s - near_s))
        if near_s is not None and abs(event.happened_at_s - near_s) > SAME_FEEDING_S:
            raise CannotTakeBack(f"no {what} of {jar} was seen within three hours of that time")
        return event_was_none(store, jar, name_of(event), now_s)


def event_was_none(store: Store, jar: str, event_name: str, now_s: float) -> Report:
    """Say that an event which stands, known by its name, was none. Raises CannotTakeBack and StoreTrouble."""
    with store.writing():
        event = next((one for one in seen(store, jar, now_s) if name_of(one) == event_name), None)
        if event is None:
            raise CannotTakeBack(
                f"no such event of {jar} was seen within the last week, or it has been corrected since"
            )
        if event.kind is EventKind.FED:
            return correct_feeding(store, jar, event.happened_at_s, now_s, None)
        run = next(run for run in reversed(store.live_runs(jar)) if event in store.events(run.id))
        decided = store.first_decided(run.id, event.kind, [event.happened_at_s])
        assert decided is not None
        place = decided[0]
        told = (place,) if event.evidence.get("told") else ()
        item = TakenBack(time_s=now_s, jar=jar, seq=place, event=event_name, told=told)
        return _corrected(store, item, now_s)


def never_was(store: Store, run: Run) -> list[str]:
    """The names of a run's events that were none, as the person said, and of the feedings that were seen hours away
    from when the person says that it was. Raises StoreTrouble."""
    gave_way = [
        name
        for event in not_superseded(store.events(run.id))
        if event.kind is EventKind.FED and event.evidence.get("told")
        for name in (event.replaces or "").split()
        if parsed(name)[0] is EventKind.FED and abs(parsed(name)[1] - event.happened_at_s) > SAME_FEEDING_S
    ]
    return [*store.not_so_in(run), *gave_way]


def seen(store: Store, jar: str, now_s: float) -> list[Event]:
    """What was seen or told of a jar within a week, stands, and may be said to be none; in order of time. Raises
    StoreTrouble."""
    kinds = {kind for some in SEEN.values() for kind in some}
    since_s = now_s - CARRIES_KEPT_S
    found = [one for run in store.live_runs(jar) for one in not_superseded(store.events(run.id, since_s))]
    return sorted(
        (one for one in found if one.kind in kinds and one.happened_at_s >= since_s), key=lambda one: one.happened_at_s
    )


def _corrected(store: Store, item: TakenBack, now_s: float) -> Report:
    seq = store.tell(item, now_s)
    store.forget_carries(item.jar, item.seq)
    return Report(seq=seq, item=item)


def what_was_wrong(store: Store, item: TakenBack) -> Wrong | None:
    """What is to be put right because of it; None when it changes nothing that is watched. Raises StoreTrouble."""
    if item.event is not None or item.instead is not None:
        at_s = parsed(item.event.split()[0])[1] if item.event else item.instead.time_s if item.instead else item.time_s
        evidence: dict[str, Json] = {"seen": item.event, "corrected": item.instead is not None}
        return Wrong(from_seq=_from(store, item), evidence=evidence, happened_at_s=at_s)
    report = told_as(store, item.seq)
    if isinstance(report, TakenBack):
        found = what_was_wrong(store, report)
        return None if found is None else replace(found, evidence={**found.evidence, "taken_back": True})
    if report is None or not changes_watch(report):
        return None
    what = report.what.value if isinstance(report, Noted) else "fed"
    return Wrong(from_seq=item.seq, evidence={"told": what}, happened_at_s=report.time_s)


def _from(store: Store, item: TakenBack) -> int:
    """The first item that a correction concerns: what it makes void lies before the place of what is true, perhaps."""
    run = store.run_of(item.jar, item.seq)
    names = [] if item.event is None else item.event.split()
    at_s = [parsed(one)[1] for one in names]
    decided = None if run is None else store.first_decided(run.id, EventKind.FED, at_s)
    return min([item.seq, *item.told, *([] if decided is None else [decided[0]])])


def told_as(store: Store, seq: int) -> Fed | Noted | TakenBack | None:
    """The report that is item `seq`; None when it is none. Raises StoreTrouble."""
    sql = "SELECT item.told, item.time_s, jar.name FROM item JOIN jar ON jar.id = item.jar WHERE seq = ? AND told <> ''"
    for row in store.query(sql, (seq,)):
        item = items.told_of(*row)
        if isinstance(item, Fed | Noted | TakenBack):
            return item
    return None
