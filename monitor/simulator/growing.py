"""Time for the dough: integrates `dough.slope` while nothing is done to it, and makes the starter to begin with.

scipy (extra `simulator`) is imported when first needed; `need_solver` says so where it is missing.
"""

from __future__ import annotations

import importlib.util
from collections.abc import Callable
from dataclasses import astuple, replace
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt

from monitor.simulator.dough import BACTERIUM_G, STATE, YEAST_CELL_G, Batch, Dough, slope
from monitor.simulator.flours import FLOURS
from monitor.simulator.hands import fed

Floats = npt.NDArray[np.float64]

# Relative and absolute (g) error per step. Against a solver ten thousand times as strict the surface is off by 0.01 mm.
RELATIVE, ABSOLUTE_G = 1e-5, 1e-10
MAX_STEP_H = 0.5  # never step over a window that someone opened


class MissingSolver(RuntimeError):
    """scipy is not installed; the text says what to do."""


def need_solver() -> None:
    """Raises MissingSolver when scipy is not installed."""
    if importlib.util.find_spec("scipy") is None:
        raise MissingSolver("the simulator needs scipy: pip install 'jartide[simulator]'")


def grow(
    dough: Dough, batch: Batch, start_h: float, end_h: float, temperature_at: Callable[[float], float]
) -> Callable[[Floats], Floats]:
    """Integrate from `start_h` to `end_h`; gives the states (rows in the order of `STATE`) at any hours between.

    Solver: LSODA (Petzold 1983), which turns to a stiff method when the bubbles get fast.
    """
    start = np.array(astuple(dough))
    if batch.flour_g <= 0:  # an empty jar stays empty
        return lambda hours: np.repeat(start[:, None], len(hours), axis=1)
    from scipy.integrate import solve_ivp

    solved: Any = solve_ivp(
        slope(batch, temperature_at),
        (start_h, end_h),
        start,
        method="LSODA",
        dense_output=True,
        rtol=RELATIVE,
        atol=ABSOLUTE_G,
        max_step=MAX_STEP_H,
    )
    if not solved.success:
        raise RuntimeError(f"the solver gave up after {start_h} h: {solved.message}")
    at: Callable[[Floats], Floats] = solved.sol
    return at


def dough_from(state: Floats) -> Dough:
    """One column of `grow` as a Dough; what the solver let slip below zero is zero."""
    return Dough(**{name: max(float(value), 0.0) for name, value in zip(STATE, state, strict=True)})


def nothing(flour: str, vigour: float) -> tuple[Dough, Batch]:
    """An empty jar: the first feeding makes a new starter of flour and water."""
    zero = dict.fromkeys(STATE, 0.0) | {"yeast_ready": 0.002, "bacteria_ready": 0.05, "gluten": 1.0}
    return Dough(**zero), Batch(solids_g=0.0, flour_g=0.0, blend=FLOURS[flour], vigour=vigour)


@lru_cache(maxsize=64)
def ripe(flour: str, grams: float, hydration: float, vigour: float, days_since_fed: float) -> tuple[Dough, Batch]:
    """A kept-up starter of `grams`, last fed 1:4:4-like `days_since_fed` days ago and left at 22 degC.

    Made by the model itself: an inoculum of 1 % with textbook counts (2e7 yeasts, 1e9 bacteria per g) is fed twice, so
    that its acids, sugars and readiness are those of this flour and this hydration.
    """
    room = 22.0
    # the inoculum: flour and water, cells added
    dough, batch = nothing(flour, vigour)
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
        at = grow(dough, batch, 0.0, 24 * days, lambda _: room) if days > 0 else None
        if at is not None:
            dough = dough_from(at(np.array([24 * days]))[:, 0])
        if days is not days_since_fed:
            dough, batch = fed(
                dough, batch, keep_g=grams / 9, flour_g=flour_g * 8 / 9, water_g=(grams - flour_g) * 8 / 9, flour=flour
            )
    return dough, batch
