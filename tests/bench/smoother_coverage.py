"""How often do the smoother's 90 % ranges hold the truth? On the cycles of the evaluation set that rise and fall.

    python -m tests.bench.smoother_coverage [--held-out] [--days 190]

Levels are helped by the true times of feedings only. The truth for the peak's level is in the sensor's frame: what the
lid's seat adds at the peak belongs to the reading, not to the surface.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os

import numpy as np

from monitor.review.smoother import TOP_MM, smooth_top
from tests.bench.detection_set import HELD_OUT, TUNE, recording, recordings


def check(seed: int) -> list[tuple[int, list[tuple[float, float, float, float]]]]:
    """For each cycle that rises and falls: (low, likely, high, truth) of peak time, peak level and start of fall."""
    given = recording(seed)
    found = []
    inside = (given.distance_mm > 10.0) & (given.distance_mm < given.empty_mm)
    for cycle in given.cycles:
        if not cycle.falls or not cycle.whole:
            continue
        here = inside & (given.time_s >= cycle.begin_s) & (given.time_s <= cycle.end_s - 900.0)
        looks = [to_s for name, _, to_s in given.marks if name == "look" and cycle.begin_s < to_s < cycle.end_s]
        top = smooth_top(given.time_s[here].tolist(), (given.empty_mm - given.distance_mm[here]).tolist(), looks)
        if top is None:
            found.append((seed, []))
            continue
        rows = [(top.peak_at.earliest_s, top.peak_at.likely_s, top.peak_at.latest_s, cycle.peak_s)]
        near = np.flatnonzero(here)[np.argsort(np.abs(given.time_s[here] - cycle.peak_s))[:1]]
        rows.append((*top.peak_mm, cycle.peak_mm - float(given.seat_mm[near[0]])))
        if top.fall_at is not None:
            grid = (given.grid_s >= cycle.begin_s) & (given.grid_s <= cycle.end_s)
            last_s = given.grid_s[grid][np.flatnonzero(given.true_mm[grid] >= cycle.peak_mm - TOP_MM)[-1]]
            rows.append((top.fall_at.earliest_s, top.fall_at.likely_s, top.fall_at.latest_s, float(last_s)))
        found.append((seed, rows))
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--held-out", action="store_true")
    parser.add_argument("--days", type=float, default=190.0)
    parser.add_argument("--list", action="store_true", help="also the cycles whose peak time lies outside")
    args = parser.parse_args()
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    seeds = recordings(HELD_OUT if args.held_out else TUNE, args.days)
    with multiprocessing.get_context("fork").Pool(2, initializer=os.nice, initargs=(10,)) as pool:
        cycles = [one for part in pool.imap(check, seeds) for one in part]
    print(f"{len(cycles)} cycles that rise and fall; {sum(not rows for _, rows in cycles)} without an answer")
    for place, (what, unit, scale) in enumerate(
        (("peak time", "min", 60.0), ("peak level", "mm", 1.0), ("start of fall", "min", 60.0))
    ):
        got = np.array([rows[place] for _, rows in cycles if len(rows) > place])
        held = (got[:, 0] <= got[:, 3]) & (got[:, 3] <= got[:, 2])
        error = np.abs(got[:, 1] - got[:, 3]) / scale
        wide = (got[:, 2] - got[:, 0]) / scale
        side = np.where(got[:, 3] < got[:, 1], got[:, 1] - got[:, 0], got[:, 2] - got[:, 1])
        needed = np.percentile(np.abs(got[:, 1] - got[:, 3]) / np.maximum(side, 1e-6), 90)
        print(
            f"{what:14s} n {len(got):4d}  inside the 90 % range {100 * held.mean():5.1f} %"
            f"  (below it {100 * (got[:, 3] < got[:, 0]).mean():.1f}, above {100 * (got[:, 3] > got[:, 2]).mean():.1f})"
            f"  error p50 {np.median(error):.2f} {unit}, p90 {np.percentile(error, 90):.2f};"
            f" width p50 {np.median(wide):.1f} {unit}; wider by {needed:.2f} would hold 90 %"
        )
    if args.list:
        for seed, rows in cycles:
            if rows and not rows[0][0] <= rows[0][3] <= rows[0][2]:
                low, likely, high, truth = rows[0]
                print(
                    seed,
                    f"{(likely - truth) / 60:+.0f} min, range {(low - truth) / 60:+.0f} .. {(high - truth) / 60:+.0f}",
                )


if __name__ == "__main__":
    main()
