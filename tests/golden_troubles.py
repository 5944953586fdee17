"""What goes wrong in a golden recording: each trouble placed by the hour, on the rows or on the true level itself."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.bench import detection_curves as curves

Floats = NDArray[np.float64]
START_S = 1_772_431_200.0  # 2026-03-02T06:00:00Z
EMPTY_MM = 180.0
HOUR_S = 3600.0


@dataclass(slots=True)
class Rows:
    """What the sensor says; a trouble changes it. `lost` marks readings that tell nothing of the level."""

    time_s: Floats
    distance_mm: Floats
    temperature_c: Floats
    lost: NDArray[np.bool_]

    def between(self, from_h: float, to_h: float) -> NDArray[np.bool_]:
        hours = (self.time_s - START_S) / HOUR_S
        return (hours >= from_h) & (hours < to_h)

    def pick(self, which: NDArray[np.bool_] | NDArray[np.int64]) -> None:
        self.time_s, self.distance_mm = self.time_s[which], self.distance_mm[which]
        self.temperature_c, self.lost = self.temperature_c[which], self.lost[which]


Level = Callable[[Floats, Floats], Floats]  # (hours since the start, level) -> level
Trouble = Callable[[np.random.Generator, Rows], None]


def wild(rng: np.random.Generator, rows: Rows) -> None:
    hit = rng.uniform(size=rows.time_s.size) < 0.015
    rows.distance_mm[hit] = np.round(rng.uniform(20.0, EMPTY_MM, int(hit.sum())))
    rows.lost |= hit


def codes(rng: np.random.Generator, rows: Rows) -> None:
    hit = rng.uniform(size=rows.time_s.size) < 0.04
    rows.distance_mm[hit] = rng.choice([0.0, -1.0, 8190.0, 65535.0], int(hit.sum()))
    rows.lost |= hit


def empty_cells(rng: np.random.Generator, rows: Rows) -> None:
    hit = rng.uniform(size=rows.time_s.size) < 0.08
    rows.distance_mm[hit] = np.nan
    rows.lost |= hit


def bursts(rng: np.random.Generator, rows: Rows) -> None:
    for at_h in (3.1, 6.4, 9.2, 13.7):
        hit = rows.between(at_h, at_h + 0.25)
        rows.distance_mm[hit] = np.where(
            rng.uniform(size=int(hit.sum())) < 0.5, 65535.0, np.round(rng.uniform(20.0, 170.0, int(hit.sum())))
        )
        rows.lost |= hit


def gap(from_h: float, to_h: float) -> Trouble:
    return lambda _, rows: rows.pick(~rows.between(from_h, to_h))


def looked(at_h: float, shift_mm: float, until_h: float) -> Trouble:
    """The lid is lifted for two minutes at `at_h` and then sits `shift_mm` higher, until the next feeding."""

    def trouble(rng: np.random.Generator, rows: Rows) -> None:
        rows.distance_mm[rows.between(at_h, until_h)] += round(shift_mm)
        off = rows.between(at_h - 0.06, at_h)
        rows.distance_mm[off] = np.round(rng.uniform(300.0, 900.0, int(off.sum())))
        rows.lost |= off

    return trouble


def mist(middle_h: float, mm: float) -> Trouble:
    """Something on the window of the sensor that comes and goes within an hour and a half."""

    def trouble(rng: np.random.Generator, rows: Rows) -> None:
        hump = np.clip(1.0 - np.abs((rows.time_s - START_S) / HOUR_S - middle_h) / 0.75, 0.0, 1.0)
        rows.distance_mm += np.round(mm * hump**2 * (3.0 - 2.0 * hump) + rng.uniform(-0.5, 0.5, hump.size))

    return trouble


def frozen(from_h: float, to_h: float) -> Trouble:
    def trouble(_: np.random.Generator, rows: Rows) -> None:
        stuck = rows.between(from_h, to_h)
        rows.distance_mm[stuck] = rows.distance_mm[np.argmax(stuck)]
        rows.lost |= stuck

    return trouble


def disorder(rng: np.random.Generator, rows: Rows) -> None:
    place = np.arange(rows.time_s.size, dtype=float)
    place[rng.uniform(size=place.size) < 0.03] += 1.5  # swapped with the next
    late = rng.uniform(size=place.size) < 0.02
    place[late] += rng.uniform(3.0, 15.0, int(late.sum()))
    twice = np.flatnonzero(rng.uniform(size=place.size) < 0.04)
    every = np.concatenate((np.arange(place.size), twice))
    rows.pick(every[np.argsort(np.concatenate((place, place[twice] + 0.6)), kind="stable")])


def away(from_h: float, to_h: float) -> Trouble:
    """The jar is taken from under the sensor: it reads the table, which lies a little below the inside bottom."""

    def trouble(rng: np.random.Generator, rows: Rows) -> None:
        gone = rows.between(from_h, to_h)
        rows.distance_mm[gone] = np.round(EMPTY_MM + 6.0 + rng.normal(0.0, 0.5, int(gone.sum())))
        rows.lost |= gone

    return trouble


def sag(at_h: float, mm: float, lasts_h: float) -> Level:
    """The surface stands, sinks a little, and goes on as much later."""

    def bend(hours: Floats, level: Floats) -> Floats:
        later = np.interp(hours - np.clip(hours - at_h, 0.0, lasts_h), hours, level)
        return later - mm * np.sin(np.pi * np.clip((hours - at_h) / (lasts_h + 1.0), 0.0, 1.0)) ** 2

    return bend


def collapse(at_h: float, mm: float) -> Level:
    """Gone within five minutes; half of it is made good in the next hours."""

    def bend(hours: Floats, level: Floats) -> Floats:
        since_h = hours - at_h
        return np.asarray(
            level - mm * np.clip(since_h * 12.0, 0.0, 1.0) * (0.5 + 0.5 * np.exp(-np.maximum(since_h, 0.0) / 1.5))
        )

    return bend


def warmth(at_h: float, lasts_h: float, step_c: float) -> Callable[[Floats], Floats]:
    return lambda hours: 24.0 + curves.step_in_temperature(hours * HOUR_S, at_h * HOUR_S, lasts_h * HOUR_S, step_c)
