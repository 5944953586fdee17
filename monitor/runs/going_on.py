"""What can still be put right of a jar goes on in another daemon's store: everything since the state from which a
correction of a week ago would be judged again, as live runs with their items in the same order, the states kept since,
events, cycles and notices. A correction there is judged from the same items and states as it would have been here.

The items come now, after all that the other store has, so that its order of arrival holds; they keep when they were
first received, and by that they are judged. Steps of the clock that the first daemon saw concern only this jar there.
Called by `moving` alone.
"""

from __future__ import annotations

import json
import uuid
from bisect import bisect_right
from collections.abc import Callable
from dataclasses import dataclass, replace
from math import inf
from typing import Any, TypeAlias

from monitor.core.detect import step
from monitor.core.vessel.geometry import format_geometry
from monitor.runs import items
from monitor.runs.decisions import CARRIES_KEPT_S
from monitor.runs.run_log import AFTER_ITEM, AFTER_S, CAME_TO, MOVED_FROM, STATE_CAME, RunReason, since_item
from monitor.runs.store import Run, Store
from monitor.settings import JarSettings
from monitor.values import MEASURED, Noted, TakenBack

STORE_KEY = "store_id"  # of the store's small notes: which one a run came from
READING = ("time_s", "timed", *MEASURED, "boot", "device_seq", "thinned")
EVENT = ("kind", "happened_s", "decided_s", "evidence", "replaces")
CYCLE = ("number", "fed_at_s", "ended_at_s", "body", "smoothed")
NOTICE = (
    "cycle", "kind", "repeat", "due_s", "expires_s", "title", "text", "urgent", "state", "changed_s",
)  # fmt: skip
SINCE = "(seq > ? OR seq = ? AND decided_s > ?)"  # decided after a state was kept: at a later item or a later tick
_CHUNK = 5000
Place: TypeAlias = Callable[[int], int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Living:
    """What can still be put right: everything after item `after`, on the state `carry` of `after_s`. It lies in `runs`,
    of which the first may have begun before."""

    after: int
    after_s: float
    carry: str
    runs: list[Run]


def living(source: Store, jar: str, now_s: float) -> Living:
    """From the oldest state that is kept, where that is as old as anything that may be put right or came here itself;
    else all runs that such a correction could concern, from the beginning of the first."""
    of_jar = "jar = (SELECT id FROM jar WHERE name = ?)"
    rows = source.query(f"SELECT seq, time_s, body FROM carry WHERE {of_jar} ORDER BY seq LIMIT 1", (jar,))
    live, oldest_s = source.live_runs(jar), now_s - CARRIES_KEPT_S
    lately = [run for run in live if run.ended_s is None or run.ended_s > oldest_s]
    for seq, time_s, body in rows:
        runs = since_item(live, seq)
        if time_s <= oldest_s or (STATE_CAME in runs[0].header and seq < runs[0].first_seq):
            return Living(after=seq, after_s=time_s, carry=body, runs=runs)
    first = lately[0]
    as_it_was = JarSettings(name=jar, empty_mm=first.empty_mm, geometry=first.geometry)
    begun = step.begin(as_it_was, source.culture_before(first))
    return Living(after=first.first_seq - 1, after_s=-inf, carry=json.dumps(step.snapshot(begun)), runs=lately)


def came_over(source: Store, target: Store, living: Living) -> bool:
    """Whether an earlier move of these very runs came as far as the other store, and nothing was read there since."""
    there = {run.header.get(MOVED_FROM): run.id for run in target.live_runs(living.runs[0].jar)}
    came = [there.get(digest_of(source, run)) for run in living.runs]
    if None in came:
        return False
    sql = "SELECT count(*) FROM item WHERE run = ? AND seq > ? AND told IS NULL"
    here = [source.query(sql, (run.id, living.after))[0][0] for run in living.runs]
    return here == [target.count(run) for run in came]


def id_of(store: Store) -> str:
    known = store.meta(STORE_KEY)
    if known is None:
        known = uuid.uuid4().hex[:16]
        store.set_meta(STORE_KEY, known)
    return known


def digest_of(source: Store, run: Run) -> str:
    """By what a run is known wherever it goes: what it was imported or moved as, else where it was recorded."""
    (kept,) = source.query("SELECT digest FROM run WHERE id = ?", (run.id,))[0]
    return kept or f"moved {id_of(source)} {run.id}"


def go_on(source: Store, target: Store, living: Living, now_s: float) -> tuple[int, int]:
    """The live runs there, with all that belongs to them; returns how many readings came along, and how many
    notes and feedings of any time. Notes of before lie before the first run, where nothing steps them again."""
    name = living.runs[0].jar
    jar, came_s = target.jar_id(name), max(now_s, target.running_s())
    target.forget_carries(name, 0)
    old_notes = [one for one in source.told(name, up_to_seq=living.after) if isinstance(one, Noted)]
    first_seq = target.last_seq() + len(old_notes) + 1
    which = "seq > ? AND (jar = (SELECT id FROM jar WHERE name = ?) OR jar IS NULL) ORDER BY seq"
    seqs = [seq for (seq,) in source.query(f"SELECT seq FROM item WHERE {which}", (living.after, name))]

    def place(seq: int) -> int:
        """Where an item lies there; of what another jar had its part in, the last of this jar's before it."""
        return first_seq - 1 + bisect_right(seqs, seq)

    made = {run.id: _run_there(source, target, living, run, place) for run in living.runs}
    for n, note in enumerate(old_notes):
        told = (items.told_kind(note), items.told_text(note))
        seq = first_seq - len(old_notes) + n
        target.write(items.INSERT_TOLD, (seq, made[living.runs[0].id], jar, came_s, note.time_s, *told))
    columns = ("told_kind", "told", *READING)
    sql = f"SELECT seq, run, {items.RECEIVED}, {', '.join(columns)} FROM item WHERE {which} LIMIT {_CHUNK}"
    insert = f"""INSERT INTO item (seq, run, jar, received_s, first_received_s, {", ".join(columns)})
        VALUES ({", ".join("?" * (5 + len(columns)))}) ON CONFLICT DO NOTHING"""
    at = living.after
    while rows := source.query(sql, (at, name)):
        at = rows[-1][0]
        there = ((place(seq), made.get(run), jar, came_s, *rest) for seq, run, *rest in rows)
        target.write_many(insert, [_told_there(row, name, living.after, place) for row in there])
    for run in living.runs:
        _decided_there(source, target, living, run, made[run.id], place)
    carries = source.query(
        "SELECT seq, time_s, body FROM carry WHERE jar = (SELECT id FROM jar WHERE name = ?) ORDER BY seq", (name,)
    )
    began_s = max(living.after_s, living.runs[0].began_s)
    for seq, time_s, body in [(living.after, began_s, living.carry), *carries]:
        target.write("INSERT OR REPLACE INTO carry VALUES (?, ?, ?, ?)", (jar, place(seq), time_s, body))
    return sum(target.count(run) for run in made.values()), len(source.told(name))


def _run_there(source: Store, target: Store, living: Living, run: Run, place: Place) -> int:
    first = run is living.runs[0]
    whole = run.first_seq > living.after
    # what was learnt of another starter does not count after it was put in: where that began stays known
    moved = first and not (whole and run.reason is RunReason.ANOTHER_STARTER)
    began_s = max(run.began_s, living.after_s) if first else run.began_s
    first_seq = place(living.after if first else run.first_seq - 1) + 1
    header = {
        MOVED_FROM: digest_of(source, run),
        AFTER_ITEM: str(living.after if first else run.first_seq - 1),
        AFTER_S: repr(living.after_s if first else -inf),
        CAME_TO: str(place(items.LAST_SEQ)),
    } | ({STATE_CAME: "yes"} if first else {})
    reason = RunReason.MOVED if moved else run.reason
    return insert_run(target, run, (began_s, run.ended_s, first_seq, reason.value), header, None)


def insert_run(
    target: Store, run: Run, about: tuple[float, float | None, int, str], header: dict[str, str], digest: str | None
) -> int:  # fmt: skip
    """A run in the other store; `about` is when it began and ended, its first item and why it began."""
    values = (target.jar_id(run.jar), *about, run.empty_mm, format_geometry(run.geometry), json.dumps(header), digest)
    made = target.write(
        """INSERT INTO run (jar, began_s, ended_s, first_seq, reason, empty_mm, geometry, header, digest)
            VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)""",
        values,
    ).lastrowid
    assert made is not None
    return made


def _told_there(row: tuple[Any, ...], jar: str, after: int, place: Place) -> tuple[Any, ...]:
    """A row for the other store: what was taken back names items by their places."""
    seq, run, jar_id, came_s, first_s, kind, text, time_s, *rest = row
    if kind == "taken_back":
        item = items.told_of(text, time_s, jar)
        assert isinstance(item, TakenBack)
        there = [place(one) if one > after else 0 for one in (item.seq, *item.told)]
        text = items.told_text(replace(item, seq=there[0], told=tuple(there[1:])))
    return (seq, run, jar_id, came_s, first_s, kind, text, time_s, *rest)


def _decided_there(source: Store, target: Store, living: Living, run: Run, made: int, place: Place) -> None:
    """Events and cycles of one run since the state that came along, and all its notices: what goes out only once, or
    not again for weeks, is known by them."""
    jar = target.jar_id(run.jar)
    events = f"SELECT seq, {', '.join(EVENT)} FROM event WHERE run = ? AND {SINCE} ORDER BY id"
    rows = source.query(events, (run.id, living.after, living.after, living.after_s))
    target.write_many(INSERT_EVENT, ((jar, made, place(seq), *row) for seq, *row in rows))
    cycles = f"SELECT {', '.join(CYCLE)} FROM cycle WHERE run = ? AND (ended_at_s IS NULL OR ended_at_s > ?)"
    rows = source.query(cycles, (run.id, living.after_s))
    target.write_many(INSERT_CYCLE, ((made, *row) for row in rows))
    notices = source.query(f"SELECT {', '.join(NOTICE)} FROM notice WHERE run = ?", (run.id,))
    target.write_many(INSERT_NOTICE, ((made, run.jar, *row) for row in notices))


INSERT_EVENT = f"""INSERT INTO event (jar, run, seq, {", ".join(EVENT)}) VALUES (?, ?, ?, ?, ?, ?, ?, ?)
    ON CONFLICT DO NOTHING"""
INSERT_CYCLE = f"INSERT INTO cycle (run, {', '.join(CYCLE)}) VALUES (?, ?, ?, ?, ?, ?)"
INSERT_NOTICE = f"""INSERT INTO notice (run, jar, {", ".join(NOTICE)})
    VALUES ({", ".join("?" * (2 + len(NOTICE)))}) ON CONFLICT DO NOTHING"""
