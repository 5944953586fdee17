"""The simulator's integrator: right against a strict one, and the same wherever it runs."""

from __future__ import annotations

import math
import os
import subprocess
import sys
from dataclasses import astuple
from functools import cache

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from monitor.simulator import dough as dough_module
from monitor.simulator import growth_law
from monitor.simulator.dough import GAS, Batch, Dough, slope, temperature_factors, volume_ml
from monitor.simulator.handling import fed, stirred
from monitor.simulator.integrator import grow, ripe_starter

HOURS = 24
AREA_ML_PER_MM = math.pi / 4 * 8.5**2 / 10  # a jar of 85 mm


@cache
def fresh(ratio: int, flour: str, hydration: float) -> tuple[Dough, Batch]:
    dough, batch = ripe_starter(flour, 300.0, 1.0, 1.0, 0.6)
    return fed(dough, batch, keep_g=25.0, flour_g=25.0 * ratio, water_g=25.0 * ratio * hydration, flour=flour)


def surface_mm(states, batch: Batch, jar_c) -> np.ndarray:
    return np.asarray(volume_ml(states, batch, np.asarray(jar_c))) / AREA_ML_PER_MM


def night_c() -> list[float]:
    """A kitchen that cools by 6 degC and warms again."""
    return [23.0 + 3.0 * math.cos(2 * math.pi * minute / 1440) for minute in range(HOURS * 60 + 1)]


@pytest.mark.parametrize(
    ("ratio", "flour", "hydration", "jar_c"),
    [(4, "white", 1.0, [24.0] * 1441), (1, "rye", 1.3, [33.0] * 1441), (8, "white", 0.5, [4.5] * 1441),
     (4, "whole wheat", 1.0, night_c())],
)  # fmt: skip
def test_it_agrees_with_a_strict_solver(ratio, flour, hydration, jar_c):
    """scipy's Radau (Hairer and Wanner 1996) at a relative error of 1e-9; asked: a hundredth of a sensor's step."""
    dough, batch = fresh(ratio, flour, hydration)
    rates = slope(batch)
    minutes = np.arange(len(jar_c))

    def strict(hours, y):
        return rates(y.tolist(), temperature_factors(float(np.interp(hours * 60, minutes, jar_c))))

    wanted = solve_ivp(
        strict, (0, HOURS), np.array(astuple(dough)), method="Radau", rtol=1e-9, atol=1e-13, t_eval=minutes[::10] / 60
    )
    ours = grow(dough, batch, jar_c)[:, ::10]
    off_mm = surface_mm(ours, batch, jar_c[::10]) - surface_mm(wanted.y, batch, jar_c[::10])
    assert np.abs(off_mm).max() < 0.01


def test_a_part_and_then_the_rest_are_the_whole_to_the_last_bit():
    dough, batch = fresh(4, "white", 1.0)
    jar_c = night_c()
    whole = grow(dough, batch, jar_c)
    first = grow(dough, batch, jar_c[:501])
    again = Dough(**dict(zip(Dough.__dataclass_fields__, first[:, -1].tolist(), strict=True)))
    rest = grow(again, batch, jar_c[500:])
    assert np.array_equal(whole, np.concatenate([first, rest[:, 1:]], axis=1))


def test_bubbles_that_are_quicker_than_a_minute_are_followed():
    dough, batch = fresh(4, "white", 1.0)
    full = Dough(**dict(zip(Dough.__dataclass_fields__, grow(dough, batch, [26.0] * 481)[:, -1].tolist(), strict=True)))
    for state in (full, stirred(full, gas_left=0.0), stirred(full, gas_left=3.0)):  # three times what it can hold
        states = grow(state, batch, [26.0] * 121)
        assert np.isfinite(states).all()
        turns = np.count_nonzero(np.diff(np.sign(np.diff(states[GAS]))))
        assert turns <= 2  # it settles and does not swing


class LastBitOff:
    """`math`, but every exp and log is off by a unit in the last place, up or down: another C library's."""

    def __init__(self) -> None:
        self._calls = 0

    def __getattr__(self, name):
        return getattr(math, name)

    def _off(self, value: float) -> float:
        self._calls += 1
        return math.nextafter(value, math.inf if self._calls * 2654435761 % 2**32 < 2**31 else -math.inf)

    def exp(self, value: float) -> float:
        return self._off(math.exp(value))

    def log(self, value: float) -> float:
        return self._off(math.log(value))


def test_another_c_librarys_last_bit_moves_the_surface_by_next_to_nothing(monkeypatch):
    """A reading is rounded to a mm: a surface off by 1e-9 mm makes one of a thousand million another."""
    dough, batch = fresh(4, "white", 1.0)
    jar_c = night_c()
    here = surface_mm(grow(dough, batch, jar_c), batch, jar_c)
    elsewhere = LastBitOff()
    monkeypatch.setattr(dough_module, "math", elsewhere)
    monkeypatch.setattr(growth_law, "math", elsewhere)
    there = surface_mm(grow(dough, batch, jar_c), batch, jar_c)
    assert elsewhere._calls > 1000
    assert 0 < np.abs(there - here).max() < 1e-9


SIMD = np.show_config(mode="dicts")["SIMD Extensions"].get("found", ())


@pytest.mark.parametrize(
    "processor",
    [
        {"OPENBLAS_CORETYPE": "Haswell"},
        {"OPENBLAS_CORETYPE": "Prescott"},
        {"NPY_DISABLE_CPU_FEATURES": " ".join(SIMD)},
    ],
    ids=["haswell", "prescott", "without-simd"],
)
def test_an_older_processor_plays_the_same_run(processor):
    """numpy and its matrix library pick their kernels by the processor: with an older one's the bytes are the same."""
    code = (
        "from tests.simulator.test_scene import *\n"
        "print(sha256(b''.join(payload(m) for m in played(FEED + RATES, 12)[1])).hexdigest())"
    )
    own = {key: value for key, value in os.environ.items() if not key.startswith(("OPENBLAS_CORE", "NPY_DISABLE"))}
    said = [
        subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, env=env).stdout
        for env in (own, own | processor)
    ]
    assert said[0] == said[1]
