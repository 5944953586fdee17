"""A note put right afterwards: other words, or none at all. The earlier one is taken back and the new one stands at
its time, so that nothing told is ever unstored. Only what the notebook alone keeps can be changed so: what changes the
watch (rest, stirred, taken), a new run or another starter is `reported`'s and `corrections`'.
"""

from __future__ import annotations

from monitor.core.assess.notebook import TEXT_CHARS
from monitor.core.detect.reports import changes_watch
from monitor.runs import items
from monitor.runs.run_log import BEGUN_BY_NOTE
from monitor.runs.store import Store
from monitor.values import Noted, Noting, TakenBack


class CannotChange(ValueError):
    """The note stays as it is; the text says why, in one sentence."""


def may_change(note: Noted) -> bool:
    """Whether a note is one of the notebook's only, its text a person's own words or grams."""
    return not changes_watch(note) and note.what not in (*BEGUN_BY_NOTE, Noting.SNOOZE, Noting.BEGUN)


def change(store: Store, note: Noted, text: str | None, now_s: float) -> Noted | None:
    """Let the note that stands read `text`; None: take it away. Returns the new one. Raises CannotChange and
    StoreTrouble."""
    if not may_change(note):
        raise CannotChange(f"a note of this kind ({note.what.value}) changes what is watched for: take it back instead")
    if text is not None and len(text) > TEXT_CHARS:
        raise CannotChange(f"at most {TEXT_CHARS} characters are kept")
    with store.writing():
        seq = _seq_of(store, note)
        if seq is None:
            raise CannotChange("that note does not stand any more: somebody has changed it since")
        if text == note.text:
            return note
        store.tell(TakenBack(time_s=now_s, jar=note.jar, seq=seq), now_s)
        if text is None:
            return None
        new = Noted(time_s=note.time_s, jar=note.jar, what=note.what, text=text)
        store.tell(new, now_s)
    return new


def _seq_of(store: Store, note: Noted) -> int | None:
    """The place of exactly this note among those that stand."""
    sql = """SELECT item.seq, item.told, item.time_s FROM item JOIN jar ON jar.id = item.jar
        WHERE jar.name = ? AND item.told IS NOT NULL AND item.seq > 0 AND item.time_s = ? ORDER BY item.seq DESC"""
    taken_back = store.mistakes(note.jar).told
    for seq, told, time_s in store.query(sql, (note.jar, note.time_s)):
        if seq not in taken_back and items.told_of(told, time_s, note.jar) == note:
            return int(seq)
    return None
