"""What a sensor above the surface would read: optical ranging and ultrasonic echo, in arrays of readings.

`scene.py` gives the true level and the air; `faults.py` spoils the result afterwards. Everything that has a memory from
stretch to stretch (heaving, the lid's offset, the headspace's gas) is kept in `Sensor`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import accumulate

import numpy as np

from monitor.simulator.random_numbers import Floats, RandomNumbers
from monitor.simulator.scenario import SensorPlan

# Optical ranging of this class is guaranteed to 40 mm at best; nearer, it reads up to a few mm too far.
NEAR_BIAS = 0.25  # of what is missing to `near_mm`
# Datasheets state +-10 mm typical over 90 degC: a tenth of a mm a degree, and the sign differs from part to part.
DRIFT_MM_PER_C = 0.12
# Diameter of the spot over the distance: 25 and 15 degrees of view (datasheets of either class). What of the spot falls
# on the wall comes back sooner, and the answer is a weighted mean.
SPOT_RATIO = {"optical": 0.443, "ultrasonic": 0.263}
WALL_NEARER = 0.15  # of the distance: the lit part of the wall lies that much nearer, on the mean
NOISE_GROWS_PER_MM = 0.002  # the return gets weaker with distance
HOOCH_DEPTH_MM = 2.0  # light goes some way into a clear liquid before it meets the flour
COARSENS_H = 8.0  # small bubbles lose their gas to large ones within hours (Ostwald ripening): a guess
HEAVING_S = 600.0  # a bubbly surface heaves over some ten minutes, and pops
# DS18B20-class probe: +-0.5 degC, 12 bits
PROBE_OFFSET_C, PROBE_NOISE_C, PROBE_STEP_C = 0.2, 0.03, 0.0625
# Relative humidity in the headspace of a jar of dough, and the error of a cheap humidity sensor
HEADSPACE_HUMIDITY_PCT, HUMIDITY_NOISE_PCT = 97.0, 1.5
ECHO_NEAREST_MM = 20.0  # datasheets of 40 kHz modules: 2 cm
# ml/h of headspace gas that a lid exchanges with the room: an open jar, a lid laid on, a lid screwed half tight
VENTS_ML_PER_H = {"open": 8000.0, "loose": 900.0, "tight": 120.0}
HEADSPACE_LAG_S = 1200.0
AIRED_CO2 = 0.003  # mole fraction that is left after the lid was off
# Ideal-gas mixture: molar masses (g/mol) and heat capacities (J/mol/K) of air, carbon dioxide and water vapour
_AIR, _CO2, _H2O = (28.96, 29.12), (44.01, 37.0), (18.02, 33.6)
_R = 8.314462618


def sound_m_per_s(air_c: Floats, co2: Floats, humidity_pct: float) -> Floats:
    """Speed of sound in moist air with a mole fraction `co2` of carbon dioxide: an ideal-gas mixture, within 0.5 %."""
    kelvin = air_c + 273.15
    saturated_pa = 610.94 * np.exp(17.625 * air_c / (air_c + 243.04))  # Magnus; Alduchov and Eskridge 1996
    water = humidity_pct / 100 * saturated_pa / 101325.0
    air = 1 - co2 - water
    mass = (air * _AIR[0] + co2 * _CO2[0] + water * _H2O[0]) / 1000
    heat = air * _AIR[1] + co2 * _CO2[1] + water * _H2O[1]
    return np.sqrt(heat / (heat - _R) * _R * kelvin / mass)


def headspace_co2(escaping_ml_per_h: Floats, venting: str) -> Floats:
    """Mole fraction of CO2 in the headspace when as much leaves under the lid as comes out of the dough."""
    return np.clip(escaping_ml_per_h / (escaping_ml_per_h + VENTS_ML_PER_H[venting]), 0.0004, 0.97)


@dataclass(slots=True)
class Reported:
    """What a device would report, before faults; nan where it has nothing to report. One element a reading."""

    time_s: Floats
    distance_mm: Floats
    echo_us: Floats
    temperature_c: Floats
    air_c: Floats
    humidity_pct: Floats


@dataclass(slots=True)
class Seen:
    """What there is to see at each reading: the surface's true distance and what blurs it."""

    time_s: Floats
    distance_mm: Floats
    width_mm: Floats  # of the jar at the surface
    expansion: Floats  # gas over gas-free dough: how bubbly it is
    since_fed_h: Floats  # how old its foam is; 0 where it was never fed
    hooch: Floats  # share of the water that stands on top
    jar_c: Floats
    room_c: Floats
    escaping_ml_per_h: Floats


class Sensor:
    """One sensor with its own part's errors and its memory."""

    def __init__(self, plan: SensorPlan, seed: int, jar: str, sampling_s: float) -> None:
        self._plan = plan
        self._noise = RandomNumbers(seed, jar, "noise")
        self._heave = RandomNumbers(seed, jar, "heave")
        self._drop = RandomNumbers(seed, jar, "dropouts")
        self._probe = RandomNumbers(seed, jar, "probe")
        self._keep = math.exp(-sampling_s / HEAVING_S)
        self._heaving = 0.0
        self._lag = math.exp(-sampling_s / HEADSPACE_LAG_S)
        self._co2: float | None = None
        part = RandomNumbers(seed, jar, "part").normal(2)
        self._drift_mm_per_c = DRIFT_MM_PER_C * float(part[0])
        self._probe_c = PROBE_OFFSET_C * float(part[1])

    def aired(self) -> None:
        """The lid is off: the headspace's gas is gone."""
        self._co2 = AIRED_CO2

    def report(self, seen: Seen) -> Reported:
        """The readings of one stretch, in order."""
        count = len(seen.time_s)
        plan = self._plan
        noise = self._noise.normal(count)
        kicks = self._heave.normal(count) * math.sqrt(1 - self._keep**2)
        heave = _smoothed(kicks, self._keep, self._heaving)
        self._heaving = float(heave[-1]) if count else self._heaving
        missing = self._drop.uniform(count) < plan.dropouts
        probe = self._probe.normal(count)

        spot_mm = np.maximum(SPOT_RATIO[plan.kind] * seen.distance_mm, 1e-3)
        on_wall = 1 - np.minimum(1.0, seen.width_mm / spot_mm) ** 2
        surface_mm = seen.distance_mm * (1 - WALL_NEARER * on_wall)
        surface_mm = surface_mm + plan.breathing_mm * np.minimum(seen.expansion, 2.5) * heave
        nan = np.full(count, np.nan)
        air_c = 0.7 * seen.jar_c + 0.3 * seen.room_c  # the headspace lies between the dough and the lid
        distance_mm, echo_us = nan, nan
        surface_mm = surface_mm * (1 + plan.range_bias)
        if plan.kind == "optical":
            coarse = 1 - np.exp(-seen.since_fed_h / COARSENS_H)
            surface_mm = surface_mm + plan.foam_mm * np.minimum(seen.expansion, 1.0) * coarse
            surface_mm = surface_mm + HOOCH_DEPTH_MM * np.clip(seen.hooch / 0.03, 0, 1)
            surface_mm = surface_mm + self._drift_mm_per_c * (seen.room_c - 22.0)
            surface_mm = surface_mm + NEAR_BIAS * np.maximum(0.0, plan.near_mm - surface_mm)
            spread_mm = plan.noise_mm * (1 + NOISE_GROWS_PER_MM * np.maximum(0.0, surface_mm - 50))
            distance_mm = np.where(
                missing, np.nan, rounded(np.maximum(surface_mm + spread_mm * noise, 0.0), plan.step_mm)
            )
        else:
            wanted = headspace_co2(seen.escaping_ml_per_h, plan.venting)
            before = self._co2 if self._co2 is not None else float(wanted[0]) if count else 0.0
            co2 = _smoothed(wanted * (1 - self._lag), self._lag, before)
            self._co2 = float(co2[-1]) if count else self._co2
            true_us = 2000.0 * (surface_mm + plan.noise_mm * noise) / sound_m_per_s(air_c, co2, HEADSPACE_HUMIDITY_PCT)
            echo_us = np.where(missing | (surface_mm < ECHO_NEAREST_MM), np.nan, np.round(true_us))
        return Reported(
            time_s=seen.time_s,
            distance_mm=distance_mm,
            echo_us=echo_us,
            temperature_c=rounded(seen.jar_c + self._probe_c + PROBE_NOISE_C * probe, PROBE_STEP_C),
            air_c=rounded(air_c + PROBE_NOISE_C * noise, 0.01) if plan.air else nan,
            humidity_pct=rounded(HEADSPACE_HUMIDITY_PCT + HUMIDITY_NOISE_PCT * probe, 0.1) if plan.humidity else nan,
        )


def rounded(values: Floats, step: float) -> Floats:
    """Rounded to multiples of `step`, then to 4 decimals so that the text is short; step 0: two decimals."""
    return np.round(np.round(values / step) * step, 4) if step > 0 else np.round(values, 2)


def _smoothed(kicks: Floats, keep: float, before: float) -> Floats:
    """x[i] = keep x[i-1] + kicks[i], from x[-1] = before."""
    after = accumulate(kicks.tolist(), lambda x, kick: keep * x + kick, initial=before)
    return np.array(list(after)[1:], dtype=np.float64)
