"""Invented recordings, each showing one trouble, and what may and must be decided from them, taken from their truth.

`write(folder)` makes `tests/recordings/`: a run file a scene and, beside it, the expected events with tolerances. What
is expected comes from the true level curve and from nothing that a detector ever put out. `tests/test_golden.py`
replays them. Levels and fed times are true ones; shapes and families come from `tests/bench/detection_curves.py`.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tests.bench import detection_curves as curves
from tests.bench.detection_limit import limit_s, noise_mm2

Floats = NDArray[np.float64]
FOLDER = Path(__file__).resolve().parent / "recordings"
START_S = 1_772_431_200.0  # 2026-03-02T06:00:00Z
GRID_S = 10.0
EMPTY_MM = 180.0
HOUR_S = 3600.0
TOP_MM = 0.5  # while the surface is this near its maximum, no sensor here can say when exactly that was
SLACK_H = 0.2  # a dozen minutes of grace on either side of that
LID_OFF_S = 300.0  # the lid is off for five minutes at a feeding


@dataclass(slots=True)
class Cycle:
    """One cycle as planned: hours are the culture's own at 24 degC."""

    hours: float
    start_mm: float = 50.0
    rise_mm: float = 45.0
    top_h: float = 8.0
    rise: str = "gompertz"
    fall: str = "easing"
    onset_h: float = 8.5
    sink_mm: float = 20.0
    fall_h: float = 7.0


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


@dataclass(slots=True)
class Scene:
    """One recording to be made. `extra` are further expected events: (kind, from_h, to_h)."""

    name: str
    shows: str
    cycles: tuple[Cycle, ...] = field(default_factory=lambda: (Cycle(20.0), Cycle(7.0, start_mm=51.0)))
    every_s: float | tuple[tuple[float, float], ...] = 180.0  # or (until_h, every_s) pieces
    white_mm: float = 0.8
    round_mm: float = 1.0
    wander_mm: float = 0.3
    wander_s: float = 900.0
    temperature_c: Callable[[Floats], Floats] | None = None  # of hours since the start
    bend: Level | None = None
    troubles: tuple[Trouble, ...] = ()
    lid_mm: float | None = 8190.0  # what is read while the lid is off; None: the feeding is too quick to be seen
    lead_h: float = 0.0  # so much of the first cycle lies before the recording
    extra: tuple[tuple[str, float, float], ...] = ()


# --- troubles ------------------------------------------------------------------------------------------------------


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


# --- scenes --------------------------------------------------------------------------------------------------------

LATER = Cycle(7.0, start_mm=51.0, rise="baranyi")
SCENES: tuple[Scene, ...] = (
    Scene("plain", "nothing wrong: a rise to nearly double, a fall, a feeding, the next rise"),
    Scene(
        "rounding", "readings rounded to 1 mm with hardly any noise to smooth the steps", white_mm=0.15, wander_mm=0.2
    ),
    Scene(
        "white-noise",
        "white noise of 3 mm",
        cycles=(Cycle(22.0, sink_mm=28.0, rise="logistic"), LATER),
        white_mm=3.0,
        every_s=120.0,
    ),
    Scene("breathing", "a surface that breathes: wander of 0.8 mm over 30 min", wander_mm=0.8, wander_s=1800.0),
    Scene(
        "wild-values",
        "single wild values, one row in seventy",
        troubles=(wild,),
        cycles=(Cycle(20.0, rise="richards"), LATER),
    ),
    Scene("codes", "out-of-range codes 0, -1, 8190 and 65535, one row in twenty-five", troubles=(codes,)),
    Scene(
        "empty-cells",
        "empty cells, one row in twelve",
        troubles=(empty_cells,),
        cycles=(Cycle(20.0, fall="linear"), LATER),
    ),
    Scene(
        "bursts",
        "bursts of wrong values for a quarter of an hour, on the way up, at the top and in the fall",
        troubles=(bursts,),
    ),
    Scene(
        "gaps",
        "no rows for 20 min, 1 h and 3 h",
        troubles=(gap(2.0, 2.33), gap(5.0, 6.0), gap(15.5, 18.5)),
        extra=(("sensor_silent", 15.5, 18.5), ("sensor_back", 18.4, 18.8)),
    ),
    Scene(
        "gap-at-peak",
        "no rows for two hours across the peak",
        troubles=(gap(7.6, 9.6),),
        cycles=(Cycle(20.0, fall="accelerating", sink_mm=25.0), LATER),
    ),
    Scene(
        "look-lower",
        "the lid is lifted to look near the top and set back 2 mm off: the level seems to sink",
        troubles=(looked(6.5, 2.0, 20.0),),
    ),
    Scene(
        "look-higher",
        "the lid is lifted to look and set back 2 mm off: the level seems to jump up",
        troubles=(looked(4.0, -2.0, 20.0),),
    ),
    Scene(
        "mist",
        "mist that comes and goes over an hour and a half: 2 mm lower on the way up, 2 mm higher later",
        troubles=(mist(6.3, 2.0), mist(17.0, -2.0)),
    ),
    Scene("frozen", "a sensor frozen for two hours on the way up", troubles=(frozen(4.0, 6.0),)),
    Scene("disorder", "doubled, late and swapped rows", troubles=(disorder,)),
    Scene(
        "window",
        "a window opened on the way up: 5 degC colder for two hours, the rise slows",
        temperature_c=warmth(3.5, 2.0, -5.0),
    ),
    Scene(
        "oven",
        "an oven lit on the way up: 5 degC warmer for two hours, the rise hastens and then slows",
        temperature_c=warmth(2.0, 2.0, 5.0),
    ),
    Scene(
        "sag", "a shallow sag of about a millimetre for an hour on the way up, then on again", bend=sag(5.0, 1.2, 1.0)
    ),
    Scene(
        "partial-collapse",
        "a sudden partial collapse of 5 mm (a ninth of the rise) on the way up, then on again",
        bend=collapse(4.2, 5.0),
        cycles=(Cycle(20.0, rise="logistic"), LATER),
    ),
    Scene(
        "start-changes",
        "a feeding after which the starting level is 15 % lower, and one after which it is 15 % higher",
        cycles=(Cycle(17.0), Cycle(17.0, start_mm=42.5, rise_mm=40.0, rise="richards"), Cycle(4.0)),
        every_s=240.0,
    ),
    Scene(
        "dead",
        "a feeding after which the starter does nothing for a day, and is then fed with nothing taken out",
        cycles=(Cycle(6.0), Cycle(26.0, rise_mm=0.4, sink_mm=0.0), Cycle(5.0, start_mm=60.0)),
        every_s=240.0,
        extra=(("stayed_flat", 6.0, 32.0),),
    ),
    Scene(
        "weak",
        "a weak starter: a rise of a quarter",
        cycles=(Cycle(24.0, rise_mm=12.5, sink_mm=6.0, fall_h=8.0, rise="baranyi"), LATER),
        every_s=120.0,
    ),
    Scene(
        "fed-early",
        "fed while it is still on its way up, before it ever falls",
        cycles=(Cycle(5.5, rise="logistic"), Cycle(18.0, start_mm=52.0)),
    ),
    Scene(
        "every-5-s",
        "a reading every 5 s around the peak of a quick rise, every 30 s before and after",
        cycles=(Cycle(4.4, top_h=1.6, onset_h=1.7, fall_h=1.6, sink_mm=25.0),),
        every_s=((1.3, 30.0), (3.1, 5.0), (4.4, 30.0)),
    ),
    Scene(
        "every-10-min",
        "a reading every 10 min: too slow to see the lid off at the feeding",
        cycles=(Cycle(21.0), Cycle(21.0, start_mm=48.0, rise="baranyi"), Cycle(5.0)),
        every_s=600.0,
        lid_mm=None,
    ),
    Scene(
        "sampling-changes",
        "a reading every 30 s, then every 10 min, then every minute",
        every_s=((4.0, 30.0), (11.0, 600.0), (27.0, 60.0)),
    ),
    Scene(
        "two-days",
        "two days without a feeding",
        cycles=(Cycle(48.0, fall="relaxing", sink_mm=30.0), Cycle(4.0)),
        every_s=300.0,
    ),
    Scene(
        "mid-cycle",
        "the first start is in the middle of a rise",
        lead_h=3.5,
        cycles=(Cycle(20.0, rise="weibull"), LATER),
    ),
    Scene("quick-hands", "a feeding so quick that no reading shows the lid off", lid_mm=None),
    Scene(
        "away",
        "the jar is taken away for an hour in the fall and put back",
        troubles=(away(14.0, 15.0),),
        extra=(("jar_away", 13.9, 15.0), ("jar_back", 14.9, 15.4)),
    ),
)


# --- making them ---------------------------------------------------------------------------------------------------


def _times(scene: Scene, end_h: float) -> Floats:
    pieces = scene.every_s if isinstance(scene.every_s, tuple) else ((end_h, scene.every_s),)
    begin_h, parts = 0.0, []
    for until_h, every_s in pieces:
        parts.append(np.arange(begin_h * HOUR_S, min(until_h, end_h) * HOUR_S, every_s))
        begin_h = until_h
    return START_S + np.concatenate(parts)


def make(scene: Scene) -> tuple[Rows, dict[str, object]]:
    """The rows of a scene, and what is expected of whoever reads them."""
    rng = np.random.default_rng(list(scene.name.encode()))
    end_h = sum(c.hours for c in scene.cycles) - scene.lead_h
    hours = np.arange(-scene.lead_h, end_h, GRID_S / HOUR_S)
    celsius = np.full(hours.size, 24.0) if scene.temperature_c is None else scene.temperature_c(hours)
    begins_h = np.concatenate(([0.0], np.cumsum([c.hours for c in scene.cycles]))) - scene.lead_h
    level = np.empty(hours.size)
    for c, from_h, to_h in zip(scene.cycles, begins_h, begins_h[1:], strict=False):
        here = (hours >= from_h - 1e-9) & (hours < to_h - 1e-9)
        own = curves.own_hours(hours[here] * HOUR_S, celsius[here], 2.5)
        sunk = curves.FALLS[c.fall](rng, c.fall_h)(own - c.onset_h)
        level[here] = c.start_mm + c.rise_mm * curves.RISES[c.rise](rng, c.top_h)(own) - c.sink_mm * sunk
        if scene.bend is not None and from_h <= 0.0:
            level[here] = scene.bend(hours[here], level[here])
    time_s = _times(scene, end_h)
    feedings_s = START_S + begins_h[1:-1] * HOUR_S
    steps_s = np.diff(time_s, prepend=time_s[0])
    keep = np.exp(-steps_s / scene.wander_s)
    wander = np.empty(time_s.size)
    value = rng.normal(0.0, scene.wander_mm)
    for i, (k, shock) in enumerate(zip(keep, rng.normal(0.0, scene.wander_mm, time_s.size), strict=True)):
        value = k * value + math.sqrt(1.0 - k * k) * shock
        wander[i] = value
    index = np.clip(
        np.round((time_s - START_S) / GRID_S + scene.lead_h * HOUR_S / GRID_S).astype(int), 0, hours.size - 1
    )
    noisy = EMPTY_MM - level[index] + wander + rng.normal(0.0, scene.white_mm, time_s.size)
    rows = Rows(
        time_s,
        np.round(noisy / scene.round_mm) * scene.round_mm,
        np.round((celsius[index] + rng.normal(0.0, 0.05, time_s.size)) * 16.0) / 16.0,
        np.zeros(time_s.size, dtype=bool),
    )
    if scene.lid_mm is not None:
        for fed_s in feedings_s:
            off = (time_s >= fed_s - LID_OFF_S) & (time_s < fed_s)
            rows.distance_mm[off] = scene.lid_mm
            rows.lost |= off
    for trouble in scene.troubles:
        trouble(rng, rows)
    return rows, _expected(scene, rows, hours, level, begins_h)


def _expected(scene: Scene, rows: Rows, hours: Floats, level: Floats, begins_h: Floats) -> dict[str, object]:
    must: list[dict[str, object]] = []
    never: list[dict[str, object]] = []

    def text(at_h: float) -> str:
        return f"{datetime.fromtimestamp(round(START_S + at_h * HOUR_S), UTC):%Y-%m-%dT%H:%M:%SZ}"

    at_h = np.sort((rows.time_s[~rows.lost] - START_S) / HOUR_S)
    for number, (c, begin_h, end_h) in enumerate(zip(scene.cycles, begins_h, begins_h[1:], strict=False)):
        here = np.flatnonzero((hours >= begin_h - 1e-9) & (hours < end_h - 1e-9))
        top = here[np.argmax(level[here])]
        top_h, drop_mm = float(hours[top]), float(level[top] - level[here[-1]])
        if number:
            must.append(
                {
                    "kind": "fed",
                    "happened_at": text(begin_h),
                    "within_min": 20,
                    "decided_by": text(min(begin_h + 1.0, end_h)),
                }
            )
        if c.rise_mm < 1.0 or drop_mm < 1.0:
            never.append({"kind": "fall_began", "decided_from": text(begin_h), "decided_to": text(end_h)})
            continue
        never.append({"kind": "fall_began", "decided_from": text(begin_h), "decided_to": text(top_h)})
        after_h = at_h[(at_h > top_h) & (at_h < end_h)]
        steps_s = np.diff(after_h, prepend=after_h[0] - (after_h[1] - after_h[0])) * HOUR_S
        usual_s = float(np.median(steps_s))
        spread = np.array(
            [
                noise_mm2(scene.white_mm, scene.round_mm, scene.wander_mm, scene.wander_s, s)
                for s in np.maximum(steps_s, usual_s)
            ]
        )
        after_s = limit_s((after_h - top_h) * HOUR_S, level[top] - np.interp(after_h, hours, level), spread, usual_s)
        assert after_s is not None, f"{scene.name}: the fall of cycle {number + 1} cannot be known"
        by_h = top_h + 2.5 * after_s / HOUR_S + 0.5  # two and a half times as late as could be, and half an hour
        assert by_h < end_h, f"{scene.name}: cycle {number + 1} leaves no time to tell its fall"
        must.append(
            {
                "kind": "fall_began",
                "decided_from": text(top_h),
                "decided_by": text(by_h),
                "once_in": [text(begin_h), text(end_h)],
            }
        )
        near_h = hours[here][level[here] >= level[top] - TOP_MM]
        must.append(
            {
                "kind": "peak_reached",
                "happened_from": text(at_h[max(np.searchsorted(at_h, near_h[0], side="right") - 1, 0)] - SLACK_H),
                "happened_to": text(at_h[min(np.searchsorted(at_h, near_h[-1]), at_h.size - 1)] + SLACK_H),
                "last_in": [text(begin_h), text(end_h)],
            }
        )
    for kind, from_h, to_h in scene.extra:
        must.append({"kind": kind, "decided_from": text(from_h), "decided_by": text(to_h)})
    edges = [begins_h[0] - 1.0, *begins_h[1:-1], begins_h[-1] + 1.0]
    for from_h, to_h in pairwise(edges):
        never.append(
            {"kind": "fed", "happened_from": text(max(from_h, -1.0) + 21 / 60), "happened_to": text(to_h - 21 / 60)}
        )
    return {"must": must, "never": never}


def write(folder: Path = FOLDER) -> list[str]:
    """Makes all recordings and their expected events anew; returns their names."""
    folder.mkdir(exist_ok=True)
    for scene in SCENES:
        rows, expected = make(scene)
        lines = [
            f"# shows: {scene.shows}",
            "# data: invented (tests/golden_scenes.py)",
            "# jar: golden",
            f"# empty_mm: {EMPTY_MM:g}",
            "time,distance_mm,temperature_c",
        ]
        for time_s, distance_mm, celsius in zip(rows.time_s, rows.distance_mm, rows.temperature_c, strict=True):
            distance = "" if math.isnan(distance_mm) else f"{distance_mm:g}"
            lines.append(f"{datetime.fromtimestamp(round(time_s), UTC):%Y-%m-%dT%H:%M:%SZ},{distance},{celsius:.2f}")
        (folder / f"{scene.name}.csv").write_text("\n".join(lines) + "\n")
        (folder / f"{scene.name}.json").write_text(json.dumps(expected, indent=1) + "\n")
    return [scene.name for scene in SCENES]
