"""Which notes send a starter into the bin: mould or coloured streaks, noted as such or written down in a person's own
words, and flies or larvae inside. The one place for it: judgement, plans, bakes, lists, notices and the page ask here.

What was written is taken by its words, so a doubt stays: it is said what was read, and how to take it back. Authorities
say to throw it away whole (USDA FSIS, Molds on Food); insects inside: common practice, no source.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from monitor.core.assess.notebook import of_this_starter
from monitor.core.display.units import one_line
from monitor.values import Noted, Noting

THROW_AWAY = (
    "Mould, or pink, orange or black streaks, were noted: throw all of it away, clean the jar with hot water and "
    "soap, and start again. Do not taste it and do not cut it out."
)
READ = (Noting.HOOCH, Noting.SMELL, Noting.REMARK)  # whose words are read; others are of the bread or of weights
SAID_CHARS = 80  # of the note, where it is said again

_COLOUR = r"(?:pink(?:ish)?|orange|red(?:dish)?|purple|green(?:ish)?|blue(?:ish)?|black)"
_SPOT = (
    r"(?:streak|spot|patch|dot|speck|fleck|blotch|line|ring|vein|film|layer|skin|slime|growth|tinge|tint|hue|fur|area)"
    r"(?:s|es|y)?"
)
_NOT_ITSELF = r"(?!\W+(?:salt|jar|lid|bowl|peel|juice|zest|cake|bread|flower|blossom|smell|scent))"
_TURNED = r"(?:turn(?:s|ed|ing)?|went|gone|goes|going|look(?:s|ed)?|is|are|was|got|became|it's)"
MOULDY = re.compile(
    rf"\b(?:mou?ld(?:s|y)?|fuzz(?:y)?|furry|hairy|streak(?:s|ed|y)?|pink(?:ish)?{_NOT_ITSELF})\b"
    rf"|\b{_COLOUR}(?:\W+\w+)?\W+{_SPOT}\b(?!\W+(?:on|at|round|around) the (?:jar|glass|outside)\b)"
    rf"|\b{_SPOT}\W+(?:(?:of|in|is|are|looks?|turned)\W+){{1,2}}{_COLOUR}\b"
    rf"|\b{_TURNED}(?:\W+\w+){{0,2}}?\W+{_COLOUR}\b{_NOT_ITSELF}"
)
INSECTS = re.compile(
    r"\b(?:larva\w*|maggots?)\b"
    r"|\b(?:fly|flies|gnats?|insects?|bugs?|beetles?|weevils?|mites?|moths?|ants?)\b(?:[^\w.;,!?]+\w+){0,4}?"
    r"[^\w.;,!?]+(?:inside|in (?:it|there|the (?:jar|starter|dough)))\b"
)
# "no mould", "not a streak", "without any pink": but "not sure whether it is mould" and "no idea what" deny nothing
DENIED_BEFORE = re.compile(
    r"\b(?:no|not|none|never|nothing|without|isn't|aren't|wasn't)\b(?!\W+(?:sure|certain|idea|longer sure))"
    r"(?:\W+\w+){0,4}\W*$"
)
DENIED_AFTER = re.compile(r"^\W*(?:none|no|not seen|nowhere)\b")
CLAUSE = re.compile(r"[.;,!?]|\bbut\b|\band now\b")


def streaked(text: str) -> bool:
    """Whether it says that there is mould, or a colour that no starter has."""
    return _said(MOULDY, text)


def insects_inside(text: str) -> bool:
    """Whether it says that flies, larvae or the like are in the starter."""
    return _said(INSECTS, text)


def condemns(note: Noted) -> bool:
    """Whether this note sends its starter into the bin."""
    return note.what is Noting.MOULD or (note.what in READ and (streaked(note.text) or insects_inside(note.text)))


def condemned(notes: Sequence[Noted]) -> Noted | None:
    """The note that sends the starter that is in the jar now into the bin, one of mould before one that was read, the
    latest of each; None where none does."""
    found = [note for note in of_this_starter(notes) if condemns(note)]
    return max(found, key=lambda note: (note.what is Noting.MOULD, note.time_s), default=None)


def what_to_do(note: Noted) -> str:
    """What such a note means, in whole sentences."""
    if note.what is Noting.MOULD:
        return THROW_AWAY
    return (
        f"You wrote {quoted(note)}. If that is so, throw all of it away, wash the jar hot, and begin again; if it is "
        "not, take the note back (jartide undo JAR, or on the page)."
    )


def quoted(note: Noted) -> str:
    """What was written, in one line."""
    return f'"{one_line(note.text, SAID_CHARS)}"'


def _said(words: re.Pattern[str], text: str) -> bool:
    low = text.lower().replace("\N{RIGHT SINGLE QUOTATION MARK}", "'")
    for found in words.finditer(low):
        before = CLAUSE.split(low[: found.start()])[-1]
        if not DENIED_BEFORE.search(before) and not DENIED_AFTER.match(low[found.end() :]):
            return True
    return False
