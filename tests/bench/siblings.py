"""A jar unlike its siblings: power and false alarms over invented shelves.

`python -m tests.bench.siblings` makes 200 shelves of each kind (8 % scatter a cycle, 4 % between places) and counts,
after one, two and four batches: shelves with one slow jar where it was named, and those where another was. Beside ours:
the plain rule "more than three spreads from the mean".
"""

from __future__ import annotations

import math
from random import Random
from statistics import fmean, stdev

from monitor.core.assess.siblings import unlike
from monitor.values import Cycle

SHELVES, CYCLE_SD, PLACE_SD = 200, 0.08, 0.04


def shelf(chance: Random, jars: int, batches: int, slower: float) -> dict[str, list[Cycle]]:
    """Cycles of every jar; the first is `slower` than the rest."""
    out: dict[str, list[Cycle]] = {}
    for n in range(jars):
        place = math.exp(chance.gauss(0.0, PLACE_SD)) * (slower if n == 0 else 1.0)
        out[f"jar-{n}"] = [
            Cycle(
                jar=f"jar-{n}",
                number=day,
                fed_at_s=day * 86400.0 + 15.0 * n,
                starter_g=20.0,
                flour_g=100.0,
                water_g=100.0,
                peak_at_s=day * 86400.0 + 15.0 * n + 9.0 * 3600.0 * place * math.exp(chance.gauss(0.0, CYCLE_SD)),
                peak_ratio=2.4 * math.exp(chance.gauss(0.0, 0.05)),
                temperatures_c=(22.0,) * 24,
            )
            for day in range(batches)
        ]
    return out


def three_spreads(cycles: dict[str, list[Cycle]]) -> set[str]:
    means = {jar: fmean(math.log((c.peak_at_s or 0.0) - c.fed_at_s) for c in some) for jar, some in cycles.items()}
    mean, spread = fmean(means.values()), stdev(means.values())
    return {jar for jar, value in means.items() if abs(value - mean) > 3.0 * spread}


def main() -> None:
    print(f"{SHELVES} shelves each; named: ours, three spreads; others named falsely on the same shelves")
    for jars in (10, 20, 40):
        for slower in (1.0, 1.2, 1.3, 1.5):
            for batches in (1, 2, 4):
                chance = Random(f"{jars} {slower} {batches}")
                hit = [0, 0]
                false = [0, 0]
                for _ in range(SHELVES):
                    cycles = shelf(chance, jars, batches, slower)
                    for at, found in enumerate(({one.jar for one in unlike(cycles)}, three_spreads(cycles))):
                        hit[at] += slower > 1.0 and "jar-0" in found
                        false[at] += bool(found - ({"jar-0"} if slower > 1.0 else set()))
                what = "sound" if slower == 1.0 else f"one {slower - 1.0:.0%} slower"
                counts = f"named {hit[0]:3} {hit[1]:3}   false {false[0]:3} {false[1]:3}"
                print(f"{jars:3} jars, {what:16} {batches} batches: {counts}")


if __name__ == "__main__":
    main()
