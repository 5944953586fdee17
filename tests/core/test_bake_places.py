"""A proofer or a retarder as a lever of a bake: named with its degrees and the grams, where it makes the hour possible.

That a warm place hurries a levain and a cool one holds it is common practice; the hours are the model's own.
"""

from __future__ import annotations

import re

from monitor.core.forecast import starter_model
from monitor.core.plan.bake import bake
from monitor.core.plan.bake_plan import BakePlan, Recipe
from monitor.core.plan.hours import hours_of
from monitor.core.plan.ripeness import Seed
from monitor.core.plan.weighing import Limits
from monitor.settings import PlaceSettings

NOW_S, H_S = 1_795_600_000.0, 3600.0
CULTURE = starter_model.prior("white")
PROOFER = PlaceSettings(name="proofer", coolest_c=20.0, warmest_c=32.0)
RETARDER = PlaceSettings(name="retarder", coolest_c=4.0, warmest_c=16.0)


def planned(ahead_h: float, room_c: float, *places: PlaceSettings, awake_h: float = 100.0) -> BakePlan:
    """A levain from ripe seed, mixed after some hours in a room; nobody is up after `awake_h`."""
    seed = Seed(fed_at_s=NOW_S - 8 * H_S, ripe_at=None, ripe_s=NOW_S, spent_s=NOW_S + 100 * H_S, total_g=220.0)
    return bake(
        CULTURE, seed, Recipe(flour_g=400.0), now_s=NOW_S, wanted_s=NOW_S + ahead_h * H_S,
        warmth_from=lambda _: (room_c,), awake_at=lambda at_s: at_s <= NOW_S + awake_h * H_S,
        clock=lambda at_s: f"+{(at_s - NOW_S) / H_S:.1f} h", limits=Limits(places=places, most_ratio=4.0),
    )  # fmt: skip


def test_too_short_a_time_is_met_by_a_proofer_with_degrees_and_grams() -> None:
    made = planned(4.0, 20.0, RETARDER, PROOFER)
    assert not made.met
    said = re.match(r"set the proofer to (\d+) °C, keep (\d+) g, add (\d+) g flour and (\d+) g water", made.instead[0])
    assert said is not None
    place_c, starter_g, flour_g, water_g = map(float, said.groups())
    dilution = (starter_g + flour_g + water_g) / starter_g
    assert hours_of(CULTURE, (place_c,), dilution, water_g / flour_g).peak[1] <= 4.0
    assert hours_of(CULTURE, (place_c - 1.0,), dilution, water_g / flour_g).peak[1] > 4.0  # no warmer than need be


def test_without_one_it_is_a_place_to_be_found() -> None:
    made = planned(4.0, 20.0, RETARDER)
    assert not any(one.startswith("set the") for one in made.instead)
    assert any("find the levain a place at" in one for one in made.instead)


def test_a_feeding_at_night_is_moved_to_the_evening_by_a_retarder() -> None:
    (said,) = [one for one in planned(30.0, 24.0, RETARDER, awake_h=9.0).cautions if "at night" in one]
    assert "In the retarder, set to 16 °C, it may be fed at +9.0 h, 1:4" in said
    (said,) = [one for one in planned(30.0, 24.0, PROOFER, awake_h=9.0).cautions if "at night" in one]
    assert "In a place of about 16 °C, it may be fed" in said
