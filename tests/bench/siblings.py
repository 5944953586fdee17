"""A jar unlike its siblings: power and false alarms over invented shelves.

`python -m tests.bench.siblings` makes 200 shelves of each kind (8 % scatter a cycle, 4 % between places) and counts,
after one, two and four batches: shelves with one slow jar where it was named, and those where another was. Beside ours:
the plain rule "more than three spreads from the mean". Then the same for sensors beside their neighbours: 200 shelves
of 20 jars whose places differ by 0.4 degC (one standard deviation) and whose fillings by 1.5 mm, one sensor off.
"""

from __future__ import annotations

import math
from dataclasses import replace
from random import Random
from statistics import fmean, stdev

from monitor.core.assess.neighbours import drifting
from monitor.core.assess.siblings import unlike
from monitor.settings import JarSettings
from monitor.values import Cycle, JarState, Level, Stage, of_grams
from tests.jar_state import jar_state

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
                feeding=of_grams((20.0, 100.0, 100.0)),
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


def sensors(chance: Random, jars: int, off_c: float, off_mm: float) -> list[JarState]:
    """States seven hours after a feeding; the first sensor is off."""
    made = []
    for n in range(jars):
        warm_c = 23.0 + chance.gauss(0.0, 0.4) + (off_c if n == 0 else 0.0)
        start_mm = 45.0 + chance.gauss(0.0, 1.5) + (off_mm if n == 0 else 0.0)
        level = Level(
            time_s=0.0, distance_mm=180.0 - 2.0 * start_mm, level_mm=2.0 * start_mm, sd_mm=0.5, volume_ml=None,
            rise_ratio=2.0, rise_ratio_sd=0.05, temperature_c=warm_c,
        )  # fmt: skip
        state = jar_state(25_200.0, Stage.RISING, f"jar-{n}", 7.0, level=level, temperature_c=warm_c)
        cycle = Cycle(jar=f"jar-{n}", number=1, fed_at_s=15.0 * n, temperatures_c=(warm_c,) * 7)
        made.append(replace(state, cycle=cycle))
    return made


def of_sensors() -> None:
    settings = {f"jar-{n}": JarSettings(name=f"jar-{n}") for n in range(20)}
    for off_c, off_mm in ((0.0, 0.0), (1.5, 0.0), (2.0, 0.0), (3.0, 0.0), (0.0, 5.0), (0.0, 8.0), (0.0, 12.0)):
        chance = Random(f"{off_c} {off_mm}")
        hit = false = 0
        for _ in range(SHELVES):
            named = {one.jar for one in drifting(sensors(chance, 20, off_c, off_mm), settings)}
            odd = off_c > 0.0 or off_mm > 0.0
            hit += odd and "jar-0" in named
            false += bool(named - ({"jar-0"} if odd else set()))
        print(f" 20 jars, a sensor {off_c:g} degC and {off_mm:g} mm off: named {hit:3}   false {false:3}")


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
    of_sensors()


if __name__ == "__main__":
    main()
