"""The guide: short pages about keeping a starter, as plain text, offline. `jartide guide` and the live page show them.

A page is a file of this folder: its title, a line of the words that open it, a blank line, the text. Where advice has a
source the page names it; the rest is common practice among bakers.
"""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from functools import cache
from importlib import resources

ORDER = (
    "curve", "ratios", "warmth", "young", "fit", "bake", "taste", "smells", "flour", "fridge", "waste", "throw",
    "trials",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """One page: its key, its title, the words that open it, and its text in paragraphs with a blank line between."""

    key: str
    title: str
    words: tuple[str, ...]
    text: str


@cache
def pages() -> tuple[Page, ...]:
    """All pages, in order."""
    return tuple(_read(key) for key in ORDER)


def page(word: str) -> Page | None:
    """The page that a word opens: one of its words, or part of one, or one that differs by a slip; None else."""
    wanted = " ".join(word.lower().replace("-", " ").split())
    by_word = {one: page for page in pages() for one in (page.key, *page.words)}
    if wanted in by_word:
        return by_word[wanted]
    part = next((page for one, page in by_word.items() if len(wanted) >= 3 and wanted in one), None)
    if part is not None:
        return part
    near = difflib.get_close_matches(wanted, by_word, n=1, cutoff=0.75)
    return by_word[near[0]] if near else None


def _read(key: str) -> Page:
    title, words, _, *lines = (resources.files(__name__) / f"{key}.txt").read_text(encoding="utf-8").splitlines()
    return Page(
        key=key,
        title=title.strip(),
        words=tuple(word.strip() for word in words.split(",")),
        text="\n".join(lines).strip(),
    )
