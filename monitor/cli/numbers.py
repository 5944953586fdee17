"""Numbers as options take them: click's ranges let "nan" pass, which is neither below nor above anything."""

from __future__ import annotations

import math
from typing import Any

import click


class Within(click.FloatRange):
    """A number from `least` to `most`, both included; refuses nan as it does a word."""

    def __init__(self, least: float, most: float) -> None:
        super().__init__(least, most)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """The number as a float."""
        number = float(super().convert(value, param, ctx))
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
