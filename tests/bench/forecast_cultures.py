"""Invented cultures to judge forecasts by: three kinds of four (the other is in `forecast_larder`), none sharing an
equation with `monitor.core.forecast.starter_model`.

`budding`: yeast, bacteria, sugar, gas and a dough that weakens with acid, in small steps; temperature acts by
the extended square-root law (Ratkowsky et al. 1983, J. Bact. 154:1222), the lag by a physiological state (Baranyi and
Roberts 1994, IJFM 23:277) that is worse for a starter fed late; the dough can hold only so much gas.
`tabular`: the trade's tables taken literally: hours fall by a factor per 8 degC, grow by so much per doubling of the
dilution, the fall comes a share of the rise later, and the scatter has heavy tails.

`Simulated` wraps the project's own mechanistic simulator, whose equations are not the model's either: gas, sugar, acid
and gluten as in `monitor/simulator/dough.py`. It is slow: some tenths of a second a cycle.

Vigour, its drift, flour, kitchen, ratio and habits are drawn at random for each culture; nothing here is measured.
"""

from __future__ import annotations

import copy
from collections.abc import Callable
from dataclasses import astuple, dataclass, replace

import numpy as np
from numpy.typing import NDArray

from monitor.simulator.dough import Batch, Dough, volume_ml
from monitor.simulator.handling import fed
from monitor.simulator.integrator import STEP_H as MINUTE_H
from monitor.simulator.integrator import dough_from, grow, ripe_starter

Floats = NDArray[np.float64]
STEP_H = 0.1
HOURS = 72
STEPS = int(HOURS / STEP_H)
PIECE_H = 18.0  # the slow kind is solved piece by piece, no further than anyone asks


@dataclass
class Outcome:
    """One cycle of every culture: hours to peak and start of fall (true and as seen), curve, temperatures."""

    peak_h: Floats
    fall_h: Floats
    seen_peak_h: Floats
    seen_fall_h: Floats
    curve: Floats  # (cultures, STEPS): rise ratio
    temperatures_c: Floats  # (cultures, HOURS): hourly means
    peak_ratio: Floats


class Kitchens:
    """Temperature: a mean, a daily swing, and weather that changes from day to day."""

    def __init__(self, rng: np.random.Generator, n: int) -> None:
        self.rng = rng
        self.mean_c = np.clip(rng.normal(21.5, 2.5, n), 16.0, 27.5)
        self.swing_c = rng.uniform(0.3, 2.5, n)
        self.phase_h = rng.normal(15.0, 2.0, n)
        self.weather_c = rng.normal(0.0, 1.3, n)

    def hours(self, start_h: Floats, steady_c: Floats | None = None) -> Floats:
        """(cultures, HOURS) hourly temperatures from `start_h`; the weather moves on."""
        n = len(self.mean_c)
        self.weather_c = 0.7 * self.weather_c + self.rng.normal(0.0, 1.0, n)
        if steady_c is not None:
            return np.repeat(steady_c[:, None], HOURS, axis=1)
        hour = start_h[:, None] + np.arange(HOURS)[None, :] + 0.5
        daily = self.swing_c[:, None] * np.cos(2 * np.pi * (hour - self.phase_h[:, None]) / 24.0)
        wander = np.cumsum(self.rng.normal(0.0, 0.12, (n, HOURS)), axis=1)
        return self.mean_c[:, None] + self.weather_c[:, None] + daily + wander


class Budding:
    """Yeast, bacteria, sugar and gas in a dough that weakens; see the module's head."""

    def __init__(self, rng: np.random.Generator, n: int) -> None:
        self.rng, self.n = rng, n
        self.least_c, self.most_c = rng.normal(2.5, 1.5, n), rng.normal(37.0, 1.0, n)
        self.bend = rng.uniform(0.2, 0.4, n)
        self.vigour = np.exp(rng.normal(np.log(0.42), 0.2, n))
        self.flour = np.exp(rng.normal(0.0, 0.1, n))
        self.drift_sd = rng.uniform(0.0, 0.04, n)
        self.scatter_sd = rng.uniform(0.02, 0.07, n)
        self.state0 = np.exp(rng.normal(0.0, 0.7, n))
        self.hold = rng.uniform(0.9, 1.5, n)  # gas the dough can hold, in volumes
        self.acid_speed = self.vigour * np.exp(rng.normal(np.log(1.05), 0.08, n))  # they live on one another
        self.gas_speed = self.hold * np.exp(rng.normal(np.log(0.85), 0.12, n))
        self.yeast = np.ones(n)
        self.late_h = np.zeros(n)
        self.start_acid = np.full(n, 0.8)

    def _law(self, c: Floats, least_c: Floats, most_c: Floats, bend: Floats) -> Floats:
        below = np.maximum(c - least_c, 0.0) * (1.0 - np.exp(bend * np.minimum(c - most_c, 0.0)))
        at_25 = (25.0 - least_c) * (1.0 - np.exp(bend * (25.0 - most_c)))
        return (below / at_25) ** 2

    def cycle(self, dilution: Floats, temperatures_c: Floats) -> Outcome:
        rng, n = self.rng, self.n
        self.vigour = self.vigour * np.exp(rng.normal(0.0, 1.0, n) * self.drift_sd)
        today = np.exp(rng.normal(0.0, 1.0, n) * self.scatter_sd)
        yeast, acid = self.yeast / dilution, self.start_acid / dilution
        bacteria = 0.5 / dilution
        state = self.state0 * np.exp(-np.minimum(self.late_h, 30.0) / 18.0)
        sugar, gas = np.ones(n), np.zeros(n)
        curve, yeasts, acids = np.empty((n, STEPS)), np.empty((n, STEPS)), np.empty((n, STEPS))
        for i in range(STEPS):
            c = temperatures_c[:, int(i * STEP_H)]
            law = today * self._law(c, self.least_c, self.most_c, self.bend)
            sour = today * self._law(c, self.least_c - 0.5, self.most_c + 4.0, self.bend)
            rate = self.vigour * self.flour * law
            ready = state / (1.0 + state)
            state = np.minimum(state * np.exp(rate * STEP_H), 1e6)
            yeast = yeast + STEP_H * rate * ready * yeast * (1.0 - yeast) * sugar / (sugar + 0.05)
            bacteria = bacteria + STEP_H * self.acid_speed * sour * bacteria * (1.0 - np.minimum(acid, 1.0))
            acid = acid + STEP_H * 0.13 * sour * bacteria * (1.0 - np.minimum(acid, 1.0))
            made = self.gas_speed * law * yeast * sugar / (sugar + 0.15)
            sugar = np.maximum(sugar - STEP_H * 0.13 * made, 0.0)
            leak = 0.05 + 0.8 * acid**3
            room = np.clip((self.hold - gas) / 0.15, 0.0, 1.0)
            gas = np.maximum(gas + STEP_H * (made * room - leak * gas), 0.0)
            curve[:, i], yeasts[:, i], acids[:, i] = 1.0 + gas, yeast, acid
        out = _outcome(rng, curve, temperatures_c)
        self._last = yeasts, acids, out
        return out

    def feed_at(self, end_h: Floats) -> None:
        """What is carried over into the next feeding, `end_h` after this one."""
        yeasts, acids, out = self._last
        at = np.clip((end_h / STEP_H).astype(int), 0, STEPS - 1)
        rows = np.arange(self.n)
        self.yeast, self.start_acid = yeasts[rows, at], acids[rows, at]
        self.late_h = np.maximum(end_h - out.fall_h, 0.0)

    def copy(self) -> Budding:
        return copy.deepcopy(self)


class Tabular:
    """The trade's tables taken literally; see the module's head."""

    def __init__(self, rng: np.random.Generator, n: int) -> None:
        self.rng, self.n = rng, n
        self.per_8c = rng.uniform(1.6, 2.3, n)
        self.base_h = np.exp(rng.normal(np.log(4.6), 0.22, n))  # 1:1:1 at 25 degC
        self.per_doubling = rng.uniform(0.3, 0.65, n)
        self.share = rng.uniform(0.08, 0.4, n)
        self.share_per_8c = rng.uniform(0.75, 1.3, n)
        self.scatter_sd = rng.uniform(0.02, 0.06, n)
        self.drift_sd = rng.uniform(0.0, 0.04, n)
        self.height = rng.uniform(0.8, 2.2, n)
        self.sharp = rng.uniform(6.0, 12.0, n)
        self.middle = rng.uniform(0.5, 0.72, n)

    def cycle(self, dilution: Floats, temperatures_c: Floats) -> Outcome:
        rng, n = self.rng, self.n
        self.base_h = self.base_h * np.exp(rng.normal(0.0, 1.0, n) * self.drift_sd)
        slow = np.exp(rng.standard_t(4.0, n) * self.scatter_sd)
        rate = self.per_8c[:, None] ** ((temperatures_c - 25.0) / 8.0)
        rate = np.where(temperatures_c > 29.0, self.per_8c[:, None] ** 0.5 * (1 - 0.08 * (temperatures_c - 29.0)), rate)
        done = np.cumsum(np.repeat(np.maximum(rate, 0.02), int(1 / STEP_H), axis=1), axis=1) * STEP_H
        to_peak = self.base_h * slow * (1.0 + self.per_doubling * np.log2(dilution / 3.0))
        mean_c = temperatures_c[:, :16].mean(axis=1)
        wait = self.share * to_peak * np.exp(rng.normal(0.0, 0.25, n)) * self.share_per_8c ** ((mean_c - 25.0) / 8.0)
        x = done / to_peak[:, None]
        y = (done - to_peak[:, None]) / wait[:, None]
        up = 1.0 / (1.0 + np.exp(-self.sharp[:, None] * (np.minimum(x, 1.0) - self.middle[:, None])))
        low = 1.0 / (1.0 + np.exp(self.sharp * self.middle))[:, None]
        top = 1.0 / (1.0 + np.exp(-self.sharp * (1.0 - self.middle)))[:, None]
        bump = np.where(y > 0.0, 1.0 - np.clip(0.02 * y, 0.0, 0.02) - 0.25 * np.maximum(y - 1.0, 0.0), 1.0)
        rise = (up - low) / (top - low) * np.maximum(bump, 0.1)
        curve = 1.0 + self.height[:, None] * np.exp(rng.normal(0, 0.08, n))[:, None] * rise
        peak_h = STEP_H * np.argmax(x >= 1.0, axis=1)
        fall_h = STEP_H * np.argmax(y >= 1.0, axis=1)
        peak_h, fall_h = np.where(peak_h > 0, peak_h, HOURS), np.where(fall_h > 0, fall_h, HOURS)
        return _seen(rng, curve, temperatures_c, peak_h, fall_h)

    def feed_at(self, end_h: Floats) -> None:
        """Nothing is carried over but the drift."""

    def copy(self) -> Tabular:
        return copy.deepcopy(self)


class Growing:
    """One dough of the project's simulator, solved as far as it is asked for."""

    def __init__(self, dough: Dough, batch: Batch, room: Callable[[float], float]) -> None:
        self.batch, self._room = batch, room
        self._last, self._end_h = dough, 0.0
        self._pieces: list[Floats] = []

    def at(self, hours: Floats) -> Floats:
        """The states (rows) at these hours, in order."""
        while self._end_h < hours[-1]:
            minutes = range(round(self._end_h / MINUTE_H), round((self._end_h + PIECE_H) / MINUTE_H) + 1)
            piece = grow(self._last, self.batch, [self._room(minute * MINUTE_H) for minute in minutes])
            self._end_h += PIECE_H
            self._last = dough_from(piece[:, -1])
            self._pieces.append(piece[:, :-1])
        last = np.array(astuple(self._last))[:, None]
        return np.concatenate([*self._pieces, last], axis=1)[:, np.round(hours / MINUTE_H).astype(int)]


class Simulated:
    """Cultures of `monitor.simulator`, one after the other."""

    def __init__(self, rng: np.random.Generator, n: int) -> None:
        self.rng, self.n = rng, n
        self.vigour = np.exp(rng.uniform(np.log(0.6), np.log(2.0), n))  # bakers' lie between these
        self.flours = rng.choice(["white", "whole wheat", "rye"], n, p=[0.6, 0.2, 0.2])
        self.drift_sd = rng.uniform(0.0, 0.04, n)
        self.scatter_sd = rng.uniform(0.02, 0.06, n)
        self.doughs = [
            ripe_starter(str(f), 200.0, 1.0, round(float(v), 3), 1.0)
            for f, v in zip(self.flours, self.vigour, strict=True)
        ]
        self.growing: list[Growing] = []

    def cycle(self, dilution: Floats, temperatures_c: Floats) -> Outcome:
        rng = self.rng
        self.vigour = self.vigour * np.exp(rng.normal(0.0, 1.0, self.n) * self.drift_sd)
        today = self.vigour * np.exp(rng.normal(0.0, 1.0, self.n) * self.scatter_sd)
        hours = np.arange(STEPS) * STEP_H
        curve = np.empty((self.n, STEPS))
        self.growing = []
        for who, (dough, batch) in enumerate(self.doughs):
            new_g = 12.5 * (float(dilution[who]) - 1.0)
            dough, batch = fed(dough, batch, keep_g=25.0, flour_g=new_g, water_g=new_g, flour=str(self.flours[who]))
            room = _smooth(temperatures_c[who])
            growing = Growing(dough, replace(batch, vigour=float(today[who])), room)
            self.growing.append(growing)
            for end_h in np.arange(PIECE_H, HOURS + 1.0, PIECE_H):
                known = hours[hours <= end_h]
                volume = volume_ml(growing.at(known), growing.batch, np.array([room(float(h)) for h in known]))
                curve[who] = np.interp(hours, known, volume / volume[3])
                if curve[who, -1] < 0.9 * curve[who].max():
                    break  # it has fallen
        return _outcome(rng, curve, temperatures_c)

    def feed_at(self, end_h: Floats) -> None:
        """What is carried over is all that is in the jar then."""
        self.doughs = [
            (dough_from(one.at(np.array([min(float(h), HOURS)]))[:, 0]), one.batch)
            for one, h in zip(self.growing, end_h, strict=True)
        ]

    def copy(self) -> Simulated:
        other = copy.copy(self)
        other.rng = copy.deepcopy(self.rng)
        return other


def _smooth(hourly_c: Floats) -> Callable[[float], float]:
    """A room's temperature at any hour, without jumps."""
    marks = [float(hourly_c[0]), *hourly_c.tolist(), float(hourly_c[-1])]  # each at the middle of its hour

    def at(hours: float) -> float:
        place = min(max(int(hours + 0.5), 0), HOURS)
        return marks[place] + (hours + 0.5 - place) * (marks[place + 1] - marks[place])

    return at


def _outcome(rng: np.random.Generator, curve: Floats, temperatures_c: Floats) -> Outcome:
    """Peak where the curve is highest; the fall starts where 2 % of the rise's height is lost for good."""
    at_peak = np.argmax(curve, axis=1)
    top = curve[np.arange(len(curve)), at_peak]
    low = curve < (top - 0.02 * (top - 1.0))[:, None]
    low[np.arange(STEPS)[None, :] <= at_peak[:, None]] = False
    at_fall = np.where(low.any(axis=1), np.argmax(low, axis=1), STEPS - 1)
    return _seen(rng, curve, temperatures_c, at_peak * STEP_H, at_fall * STEP_H)


def _seen(rng: np.random.Generator, curve: Floats, temperatures_c: Floats, peak_h: Floats, fall_h: Floats) -> Outcome:
    n = len(peak_h)
    seen_fall = fall_h + rng.normal(0.0, 0.1, n)
    seen_peak = np.minimum(peak_h + rng.normal(0.0, 0.2, n), seen_fall)
    return Outcome(
        peak_h=peak_h,
        fall_h=fall_h,
        seen_peak_h=seen_peak,
        seen_fall_h=seen_fall,
        curve=curve,
        temperatures_c=temperatures_c,
        peak_ratio=curve.max(axis=1),
    )
