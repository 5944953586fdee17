"""Forecasts against rivals on invented cultures: `python -m tests.bench.forecast_bench [of each] [seed] [--jobs 2]`.

Each culture of `forecast_cultures` lives through twelve cycles whose ratio, hour of feeding, weekend habit and
temperature vary. Before each, at half rise and an hour before the peak, ours predicts; the rivals are "the same as
last time" and "the mean of the last five". Coverage is of the 90 % range, its interval by resampling whole cultures.
Accuracy and bias factors after Ross 1996, J. Appl. Bacteriol. 81:501.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace

import numpy as np

from monitor.core.forecast import peak_time as peak_times
from monitor.core.forecast import starter_model as starter_models
from monitor.core.forecast.starter_model import Culture
from monitor.values import Cycle, CycleSoFar, Stage, of_grams
from tests.bench.forecast_cultures import STEP_H, Floats, Kitchens, Outcome
from tests.bench.forecast_share import KINDS, World, asked, in_batches, rng_of

CYCLES = 12
START_S = 1_772_409_600.0  # 2026-03-02T00:00:00Z
RIVALS = ("last time", "last five")
Hours = tuple[float, float, float]


@dataclass
class Scores:
    """What was predicted and what came, by moment and method, with the culture and cycle each belongs to."""

    rows: dict[tuple[str, str], list[tuple[int, int, float, float, float, float]]] = field(
        default_factory=lambda: defaultdict(list)
    )

    def add(self, moment: str, method: str, who: int, cycle: int, said: Hours, came: float) -> None:
        self.rows[moment, method].append((who, cycle, *said, came))

    def table(self, moment: str, method: str, first: int = 0) -> np.ndarray:
        rows = np.array([row for row in self.rows.get((moment, method), ()) if row[1] >= first])
        return rows if len(rows) else np.empty((0, 6))


@dataclass
class Lived:
    """One cycle of every culture of a batch: when each was fed, how much diluted, and what came."""

    start_h: Floats
    dilution: Floats
    out: Outcome


def coverage(rows: np.ndarray, rng: np.random.Generator) -> tuple[float, float, float]:
    """Share of outcomes inside the range, with its 95 % interval over resampled cultures."""
    inside = (rows[:, 2] <= rows[:, 5]) & (rows[:, 5] <= rows[:, 4])
    groups = [inside[rows[:, 0] == who] for who in np.unique(rows[:, 0])]
    picks = [np.concatenate([groups[i] for i in rng.integers(0, len(groups), len(groups))]).mean() for _ in range(400)]
    return float(inside.mean()), float(np.quantile(picks, 0.025)), float(np.quantile(picks, 0.975))


def factors(rows: np.ndarray) -> tuple[float, float]:
    """Accuracy and bias factors."""
    logs = np.log10(rows[:, 3] / rows[:, 5])
    return float(10 ** np.abs(logs).mean()), float(10 ** logs.mean())


def lives(kind: type[World], n: int, rng: np.random.Generator) -> Iterator[Lived]:
    """`n` cultures' cycles, by bakers who vary the ratio, the hour and how late they feed."""
    world, kitchens = kind(rng, n), Kitchens(rng, n)
    varied = rng.uniform(0.0, 1.0, n)
    favourite = np.exp(rng.uniform(np.log(3.0), np.log(12.0), n))
    hour = rng.uniform(6.0, 22.0, n)
    day = np.zeros(n)
    for _ in range(CYCLES):
        spread = np.exp(rng.normal(0.0, 0.5, n) * (0.3 + varied))
        dilution = np.clip(favourite * spread, 2.2, 40.0)
        start_h = day * 24.0 + hour + rng.normal(0.0, 0.7, n)
        out = world.cycle(dilution, kitchens.hours(start_h))
        yield Lived(start_h=start_h, dilution=dilution, out=out)
        late = np.where(rng.uniform(size=n) < 0.2, rng.uniform(5.0, 24.0, n), rng.uniform(0.0, 5.0, n))
        end_h = out.fall_h + late
        world.feed_at(end_h)
        day = day + np.ceil(end_h / 24.0)


def judged(lived: Iterable[Lived], rng: np.random.Generator) -> Scores:
    """What ours and the rivals predict of these cycles, each from those before it."""
    scores = Scores()
    believed: dict[int, Culture] = defaultdict(starter_models.prior)
    past: dict[int, list[tuple[float, float]]] = defaultdict(list)
    for number, cycles in enumerate(lived):
        for who in range(len(cycles.dilution)):
            if cycles.out.fall_h[who] <= 65.0:  # else it did not rise in time, and no baker waits for it
                _one(scores, believed, past, cycles, who, number, rng)
    return scores


def _one(
    scores: Scores,
    believed: dict[int, Culture],
    past: dict[int, list[tuple[float, float]]],
    lived: Lived,
    who: int,
    number: int,
    rng: np.random.Generator,
) -> None:
    out, dilution = lived.out, float(lived.dilution[who])
    fed_at_s = START_S + 3600.0 * float(lived.start_h[who])
    peak_h, fall_h = float(out.seen_peak_h[who]), float(out.seen_fall_h[who])
    cycle = Cycle(
        jar="x", number=number, fed_at_s=fed_at_s, told=True,
        feeding=of_grams((25.0, 12.5 * (dilution - 1), 12.5 * (dilution - 1))),
        peak_at_s=fed_at_s + 3600 * peak_h, fall_at_s=fed_at_s + 3600 * fall_h,
        peak_ratio=float(out.peak_ratio[who]),
        temperatures_c=tuple(map(float, out.temperatures_c[who, : int(fall_h) + 1])),
    )  # fmt: skip
    ahead = peak_times.hours_ahead(
        starter_models.predict(believed[who], cycle.temperatures_c, dilution), cycle.temperatures_c
    )
    scores.add("known warmth", "ours", who, number, ahead.peak_h, peak_h)
    scores.add("known warmth fall", "ours", who, number, ahead.fall_h, fall_h)
    half = 1.0 + (out.peak_ratio[who] - 1.0) / 2.0
    moments = {"at feeding": 0.0, "half rise": float(np.argmax(out.curve[who] >= half)) * STEP_H}
    if peak_h > 1.5:
        moments["hour before"] = peak_h - 1.0
    for moment, at_h in moments.items():
        said = peak_times.forecast(believed[who], _so_far(cycle, out, who, at_h, rng))
        for name, span, came_h in (("", said.peak_at, peak_h), (" fall", said.fall_at, fall_h)):
            assert span is not None
            low, likely, high = ((s - fed_at_s) / 3600.0 for s in (span.earliest_s, span.likely_s, span.latest_s))
            scores.add(moment + name, "ours", who, number, (low, likely, high), came_h)
        for method, before in zip(RIVALS, (past[who][-1:], past[who][-5:]), strict=True):
            if before:  # what they say does not change while it rises
                peak, fall = np.mean(before, axis=0)
                scores.add(moment, method, who, number, (peak,) * 3, peak_h)
                scores.add(moment + " fall", method, who, number, (fall,) * 3, fall_h)
    past[who].append((peak_h, fall_h))
    whole = _so_far(cycle, out, who, fall_h, rng, closed=True)
    shapes = peak_times.learn_shape(believed[who], whole)
    believed[who] = replace(starter_models.learn(believed[who], cycle), shapes=shapes)


def _so_far(
    cycle: Cycle, out: Outcome, who: int, at_h: float, rng: np.random.Generator, closed: bool = False
) -> CycleSoFar:
    count = max(int(at_h / STEP_H), 1)
    noise = rng.normal(0.0, 0.015, count)
    curve = tuple((i * STEP_H, float(out.curve[who, i] + noise[i]), 0.015) for i in range(0, count, 2))
    hours = int(at_h)
    open_cycle = cycle if closed else replace(
        cycle, peak_at_s=None, fall_at_s=None, peak_ratio=None, temperatures_c=cycle.temperatures_c[:hours]
    )  # fmt: skip
    return CycleSoFar(
        cycle=open_cycle, now_s=cycle.fed_at_s + 3600.0 * at_h, stage=Stage.RISING if at_h else Stage.SETTLING,
        curve=curve, temperature_c=cycle.temperatures_c[0],
    )  # fmt: skip


def live(kind: type[World], n: int, seed: int, batch: int = 0) -> Scores:
    """Let a batch of `n` cultures live through their cycles and write down what was predicted."""
    rng = rng_of(kind, seed, batch)
    return judged(lives(kind, n, rng), rng)


def pooled(some: Iterable[Scores]) -> Scores:
    """All of them as one, each culture still its own."""
    whole = Scores()
    for i, scores in enumerate(some):
        for key, rows in scores.rows.items():
            whole.rows[key] += [(1000 * i + row[0], *row[1:]) for row in rows]
    return whole


def report(scores: Scores, title: str) -> None:
    rng = np.random.default_rng(0)
    print(f"\n{title}")
    print(
        f"{'moment':18} {'method':10} {'cycles':>7} {'MAE h':>6} {'med %':>6} {'p90 %':>6} {'Af':>5} {'Bf':>5}"
        "  covers 90 %"
    )
    for moment, method in sorted(scores.rows):
        for first, name in ((0, "all"), (5, "from 6")):
            rows = scores.table(moment, method, first)
            error = np.abs(rows[:, 3] - rows[:, 5])
            share = 100 * error / rows[:, 5]
            accuracy, bias = factors(rows)
            held = "" if method != "ours" else "{:.3f} ({:.3f} to {:.3f})".format(*coverage(rows, rng))
            print(
                f"{moment:18} {method:10} {name:>7} {error.mean():6.2f} {np.median(share):6.1f} "
                f"{np.quantile(share, 0.9):6.1f} {accuracy:5.2f} {bias:5.2f}  {held}"
            )


if __name__ == "__main__":
    wish = asked("Forecasts against rivals on invented cultures.", of_each=70)
    lived = in_batches(live, wish)
    for kind in KINDS:
        report(pooled(lived[kind]), f"{kind.__name__}: {wish.of_each} cultures, seed {wish.seed}")
    report(
        pooled(scores for kind in KINDS for scores in lived[kind]),
        f"All: {wish.of_each * len(KINDS)} cultures, seed {wish.seed}",
    )
