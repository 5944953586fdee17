"""Corrects a note afterwards: other words, another time, or no note at all. The earlier one is taken back and a new one
recorded, so that no report is ever deleted. What changes the watch (rest, away) is judged again from there, as far back
as tellings are news. The answer to a question (stirred, taken) is `reported`'s, a new run or another starter
`corrections`'.
"""

from __future__ import annotations

from dataclasses import replace

from monitor.core.assess.notebook import TEXT_CHARS
from monitor.core.detect.superseded import changes_watch
from monitor.runs import items
from monitor.runs.items import OLDEST_S
from monitor.runs.run_log import BEGUN_BY_NOTE
from monitor.runs.store import Store
from monitor.values import Noted, Noting, TakenBack

FIXED = frozenset((*BEGUN_BY_NOTE, Noting.SNOOZE, Noting.BEGUN, Noting.STIRRED, Noting.TAKEN))


class CannotChange(ValueError):
    """The note stays as it is; the text says why, in one sentence."""


def may_change(note: Noted, now_s: float) -> bool:
    """Whether a note is one that can be put right, its text a person's own words or grams."""
    return note.what not in FIXED and (not changes_watch(note) or note.time_s >= now_s - OLDEST_S)


def change(store: Store, note: Noted, text: str | None, now_s: float, at_s: float | None = None) -> Noted | None:
    """Let the note that stands read `text` and be of `at_s` (None: as it was); text None: take it away. Returns the new
    one. Raises CannotChange and StoreTrouble."""
    if note.what in FIXED:
        raise CannotChange(
            f"a note of this kind ({note.what.value}) has effects that a change cannot undo: take it back instead"
        )
    new = replace(note, text=text or "", time_s=note.time_s if at_s is None else at_s)
    if not may_change(note, now_s) or not may_change(new, now_s):
        raise CannotChange("this kind of note can be corrected for three days only: it stays in the record")
    if new.time_s > now_s:
        raise CannotChange("that time is in the future")
    if text is not None and len(text) > TEXT_CHARS:
        raise CannotChange(f"at most {TEXT_CHARS} characters")
    with store.writing():
        found = _standing(store, note)
        if found is None:
            raise CannotChange("that note is gone: somebody has changed it since")
        seq, by = found
        if text is not None and new == note:
            return note
        store.tell(TakenBack(time_s=now_s, jar=note.jar, seq=seq), now_s)
        if changes_watch(note):
            store.forget_carries(note.jar, seq)
        if text is None:
            return None
        new = replace(new, by=by)
        store.tell(new, now_s)
    return new


def _standing(store: Store, note: Noted) -> tuple[int, str | None] | None:
    """The place of this note among those that stand, and who said so."""
    sql = """SELECT item.seq, item.told, item.time_s FROM item JOIN jar ON jar.id = item.jar
        WHERE jar.name = ? AND item.told IS NOT NULL AND item.seq > 0 AND item.time_s = ? ORDER BY item.seq DESC"""
    taken_back = store.mistakes(note.jar).told
    for seq, told, time_s in store.query(sql, (note.jar, note.time_s)):
        one = items.told_of(told, time_s, note.jar)
        if seq not in taken_back and isinstance(one, Noted) and replace(one, by=None) == replace(note, by=None):
            return int(seq), one.by
    return None
