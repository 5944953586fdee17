"""Are feedings seen where they were? Two sets that a level alone does not settle; all invented.

    python -m tests.bench.feedings                  60 jars fed keeping the level (half the time), 100 never fed
    python -m tests.bench.feedings --jars 400 --unfed 500      the latter at each sampling

`keeping`: most people take old starter out and put as much back, so that the level stays where it was and only the lid,
and the rise after it, show the feeding. Printed: how many were seen, how many dated within 20 min of the truth, and
feedings seen that never were, at 30, 60, 120 and 300 s.
`unfed`: jars never fed again for three days, with collapses, looks under the lid and readings that fail now and then.
No feeding may be seen in them: reminders would stop on a hungry jar.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.core.detect import step as core
from monitor.settings import JarSettings
from monitor.values import Arrival, Event, EventKind, Reading
from tests.bench import detection_curves as curves

Floats = NDArray[np.float64]
START_S = 1_772_409_600.0  # 2026-03-02T00:00:00Z
GRID_S = 10.0
SAMPLINGS_S = (30.0, 60.0, 120.0, 300.0)
NEAR_S = 1200.0
MATCH_S = 6 * 3600.0  # a feeding seen further off than this is another one
AWAY_MM = (8190.0, 320.0, 15.0)  # no target, the far wall, the lid held under the sensor


@dataclass(frozen=True, slots=True)
class Jar:
    """Rows of one jar; when it was fed and whether that kept the level."""

    seed: int
    every_s: float
    jar: JarSettings
    time_s: Floats
    distance_mm: Floats
    temperature_c: Floats
    fed_s: tuple[float, ...]
    kept: tuple[bool, ...]

    @property
    def days(self) -> float:
        return float(self.time_s[-1] - self.time_s[0]) / 86400.0


def _cycle(rng: np.random.Generator, hours: Floats, start_mm: float, *, collapses: bool) -> tuple[Floats, float]:
    """Levels over own hours since the feeding, and the hours of the top."""
    rise = str(rng.choice(list(curves.RISES)))
    fall = "stepwise" if collapses else str(rng.choice(list(curves.FALLS)))
    top_h, height = rng.uniform(5.0, 10.0), start_mm * rng.uniform(0.5, 1.4)
    since = np.maximum(hours - top_h * rng.uniform(0.95, 1.15), 0.0)
    since = since * since / (since + rng.uniform(0.3, 2.0))
    sunk = height * rng.uniform(0.4, 0.75) * curves.FALLS[fall](rng, rng.uniform(4.0, 14.0))(since)
    return start_mm + height * curves.RISES[rise](rng, top_h)(hours) - sunk, top_h


def _sensed(rng: np.random.Generator, grid_s: Floats, level: Floats, every_s: float) -> tuple[Floats, Floats]:
    time_s = np.arange(grid_s[0], grid_s[-1], every_s)
    wander_mm, tau_s = rng.uniform(0.1, 0.6), rng.uniform(300.0, 1500.0)
    keep = np.exp(-every_s / tau_s)
    wander = np.empty(time_s.size)
    now = 0.0
    for i, push in enumerate(rng.normal(0.0, wander_mm * np.sqrt(1.0 - keep * keep), time_s.size)):
        now = keep * now + push
        wander[i] = now
    seen = np.interp(time_s, grid_s, level) + wander + rng.normal(0.0, rng.uniform(0.5, 1.3), time_s.size)
    return time_s, np.round(180.0 - seen)


def _open(rng: np.random.Generator, time_s: Floats, distance: Floats, from_s: float, to_s: float) -> None:
    """What the sensor sees meanwhile: nothing, the far wall, or a lid in hand."""
    distance[(time_s >= from_s) & (time_s < to_s)] = rng.choice(AWAY_MM)


def keeping(seed: int) -> Jar:
    """Three cycles; about half of the feedings leave the level where it was."""
    rng = np.random.default_rng([seed, 21])
    every_s = SAMPLINGS_S[seed % len(SAMPLINGS_S)]
    grid_s = START_S + np.arange(0.0, 4 * 86400.0, GRID_S)
    start_mm = rng.uniform(30.0, 45.0)
    levels: list[Floats] = [np.full(360, start_mm * 1.4)]
    fed_s: list[float] = []
    kept: list[bool] = []
    begin = 360
    for k in range(3):
        if k:
            keeps = bool(rng.uniform() < 0.5) and levels[-1][-1] < 75.0
            kept.append(keeps)
            fed_s.append(float(grid_s[begin]))
            start_mm = float(levels[-1][-1]) * rng.uniform(0.98, 1.02) if keeps else start_mm * rng.uniform(0.95, 1.05)
            start_mm = min(max(start_mm, 28.0), 76.0)
        else:
            fed_s.append(float(grid_s[begin]))
            kept.append(False)
        level, top_h = _cycle(rng, (grid_s[begin:] - grid_s[begin]) / 3600.0, start_mm, collapses=False)
        end = begin + int((top_h + rng.uniform(5.0, 12.0)) * 3600.0 / GRID_S)
        levels.append(level[: end - begin])
        begin = end
    level = np.concatenate(levels)
    grid_s = grid_s[: level.size]
    time_s, distance = _sensed(rng, grid_s, level, every_s)
    for at_s in fed_s:
        _open(rng, time_s, distance, at_s - rng.uniform(120.0, 480.0), at_s + rng.uniform(0.0, 40.0))
    for _ in range(2):  # and looks under the lid, which are no feedings
        look_s = rng.uniform(grid_s[0], grid_s[-1])
        _open(rng, time_s, distance, look_s, look_s + rng.uniform(20.0, 120.0))
    c = np.full(time_s.size, 24.0)
    return Jar(
        seed, every_s, JarSettings(name="keeping", empty_mm=180.0), time_s, distance, c, tuple(fed_s), tuple(kept)
    )


def unfed(seed: int, every_s: float = 300.0) -> Jar:
    """Fed once, then never again for three days: it collapses in steps, is looked at, and readings fail."""
    rng = np.random.default_rng([seed, 23])
    grid_s = START_S + np.arange(0.0, 3.1 * 86400.0, GRID_S)
    start_mm = rng.uniform(30.0, 50.0)
    level, _ = _cycle(rng, (grid_s[360:] - grid_s[360]) / 3600.0, start_mm, collapses=True)
    level = np.concatenate((np.full(360, start_mm * 1.4), level))
    time_s, distance = _sensed(rng, grid_s, level, every_s)
    fed_s = float(grid_s[360])
    _open(rng, time_s, distance, fed_s - 240.0, fed_s + 20.0)
    for _ in range(3):
        look_s = rng.uniform(fed_s + 3600.0, grid_s[-1])
        _open(rng, time_s, distance, look_s, look_s + rng.uniform(20.0, 120.0))
    held = rng.uniform(size=time_s.size) > rng.choice([0.0, 0.01, 0.03])
    held &= np.roll(held, 1) | (rng.uniform(size=time_s.size) > 0.5)
    c = np.full(time_s.size, 24.0)
    jar = JarSettings(name="unfed", empty_mm=180.0)
    return Jar(seed, every_s, jar, time_s[held], distance[held], c[held], (fed_s,), (False,))


def seen(given: Jar) -> list[Event]:
    """Feedings seen in the rows alone."""
    state = core.begin(given.jar)
    out: list[Event] = []
    rows = zip(given.time_s.tolist(), given.distance_mm.tolist(), given.temperature_c.tolist(), strict=True)
    for seq, (time_s, distance_mm, c) in enumerate(rows):
        reading = Reading(time_s=time_s, jar=given.jar.name, distance_mm=distance_mm, temperature_c=c)
        state, events = core.take(state, Arrival(seq=seq, received_s=time_s, item=reading), given.jar)
        out += [event for event in events if event.kind is EventKind.FED]
    return out


@dataclass(slots=True)
class Score:
    """Feedings, seen, near their time, each for all and for those that kept the level; and false ones."""

    fed: int = 0
    seen: int = 0
    near: int = 0
    kept: int = 0
    kept_seen: int = 0
    kept_near: int = 0
    false: int = 0
    days: float = 0.0

    def add(self, given: Jar, events: list[Event]) -> list[str]:
        """Score one jar; what went wrong, for people."""
        self.days += given.days
        wrong = []
        left = list(events)
        for at_s, kept in zip(given.fed_s, given.kept, strict=True):
            nearest = min(left, key=lambda event: abs(event.happened_at_s - at_s), default=None)
            found = nearest is not None and abs(nearest.happened_at_s - at_s) < MATCH_S
            near = found and nearest is not None and abs(nearest.happened_at_s - at_s) <= NEAR_S
            self.fed, self.seen, self.near = self.fed + 1, self.seen + found, self.near + near
            if kept:
                self.kept, self.kept_seen, self.kept_near = self.kept + 1, self.kept_seen + found, self.kept_near + near
            if found and nearest is not None:
                left.remove(nearest)
                if not near:
                    off_min = (nearest.happened_at_s - at_s) / 60.0
                    wrong.append(
                        f"{given.seed} ({given.every_s:.0f} s) {'kept' if kept else 'jump'} off {off_min:.0f} min"
                    )
            else:
                wrong.append(f"{given.seed} ({given.every_s:.0f} s) {'kept' if kept else 'jump'} unseen")
        self.false += len(left)
        wrong += [
            f"{given.seed} ({given.every_s:.0f} s) false at {(e.happened_at_s - given.time_s[0]) / 3600:.1f} h"
            f" {dict(e.evidence)}"
            for e in left
        ]
        return wrong


def _one(job: tuple[str, int, float]) -> tuple[Jar, list[Event]]:
    kind, seed, every_s = job
    given = keeping(seed) if kind == "keeping" else unfed(seed, every_s)
    return given, seen(given)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--jars", type=int, default=60)
    parser.add_argument("--unfed", type=int, default=100)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--workers", type=int, default=2)
    args = parser.parse_args()
    for kind, count in (("keeping", args.jars), ("unfed", args.unfed)):
        by_sampling: dict[float, Score] = {}
        wrong: list[str] = []
        samplings = SAMPLINGS_S[:1] if kind == "keeping" else SAMPLINGS_S  # a seed of the first has its own
        jobs = [(kind, seed, every_s) for every_s in samplings for seed in range(args.first, args.first + count)]
        with multiprocessing.get_context("fork").Pool(args.workers, initializer=os.nice, initargs=(10,)) as pool:
            for given, events in pool.imap(_one, jobs):
                wrong += by_sampling.setdefault(given.every_s, Score()).add(given, events)
        print(f"{kind}: {count} jars{' at each sampling' if len(samplings) > 1 else ''}")
        for every_s, one in sorted(by_sampling.items()):
            print(
                f"  {every_s:4.0f} s: {one.seen} of {one.fed} seen, {one.near} within 20 min; keeping the level: "
                f"{one.kept_seen} of {one.kept} seen, {one.kept_near} within 20 min;"
                f" {one.false} false in {one.days:.0f} days"
            )
        print("\n".join("    " + line for line in wrong))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
