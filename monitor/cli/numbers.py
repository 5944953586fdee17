"""Numbers as options take them: click's ranges let "nan" pass, which is neither below nor above anything, and its
messages for what is not a number speak of floats.
"""

from __future__ import annotations

import math
from typing import Any

import click


class Number(click.types.FloatParamType):
    """A number of any size; the command itself checks its range."""

    name = "number"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """The number as a float."""
        return _number(self, value, param, ctx)


class Within(click.FloatRange):
    """A number from `least` to `most`, both included; refuses nan just as it refuses a word."""

    def __init__(self, least: float, most: float) -> None:
        super().__init__(least, most)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """The number as a float."""
        number = float(super().convert(_number(self, value, param, ctx), param, ctx))
        if math.isnan(number):
            self.fail(f"{value} is not a number.", param, ctx)
        return number


class NothingOr(Within):
    """Zero, or a number from `least` to `most`."""

    def __init__(self, least: float, most: float) -> None:
        super().__init__(0.0, most)
        self.least = least

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """The number as a float."""
        number = super().convert(value, param, ctx)
        if 0.0 < number < self.least:
            self.fail(f"{value} is neither 0 nor from {self.least:g} to {self.max:g}.", param, ctx)
        return number


NUMBER = Number()


def _number(
    kind: click.types.FloatParamType, value: Any, param: click.Parameter | None, ctx: click.Context | None
) -> float:
    try:
        return float(value)
    except ValueError:
        comma = str(value).replace(",", ".")
        like = comma if _is_number(comma) else "24 or 0.5"
        kind.fail(f"{value!r} is not a number; write one like {like}.", param, ctx)


def _is_number(text: str) -> bool:
    try:
        return math.isfinite(float(text))
    except ValueError:
        return False
