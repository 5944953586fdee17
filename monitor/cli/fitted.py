"""Sentences on a terminal: broken between words where they are longer than it is wide, with the indent of their line.
In a pipe a line stays a line, for whatever reads it."""

from __future__ import annotations

import shutil
import sys
import textwrap

import click

WIDEST = 100  # columns: longer lines are hard to read, however wide the terminal


def say(text: str) -> None:
    """Print text of one line or more, each fitted by itself."""
    if sys.stdout.isatty():
        wide = min(shutil.get_terminal_size().columns, WIDEST)
        text = "\n".join(part for line in text.split("\n") for part in fitted(line, wide))
    click.echo(text)


def fitted(line: str, wide: int) -> list[str]:
    """One line in parts of at most so many columns; those after the first are indented as it is, past a dash.

    >>> fitted("  - a warmer place hurries it", 20)
    ['  - a warmer place', '    hurries it']
    """
    begun = len(line) - len(line.lstrip(" "))
    indent = " " * (begun + (2 if line[begun:].startswith("- ") else 0))
    # a table's spaces stay as they are where nothing has to be broken
    return [line] if len(line) <= wide else textwrap.wrap(
        line, wide, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False
    )  # fmt: skip
