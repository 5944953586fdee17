"""Integrates `dough.slope` over the time in which nothing is done to the dough, and makes the starter to begin with.

The explicit midpoint rule, minute by minute in plain floats, a minute cut into equal parts where the bubbles are too
quick for it; against a strict solver the surface is off by some 0.003 mm at most. The same dough, batch and
temperatures give the same numbers to the last bit, however the time is cut, wherever floats are IEEE 754 and the C
library's exp, log and pow round alike. Where those differ in their last bit the surface moves by less than a millionth
of a micrometre, and a reading rounded to 1 mm is another once in a thousand million
(`tests/simulator/test_integrator.py` shows it).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import astuple, replace
from functools import lru_cache
from itertools import pairwise

import numpy as np

from monitor.simulator.dough import (
    BACTERIUM_G,
    STATE,
    YEAST_CELL_G,
    Batch,
    Dough,
    fastest_per_h,
    slope,
    temperature_factors,
)
from monitor.simulator.flours import FLOURS
from monitor.simulator.growth_law import YEASTS
from monitor.simulator.handling import fed
from monitor.simulator.random_numbers import Floats

STEP_H = 1 / 60  # the grid on which a jar's temperature is known and the baker's doings fall
STABLE = 1.2  # step times fastest rate: the method is stable up to 2 (Hairer and Wanner 1996, IV.2)


def grow(dough: Dough, batch: Batch, jar_c: Sequence[float]) -> Floats:
    """The states (rows in the order of `STATE`) at each minute at which `jar_c` gives the jar's temperature, degC.

    The first is `dough` itself. Within a minute the temperature is that of its middle.
    """
    state = list(astuple(dough))
    if batch.flour_g <= 0:  # an empty jar stays empty
        return np.repeat(np.array(state)[:, None], len(jar_c), axis=1)
    rates = slope(batch)
    out = [state]
    for begins_c, ends_c in pairwise(jar_c):
        warm = temperature_factors((begins_c + ends_c) / 2, batch.yeast)
        parts = max(1, math.ceil(fastest_per_h(state, batch, warm) * STEP_H / STABLE))
        step_h = STEP_H / parts
        for _ in range(parts):
            half = [y + step_h / 2 * dy for y, dy in zip(state, rates(state, warm), strict=True)]
            state = [y + step_h * dy for y, dy in zip(state, rates(half, warm), strict=True)]
        out.append(state)
    return np.array(out).T


def dough_from(state: Floats) -> Dough:
    """One column of `grow` as a Dough; what the solver let slip below zero is zero."""
    return Dough(**{name: max(float(value), 0.0) for name, value in zip(STATE, state, strict=True)})


def empty_jar(flour: str, vigour: float, yeast: str = "kazachstania") -> tuple[Dough, Batch]:
    """An empty jar: the first feeding makes a new starter of flour and water."""
    zero = dict.fromkeys(STATE, 0.0) | {"yeast_ready": 0.002, "bacteria_ready": 0.05, "gluten": 1.0}
    return Dough(**zero), Batch(solids_g=0.0, flour_g=0.0, blend=FLOURS[flour], vigour=vigour, yeast=YEASTS[yeast])


@lru_cache(maxsize=64)
def ripe_starter(
    flour: str, grams: float, hydration: float, vigour: float, days_since_fed: float, yeast: str = "kazachstania"
) -> tuple[Dough, Batch]:
    """A kept-up starter of `grams`, last fed 1:4:4-like `days_since_fed` days ago and left at 22 degC.

    Made by the model itself: an inoculum of 1 % with textbook counts (2e7 yeasts, 1e9 bacteria per g) is fed twice, so
    that its acids, sugars and readiness are those of this flour and this hydration.
    """
    room = 22.0  # degC, an ordinary kitchen
    # the inoculum: flour and water, cells added
    dough, batch = empty_jar(flour, vigour, yeast)
    flour_g = grams / (1 + hydration)
    dough, batch = fed(dough, batch, keep_g=None, flour_g=flour_g, water_g=grams - flour_g, flour=flour)
    dough = replace(
        dough,
        yeast=2e7 / 10 * YEAST_CELL_G * grams,
        bacteria=1e9 / 10 * BACTERIUM_G * grams,
        yeast_ready=0.5,
        bacteria_ready=0.5,
    )
    for days in (1.0, 1.0, days_since_fed):
        dough = dough_from(grow(dough, batch, [room] * (round(24 * days / STEP_H) + 1))[:, -1])
        if days is not days_since_fed:
            dough, batch = fed(
                dough, batch, keep_g=grams / 9, flour_g=flour_g * 8 / 9, water_g=(grams - flour_g) * 8 / 9, flour=flour
            )
    return dough, batch
