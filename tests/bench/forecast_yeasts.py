"""Forecasts on starters led by one of two yeasts: `python -m tests.bench.forecast_yeasts [starters] [seed]`.

Invented starters, known by one line a cycle. Temperature acts by the published figures of *K. humilis* (straight
lines through those of Gaenzle's letter on Gaenzle et al. 1998) or of *S. cerevisiae* (best 32.3, greatest 45.4 degC:
Salvado et al. 2011), a little steeper or flatter; bakers differ by a third in hours, the fall comes 0.21 to 0.50 of the
way to the top later (by eye, `real_rises`), cycles scatter with heavy tails by 2.5 to 6 %, or evenly by 1.5 to 3 %
(calm). All is predicted from the cycles before. Then cold kitchens, fed every 24 h whatever the jar shows, with and
without learning from what had not come by then, on cultures that share no equation with the model.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from monitor.core.forecast import peak_time, timing
from monitor.core.forecast import starter_model as starter_models
from monitor.values import Cycle, of_grams
from tests.bench.forecast_bench import START_S
from tests.bench.forecast_cultures import Budding, Kitchens, Tabular
from tests.bench.forecast_larder import Larder
from tests.bench.forecast_share import World

CYCLES = 14
SPANS = ((0, 0), (1, 1), (2, 4), (5, 7), (8, 13))  # cycles, counted from 0, that are judged together
HUMILIS_C, HUMILIS = (8, 14, 20, 28, 32, 34, 35), (0, 0.25, 0.5, 1, 0.5, 0.25, 0)
EVERY_H = 24.0
DAY_S = 86400.0


def humilis(c: float) -> float:
    """Share of the best rate, by straight lines between the letter's figures."""
    return float(np.interp(c, HUMILIS_C, HUMILIS))


def cerevisiae(c: float) -> float:
    """Share of the best rate, by the cardinal model with a least temperature of 2 degC."""
    least, best, most = 2.0, 32.3, 45.4
    top = (c - most) * (c - least) ** 2
    return top / ((best - least) * ((best - least) * (c - best) - (best - most) * (best + least - 2.0 * c)))


@dataclass(frozen=True)
class Scatters:
    """Of a cycle's ln(hours) to the top and of its wait, each drawn for a starter from a range; tails heavy or not."""

    top: tuple[float, float]
    wait: tuple[float, float]
    heavy: bool


USUAL = Scatters((0.025, 0.06), (0.05, 0.15), heavy=True)
CALM = Scatters((0.015, 0.03), (0.03, 0.08), heavy=False)


def starter(seed: int, who: int, scatters: Scatters) -> list[tuple[float, ...]]:
    """One starter's cycles: rows of (cycle, earliest, likely, latest, came) for the peak and again for the fall."""
    rng = np.random.default_rng([seed, who])
    of_most = rng.random() < 0.7
    rate: Callable[[float], float] = cerevisiae if of_most else humilis
    steep = rng.normal(1.25 if of_most else 1.0, 0.1)
    own_h = float(np.exp(rng.normal(np.log(8.0), 0.33)))
    wait_share, leaner = rng.uniform(0.21, 0.5), rng.uniform(0.0, 0.15)
    per_dilution = rng.uniform(0.7, 1.0)
    top_sd, wait_sd = rng.uniform(*scatters.top), rng.uniform(*scatters.wait)
    room_c = float(np.clip(rng.normal(21.5, 2.5), 16.0, 27.0))
    culture, rows = starter_models.prior(), []
    for number in range(CYCLES):
        c = float(np.clip(room_c + rng.normal(0.0, 1.5), 13.0, 31.0))
        dilution = float(np.exp(rng.uniform(np.log(3.0), np.log(15.0))))
        off = (rng.standard_t(4) if scatters.heavy else rng.normal()) * top_sd
        doublings = ((math.log(dilution) + 0.3) / (math.log(9.0) + 0.3)) ** per_dilution
        touch_h = own_h * (rate(24.0) / rate(c)) ** steep * doublings * math.exp(off)
        wait = (wait_share + leaner * math.log(dilution / 9.0)) * math.exp(rng.normal(0.0, wait_sd))
        fall_h = touch_h * max(1.0 + wait, 1.08)
        peak_h = timing.highest_h(touch_h, fall_h)
        ahead = peak_time.hours_ahead(starter_models.predict(culture, (c,), dilution, 1.0), (c,))
        rows.append((number, *ahead.peak_h, peak_h, *ahead.fall_h, fall_h))
        fed_at_s = START_S + 3 * DAY_S * number
        culture = starter_models.learn(
            culture,
            Cycle(
                jar="x", number=number, fed_at_s=fed_at_s,
                feeding=of_grams((10.0, 5.0 * (dilution - 1.0), 5.0 * (dilution - 1.0))),
                peak_at_s=fed_at_s + 3600.0 * peak_h,
                fall_at_s=fed_at_s + 3600.0 * fall_h, peak_ratio=2.4, temperatures_c=(c,) * int(fall_h + 1),
            ),
        )  # fmt: skip
    return rows


def judged(rows: np.ndarray) -> str:
    """Of (earliest, likely, latest, came): errors, share inside the range, z."""
    low, likely, high, came = rows.T
    off = np.abs(likely / came - 1.0)
    z = np.log(came / likely) / (np.log(high / low) / 3.29)
    inside = np.mean((low <= came) & (came <= high))
    return (
        f"off {100 * np.median(off):4.1f} % (90th percentile {100 * np.quantile(off, 0.9):4.1f}), inside {inside:.3f}, "
        f"z rms {np.sqrt(np.mean(z**2)):.2f}"
    )


def cold(kind: type[World], starters: int, seed: int, learn_not_yet: bool) -> np.ndarray:
    """Starters of a cold kitchen, fed every 24 h: what was predicted of each peak at the temperatures that came, and
    when it would have come, from the fifth cycle on."""
    rng = np.random.default_rng(seed)
    world, kitchens = kind(rng, starters), Kitchens(rng, starters)
    kitchens.mean_c = rng.uniform(13.5, 18.0, starters)
    usual = np.exp(rng.uniform(np.log(6.0), np.log(14.0), starters))
    believed, rows = [starter_models.prior()] * starters, []
    for number in range(10):
        out = world.cycle(usual * np.exp(rng.normal(0.0, 0.15, starters)), kitchens.hours(np.full(starters, 8.0)))
        for who in np.flatnonzero(out.peak_h <= 60.0):
            temperatures_c, dilution = tuple(map(float, out.temperatures_c[who])), float(usual[who])
            predicted = starter_models.predict(believed[who], temperatures_c, dilution, 1.0)
            rows.append((number, *peak_time.hours_ahead(predicted, temperatures_c).peak_h, float(out.peak_h[who])))
            peak_h, fall_h = float(out.seen_peak_h[who]), float(out.seen_fall_h[who])
            if fall_h >= EVERY_H and not learn_not_yet:
                continue
            fed_at_s = START_S + DAY_S * number
            cycle = Cycle(
                jar="x", number=number, fed_at_s=fed_at_s,
                feeding=of_grams((10.0, 5.0 * (dilution - 1.0), 5.0 * (dilution - 1.0))),
                rise_at_s=fed_at_s, ended_at_s=fed_at_s + 3600.0 * EVERY_H,
                peak_at_s=fed_at_s + 3600.0 * peak_h if peak_h < EVERY_H - 1.0 else None,
                fall_at_s=fed_at_s + 3600.0 * fall_h if fall_h < EVERY_H else None,
                temperatures_c=temperatures_c[: int(EVERY_H)],
            )  # fmt: skip
            believed[who] = starter_models.learn(believed[who], cycle)
        world.feed_at(np.full(starters, EVERY_H))
    table = np.array(rows)
    return table[table[:, 0] >= 4, 1:]


def report(starters: int, seed: int) -> None:
    """Print it all."""
    for scatters, name in ((USUAL, "usual"), (CALM, "calm")):
        rows = np.array([row for who in range(starters) for row in starter(seed, who, scatters)])
        print(f"\n{starters} starters of either yeast, {name} cycles, seed {seed}")
        for first, last in SPANS:
            some = rows[(rows[:, 0] >= first) & (rows[:, 0] <= last)]
            print(f"cycles {first + 1:2} to {last + 1:2}: peak {judged(some[:, 1:5])}")
            print(f"{'':18}fall {judged(some[:, 5:9])}")
    kinds: tuple[type[World], ...] = (Budding, Tabular, Larder)
    for kind in kinds:
        print(f"\ncold kitchens fed every {EVERY_H:.0f} h, {kind.__name__}, from the fifth cycle on")
        for learn_not_yet in (False, True):
            some = cold(kind, starters, seed, learn_not_yet)
            rms = float(np.sqrt(np.mean(np.log(some[:, 1] / some[:, 3]) ** 2)))
            how = "with what had not come yet" if learn_not_yet else "without"
            print(f"{how:27} rms of ln {rms:.3f}, {judged(some)}")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description="Forecasts on starters led by one of two yeasts.")
    parser.add_argument("starters", type=int, nargs="?", default=60)
    parser.add_argument("seed", type=int, nargs="?", default=0)
    said = parser.parse_args()
    report(said.starters, said.seed)
