"""Chooses the rivals' thresholds on the tune half: the most hits, three taken off for each false claim.

python -m tests.bench.detection_tune [--days 190] [--only "seven-window scan"]
"""

from __future__ import annotations

import argparse
import itertools
import multiprocessing
import os

from tests.bench.detection_peers import RIVALS, run
from tests.bench.detection_score import HEADER, Score, row, score
from tests.bench.detection_set import TUNE, recording, recordings

Choice = tuple[tuple[str, float], ...]


def choices(tried: dict[str, tuple[float, ...]]) -> list[Choice]:
    return [tuple(zip(tried, values, strict=True)) for values in itertools.product(*tried.values())]


def _one(job: tuple[str, int]) -> dict[Choice, Score]:
    name, seed = job
    entry = RIVALS[name]
    given = recording(seed)
    return {choice: score(given, run(entry.rival, dict(choice), given)) for choice in choices(entry.tried)}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--days", type=float, default=190.0)
    parser.add_argument("--only", action="append")
    args = parser.parse_args()
    seeds = recordings(TUNE, args.days)
    print(HEADER)
    with multiprocessing.get_context("fork").Pool(2, initializer=os.nice, initargs=(5,)) as pool:
        for name in args.only or RIVALS:
            total: dict[Choice, Score] = {}
            for part in pool.imap_unordered(_one, [(name, seed) for seed in seeds]):
                for choice, one in part.items():
                    total.setdefault(choice, Score()).__iadd__(one)
            best = max(total, key=lambda choice: total[choice].hits - 3 * total[choice].false)
            print(row(name, total[best]), dict(best), flush=True)


if __name__ == "__main__":
    main()
