"""What a person reports from the page or over MQTT: JSON becomes a `Fed` or a `Noted`, as the commands make them.

Strict: an unknown key, a wrong type or an impossible number is refused with a sentence that says what would be right.
Writing is one `Store.tell`; the daemon steps a report as it steps a reading.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any

from monitor.core.assess.age import DRIED, OLD
from monitor.core.assess.notebook import DISCARDED, TEXT_CHARS
from monitor.core.detect.superseded import DENIABLE
from monitor.core.display.local_time import date_of
from monitor.runs import note_changes, reported
from monitor.runs.items import LEAST_G, MOST_G, OLDEST_S, SNOOZE_H
from monitor.runs.store import Store
from monitor.settings import JarSettings
from monitor.values import Fed, Feeding, Json, Noted, Noting

MOST_FLOUR = 100
MOST_LABEL = 60  # characters: enough for a label on a bag, or a first name
MOST_MINUTES = OLDEST_S / 60.0
MOST_SEQ = 2**53 - 1  # the greatest integer that all JSON readers know exactly
LATEST_S = 1e11  # beyond any clock; times still to come are refused in words
MOST_DAYS = 20_000  # a starter older than its baker is "old"
AGAIN_S = 60.0  # nobody feeds a jar twice in a minute; a thumb taps twice
NOTES = tuple(one.value for one in Noting if one not in (Noting.SNOOZE, Noting.BEGUN))  # they have forms of their own
DISCARD = f"^({'|'.join(DISCARDED)}) (?!0+([.]0+)?$)[0-9]{{1,5}}([.][0-9]{{1,3}})?$"  # what `notebook.discard_of` reads
CHANGEABLE = tuple(one for one in NOTES if Noting(one) not in note_changes.FIXED)
NOT_SO = f"^({'|'.join(kind.value for kind in DENIABLE)})@[0-9]{{1,12}}$"
GRAMS = ("starter_g", "flour_g", "water_g")


class Refused(ValueError):
    """The report is not valid; `status` is the HTTP status to answer with."""

    def __init__(self, sentence: str, status: int = 422) -> None:
        super().__init__(sentence)
        self.status = status


def fed_of(body: object, jar: JarSettings, now_s: float) -> Fed:
    """The feeding in a body. Raises Refused."""
    given = table_of(body, (*GRAMS, "flour", "flour_lot", "seed", "by", "minutes_ago"))
    return Fed(
        time_s=now_s - 60.0 * (_number(given, "minutes_ago", 0.0, MOST_MINUTES) or 0.0),
        jar=jar.name,
        feeding=_feeding(given, jar),
        flour_lot=_text(given, "flour_lot", MOST_LABEL) or None,
        seed=_text(given, "seed", MOST_LABEL) or None,
        by=_text(given, "by", MOST_LABEL) or None,
    )


def noted_of(body: object, jar: JarSettings, now_s: float) -> Noted:
    """The note in a body. Raises Refused."""
    given = table_of(body, ("what", "text", "by", "minutes_ago"))
    what = given.get("what")
    if not isinstance(what, str) or what not in NOTES:
        raise Refused(f"what: must be one of {', '.join(NOTES)}")
    text = _text(given, "text", TEXT_CHARS) or ""
    if what == Noting.DISCARD and not re.fullmatch(DISCARD, text):
        raise Refused('text: of a discard must be what became of it and grams: "kept 40", "used 120" or "thrown 80"')
    ago_min = _number(given, "minutes_ago", 0.0, MOST_MINUTES) or 0.0
    by = _text(given, "by", MOST_LABEL) or None
    return Noted(time_s=now_s - 60.0 * ago_min, jar=jar.name, what=Noting(what), text=text, by=by)


def begun_of(body: object, jar: JarSettings, now_s: float, today: int) -> Noted:
    """When its starter was begun: so many days before the local day `today`, or that it is an old one, or woken from
    dried flakes. Raises Refused."""
    given = table_of(body, ("days_ago", "how", "by"))
    days, how = _number(given, "days_ago", 0, MOST_DAYS), given.get("how")
    if how in (OLD, DRIED) and days is None:
        text = how
    elif how is None and days is not None and days.is_integer():
        text = "{:04d}-{:02d}-{:02d}".format(*date_of(today - int(days)))
    else:
        raise Refused(f"give days_ago, a whole number to {MOST_DAYS}, or how: {OLD} or {DRIED}")
    by = _text(given, "by", MOST_LABEL) or None
    return Noted(time_s=now_s, jar=jar.name, what=Noting.BEGUN, text=text, by=by)


def snoozed_of(body: object, jar: JarSettings, now_s: float) -> Noted:
    """Notices held back from now on for some hours. Raises Refused."""
    given = table_of(body, ("hours", "by"))
    hours = _number(given, "hours", *SNOOZE_H)
    if hours is None:
        raise Refused(f"hours: must be {SNOOZE_H[0]:g} to {SNOOZE_H[1]:g}")
    return Noted(
        time_s=now_s, jar=jar.name, what=Noting.SNOOZE, text=f"{hours:g}", by=_text(given, "by", MOST_LABEL) or None
    )


def taken_back_of(body: object) -> int:
    """The place of the report that a body says was a mistake: the one that the person sees. Raises Refused."""
    seq = _number(table_of(body, ("seq",)), "seq", 1, MOST_SEQ)
    if seq is None or not seq.is_integer():
        raise Refused("seq: must be the number in the answer to the report")
    return int(seq)


def take_back(store: Store, jar: JarSettings, seq: int, now_s: float) -> Json:
    """Say that the last report about a jar, item `seq`, was a mistake. Raises Refused and StoreTrouble."""
    with store.writing():
        last = reported.last(store, jar.name)
        if last is None or last.seq != seq:
            raise Refused("that is not the last entry: somebody has entered something since, or taken it back", 409)
        with _conflicts():
            telling = reported.take_back(store, jar.name, now_s)
    return {"seq": telling.seq, "at_s": telling.item.time_s}


def note_changed(store: Store, body: object, jar: JarSettings, now_s: float) -> Json:
    """Change a note's text to `new_text` (null: remove the note) and its time to `new_at_s`, where given; the note is
    named by its present time, kind and text. Raises Refused and StoreTrouble."""
    given = table_of(body, ("at_s", "what", "text", "new_text", "new_at_s"))
    at_s, what = _number(given, "at_s", 0.0, LATEST_S), given.get("what")
    new_at_s = _number(given, "new_at_s", 0.0, LATEST_S)
    if at_s is None:
        raise Refused("at_s: must be the time of the note")
    if not isinstance(what, str) or what not in CHANGEABLE:
        raise Refused(f"what: must be one of {', '.join(CHANGEABLE)}")
    new = _text(given, "new_text", TEXT_CHARS)
    if what == Noting.DISCARD and new is not None and not re.fullmatch(DISCARD, new):
        raise Refused('new_text: of a discard must be what became of it and grams, such as "kept 40"')
    note = Noted(time_s=at_s, jar=jar.name, what=Noting(what), text=_text(given, "text", TEXT_CHARS) or "")
    try:
        note_changes.change(store, note, new, now_s, new_at_s)
    except note_changes.CannotChange as error:
        raise Refused(str(error), 409) from None
    return {"at_s": at_s if new_at_s is None else new_at_s}


def corrected_of(body: object, jar: JarSettings) -> tuple[float, Fed]:
    """(the time of a known feeding, its correction) in a body. Raises Refused."""
    given = table_of(body, ("fed_at_s", "at_s", *GRAMS, "flour"))
    fed_at_s = _number(given, "fed_at_s", 0.0, LATEST_S)
    if fed_at_s is None:
        raise Refused("fed_at_s: must be the time of the feeding to correct")
    at_s = _number(given, "at_s", 0.0, LATEST_S)
    fed = Fed(
        time_s=fed_at_s if at_s is None else at_s,
        jar=jar.name,
        feeding=_feeding(given, jar),
    )
    return fed_at_s, fed


def correct(store: Store, jar: JarSettings, right: tuple[float, Fed], now_s: float) -> Json:
    """Put a past feeding right. Raises Refused and StoreTrouble."""
    with _conflicts():
        report = reported.correct_feeding(store, jar.name, right[0], now_s, right[1])
    return {"seq": report.seq, "at_s": right[1].time_s}


def not_so_of(body: object) -> str:
    """The name of the event that never happened, in a body. Raises Refused."""
    event = table_of(body, ("event",)).get("event")
    if not isinstance(event, str) or not re.fullmatch(NOT_SO, event):
        raise Refused("event: must be the name of an event, like fed@1772409600")
    return event


def not_so(store: Store, jar: JarSettings, event: str, now_s: float) -> Json:
    """Record that a seen event never happened. Raises Refused and StoreTrouble."""
    with _conflicts():
        report = reported.event_was_none(store, jar.name, event, now_s)
    return {"seq": report.seq, "at_s": float(event.partition("@")[2])}


@contextmanager
def _conflicts() -> Iterator[None]:
    try:
        yield
    except reported.CannotTakeBack as error:
        raise Refused(str(error), 409) from None


def tell(store: Store, item: Fed | Noted, now_s: float) -> Json:
    """Store a report; a feeding that was already reported a moment ago is refused. Raises Refused and StoreTrouble."""
    if isinstance(item, Fed):
        told = [one for one in store.told(item.jar, now_s - AGAIN_S) if isinstance(one, Fed) and not _adds(item, one)]
        if any(now_s - AGAIN_S <= one.time_s <= now_s + AGAIN_S for one in told):
            raise Refused("a feeding of this jar was recorded within the last minute", 409)
    with _conflicts():
        return {"seq": reported.tell(store, item, now_s), "at_s": item.time_s}


def _adds(item: Fed, told: Fed) -> bool:
    """Whether it adds grams that were left out before: then it is no second tap, but completes the first report."""
    return any(told.feeding.weights[key] is None and grams is not None for key, grams in item.feeding.weights.items())


def table_of(body: object, keys: tuple[str, ...]) -> Mapping[str, Any]:
    """A body that is an object with no other keys than these. Raises Refused."""
    if not isinstance(body, dict):
        raise Refused(f"send a JSON object with {', '.join(keys)}")
    for key in body:
        if key not in keys:
            raise Refused(f"there is no key {str(key)[:40]!r}; there is {', '.join(keys)}")
    return body


def _number(given: Mapping[str, Any], key: str, low: float, high: float, limits: str = "") -> float | None:
    value = given.get(key)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise Refused(f"{key}: must be a number or null")
    if not low <= value <= high:  # nor NaN
        raise Refused(f"{key}: must be {limits or f'{low:g} to {high:g}'}")
    return float(value)


def _feeding(given: Mapping[str, Any], jar: JarSettings) -> Feeding:
    return Feeding(
        starter_g=_grams(given, "starter_g"),
        flour_g=_number(given, "flour_g", LEAST_G, MOST_G),  # a feeding adds flour
        water_g=_grams(given, "water_g"),
        flour=_text(given, "flour", MOST_FLOUR) or jar.flour,
    )


def _grams(given: Mapping[str, Any], key: str) -> float | None:
    limits = f"0, or {LEAST_G:g} to {MOST_G:g}"
    value = _number(given, key, 0.0, MOST_G, limits)
    if value is not None and 0.0 < value < LEAST_G:
        raise Refused(f"{key}: must be {limits}")
    return value


def label_of(given: Mapping[str, Any], key: str, most: int) -> str:
    """A name that must be given: text that is not only blanks, without those around it. Raises Refused."""
    value = given.get(key)
    if not isinstance(value, str) or not value.strip() or len(value) > most:
        raise Refused(f"{key}: must be text of 1 to {most} characters")
    return value.strip().encode("utf-8", "replace").decode()


def _text(given: Mapping[str, Any], key: str, most: int) -> str | None:
    value = given.get(key)
    if value is None:
        return None
    if not isinstance(value, str):
        raise Refused(f"{key}: must be text or null")
    if len(value) > most:
        raise Refused(f"{key}: at most {most} characters")
    return value.encode("utf-8", "replace").decode()
