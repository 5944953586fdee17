"""The guide: short pages about keeping a starter and about keeping this program, offline. `jartide guide` and the live
page show them.

A page is a file of this folder: its title, a line of the words that open it, a blank line, the text. The baker's are
plain text (.txt), the keeper's Markdown (.md). Where advice has a source the page names it; the rest is common practice
among bakers. Pages that only the code can write truly (every key, every command) are made by `monitor.cli.reference`.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources

BAKER = (
    "curve", "ratios", "warmth", "young", "fit", "bake", "taste", "smells", "flour", "fridge", "waste", "throw",
    "trials",
)  # fmt: skip
KEEPER = (
    "first_evening", "everyday", "the_page", "troubles", "install", "boards", "other_devices", "http",
    "home_assistant", "calendar", "metrics", "mirror", "notices", "many_jars", "proxy", "backups", "upgrade",
    "deciding", "how_well",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """One page: its key, its title, the words that open it, and its text in paragraphs with a blank line between, as
    Markdown."""

    key: str
    title: str
    words: tuple[str, ...]
    text: str

    @property
    def plain(self) -> str:
        """The text for a terminal: code moved in, pictures left out, links as the word that opens the page."""
        lines, code = [], False
        for line in self.text.splitlines():
            if line.startswith("```"):
                code = not code
                continue
            lines.append(f"    {line}" if code else _without_marks(line))
        return re.sub(r"\n{3,}", "\n\n", "\n".join(lines)).strip()


@cache
def pages() -> tuple[Page, ...]:
    """The baker's pages, in order."""
    return tuple(_read(f"{key}.txt") for key in BAKER)


@cache
def keeper_pages() -> tuple[Page, ...]:
    """The keeper's pages, in order."""
    return tuple(_read(f"{key}.md") for key in KEEPER)


def page(word: str, among: Sequence[Page] | None = None) -> Page | None:
    """The page that a word opens: one of its words, or part of one, or one that differs by a slip; None else. The first
    of those that a word fits."""
    wanted = " ".join(word.lower().replace("-", " ").replace("_", " ").split())
    by_word: dict[str, Page] = {}
    for page in among if among is not None else (*pages(), *keeper_pages()):
        for one in (page.key.replace("_", " "), *page.words):
            by_word.setdefault(one, page)
    if wanted in by_word:
        return by_word[wanted]
    part = next((page for one, page in by_word.items() if len(wanted) >= 3 and wanted in one), None)
    if part is not None:
        return part
    near = difflib.get_close_matches(wanted, by_word, n=1, cutoff=0.75)
    return by_word[near[0]] if near else None


def _without_marks(line: str) -> str:
    line = re.sub(r"!\[[^\]]*\]\([^)]*\)", "", line)
    line = re.sub(r"\[([^\]]+)\]\((\w+)\.html\)", r"\1 (jartide guide \2)", line)
    line = re.sub(r"\[([^\]]+)\]\(([^)]+)\)", r"\1 (\2)", line)
    return line.replace("**", "")


def _read(name: str) -> Page:
    title, words, _, *lines = (resources.files(__name__) / name).read_text(encoding="utf-8").splitlines()
    return Page(
        key=name.partition(".")[0],
        title=title.strip(),
        words=tuple(word.strip() for word in words.split(",")),
        text="\n".join(lines).strip(),
    )
