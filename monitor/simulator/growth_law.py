"""How fast yeast and bacteria go at a temperature and a pH, relative to their best. Pure; `dough.py` multiplies its
rates by these; nothing here knows about sugar or time.

Deliberately not shared with `starter_model.py`: what judges the forecasts must not be the forecasts' own law.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache


@dataclass(frozen=True, slots=True, kw_only=True)
class Cardinals:
    """Lowest, best and highest temperature of growth, and the bend of the warm side, if any (`temperature_factor`)."""

    min_c: float
    best_c: float
    max_c: float
    bend: float | None


# Cardinal temperatures of sourdough's Kazachstania/Candida yeast and F. sanfranciscensis: Gaenzle, Ehmann, Hammes 1998,
# Appl. Environ. Microbiol. 64:2616-2623; Brandt, Hammes, Gaenzle 2004, Eur. Food Res. Technol. 218:333-338. The bends
# are fitted to the fractions quoted from the former: yeast half at 32 and a quarter at 34 degC, bacteria half at 37 and
# a quarter at 39 degC.
KAZACHSTANIA = Cardinals(min_c=8.0, best_c=28.0, max_c=35.0, bend=1.35)
BACTERIA = Cardinals(min_c=4.0, best_c=32.5, max_c=41.0, bend=1.1)
# Many home starters are led by baker's yeast's own kind: Salvado et al. 2011, Appl. Environ. Microbiol. 77:2292, best
# 32.3, highest 45.4 degC. Its lowest is a guess: in a fridge `FLOOR_RATIO` rules either yeast.
CEREVISIAE = Cardinals(min_c=4.0, best_c=32.3, max_c=45.4, bend=None)
YEASTS = {"kazachstania": KAZACHSTANIA, "cerevisiae": CEREVISIAE}
# The bacteria that make a new starter's first false rise (enterics, leuconostocs of the flour) are ordinary mesophiles.
WILD = Cardinals(min_c=6.0, best_c=34.0, max_c=44.0, bend=1.1)

# A refrigerator slows a starter and does not stop it, while the law is zero below its lowest temperature.
FLOOR_RATIO = 0.02  # of the rate at 24 degC
FLOOR_AT_C = 24.0


def ctmi(temperature_c: float, cardinals: Cardinals) -> float:
    """The cardinal temperature model, 1 at the best temperature and 0 outside the limits.

    Source: Rosso, Lobry, Flandrois 1993, J. Theor. Biol. 162:447-463.
    """
    low, best, high = cardinals.min_c, cardinals.best_c, cardinals.max_c
    if not low < temperature_c < high:
        return 0.0
    top = (temperature_c - high) * (temperature_c - low) ** 2
    span = best - low
    return top / (span * (span * (temperature_c - best) - (best - high) * (best + low - 2 * temperature_c)))


def temperature_factor(temperature_c: float, cardinals: Cardinals) -> float:
    """The relative rate used by the dough, 0 to 1.

    Up to the best temperature it is `ctmi`, but never less than 2 % of the rate at 24 degC. Above it the law is 1.3 to
    2 times faster than what was measured of some, so with a bend it is bent down there: 1 - u**bend with u from 0 at
    the best to 1 at the highest temperature.
    """
    if temperature_c >= cardinals.max_c:
        return 0.0
    if temperature_c > cardinals.best_c and cardinals.bend is not None:
        above = (temperature_c - cardinals.best_c) / (cardinals.max_c - cardinals.best_c)
        return 1.0 - math.exp(cardinals.bend * math.log(above))
    return max(ctmi(temperature_c, cardinals), _floor(cardinals))


@lru_cache
def _floor(cardinals: Cardinals) -> float:
    return FLOOR_RATIO * ctmi(FLOOR_AT_C, cardinals)


def ph_factor(ph: float, ph_min: float, ph_best: float, ph_max: float) -> float:
    """The cardinal pH model, 1 at the best pH and 0 outside the limits.

    Source: Rosso, Lobry, Bajard, Flandrois 1995, Appl. Environ. Microbiol. 61:610-616.
    """
    if not ph_min < ph < ph_max:
        return 0.0
    both = (ph - ph_min) * (ph - ph_max)
    return both / (both - (ph - ph_best) ** 2)


def q10_factor(temperature_c: float, q10: float, at_c: float = 25.0) -> float:
    """q10 ** ((T - at) / 10): the plain law for enzymes and slow decay, 1 at `at_c`."""
    return float(q10 ** ((temperature_c - at_c) / 10.0))
