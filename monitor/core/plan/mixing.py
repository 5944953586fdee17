"""How warm a dough is that was mixed with colder or warmer water, hour by hour. `hours` asks it for plans."""

from __future__ import annotations

import math
from collections.abc import Sequence

COOLS_H = 1.5  # time constant of a jar in air: Newton's law for 225 g of dough in glass gives one to two hours
WATER_HEAT, FLOUR_HEAT = 4.18, 1.8  # kJ/(kg K); flour as usual tables have it (1.6 to 2.0)


def mixed_with(temperatures_c: Sequence[float], grams: tuple[float, float, float], water_c: float) -> list[float]:
    """The hourly temperatures of a dough mixed with water at `water_c` in such a kitchen: it begins at the mean of its
    parts, weighed by the heat they hold, and goes over to the room's by Newton's law."""
    starter_g, flour_g, water_g = grams
    heats = ((starter_g + flour_g) * FLOUR_HEAT + 0.5 * starter_g * (WATER_HEAT - FLOUR_HEAT), water_g * WATER_HEAT)
    off_c = (water_c - temperatures_c[0]) * heats[1] / sum(heats)
    hours = [*temperatures_c, *[temperatures_c[-1]] * max(12 - len(temperatures_c), 0)]
    decay = COOLS_H * (1.0 - math.exp(-1.0 / COOLS_H))  # the mean over an hour
    return [c + off_c * decay * math.exp(-i / COOLS_H) for i, c in enumerate(hours)]
