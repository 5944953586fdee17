"""Sentences on a terminal: broken between words if they are longer than it is wide, keeping the indent of their line.
In a pipe a line stays one line, for whatever program reads it."""

from __future__ import annotations

import re
import shutil
import sys
import textwrap

import click

MARKS = ("- ", "[ ] ")  # before a line of a list
WIDEST = 100  # columns: longer lines are hard to read, however wide the terminal


def say(text: str) -> None:
    """Print text of one line or more, each fitted by itself."""
    if on_a_terminal():
        wide = min(shutil.get_terminal_size().columns, WIDEST)
        text = "\n".join(part for line in text.split("\n") for part in fitted(line, wide))
    click.echo(text)


def say_page(text: str) -> None:
    """Print a page. On a terminal its paragraphs are made new; tables, lists and code stay line by line."""
    say("\n\n".join(map(_flowing, text.split("\n\n"))) if on_a_terminal() else text)


def _flowing(part: str) -> str:
    lines = part.split("\n")
    return " ".join(lines) if all(re.match(r"(?!\d+[.] )[\w(`\"'“]", line) for line in lines) else part


def on_a_terminal() -> bool:
    """Whether a person reads it as it is printed."""
    return sys.stdout.isatty()


def fitted(line: str, wide: int) -> list[str]:
    """One line in parts of at most so many columns; those after the first are indented as it is, past a dash.

    >>> fitted("  - a warmer place hurries it", 20)
    ['  - a warmer place', '    hurries it']
    """
    begun = len(line) - len(line.lstrip(" "))
    indent = " " * (begun + next((len(mark) for mark in MARKS if line[begun:].startswith(mark)), 0))
    # keep a table's spaces as they are if nothing has to be broken
    return [line] if len(line) <= wide else textwrap.wrap(
        line, wide, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False
    )  # fmt: skip
