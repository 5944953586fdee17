"""Do plans land? `python -m tests.bench.forecast_plans [cultures] [seed]`.

Cultures of `forecast_cultures` live through up to eight cycles of which only one line each is kept, as a CYCLES.csv has
it (mean temperature, hours). A 24 h cycle is planned for a room of known temperature and carried out on a copy of the
culture: once with a baker who follows the plans, once with one who fed quite differently before. Of the plans that say
they are met: error against the wanted cycle, and coverage of the 90 % range.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence

import numpy as np

from monitor.core import culture as cultures
from monitor.core import feeding
from monitor.core.weighing import Limits
from monitor.values import Cycle, FeedPlan
from tests.bench.forecast_cultures import KINDS, Floats, Kitchens, Outcome, World

AFTER = (0, 1, 3, 5, 8)
TARGET_H = 24.0


def line_of(out: Outcome, who: int, dilution: float, number: int) -> Cycle:
    """One cycle as a line of CYCLES.csv knows it."""
    fall_h = float(out.seen_fall_h[who])
    hours = int(np.ceil(fall_h))
    mean_c = float(out.temperatures_c[who, :hours].mean())
    fed_at_s = 86400.0 * 3 * number
    added_g = 25.0 * (dilution - 1.0) / 2.0
    return Cycle(
        jar="", number=number, fed_at_s=fed_at_s, told=True, starter_g=25.0, flour_g=added_g, water_g=added_g,
        peak_at_s=fed_at_s + 3600.0 * float(out.seen_peak_h[who]), fall_at_s=fed_at_s + 3600.0 * fall_h,
        peak_ratio=float(out.peak_ratio[who]), temperatures_c=(mean_c,) * hours,
    )  # fmt: skip


def run(kind: type[World], n: int, seed: int, follow: bool) -> dict[int, Floats]:
    """By number of cycles learnt: rows of (earliest, likely, latest, what came, last one's hours) of the met plans."""
    rng = np.random.default_rng(seed)
    world, kitchens = kind(rng, n), Kitchens(rng, n)
    believed = [cultures.prior() for _ in range(n)]
    last_h = np.full(n, np.nan)
    rows: dict[int, Floats] = {}
    favourite = np.exp(rng.uniform(np.log(4.0), np.log(16.0), n))
    for number in range(max(AFTER) + 1):
        room_c = np.clip(kitchens.mean_c + rng.normal(0.0, 1.5, n), 16.0, 27.0)
        plans = _plans(believed, room_c)
        planned = np.array([(one.starter_g + one.flour_g + one.water_g) / one.starter_g for one in plans])
        steady = kitchens.hours(np.zeros(n), room_c)
        if number in AFTER:
            tried = world.copy().cycle(planned, steady).fall_h
            rows[number] = np.array(
                [(*one.hours_to_fall, h, last) for one, h, last in zip(plans, tried, last_h, strict=True) if one.met]
            )
        if follow:
            dilution, temperatures_c = planned, steady
        else:
            dilution = np.clip(favourite * np.exp(rng.normal(0.0, 0.4, n)), 2.5, 40.0)
            temperatures_c = kitchens.hours(rng.uniform(0.0, 24.0, n))
        out = world.cycle(dilution, temperatures_c)
        for who in range(n):
            if out.fall_h[who] < 65.0:
                believed[who] = cultures.learn(believed[who], line_of(out, who, float(dilution[who]), number))
        last_h = out.seen_fall_h
        world.feed_at(out.fall_h + rng.uniform(0.0, 4.0, n))
    return rows


def _plans(believed: Sequence[cultures.Culture], room_c: Floats) -> list[FeedPlan]:
    return [
        feeding.plan(one, target_h=TARGET_H, temperatures_c=(float(c),), limits=Limits(keep_g=25.0))
        for one, c in zip(believed, room_c, strict=True)
    ]


def report(rows: dict[int, Floats], n: int) -> None:
    print("cycles learnt   met   median %   p90 %   covers   same as last time would land off by, median %")
    for number, table in rows.items():
        off = 100.0 * np.abs(table[:, 3] / TARGET_H - 1.0)
        inside = (table[:, 0] <= table[:, 3]) & (table[:, 3] <= table[:, 2])
        last = "" if np.isnan(table[:, 4]).all() else f"{np.median(100 * np.abs(table[:, 4] / TARGET_H - 1)):6.1f}"
        print(
            f"{number:13} {len(table) / n:5.2f} {np.median(off):10.1f} {np.quantile(off, 0.9):7.1f} "
            f"{inside.mean():8.3f}   {last}"
        )


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    for kind in KINDS:
        for follow in (True, False):
            who = "the baker follows the plans" if follow else "the baker feeds 1:2:2 to 1:8:8 before: far from 24 h"
            print(f"\n{kind.__name__}: {count} cultures, seed {seed}, {who}")
            report(run(kind, count, seed, follow), count)
