"""What the person noted about a jar, read: which notes are of the starter that is in it now, and what became of the
discard. Asked by `vigour`, by `notices` and by commands; what a note changes in the watching is `told`'s.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence

from monitor.values import Noted, Noting

DISCARDED = ("kept", "used", "thrown")

THROW_AWAY = (
    "Mould, or pink, orange or black streaks, were noted: throw all of it away, clean the jar with hot water and soap, "
    "and start again. Do not taste it and do not cut it out."
)


def of_this_starter(notes: Sequence[Noted]) -> list[Noted]:
    """What was noted since another starter was put into the jar."""
    begun_s = max((note.time_s for note in notes if note.what is Noting.NEW_STARTER), default=-math.inf)
    return [note for note in notes if note.time_s >= begun_s]


def noted(notes: Sequence[Noted], what: Noting) -> bool:
    """Whether that was noted of the starter that is in the jar now."""
    return any(note.what is what for note in of_this_starter(notes))


def discard_of(text: str) -> tuple[str, float] | None:
    """What became of a discard and its grams, of a note like "used 120" or "120 g thrown"; None when it does not say
    exactly one of kept, used and thrown, and exactly one weight."""
    words = re.findall(r"[a-z]+|-?[0-9]+(?:[.,][0-9]+)?", text.lower())
    said = [word for word in words if word in DISCARDED]
    grams = [float(word.replace(",", ".")) for word in words if not word.isalpha()]
    return (said[0], grams[0]) if len(said) == 1 and len(grams) == 1 and grams[0] > 0.0 else None


def discarded_g(notes: Sequence[Noted]) -> dict[str, float]:
    """Running totals of what was done with the discard, in grams: kept, used, thrown."""
    totals: dict[str, float] = {}
    for note in notes:
        if note.what is Noting.DISCARD and (found := discard_of(note.text)) is not None:
            totals[found[0]] = totals.get(found[0], 0.0) + found[1]
    return totals


def discard_words(totals_g: Mapping[str, float]) -> str:
    """Those totals for a person."""
    return ", ".join(f"{grams:g} g {what}" for what, grams in totals_g.items())
