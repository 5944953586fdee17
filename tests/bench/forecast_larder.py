"""A fourth kind of invented cultures, made after the model was: only that its prior may be wide was decided with it.

Yeast grows by Monod's law on a larder of sugar that it uses up in proportion to what is left; temperature acts by the
plain square-root law (Ratkowsky et al. 1982, J. Bact. 149:1) on it, and by a Q10 of its own on the gluten, whose life
from the peak on decides when the fall begins. Doughs are weighed with an error, lags differ from cycle to cycle, and
once in their life many are given another flour that nobody tells of.
"""

from __future__ import annotations

import copy

import numpy as np

from tests.bench.forecast_cultures import HOURS, STEP_H, STEPS, Floats, Outcome

EATEN = 0.75  # of the sugar: there it stands at its peak


class Larder:
    """See the module's head."""

    def __init__(self, rng: np.random.Generator, n: int) -> None:
        self.rng, self.n = rng, n
        self.least_c = rng.uniform(-1.0, 4.0, n)
        self.growth = np.exp(rng.normal(np.log(0.75), 0.2, n))  # per h at 25 degC
        self.half_sugar = rng.uniform(0.1, 0.5, n)
        self.appetite = rng.uniform(0.25, 0.6, n)  # sugar per yeast, beside the growth
        self.gas = rng.uniform(1.2, 2.1, n)
        self.scatter_sd, self.drift_sd = rng.uniform(0.04, 0.08, n), rng.uniform(0.0, 0.03, n)
        self.wait_h = np.exp(rng.normal(np.log(2.0), 0.5, n))  # at 25 degC
        self.wait_q10, self.wait_sd = rng.uniform(1.5, 3.5, n), rng.uniform(0.1, 0.3, n)
        self.new_flour_at = rng.integers(3, 16, n)
        self.number = 0
        self.yeast = self.yeast_after = rng.uniform(0.7, 1.0, n)

    def cycle(self, dilution: Floats, temperatures_c: Floats) -> Outcome:
        rng, n = self.rng, self.n
        self.growth = self.growth * np.exp(rng.normal(0.0, 1.0, n) * self.drift_sd)
        new_flour = self.number == self.new_flour_at
        self.growth = np.where(new_flour, self.growth * np.exp(rng.normal(0.0, 0.12, n)), self.growth)
        self.wait_h = np.where(new_flour, self.wait_h * np.exp(rng.normal(0.0, 0.25, n)), self.wait_h)
        self.number += 1
        today = self.growth * np.exp(rng.normal(0.0, 1.0, n) * self.scatter_sd)
        yeast = self.yeast / (dilution * np.exp(rng.normal(0.0, 0.04, n)))
        lag_h = rng.uniform(0.5, 1.5, n)
        lasts_h = self.wait_h * np.exp(rng.normal(0.0, 1.0, n) * self.wait_sd)
        sugar, gas, age_h, since_h, top = np.ones(n), np.zeros(n), np.zeros(n), np.zeros(n), np.zeros(n)
        peak_h, fall_h = np.full(n, np.inf), np.full(n, np.inf)
        curve = np.empty((n, STEPS))
        for i in range(STEPS):
            c = temperatures_c[:, int(i * STEP_H)]
            law = np.where(c < 33.0, (np.maximum(c - self.least_c, 0.3) / (25.0 - self.least_c)) ** 2, 0.05)
            age_h = age_h + law * STEP_H
            go = today * law * np.clip(age_h / lag_h, 0.0, 1.0)
            grown = go * sugar / (sugar + self.half_sugar) * yeast * (1.0 - yeast)
            eaten = go * self.appetite * yeast * sugar
            yeast, sugar = yeast + STEP_H * grown, np.maximum(sugar - STEP_H * eaten, 0.0)
            gas = gas + STEP_H * (eaten * self.gas - 0.02 * law * gas)
            peak_h = np.where((sugar < 1.0 - EATEN) & np.isinf(peak_h), i * STEP_H, peak_h)
            past = np.isfinite(peak_h)
            top = np.where(past, top, gas)
            since_h = np.where(past, since_h + STEP_H * self.wait_q10 ** ((c - 25.0) / 10.0), 0.0)
            over_h = np.maximum(since_h - lasts_h, 0.0)
            fall_h = np.where((over_h > 0.0) & np.isinf(fall_h), i * STEP_H, fall_h)
            curve[:, i] = 1.0 + np.where(past, top * np.maximum(1.0 - 0.002 * since_h - 0.06 * over_h, 0.2), gas)
        self.yeast_after = yeast
        peak_h, fall_h = np.minimum(peak_h, HOURS), np.minimum(fall_h, HOURS)
        seen_fall_h = fall_h + rng.normal(0.0, 0.15, n)
        return Outcome(
            peak_h=peak_h,
            fall_h=fall_h,
            seen_peak_h=np.minimum(peak_h + rng.normal(0.0, 0.3, n), seen_fall_h),
            seen_fall_h=seen_fall_h,
            curve=curve,
            temperatures_c=temperatures_c,
            peak_ratio=curve.max(axis=1),
        )

    def feed_at(self, end_h: Floats) -> None:
        """What yeast there was at the end is carried over."""
        self.yeast = np.clip(self.yeast_after, 0.3, 1.0)

    def copy(self) -> Larder:
        return copy.deepcopy(self)
