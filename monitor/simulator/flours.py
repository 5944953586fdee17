"""What a flour brings to the dough. Pure data, read by `dough.py`.

The numbers are orders of magnitude from cereal chemistry's textbooks (sugar 1 to 2 % of flour, damaged starch 6 to 9 %,
0.5 to 1 % of sugar freed in an hour, the buffering of ash and bran); the holding of gas is set so that a vigorous
starter a little more than doubles to triples (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Flour:
    """`sugar`, `starch` and `moisture` are shares of the flour's weight; `starch` is the damaged part that amylases can
    reach. `amylase_per_h` at 25 degC and pH 5. `buffer_mol_per_kg` is acid taken up per unit of pH and kg of flour.
    `holding` is the gas that sound gluten (rye: pentosans) holds, as a multiple of the gas-free dough; `burst_power` is
    how suddenly its films give way there: gluten's all at once, a paste of pentosans little by little, so that rye goes
    on rising slowly."""

    sugar: float
    starch: float
    moisture: float
    amylase_per_h: float
    ph: float
    buffer_mol_per_kg: float
    holding: float
    burst_power: float
    nutrition: float  # growth rate relative to white flour: bran and germ bring minerals and amino acids
    yeast_per_g: float  # living cells that ride in on the flour
    bacteria_per_g: float
    wild_per_g: float


FLOURS: dict[str, Flour] = {
    "white": Flour(
        sugar=0.016, starch=0.08, moisture=0.14, amylase_per_h=0.085, ph=6.0, buffer_mol_per_kg=0.040,
        holding=2.5, burst_power=12.0, nutrition=1.0, yeast_per_g=0.05, bacteria_per_g=100.0, wild_per_g=2e3,
    ),
    "whole wheat": Flour(
        sugar=0.022, starch=0.08, moisture=0.13, amylase_per_h=0.100, ph=6.2, buffer_mol_per_kg=0.065,
        holding=1.9, burst_power=9.0, nutrition=1.18, yeast_per_g=0.3, bacteria_per_g=1e3, wild_per_g=2e4,
    ),
    "rye": Flour(
        sugar=0.030, starch=0.09, moisture=0.14, amylase_per_h=0.110, ph=6.2, buffer_mol_per_kg=0.062,
        holding=1.5, burst_power=2.0, nutrition=1.15, yeast_per_g=0.5, bacteria_per_g=2e3, wild_per_g=3e4,
    ),
}  # fmt: skip
