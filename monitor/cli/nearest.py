"""The name that was probably meant, for commands, kinds and jars that are mistyped; and choices that say so."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

import click


def near(typed: str, known: Iterable[str]) -> str:
    """ " Did you mean snooze?", or "" if nothing known resembles it."""
    names = {name.lower(): name for name in known}
    found = difflib.get_close_matches(typed.lower(), names, n=1)
    return f" Did you mean {names[found[0]]}?" if found else ""


class NearChoice(click.Choice[str]):
    """A choice of names that suggests the nearest one for a mistyped name."""

    def convert(self, value: str, param: click.Parameter | None, ctx: click.Context | None) -> str:
        try:
            return super().convert(value, param, ctx)
        except click.BadParameter:
            self.fail(f"there is no {value}.{near(str(value), self.choices)} There is {', '.join(self.choices)}.")
