"""How the forecasting benchmarks share their work: batches of cultures, each with chance of its own, on some cores.

A batch is the same whichever core does it, so `--jobs` changes nothing but the time.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from tests.bench.forecast_cultures import Budding, Simulated, Tabular
from tests.bench.forecast_larder import Larder

World = Budding | Tabular | Simulated | Larder
KINDS: tuple[type[World], ...] = (Budding, Tabular, Simulated, Larder)
BATCH = 10  # cultures

T = TypeVar("T")


@dataclass(frozen=True)
class Wish:
    of_each: int
    seed: int
    jobs: int


def asked(what: str, of_each: int) -> Wish:
    """The command line."""
    parser = argparse.ArgumentParser(description=what)
    parser.add_argument("of_each", type=int, nargs="?", default=of_each, help="cultures of each kind")
    parser.add_argument("seed", type=int, nargs="?", default=1)
    parser.add_argument("--jobs", type=int, default=1, help="processes")
    said = parser.parse_args()
    return Wish(of_each=said.of_each, seed=said.seed, jobs=said.jobs)


def rng_of(kind: type[World], seed: int, batch: int) -> np.random.Generator:
    """Chance for one batch of one kind."""
    return np.random.default_rng([seed, KINDS.index(kind), batch])


def in_batches(run: Callable[[type[World], int, int, int], T], wish: Wish) -> dict[type[World], list[T]]:
    """`run(kind, cultures, seed, batch)` for all batches of every kind, with a line on standard error after each."""
    sizes = [min(BATCH, wish.of_each - at) for at in range(0, wish.of_each, BATCH)]
    # the slowest kind first, so that no core waits for it at the end
    tasks = [(kind, size, wish.seed, batch) for kind in reversed(KINDS) for batch, size in enumerate(sizes)]
    done: dict[tuple[type[World], int], T] = {}
    began_s = time.monotonic()

    def note(kind: type[World], batch: int, result: T) -> None:
        done[kind, batch] = result
        passed_s = time.monotonic() - began_s
        print(f"{len(done)} of {len(tasks)} batches, {passed_s:.0f} s", file=sys.stderr, flush=True)

    if wish.jobs == 1:
        for task in tasks:
            note(task[0], task[3], run(*task))
    else:
        with ProcessPoolExecutor(wish.jobs) as pool:
            waiting = {pool.submit(run, *task): task for task in tasks}
            for one in as_completed(waiting):
                note(waiting[one][0], waiting[one][3], one.result())
    return {kind: [done[kind, batch] for batch in range(len(sizes))] for kind in KINDS}
