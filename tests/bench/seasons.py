"""Does a starter's own past help? Seasons of ten cycles, with memory, without, and by a filter that knows the truth.

    python -m tests.bench.seasons                       40 starters, feedings told
    python -m tests.bench.seasons --untold              feedings seen only
    python -m tests.bench.seasons --kind another        the memory of another starter, and the other stresses
    python -m tests.bench.seasons --seeds 200-223

Beside it: a filter that knows how the starter is, not how the cycle falls out (`seasons_known.py`).

Each starter is invented: a shape of rise and of fall from `detection_curves`, stretched by a Q10 of its own, a table of
hours over dilution, and its own scatter; no equation of `monitor.core` is used. A quarter of them change after the
fifth cycle (other flour, a cold snap, another height). Kinds of stress: `another` (from the fifth cycle on, what was
learnt is another starter's), `shapes` (another shape of rise and fall in each cycle), `loose` (shape, fall, plateau and
height all vary).

Printed of cycles 5 to 10: when "at its peak" was first told against the true top (min, and mm that the level stood
under its top then), how far it had sunk at "feed now" (mm), and falls told early (before the true top) of all cycles.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from monitor.core.detect import step as core
from monitor.core.detect.state import DetectorState
from monitor.core.signal.learnt_curve import LearntCurve
from monitor.settings import JarSettings
from monitor.values import Arrival, EventKind, Fed, Reading, of_grams
from tests.bench import detection_curves as curves

Floats = NDArray[np.float64]
START_S = 1_772_409_600.0  # 2026-03-02T00:00:00Z
GRID_S = 60.0
CYCLES = 10
FIRST_SCORED = 4  # cycles before it are for learning
KINDS = ("season", "another", "shapes", "loose")
RATIOS = (2.0, 4.0, 5.0)  # parts of flour to one of starter
HEIGHT_SCATTER = 0.05


@dataclass(frozen=True, slots=True)
class Shape:
    """One starter's way of rising and falling, over hours as shares of the time to its top."""

    seed: int
    rise: str
    fall: str
    wait: float
    sinks: float
    span: float
    bend: float = 1.0

    def of(self, x: Floats) -> Floats:
        rise = curves.RISES[self.rise](np.random.default_rng([self.seed, 3]), 1.0)(np.maximum(x, 0.0) ** self.bend)
        since = np.maximum(x - 1.0 - self.wait, 0.0)
        since = since * since / (since + 0.15)
        fall = curves.FALLS[self.fall](np.random.default_rng([self.seed, 5]), self.span)(since)
        return np.asarray(rise - self.sinks * fall)


@dataclass(frozen=True, slots=True)
class Nature:
    """How a starter is in one cycle, not how the cycle falls out: its shape, the expected hours to its top (at its own
    reference temperature) with their scatter in ln, its expected height, and how it grows with warmth."""

    shape: Shape
    top_h: float
    scatter: float
    height_mm: float
    q10: float


@dataclass(frozen=True, slots=True)
class Cycle:
    """The truth of one cycle: times, level at the top, and its grams."""

    fed_s: float
    end_s: float
    top_s: float
    top_mm: float
    fed: Fed
    nature: Nature


@dataclass(frozen=True, slots=True)
class Season:
    """Rows of a jar over ten cycles, and the truth on a grid of a minute."""

    seed: int
    changes: bool
    jar: JarSettings
    time_s: Floats
    distance_mm: Floats
    temperature_c: Floats
    cycles: tuple[Cycle, ...]
    grid_s: Floats
    true_mm: Floats
    start_mm: float
    wander_mm: float
    wander_s: float
    white_mm: float

    def level_mm(self, time_s: float) -> float:
        return float(np.interp(time_s, self.grid_s, self.true_mm))


@dataclass(frozen=True, slots=True)
class Told:
    """What came out of one cycle: minutes from the true top to the first telling of it, mm under the top then, mm sunk
    at "feed now" (None: not told), whether that came early, and the cycle's number."""

    number: int
    changed: bool
    off_min: float | None
    under_mm: float | None
    feed_mm: float | None
    early: bool
    cycles_known: int


def _shape(rng: np.random.Generator, seed: int) -> Shape:
    rise, fall = str(rng.choice(list(curves.RISES))), str(rng.choice(list(curves.FALLS)))
    return Shape(seed, rise, fall, rng.uniform(-0.1, 0.25), rng.uniform(0.3, 0.7), rng.uniform(0.6, 1.6))


def season(seed: int, kind: str = "season", cycles: int = CYCLES) -> Season:
    """The season of one seed."""
    rng = np.random.default_rng([seed, 11])
    shape = _shape(rng, seed)
    hours_1_4_4 = float(np.exp(rng.normal(np.log(7.5), 0.25)))
    per_doubling = rng.uniform(1.15, 1.4)  # the trade's tables: so much longer for twice the flour
    q10, scatter, drift = rng.uniform(1.9, 3.2), rng.uniform(0.02, 0.07), rng.uniform(0.0, 0.02)
    start_mm, ratio = rng.uniform(32.0, 55.0), float(np.exp(rng.uniform(np.log(0.6), np.log(1.6))))
    habit = float(rng.choice(RATIOS))
    changes = seed % 4 == 3 and kind == "season"
    change = str(rng.choice(["flour", "cold", "height"]))
    grid_s = START_S + np.arange(0.0, cycles * 48 * 3600.0, GRID_S)
    temperature_c = curves.kitchen(rng, grid_s, str(rng.choice(["still", "daily", "rough"])))
    levels: list[Floats] = [np.full(45, start_mm * 1.3)]
    truth: list[Cycle] = []
    begin = 45
    for k in range(cycles):
        changed = changes and k >= cycles // 2
        if changed and change == "cold":
            temperature_c[begin:] -= 4.0 if k == cycles // 2 else 0.0
        own = curves.own_hours(grid_s[begin:], temperature_c[begin:], q10)
        parts = habit if rng.uniform() < 0.7 else float(rng.choice(RATIOS))
        hours_1_4_4 *= float(np.exp(rng.normal(0.0, drift)))
        expected_h = hours_1_4_4 * per_doubling ** np.log2(parts / 4.0)
        top_h = expected_h * float(np.exp(rng.normal(0.0, scatter)))
        height = start_mm * ratio * float(np.exp(rng.normal(0.0, HEIGHT_SCATTER)))
        expected_mm, one = start_mm * ratio, shape
        if changed and change == "flour":
            top_h, expected_h, one = top_h * 0.75, expected_h * 0.75, replace(shape, bend=1.15)
        if changed and change == "height":
            height, expected_mm = height * 0.65, expected_mm * 0.65
        if kind == "shapes":
            one = _shape(rng, seed + 1000 * (k + 1))
        if kind == "loose":
            one = replace(
                shape,
                bend=float(np.exp(rng.normal(0.0, 0.12))),
                span=shape.span * float(np.exp(rng.normal(0.0, 0.25))),
                wait=shape.wait * float(np.exp(rng.normal(0.0, 0.35))),
            )
            height *= float(np.exp(rng.normal(0.0, 0.12)))
        level = start_mm + height * one.of(own / top_h)
        top = int(np.argmax(level[: int(60 * 3600 / GRID_S)]))
        end = min(begin + top + int(rng.uniform(4.0, 10.0) * 3600.0 / GRID_S), grid_s.size)
        grams = Fed(time_s=float(grid_s[begin]), jar="season", feeding=of_grams((25.0, 25.0 * parts, 25.0 * parts)))
        nature = Nature(one, expected_h, scatter, expected_mm, q10)
        truth.append(Cycle(grams.time_s, float(grid_s[end - 1]), float(grid_s[begin + top]), level[top], grams, nature))
        levels.append(level[: end - begin])
        begin = end
    true_mm = np.concatenate(levels)
    grid_s, temperature_c = grid_s[: true_mm.size], temperature_c[: true_mm.size]
    every_s = float(rng.choice([30.0, 60.0, 60.0, 120.0, 300.0]))
    time_s = np.arange(grid_s[0], grid_s[-1], every_s)
    wander_mm, tau_s = rng.uniform(0.1, 0.7), rng.uniform(300.0, 1800.0)
    keep = np.exp(-every_s / tau_s)
    push = rng.normal(0.0, wander_mm * np.sqrt(1.0 - keep * keep), time_s.size)
    wander = np.empty(time_s.size)
    now = 0.0
    for i, p in enumerate(push):
        now = keep * now + p
        wander[i] = now
    white_mm = rng.uniform(0.5, 1.6)
    seen = np.interp(time_s, grid_s, true_mm) + wander + rng.normal(0.0, white_mm, time_s.size)
    distance = np.round(180.0 - seen)
    for cycle in truth:  # hands: keep, pour, stir; the lid is off from a little before the feeding
        distance[(time_s >= cycle.fed_s - 240.0) & (time_s < cycle.fed_s + 30.0)] = 8190.0
    jar = JarSettings(name="season", empty_mm=180.0)
    c = np.interp(time_s, grid_s, temperature_c)
    return Season(
        seed, changes, jar, time_s, distance, c, tuple(truth), grid_s, true_mm, start_mm, wander_mm, tau_s, white_mm
    )


def follow(
    given: Season, *, memory: bool = True, told: bool = True, learnt: LearntCurve | None = None
) -> tuple[list[Told], DetectorState]:
    """The season through the very step function. `memory` False: what was learnt is dropped at each feeding; `learnt`:
    put in place of what was learnt at the fifth feeding."""
    jar = given.jar
    state = core.begin(jar)
    feedings = [cycle.fed for cycle in given.cycles] if told else []
    peaks: list[float] = []
    falls: list[float] = []
    kinds = {EventKind.PEAK_REACHED: peaks, EventKind.FALL_BEGAN: falls}
    swapped = learnt is None
    known: list[tuple[float, int]] = []
    seq = 0
    for time_s, distance_mm, c in zip(
        given.time_s.tolist(), given.distance_mm.tolist(), given.temperature_c.tolist(), strict=True
    ):
        items: list[Fed | Reading] = []
        while feedings and feedings[0].time_s <= time_s:
            items.append(feedings.pop(0))
        items.append(Reading(time_s=time_s, jar=jar.name, distance_mm=distance_mm, temperature_c=c))
        for item in items:
            state, events = core.take(state, Arrival(seq=seq, received_s=time_s, item=item), jar)
            seq += 1
            for event in events:
                if event.kind in kinds:
                    kinds[event.kind].append(event.decided_at_s)
                if event.kind is EventKind.FED:
                    if not memory:
                        state.learnt, state.curve_filter = LearntCurve(), None
                    known.append((time_s, len(state.learnt.placed)))
        if not swapped and learnt is not None and time_s > given.cycles[FIRST_SCORED].fed_s:
            state.learnt, state.curve_filter, swapped = learnt, None, True
    out = []
    for k, cycle in enumerate(given.cycles):
        peak = next((p for p in peaks if cycle.fed_s + 1800.0 < p <= cycle.end_s + 600.0), None)
        fall = next((f for f in falls if cycle.fed_s + 1800.0 < f <= cycle.end_s + 600.0), None)
        early = fall is not None and fall < cycle.top_s
        out.append(
            Told(
                number=k,
                changed=given.changes and k >= len(given.cycles) // 2,
                off_min=None if peak is None else (peak - cycle.top_s) / 60.0,
                under_mm=None if peak is None else cycle.top_mm - given.level_mm(peak),
                feed_mm=None if fall is None or early else cycle.top_mm - given.level_mm(fall),
                early=early,
                cycles_known=max((n for t, n in known if t <= cycle.fed_s + 1800.0), default=0),
            )
        )
    return out, state


def wrong_memory(seed: int, kind: str, *, told: bool = True, cycles: int = 5) -> LearntCurve | None:
    """What was learnt of another starter, for the stress of that name."""
    return follow(season(seed + 5000, cycles=cycles), told=told)[1].learnt if kind == "another" else None


def _one(job: tuple[int, str, bool]) -> dict[str, list[Told]]:
    from tests.bench import seasons_known  # which is made of what stands here

    seed, kind, told = job
    given = season(seed, kind)
    without, _ = follow(given, memory=False, told=told)
    with_memory, _ = follow(given, told=told, learnt=wrong_memory(seed, kind, told=told))
    found = {"without memory": without, "with memory": with_memory}
    return found if kind in ("another", "shapes") else {**found, "knows the truth": seasons_known.follow(given)}


def row(name: str, given: list[Told]) -> str:
    """One line of the table: percentiles over the scored cycles, early falls over all."""
    scored = [one for one in given if one.number >= FIRST_SCORED]
    off = [one.off_min for one in scored if one.off_min is not None]
    under = [one.under_mm for one in scored if one.under_mm is not None]
    feed = [one.feed_mm for one in scored if one.feed_mm is not None]
    if not off or not feed:
        return f"{name:34s} nothing told"
    p10, p50, p90 = np.percentile(off, [10, 50, 90])
    a50, a90 = np.percentile(np.abs(off), [50, 90])
    u50, u90 = np.percentile(under, [50, 90])
    f50, f90 = np.percentile(feed, [50, 90])
    missed = sum(one.feed_mm is None and not one.early for one in scored)
    early = sum(one.early for one in given)
    return (
        f"{name:34s} {p10:5.0f} {p50:5.0f} {p90:5.0f}   {a50:5.0f} {a90:5.0f}   {u50:5.2f} {u90:5.2f}   "
        f"{f50:5.2f} {f90:5.2f}   {early:4d} of {len(given)}   {missed:3d} of {len(scored)}"
    )


HEADER = (
    f"{'':34s} told at its peak, min  |min|         mm under it   feed now, mm\n"
    f"{'':34s}   p10   p50   p90     p50   p90     p50   p90     p50   p90     early         missed"
)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", default="0-39")
    parser.add_argument("--kind", choices=KINDS, action="append")
    parser.add_argument("--untold", action="store_true")
    parser.add_argument("--workers", type=int, default=2)
    args = parser.parse_args()
    first, last = (int(part) for part in args.seeds.split("-"))
    for kind in args.kind or ["season"]:
        jobs = [(seed, kind, not args.untold) for seed in range(first, last + 1)]
        total: dict[str, list[Told]] = {}
        with multiprocessing.get_context("fork").Pool(args.workers, initializer=os.nice, initargs=(10,)) as pool:
            for found in pool.imap(_one, jobs):
                for name, told in found.items():
                    total.setdefault(name, []).extend(told)
        print(f"{kind}, seeds {args.seeds}, feedings {'seen' if args.untold else 'told'}")
        print(HEADER)
        for name, told in total.items():
            print(row(name, told))
            changed = [one for one in told if one.changed]
            if changed:
                print(row(f"  changed starters, {name}", changed))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
