"""Reads what people noted about a jar: which notes belong to the starter that is in it now, in which cycle each was
made, in what words it is shown, and what became of the discard. Used by `vigour`, by `notify`, by commands and by
everything that shows a run; what a note changes for detection is decided in `detect/reports.py`.
"""

from __future__ import annotations

import math
import re
from bisect import bisect_right
from collections.abc import Mapping, Sequence

from monitor.core.display.units import NAME_CHARS, one_line
from monitor.values import EventKind, Noted, Noting, TakenBack

DISCARDED = ("kept", "used", "thrown")
TEXT_CHARS = 2000  # a page of text: the most that commands and the page accept
NOTE_WORDS = {
    Noting.HOOCH: "liquid on top",
    Noting.MOULD: "mould or streaks",
    Noting.SMELL: "smell",
    Noting.BEGUN: "begun",
    Noting.SOUR: "bread too sour",
    Noting.MILD: "bread too mild",
    Noting.FLOAT_TEST: "float test",
    Noting.BAKED: "baked with it",
    Noting.DISCARD: "discard",
    Noting.REMARK: "remark",
    Noting.TAKEN: "some taken",
    Noting.STIRRED: "stirred down",
    Noting.REST: "into the fridge",
    Noting.REST_OVER: "out of the fridge",
    Noting.AWAY: "taken away",
    Noting.BACK: "back",
    Noting.NEW_RUN: "another jar or place",
    Noting.NEW_STARTER: "another starter",
    Noting.SNOOZE: "snoozed",
}

SEEN_WORDS = {
    EventKind.FED: "fed",
    EventKind.LID_OFF: "lid off",
    EventKind.JAR_AWAY: "jar away",
    EventKind.REST_BEGAN: "put to rest",
    EventKind.REST_ENDED: "rest over",
}
NOT_SO = {
    EventKind.FED: "that was no feeding",
    EventKind.LID_OFF: "the lid was not off",
    EventKind.JAR_AWAY: "the jar was not away",
    EventKind.REST_BEGAN: "it was not resting",
    EventKind.REST_ENDED: "its rest was not over",
}


def of_this_starter(notes: Sequence[Noted]) -> list[Noted]:
    """The notes since the present starter was put into the jar."""
    begun_s = max((note.time_s for note in notes if note.what is Noting.NEW_STARTER), default=-math.inf)
    return [note for note in notes if note.time_s >= begun_s]


def says(note: Noted, most: int = TEXT_CHARS) -> str:
    """A note in one line: "liquid on top", "smell: like pears", "discard: used 120 g"; with at most `most` characters
    of its text and, in brackets, who said it, where a name was given."""
    text = one_line(note.text, most)
    if note.what is Noting.DISCARD and text[-1:].isdigit():
        text += " g"
    who = f" ({one_line(note.by, NAME_CHARS)})" if note.by else ""
    return (f"{NOTE_WORDS[note.what]}: {text}" if text else NOTE_WORDS[note.what]) + who


def says_was_none(item: TakenBack) -> str:
    """A correction in one line: "the lid was not off", "a feeding corrected"."""
    if item.instead is not None:
        return "a feeding corrected" if item.event else "a feeding entered late"
    return "taken back" if item.event is None else NOT_SO[EventKind(item.event.partition("@")[0])]


def during(notes: Sequence[Noted], from_s: float, to_s: float | None) -> list[Noted]:
    """The notes from a time on and before another (None: no end)."""
    return [note for note in notes if from_s <= note.time_s < (math.inf if to_s is None else to_s)]


def by_cycle(notes: Sequence[Noted], begins_s: Sequence[float]) -> list[tuple[Noted, ...]]:
    """The notes to show for each cycle, in order of time, given when the cycles began (at least one, in order). A note
    belongs to the cycle in which it was made, or to the first one if it is older. A snooze concerns notices and is left
    out."""
    found: list[list[Noted]] = [[] for _ in begins_s]
    for note in sorted(notes, key=lambda one: one.time_s):
        if note.what is not Noting.SNOOZE:
            found[max(bisect_right(begins_s, note.time_s) - 1, 0)].append(note)
    return [tuple(some) for some in found]


def discard_of(text: str) -> tuple[str, float] | None:
    """What became of a discard and its grams, from a note like "used 120" or "120 g thrown"; None unless it has exactly
    one of kept, used and thrown, and exactly one weight."""
    words = re.findall(r"[a-z]+|-?[0-9]+(?:[.,][0-9]+)?", text.lower())
    said = [word for word in words if word in DISCARDED]
    grams = [float(word.replace(",", ".")) for word in words if not word.isalpha()]
    return (said[0], grams[0]) if len(said) == 1 and len(grams) == 1 and grams[0] > 0.0 else None


def discarded_g(notes: Sequence[Noted]) -> dict[str, float]:
    """Totals of what was done with the discard, in grams: kept, used, thrown."""
    totals: dict[str, float] = {}
    for note in notes:
        if note.what is Noting.DISCARD and (found := discard_of(note.text)) is not None:
            totals[found[0]] = totals.get(found[0], 0.0) + found[1]
    return totals


def discard_words(totals_g: Mapping[str, float]) -> str:
    """Those totals for a person."""
    return ", ".join(f"{grams:g} g {what}" for what, grams in totals_g.items())
