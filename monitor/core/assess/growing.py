"""A new starter from nothing, day by day: what is usual, what to weigh today, what not to conclude from it. Common
practice; on the flora of the first days D. Wink (2009) and Ercolini et al. 2013 (Appl. Environ. Microbiol. 79:7827).

`jartide begun` and `assess` show today's advice; a notice announces when another stretch begins.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from monitor.core.assess.advice import Advice
from monitor.core.assess.age import NEVER_DAYS


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """Some days of a new starter, from `day` on (0 is the day it was begun): what is usual, and what to weigh."""

    day: int
    usual: str
    weigh: str


# common practice among bakers: what a new starter mostly does, day by day
STRETCHES = (
    Stretch(
        day=0,
        usual="Expect nothing on its first day.",
        weigh="mix 50 g of wholegrain flour with 50 g of water, lid loose, and leave it at 24 to 27 °C until tomorrow",
    ),
    Stretch(
        day=1,
        usual="A few bubbles, or none: both are normal.",
        weigh="keep 50 g, add 50 g flour and 50 g water",
    ),
    Stretch(
        day=2,
        usual="A great rise with a bad smell is usual now, and mostly not yeast: do not bake with it. The discard goes "
        "in the bin.",
        weigh="keep 50 g, add 50 g flour and 50 g water, however high it rose",
    ),
    Stretch(
        day=4,
        usual="Silence is usual now, for days and sometimes weeks: it is not dead.",
        weigh="keep 50 g, add 50 g flour and 50 g water; every second day if it gets thin",
    ),
    Stretch(
        day=7,
        usual="The first doubling by yeast comes about now. After three alike it is ready to bake with: about day 10 "
        "to 14.",
        weigh="once it has been at its top, keep 25 g, add 50 g flour and 50 g water",
    ),
    Stretch(
        day=14,
        usual="Two weeks: with three rises that doubled it is fit; if it rises a little, go on with wholegrain at 25 "
        "°C; if not at all, try another flour first, then other water, then begin again. Days below 20 °C count for "
        "less.",
        weigh="feed it at its top as you will from now on, about 25 g to 100 g flour and 100 g water",
    ),
)


FLAKES = Advice(
    say="Woken from dried flakes, it bubbles after about a day and doubles after three to seven days. Discard nothing "
    "at its first two feedings, and treat it as a young one until it has doubled three times.",
    guide="drying",
)


def stretch(days: float) -> Stretch:
    """The stretch that a starter of that age is in."""
    return next(one for one in reversed(STRETCHES) if days >= one.day or one.day == 0)


def day_number(days: float) -> int:
    """The day as people count it: the first is day 1."""
    return math.floor(days) + 1


def today(days: float) -> Advice:
    """What to weigh today."""
    return Advice(say=f"Today, on day {day_number(days)}: {stretch(days).weigh}.", guide="young")


def beside_a_plan(days: float | None) -> str | None:
    """What to do in the first week in place of a planned feeding; None for an older starter, and where nobody said."""
    if days is None or days >= NEVER_DAYS:
        return None
    return (
        f"It is young, on day {day_number(days)}: {stretch(days).weigh}. This plan is for a mature starter, which "
        "doubles."
    )


def told(days: float) -> Advice:
    """What is usual now, and what to weigh today."""
    here = stretch(days)
    return Advice(say=f"Day {day_number(days)}: {here.usual} Today {here.weigh}.", guide="young")
