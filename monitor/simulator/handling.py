"""What the baker's hands do to the dough: feed, stir, take some. Pure: a dough and its batch become others.

When it is done, and with the lid off for how long, is `jar.py`'s business.
"""

from __future__ import annotations

from dataclasses import fields, replace

from monitor.simulator.dough import (
    AIR_RATIO,
    BACTERIUM_G,
    GRAMS,
    YEAST_CELL_G,
    Batch,
    Dough,
    gas_free_ml,
    mass_g,
)
from monitor.simulator.flours import FLOURS, Flour


def blended(one: Flour, one_g: float, other: Flour, other_g: float) -> Flour:
    """The properties of two flours mixed, by weight."""
    share = other_g / (one_g + other_g) if one_g + other_g > 0 else 0.0
    return Flour(**{f.name: (1 - share) * getattr(one, f.name) + share * getattr(other, f.name) for f in fields(Flour)})


def fed(
    dough: Dough, batch: Batch, *, keep_g: float | None, flour_g: float, water_g: float, flour: str
) -> tuple[Dough, Batch]:
    """Keep `keep_g` (None: all) of what is there, add flour and water, and stir. The stirring drives the gas out.

    More than there is cannot be kept: then all is. What has escaped is counted from the feeding on.
    """
    share = 1.0 if keep_g is None else min(1.0, keep_g / max(mass_g(dough, batch), 1e-9))
    new = FLOURS[flour]
    old_flour_g = batch.flour_g * share
    solid_g = flour_g * (1 - new.moisture - new.sugar - new.starch)
    kept = {name: getattr(dough, name) * share for name in GRAMS}
    gluten = (dough.gluten * old_flour_g + flour_g) / max(old_flour_g + flour_g, 1e-9)
    mixed = replace(
        dough,
        **kept
        | {
            "yeast": kept["yeast"] + new.yeast_per_g * YEAST_CELL_G * flour_g,
            "bacteria": kept["bacteria"] + new.bacteria_per_g * BACTERIUM_G * flour_g,
            "wild": kept["wild"] + new.wild_per_g * BACTERIUM_G * flour_g,
            "sugar": kept["sugar"] + new.sugar * flour_g,
            "starch": kept["starch"] + new.starch * flour_g,
            "water": kept["water"] + new.moisture * flour_g + water_g,
            "gas": 0.0,
            "escaped": 0.0,
            "gluten": gluten,
            "hooch": 0.0,
        },
    )
    mixed_batch = Batch(
        solids_g=batch.solids_g * share + solid_g,
        flour_g=old_flour_g + flour_g,
        blend=blended(batch.blend, old_flour_g, new, flour_g),
        vigour=batch.vigour,
        yeast=batch.yeast,
        seed_share=old_flour_g / max(old_flour_g + flour_g, 1e-9),
    )
    return mixed, replace(mixed_batch, air_ml=AIR_RATIO * gas_free_ml(mixed, mixed_batch))


def stirred(dough: Dough, gas_left: float = 0.1) -> Dough:
    """Stirred down: most of the gas leaves, the hooch is mixed in."""
    return replace(dough, gas=dough.gas * gas_left, escaped=dough.escaped + dough.gas * (1 - gas_left), hooch=0.0)


def without(dough: Dough, batch: Batch, share: float) -> tuple[Dough, Batch]:
    """The dough after `share` of it, gas and all, was taken out or ran over the rim."""
    rest = {name: getattr(dough, name) * (1 - share) for name in GRAMS if name != "escaped"}
    less = {name: getattr(batch, name) * (1 - share) for name in ("solids_g", "flour_g", "air_ml")}
    return replace(dough, **rest), replace(batch, **less)
