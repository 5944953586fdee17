"""Do plans land? `python -m tests.bench.forecast_plans [cultures of each kind] [seed] [--jobs 2]`.

Cultures of `forecast_cultures` live through up to eight cycles of which only one line each is kept, as a CYCLES.csv has
it (mean temperature, hours). A 24 h cycle is planned for a room of known temperature and carried out on a copy of the
culture: once with a baker who follows the plans, once with one who fed quite differently before. Of the plans that say
they are met: error against the wanted cycle, and coverage of the 90 % range, its interval by resampling cultures.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from monitor.core.forecast import starter_model as starter_models
from monitor.core.plan import feeding
from monitor.core.plan.weighing import Limits
from monitor.values import Cycle, FeedPlan, of_grams
from tests.bench.forecast_cultures import Floats, Kitchens, Outcome
from tests.bench.forecast_share import KINDS, World, asked, in_batches, rng_of

AFTER = (0, 1, 3, 5, 8)
TARGET_H = 24.0
HABITS = {True: "the baker follows the plans", False: "the baker fed 1:2:2 to 1:8:8 before, far from 24 h"}
Plans = dict[tuple[bool, int], Floats]


def line_of(out: Outcome, who: int, dilution: float, number: int) -> Cycle:
    """One cycle as a line of CYCLES.csv knows it."""
    fall_h = float(out.seen_fall_h[who])
    hours = int(np.ceil(fall_h))
    mean_c = float(out.temperatures_c[who, :hours].mean())
    fed_at_s = 86400.0 * 3 * number
    added_g = 25.0 * (dilution - 1.0) / 2.0
    return Cycle(
        jar="", number=number, fed_at_s=fed_at_s, told=True, feeding=of_grams((25.0, added_g, added_g)),
        peak_at_s=fed_at_s + 3600.0 * float(out.seen_peak_h[who]), fall_at_s=fed_at_s + 3600.0 * fall_h,
        peak_ratio=float(out.peak_ratio[who]), temperatures_c=(mean_c,) * hours,
    )  # fmt: skip


def run(kind: type[World], n: int, seed: int, batch: int) -> Plans:
    """By habit and number of cycles learnt: rows of (culture, met, earliest, likely, latest, what came)."""
    return {key: rows for habit in HABITS for key, rows in _run(kind, n, seed, batch, habit).items()}


def _run(kind: type[World], n: int, seed: int, batch: int, follow: bool) -> Plans:
    rng = rng_of(kind, seed, batch)
    world, kitchens = kind(rng, n), Kitchens(rng, n)
    believed = [starter_models.prior() for _ in range(n)]
    rows: Plans = {}
    favourite = np.exp(rng.uniform(np.log(4.0), np.log(16.0), n))
    for number in range(max(AFTER) + 1):
        room_c = np.clip(kitchens.mean_c + rng.normal(0.0, 1.5, n), 16.0, 27.0)
        plans = _plans(believed, room_c)
        planned = np.array(
            [
                (one.feeding.starter_g + one.feeding.flour_g + one.feeding.water_g) / one.feeding.starter_g
                for one in plans
            ]
        )
        steady = kitchens.hours(np.zeros(n), room_c)
        if number in AFTER:
            came_h = world.copy().cycle(planned, steady).fall_h
            rows[follow, number] = np.array(
                [
                    (1000 * batch + i, one.met, *one.hours_to_fall, h)
                    for i, (one, h) in enumerate(zip(plans, came_h, strict=True))
                ]
            )
        if follow:
            dilution, temperatures_c = planned, steady
        else:
            dilution = np.clip(favourite * np.exp(rng.normal(0.0, 0.4, n)), 2.5, 40.0)
            temperatures_c = kitchens.hours(rng.uniform(0.0, 24.0, n))
        out = world.cycle(dilution, temperatures_c)
        for who in range(n):
            if out.fall_h[who] < 65.0:
                believed[who] = starter_models.learn(believed[who], line_of(out, who, float(dilution[who]), number))
        world.feed_at(out.fall_h + rng.uniform(0.0, 4.0, n))
    return rows


def _plans(believed: Sequence[starter_models.Culture], room_c: Floats) -> list[FeedPlan]:
    return [
        feeding.plan(one, target_h=TARGET_H, temperatures_c=(float(c),), limits=Limits(keep_g=25.0))
        for one, c in zip(believed, room_c, strict=True)
    ]


def report(tables: Sequence[Plans], title: str) -> None:
    rng = np.random.default_rng(0)
    for follow, habit in HABITS.items():
        print(f"\n{title}, {habit}")
        print("cycles learnt   met   median %   p90 %   bias %   covers 90 %")
        for number in AFTER:
            rows = np.concatenate([table[follow, number] for table in tables])
            met = rows[rows[:, 1] > 0.0]
            off = 100.0 * (met[:, 5] / TARGET_H - 1.0)
            inside = (met[:, 2] <= met[:, 5]) & (met[:, 5] <= met[:, 4])
            picks = [inside[rng.integers(0, len(inside), len(inside))].mean() for _ in range(400)]
            print(
                f"{number:13} {len(met) / len(rows):5.2f} {np.median(np.abs(off)):10.1f} "
                f"{np.quantile(np.abs(off), 0.9):7.1f} {np.median(off):8.1f}   "
                f"{inside.mean():.3f} ({np.quantile(picks, 0.025):.3f} to {np.quantile(picks, 0.975):.3f})"
            )


if __name__ == "__main__":
    wish = asked("Do plans land?", of_each=70)
    made = in_batches(run, wish)
    for kind in KINDS:
        report(made[kind], f"{kind.__name__}: {wish.of_each} cultures, seed {wish.seed}")
    everyone = [table for kind in KINDS for table in made[kind]]
    report(everyone, f"All: {wish.of_each * len(KINDS)} cultures, seed {wish.seed}")
