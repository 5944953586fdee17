"""The dough: yeast, lactic acid bacteria and gas in one jar, as ordinary differential equations in grams and hours.

`scene.py` integrates it between the things that the baker does, at the temperatures that `kitchen.py` gives, and hands
the volume to the sensor. It is a mechanism and not a drawn curve: nobody tells it when to peak.

    flour -> damaged starch --amylase--> sugar --yeast-------> 2 CO2 + 2 ethanol              (+ cells)
                                               --bacteria----> CO2 + lactate + ethanol        (+ cells)
                                               or -----------> 2 lactate
                                               or 3 sugar ---> CO2 + lactate + acetate + 2 mannitol
    CO2 -> dissolved (Henry) -> held as gas, up to what the gluten can hold -> escaped
    acid, warmth and time -> gluten weakens -> less can be held -> the surface falls

Growth is Monod's on sugar with the lag of Baranyi and Roberts (1994, Int. J. Food Microbiol. 23:277-294); fermentation
is Luedeking and Piret's (1959): a part that goes with growth and one that goes on without. Temperature and pH come in
through `growth_law.py`, in product form (Zwietering's gamma concept, 1992).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import astuple, dataclass, fields
from typing import Any, TypeAlias

from monitor.simulator.flours import Flour
from monitor.simulator.growth_law import (
    BACTERIA,
    KAZACHSTANIA,
    WILD,
    Cardinals,
    ph_factor,
    q10_factor,
    temperature_factor,
)
from monitor.simulator.random_numbers import Floats

# molar masses, g/mol
HEXOSE, STARCH_UNIT, WATER, CO2 = 180.156, 162.141, 18.015, 44.009
ETHANOL, LACTIC, ACETIC, MANNITOL = 46.068, 90.078, 60.052, 182.172
GAS_CONSTANT = 8.314462618  # J/mol/K
PRESSURE_PA = 101_325.0

# dry mass of a cell, g; orders of magnitude from textbooks
YEAST_CELL_G, BACTERIUM_G = 2.0e-11, 3.0e-13
YEAST_YIELD, BACTERIA_YIELD = 0.10, 0.10  # g cells per g sugar, anaerobic (textbook)

# Best specific growth rates, 1/h. Yeast: about 0.42 at 27 degC in the model of Gaenzle et al. 1998.
YEAST_RATE, BACTERIA_RATE, WILD_RATE = 0.37, 0.55, 0.85
# Sugar that cells ferment without growing, g per g and h at their best temperature.
YEAST_UPKEEP, BACTERIA_UPKEEP = 1.0, 3.4
# Cells per g of dough at which growth has stopped for want of anything but sugar (ripe starters hold 1e7 to 1e8 yeasts
# and 1e9 or a little more bacteria per g).
YEAST_FULL_PER_G, BACTERIA_FULL_PER_G = 1.0e8, 3.0e9
# A stiff dough is slow (osmotic): half the water is to take 10 to 25 % more time. Beyond thin batter no more is gained.
OSMOTIC_POWER, OSMOTIC_MOST = 0.4, 1.15
BACTERIA_FOLLOW = 0.5  # vigour is the yeast's; what keeps it lively keeps its bacteria livelier too, by the square root
SUGAR_HALF = 0.003  # g sugar per g water at which uptake is half (Monod)
# Gaenzle et al. 1998: 150 mM undissociated acetic acid stops the yeast; bacteria grow from pH 3.8 to 6.7 and go on
# making acid to pH 3.6
ACETIC_STOPS_MOL_PER_KG = 0.150
BACTERIA_PH = (3.8, 5.3, 6.9)
ACID_STOPS_PH = 3.6
# The false start's bacteria give up at a mild acidity (textbook).
WILD_PH = (4.4, 6.5, 8.5)
LACTATE_SHARE = 0.4  # of the bacteria's sugar that goes to lactate alone: those that do not make gas
ACETATE_SHARE = 0.2  # of the bacteria's sugar that goes by the mannitol branch: acetic is 10 to 30 % of the acid
LACTIC_PKA, ACETIC_PKA = 3.86, 4.76
STARVED_DEATH_PER_H = 0.004  # of yeast and bacteria with no sugar left, at 25 degC
STARVED_FORGETS_PER_H = 0.045  # loss of readiness: a neglected starter wakes up later

# Henry's constant, 0.034 mol/L/atm at 25 degC, 2400 K: Sander 2015, Atmos. Chem. Phys. 15:4399-4981
HENRY_MOL_PER_L, HENRY_K = 0.034, 2400.0
BUBBLING_PER_H = 8.0  # how fast dissolved CO2 finds a bubble; only its order matters
AIR_RATIO = 0.08  # air that stirring leaves in, over gas-free dough (a dough mixer leaves 4 to 8 %, textbook)
SURFACE_LOSS_PER_H = 0.03  # of the dissolved CO2, straight to the headspace
BURST_SHARE = 0.25  # of new gas that leaves at once through the surface
LEAK_PER_H = 0.02  # of the held gas, through sound films
# Of the held gas at the limit of holding; so steep around it that the top stays level while less and less gas is made.
# No dough stands above its limit for long: `BURST_MOST` times the limit is as fast as it gets.
BURST_PER_H, BURST_MOST = 0.6, 1.6
# Gluten: loss of bonds per h at 25 degC by age, and by acid (swelling, and proteases that work best near pH 4). Set so
# that a feeding holds its top about as long as was filmed: `tests/simulator/test_measured_rises.py`.
AGEING_PER_H, ACID_WEAKENS_PER_H, ACID_WEAKENS_PH, ACID_WEAKENS_WIDTH = 0.008, 0.10, 4.0, 0.16
SEED_WEAKENS = 3.0  # the kept starter brings proteases and thiols: a leaner feeding holds longer (filmed: 4 h and 2 h)
DRY_HOLDS_POWER = 0.5  # a drier dough holds longer, common practice; the power is a guess
GLUTEN_LEFT = 0.12  # what even an old starter still has
# A network carries on with a third of its bonds gone and fails when most are: share of bonds at which it holds half
NETWORK_HALF, NETWORK_POWER = 0.40, 4
# Gas-free densities, g/ml: flour's dry matter 1.45 (1.4 to 1.55)
FLOUR_SOLID_G_PER_ML, WATER_G_PER_ML, SOLUTE_G_PER_ML = 1.45, 0.998, 1.4
HOOCH_PER_H, HOOCH_SHARE = 0.02, 0.12  # how fast, and how much of the water, parts from a dough that holds nothing


@dataclass(frozen=True, slots=True, kw_only=True)
class Dough:
    """All that is in the jar, in grams, and the state of the living and the gluten. The order is the solver's.

    Grams (all but `escaped`) are in the jar; together with `escaped` they are conserved between the baker's doings.
    """

    yeast: float
    bacteria: float
    wild: float
    dead: float
    sugar: float
    starch: float
    water: float
    lactic: float
    acetic: float
    mannitol: float
    ethanol: float
    dissolved: float
    gas: float
    escaped: float
    yeast_ready: float  # share of the full rate at which the cells go, 0 to 1: Baranyi's q / (1 + q)
    bacteria_ready: float
    gluten: float  # 1 as milled, towards 0
    hooch: float  # share of the water that stands on top


State: TypeAlias = "Dough | Sequence[Any] | Floats"
STATE = tuple(f.name for f in fields(Dough))
(
    _YEAST, _BACTERIA, _WILD, _DEAD, _SUGAR, _STARCH, _WATER, _LACTIC, _ACETIC, _MANNITOL, _ETHANOL, _DISSOLVED, GAS,
    ESCAPED, _, _, _GLUTEN, HOOCH,
) = range(len(STATE))  # fmt: skip
GRAMS = STATE[: ESCAPED + 1]


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """What does not change between two doings of the baker: the inert flour, its kind, the yeast's vigour."""

    solids_g: float  # flour's dry matter that nothing here eats: intact starch, protein, bran
    flour_g: float  # flour as weighed, old and new together
    blend: Flour  # the flours' properties, by weight
    vigour: float = 1.0
    yeast: Cardinals = KAZACHSTANIA
    seed_share: float = 0.0  # of the flour that came with what was kept at the last feeding
    air_ml: float = 0.0  # stirred in: the bubbles that the CO2 finds


def ph_of(dough: Dough, batch: Batch) -> float:
    """pH of the dough: the acids' anions balance what the flour's buffer has taken up."""
    return _ph(
        dough.lactic / LACTIC,
        dough.acetic / ACETIC,
        batch.flour_g * batch.blend.buffer_mol_per_kg / 1000,
        batch.blend.ph,
    )


def _ph(lactic_mol: float, acetic_mol: float, buffer_mol_per_ph: float, flour_ph: float) -> float:
    """The one root of  buffer (pH0 - pH) = sum of acid / (1 + 10^(pKa - pH)), by Newton's method."""
    ph = 4.2
    for _ in range(8):
        a = 1.0 / (1.0 + 10.0 ** (LACTIC_PKA - ph))
        b = 1.0 / (1.0 + 10.0 ** (ACETIC_PKA - ph))
        error = lactic_mol * a + acetic_mol * b - buffer_mol_per_ph * (flour_ph - ph)
        slope = 2.302585 * (lactic_mol * a * (1 - a) + acetic_mol * b * (1 - b)) + buffer_mol_per_ph
        step = error / slope
        ph -= step
        if abs(step) < 1e-6:
            break
    return ph


def molar_volume_ml(temperature_c: Any) -> Any:
    """ml of gas per mol at one atmosphere (ideal gas)."""
    return 1e6 * GAS_CONSTANT * (temperature_c + 273.15) / PRESSURE_PA


def saturation_g_per_g(temperature_c: float) -> float:
    """g CO2 that 1 g of water holds under one atmosphere of it (Henry)."""
    return HENRY_MOL_PER_L * math.exp(HENRY_K * (1 / (temperature_c + 273.15) - 1 / 298.15)) * CO2 / 1000


def gas_free_ml(state: State, batch: Batch) -> Any:
    """Volume of the dough without its bubbles, ml; for a Dough, or for each column of a matrix of states."""
    y = astuple(state) if isinstance(state, Dough) else state
    solid_g = batch.solids_g + y[_STARCH] + y[_YEAST] + y[_BACTERIA] + y[_WILD] + y[_DEAD]
    solute_g = y[_SUGAR] + y[_LACTIC] + y[_ACETIC] + y[_MANNITOL] + y[_ETHANOL] + y[_DISSOLVED]
    return solid_g / FLOUR_SOLID_G_PER_ML + y[_WATER] / WATER_G_PER_ML + solute_g / SOLUTE_G_PER_ML


def gas_ml(state: State, temperature_c: Any) -> Any:
    """Volume of the gas that is held, ml."""
    y = astuple(state) if isinstance(state, Dough) else state
    return y[GAS] / CO2 * molar_volume_ml(temperature_c)


def volume_ml(state: State, batch: Batch, temperature_c: Any) -> Any:
    """Volume of the dough with the gas that it holds, ml."""
    return gas_free_ml(state, batch) + batch.air_ml + gas_ml(state, temperature_c)


def mass_g(dough: Dough, batch: Batch) -> float:
    """Everything in the jar, without what has escaped, g."""
    grams: list[float] = [getattr(dough, name) for name in GRAMS]
    return batch.solids_g + sum(grams) - dough.escaped


@dataclass(frozen=True, slots=True, kw_only=True)
class TemperatureFactors:
    """All that one temperature decides: shares of the best rates, and what gas does. `temperature_factors` makes it."""

    yeast: float
    bacteria: float
    wild: float
    slow: float  # enzymes, ageing and death, over their rate at 25 degC
    saturation_g_per_g: float
    gas_ml_per_g: float


def temperature_factors(temperature_c: float, yeast: Cardinals = KAZACHSTANIA) -> TemperatureFactors:
    """What the dough needs to know about a temperature, worked out once for all that happens at it."""
    return TemperatureFactors(
        yeast=temperature_factor(temperature_c, yeast),
        bacteria=temperature_factor(temperature_c, BACTERIA),
        wild=temperature_factor(temperature_c, WILD),
        slow=q10_factor(temperature_c, 2.0),
        saturation_g_per_g=saturation_g_per_g(temperature_c),
        gas_ml_per_g=molar_volume_ml(temperature_c) / CO2,
    )


def fastest_per_h(state: Sequence[float], batch: Batch, warm: TemperatureFactors) -> float:
    """The fastest rate at which anything here comes to rest, 1/h: CO2 finding its bubbles while those are small, or
    bubbles bursting above what the dough can hold. It bounds the step of an explicit solver."""
    held_ml = max(state[GAS], 0.0) * warm.gas_ml_per_g
    air_share = batch.air_ml * warm.gas_ml_per_g / (held_ml + batch.air_ml) ** 2
    bubbling = BUBBLING_PER_H * (1.0 + warm.saturation_g_per_g * state[_WATER] * air_share)
    full = min(held_ml / _limit_ml(state, batch), BURST_MOST)
    power = batch.blend.burst_power
    return bubbling + (power + 1) * BURST_PER_H * math.pow(full, power)


def _limit_ml(state: Sequence[float], batch: Batch) -> float:
    """Gas that the dough can hold, ml; a stiffer dough has stronger films."""
    water = state[_WATER]
    free_ml = (batch.solids_g + state[_STARCH]) / FLOUR_SOLID_G_PER_ML + water / WATER_G_PER_ML
    hydration = water / batch.flour_g
    stiff = min(1.4, max(0.6, 1.0 / math.sqrt(max(hydration, 0.3))))
    bonds = max(state[_GLUTEN], 0.0) ** NETWORK_POWER
    network = bonds * (1 + NETWORK_HALF**NETWORK_POWER) / (bonds + NETWORK_HALF**NETWORK_POWER)
    return batch.blend.holding * network * stiff * free_ml


def slope(batch: Batch) -> Callable[[Sequence[float], TemperatureFactors], list[float]]:
    """The right-hand side d(state)/dt for the solver, 1/h. In plain floats: the same bits anywhere."""
    blend = batch.blend
    buffer_mol = batch.flour_g * blend.buffer_mol_per_kg / 1000
    nutrition, vigour = blend.nutrition, batch.vigour

    def rates(y: Sequence[float], warm: TemperatureFactors) -> list[float]:
        # fmt: off
        (yeast, bacteria, wild, _, sugar, starch, water, lactic, acetic, _, _, dissolved, gas, _,
         yeast_wake, bacteria_wake, gluten, hooch) = y
        # fmt: on
        sugar = max(sugar, 0.0)
        gas = max(gas, 0.0)
        total_g = water + batch.solids_g + starch + sugar
        ph = _ph(lactic / LACTIC, acetic / ACETIC, buffer_mol, blend.ph)
        food = sugar / (sugar + SUGAR_HALF * water)

        # the living
        undissociated = acetic / ACETIC / total_g * 1000 / (1 + 10 ** (ph - ACETIC_PKA))
        wet = min(OSMOTIC_MOST, (water / batch.flour_g) ** OSMOTIC_POWER)
        yeast_go = wet * warm.yeast * food * max(0.0, 1 - undissociated / ACETIC_STOPS_MOL_PER_KG) * vigour
        yeast_room = max(0.0, 1 - yeast / (YEAST_FULL_PER_G * YEAST_CELL_G * total_g))
        yeast_grows = YEAST_RATE * nutrition * yeast_go * yeast_wake * yeast_room * yeast
        bacteria_go = vigour**BACTERIA_FOLLOW * wet * warm.bacteria * food
        acid_go = min(1.0, max(0.0, (ph - ACID_STOPS_PH) / 0.4))  # fermentation fades over the last 0.4 of pH
        bacteria_room = max(0.0, 1 - bacteria / (BACTERIA_FULL_PER_G * BACTERIUM_G * total_g))
        bacteria_grows = (
            BACTERIA_RATE
            * nutrition
            * bacteria_go
            * ph_factor(ph, *BACTERIA_PH)
            * bacteria_wake
            * bacteria_room
            * bacteria
        )
        wild_go = warm.wild * food * ph_factor(ph, *WILD_PH)
        wild_room = max(0.0, 1 - wild / (BACTERIA_FULL_PER_G / 3 * BACTERIUM_G * total_g))
        wild_grows = WILD_RATE * wild_go * wild_room * wild
        hunger = 1 - food
        decay = STARVED_DEATH_PER_H * warm.slow
        forgets = STARVED_FORGETS_PER_H * warm.slow * hunger
        yeast_dies, bacteria_dies = decay * hunger * yeast, decay * hunger * bacteria
        wild_dies = (decay + (0.15 if ph < WILD_PH[0] else 0.0)) * wild

        # the sugar they take, beyond what becomes cells
        yeast_eats = yeast_grows * (1 / YEAST_YIELD - 1) + YEAST_UPKEEP * yeast_go * yeast_wake * yeast
        bacteria_eats = (
            bacteria_grows * (1 / BACTERIA_YIELD - 1)
            + BACTERIA_UPKEEP * bacteria_go * acid_go * bacteria_wake * bacteria
        )
        wild_eats = wild_grows * (1 / BACTERIA_YIELD - 1) + BACTERIA_UPKEEP * wild_go * wild
        acetate_eats = ACETATE_SHARE * bacteria_eats
        lactate_eats = LACTATE_SHARE * bacteria_eats
        ethanol_eats = bacteria_eats - acetate_eats - lactate_eats + wild_eats
        amylase = blend.amylase_per_h * warm.slow * min(1.0, max(0.1, (ph - 3.2) / 1.8)) * starch
        unit = amylase / STARCH_UNIT  # mol/h of glucose units freed, each with one water
        mannitol_branch = acetate_eats / (3 * HEXOSE)

        # the gas
        co2 = yeast_eats / HEXOSE * 2 * CO2 + ethanol_eats / HEXOSE * CO2 + mannitol_branch * CO2
        held_ml = gas * warm.gas_ml_per_g
        purity = held_ml / (
            held_ml + batch.air_ml
        )  # bubbles begin as air and take up CO2 long before the water is full
        to_gas = BUBBLING_PER_H * (dissolved - purity * warm.saturation_g_per_g * water)
        leak = (LEAK_PER_H + BURST_PER_H * min(held_ml / _limit_ml(y, batch), BURST_MOST) ** blend.burst_power) * gas
        lost_new = BURST_SHARE * max(to_gas, 0.0)
        lost_surface = SURFACE_LOSS_PER_H * dissolved

        # the gluten
        sour = 1 / (1 + math.exp(min(50.0, (ph - ACID_WEAKENS_PH) / ACID_WEAKENS_WIDTH)))
        weaker = (
            (AGEING_PER_H + ACID_WEAKENS_PER_H * sour)
            * (water / batch.flour_g) ** DRY_HOLDS_POWER
            * (1 + SEED_WEAKENS * batch.seed_share)
            * warm.slow
            * (gluten - GLUTEN_LEFT)
        )
        tired = max(0.0, 1 - (gluten - GLUTEN_LEFT) / 0.15)
        return [
            yeast_grows - yeast_dies,
            bacteria_grows - bacteria_dies,
            wild_grows - wild_dies,
            yeast_dies + bacteria_dies + wild_dies,
            unit * HEXOSE - yeast_grows - bacteria_grows - wild_grows - yeast_eats - bacteria_eats - wild_eats,
            -amylase,
            -unit * WATER - mannitol_branch * WATER,
            (2 * lactate_eats + ethanol_eats) / HEXOSE * LACTIC + mannitol_branch * LACTIC,
            mannitol_branch * ACETIC,
            2 * mannitol_branch * MANNITOL,
            yeast_eats / HEXOSE * 2 * ETHANOL + ethanol_eats / HEXOSE * ETHANOL,
            co2 - to_gas - lost_surface,
            to_gas - lost_new - leak,
            lost_new + leak + lost_surface,
            YEAST_RATE * yeast_go * yeast_wake * (1 - yeast_wake) - forgets * yeast_wake,
            BACTERIA_RATE * bacteria_go * bacteria_wake * (1 - bacteria_wake) - forgets * bacteria_wake,
            -weaker,
            HOOCH_PER_H * warm.slow * tired * (HOOCH_SHARE - hooch),
        ]

    return rates
