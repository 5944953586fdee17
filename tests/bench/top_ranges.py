"""Do the ranges of the expected top hold what they say? `python -m tests.bench.top_ranges [first-last]`

Starters of `seasons` (feedings told), from the fifth cycle on: each quarter of an hour from half rise until the true
top, whether it lies in the 90 % range that memory gives for it (`memory.top_at`), and how wide that is; over all, at
half rise alone, and by the hours that are left. Quarters of an hour of one cycle, and cycles of one starter, are alike:
the shares held of each starter are printed too.
"""

from __future__ import annotations

import multiprocessing
import os
import sys
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from monitor.core.detect import memory
from monitor.core.detect import step as core
from monitor.values import Arrival, Fed, Reading
from tests.bench.seasons import FIRST_SCORED, season

QUARTER_S, HALF = 900.0, 0.5
LEFT_H = (0.0, 1.0, 2.0, 3.0, 5.0, 48.0)


def ranges(seed: int) -> list[tuple[float, ...]]:
    """(seed, cycle, hours left, whether the top lies inside, width in min) at each quarter of an hour of a starter."""
    given = season(seed)
    jar, feedings = given.jar, [cycle.fed for cycle in given.cycles]
    state, seq, quarter, cycle = core.begin(jar), 0, -1, -1
    out: list[tuple[float, ...]] = []
    rows = zip(given.time_s.tolist(), given.distance_mm.tolist(), given.temperature_c.tolist(), strict=True)
    for time_s, distance_mm, c in rows:
        items: list[Fed | Reading] = []
        while feedings and feedings[0].time_s <= time_s:
            items.append(feedings.pop(0))
            cycle += 1
        items.append(Reading(time_s=time_s, jar=jar.name, distance_mm=distance_mm, temperature_c=c))
        for item in items:
            state, _ = core.take(state, Arrival(seq=seq, received_s=time_s, item=item), jar)
            seq += 1
        if time_s // QUARTER_S == quarter:
            continue
        quarter = time_s // QUARTER_S
        span = memory.top_at(state)
        if span is None or cycle < FIRST_SCORED:
            continue
        truth = given.cycles[cycle]
        risen = (given.level_mm(time_s) - given.start_mm) / (truth.top_mm - given.start_mm)
        if risen >= HALF and truth.top_s > state.now_s:
            held = span.earliest_s <= truth.top_s <= span.latest_s
            width_min = (span.latest_s - span.earliest_s) / 60.0
            out.append((seed, cycle, (truth.top_s - time_s) / 3600.0, held, width_min))
    return out


def line(name: str, some: NDArray[np.float64]) -> str:
    """Share held, and the width's median and 90th percentile."""
    wide = np.percentile(some[:, 4], [50, 90])
    return f"{name:20s} {len(some):5d}  held {some[:, 3].mean():.2f}  wide {wide[0]:.0f} ({wide[1]:.0f}) min"


def main() -> int:
    first, last = (int(part) for part in (sys.argv[1] if len(sys.argv) > 1 else "40-53").split("-"))
    with multiprocessing.get_context("fork").Pool(2, initializer=os.nice, initargs=(10,)) as pool:
        found = np.array([row for rows in pool.imap(ranges, range(first, last + 1)) for row in rows])
    print(line("all", found))
    _, at_half = np.unique(found[:, :2], axis=0, return_index=True)
    print(line("at half rise", found[at_half]))
    for from_h, to_h in pairwise(LEFT_H):
        print(line(f"{from_h:.0f} to {to_h:.0f} h left", found[(found[:, 2] >= from_h) & (found[:, 2] < to_h)]))
    by_starter = [found[found[:, 0] == seed, 3].mean() for seed in np.unique(found[:, 0])]
    print("held, by starter:", " ".join(f"{share:.2f}" for share in sorted(by_starter)))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
