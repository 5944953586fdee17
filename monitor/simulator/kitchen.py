"""Where the jar stands: the room's temperature through day and night, the places in it, and the jar lagging behind.

Read by `scene.py` on a grid of one minute, stretch by stretch; the state between stretches is in `Kitchen`. Local clock
times count from the scenario's `utc_offset_h`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from monitor.simulator.random_numbers import Floats, RandomNumbers
from monitor.simulator.scenario import KitchenPlan

GRID_S = 60.0
WANDER_H = 18.0  # how long the weather stays the same
LEAK_H = 4.0  # how long the walls keep what the heating gave
HEATING_C_PER_H = 3.0  # a radiator in a kitchen
THERMOSTAT_C = 0.4  # it switches this far above and below its setting
# An open window brings the air part of the way to the outside, with this time constant; the walls warm it again after
DRAUGHT_H, DRAUGHT_SHARE, WALLS_WARM_H = 0.3, 0.6, 0.75
FRIDGE_SWING_C, FRIDGE_CYCLE_S = 0.8, 2700.0  # the compressor comes and goes
# A jar in still air: about 10 W/m2/K (free convection and radiation) over 0.03 m2 of wall; dough 3.4 J/g/K, jar 250 J/K
JAR_W_PER_K, DOUGH_J_PER_G_K, GLASS_J_PER_K = 0.30, 3.4, 250.0


class Kitchen:
    """The room from minute to minute. `minutes` must be asked for in order."""

    def __init__(self, plan: KitchenPlan, starts_s: float, utc_offset_h: float, seed: int) -> None:
        self._plan = plan
        self._starts_s = starts_s
        self._local_s = starts_s + utc_offset_h * 3600
        self._random = RandomNumbers(seed, "weather")
        self._wander = 0.0
        self._extra_c = 0.0  # what the heating has added to the room
        self._draught_c = 0.0  # and what a window has taken
        self._heating = False
        self._last = plan.room_c

    def minutes(self, first: int, count: int) -> Floats:
        """Room temperature, degC, at the minutes `first` to `first + count - 1` since the start."""
        plan = self._plan
        keep = math.exp(-GRID_S / 3600 / WANDER_H)
        kicks = self._random.normal(count) * math.sqrt(1 - keep * keep)
        room = np.empty(count)
        warmest_s = plan.warmest_s
        step_h = GRID_S / 3600
        for i in range(count):
            since_s = (first + i) * GRID_S
            self._wander = self._wander * keep + float(kicks[i])
            local_s = (self._local_s + since_s) % 86400
            free_c = plan.room_c + plan.trend_c_per_day * since_s / 86400 + plan.wander_c * self._wander
            free_c += plan.swing_c * math.cos(2 * math.pi * (local_s - warmest_s) / 86400)
            now_c = free_c + self._extra_c + self._draught_c
            change = -self._extra_c / LEAK_H
            if plan.heating is not None:
                day = plan.heating.from_s <= local_s < plan.heating.to_s
                wanted_c = plan.heating.day_c if day else plan.heating.night_c
                if now_c < wanted_c - THERMOSTAT_C:
                    self._heating = True
                elif now_c > wanted_c + THERMOSTAT_C:
                    self._heating = False
                change += HEATING_C_PER_H * self._heating
            draught = -self._draught_c / WALLS_WARM_H
            for window in plan.windows:
                if window.at_s <= since_s < window.at_s + window.minutes * 60:
                    to_c = DRAUGHT_SHARE * (window.outside_c - free_c - self._extra_c)
                    draught = (to_c - self._draught_c) / DRAUGHT_H
            self._draught_c += draught * step_h
            self._extra_c += change * step_h
            room[i] = now_c
        return room


def place_c(place: str, plan: KitchenPlan, room: Floats, first: int) -> Floats:
    """Air temperature around a jar at `place`, on the same grid as `room`."""
    if place == "fridge":
        at_s = (first + np.arange(len(room))) * GRID_S
        return np.asarray(plan.fridge_c + FRIDGE_SWING_C * np.sin(2 * math.pi * at_s / FRIDGE_CYCLE_S))
    if place == "oven":
        return np.maximum(room, plan.oven_c)
    return room


def jar_lag_h(dough_g: float) -> float:
    """Time constant of a jar with `dough_g` in it, hours: about 0.9 h with 225 g."""
    return (dough_g * DOUGH_J_PER_G_K + GLASS_J_PER_K) / JAR_W_PER_K / 3600


def jar_minutes(jar_c: float, around: Sequence[float], lag_h: float) -> list[float]:
    """The jar's own temperature at the same grid points, from `jar_c` at the first (Newton's cooling)."""
    share = 1 - math.exp(-GRID_S / 3600 / lag_h)
    out = []
    for air_c in around:
        out.append(jar_c)
        jar_c += share * (air_c - jar_c)
    return out
