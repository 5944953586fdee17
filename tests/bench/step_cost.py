"""What a reading costs: our whole step beside a single step of filterpy's and of river's, in one run.

    python -m tests.bench.step_cost

Ours is everything from reading to events over two days of the evaluation set, ticks, minutes and forecasts included
(`state.take`); theirs is one predict and update of a level-and-slope filter, and one update of a Page-Hinkley test on a
smoothed value. Processor time, the least of a few repeats: a busy machine only ever adds.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from monitor.core.detect import step as core
from monitor.settings import JarSettings
from monitor.values import Arrival, Reading
from tests.bench.detection_set import TUNE, Recording, recording

REPEATS = 5
MIXED = 12  # recordings, as they come


def stream(every_s: float) -> Recording:
    """A recording's true level measured afresh every `every_s` seconds for two days."""
    given = recording(TUNE + 1)
    rng = np.random.default_rng(1)
    time_s = np.arange(given.grid_s[0], min(given.grid_s[-1], given.grid_s[0] + 2 * 86400.0), every_s)
    level = np.interp(time_s, given.grid_s, given.true_mm)
    distance = np.round(given.empty_mm - level + rng.normal(0.0, 1.0, time_s.size))
    return replace(given, time_s=time_s, distance_mm=distance, temperature_c=np.full(time_s.size, 23.5))


def ours(given: Recording) -> tuple[float, int]:
    """Seconds for all readings, and bytes of the frozen state at the end."""
    jar = JarSettings(name="bench", empty_mm=given.empty_mm)
    arrivals = [
        Arrival(seq=i, received_s=t, item=Reading(time_s=t, jar="bench", distance_mm=d, temperature_c=c))
        for i, (t, d, c) in enumerate(
            zip(given.time_s.tolist(), given.distance_mm.tolist(), given.temperature_c.tolist(), strict=True)
        )
    ]
    state = core.begin(jar)
    began = time.process_time()
    for arrival in arrivals:
        state, _ = core.take(state, arrival, jar)
    return time.process_time() - began, len(json.dumps(core.snapshot(state)))


def filterpy_steps(values: list[float]) -> float:
    from filterpy.kalman import KalmanFilter

    follow = KalmanFilter(dim_x=2, dim_z=1)
    follow.F, follow.H = np.array([[1.0, 1.0], [0.0, 1.0]]), np.array([[1.0, 0.0]])
    follow.Q, follow.R = np.diag([1e-4, 1e-6]), 1.0
    began = time.process_time()
    for value in values:
        follow.predict()
        follow.update(value)
    return time.process_time() - began


def river_steps(values: list[float]) -> float:
    from river.drift import PageHinkley
    from river.stats import EWMean

    smooth, test = EWMean(fading_factor=0.1), PageHinkley(mode="down")
    began = time.process_time()
    for value in values:
        smooth.update(value)
        test.update(smooth.get())
    return time.process_time() - began


def least_us(run: Callable[[], float], count: int) -> float:
    return min(run() for _ in range(REPEATS)) / count * 1e6


def main() -> None:
    values = stream(10.0).distance_mm.tolist()[:5000]
    theirs = {}
    for name, run in (("filterpy predict + update", filterpy_steps), ("river EWMean + PageHinkley", river_steps)):
        try:
            theirs[name] = least_us(lambda run=run: run(values), len(values))  # type: ignore[misc]
        except ImportError as error:
            print(f"{name}: not installed ({error})")
    for name, cost_us in theirs.items():
        print(f"{name:32s} {cost_us:7.1f} us a step")
    rates = {f"ours, a reading every {every_s:.0f} s": [stream(every_s)] for every_s in (5.0, 10.0, 60.0, 300.0)}
    rates["ours, on the set's own mix"] = [recording(TUNE + k) for k in range(MIXED)]
    for name, given in rates.items():
        runs = [[ours(one) for one in given] for _ in range(REPEATS)]
        cost_us = (
            sum(min(run[k][0] for run in runs) for k in range(len(given))) / sum(g.time_s.size for g in given) * 1e6
        )
        ratios = ", ".join(f"{cost_us / t:.2f} of {other.split()[0]}'s" for other, t in theirs.items())
        largest = max(size for run in runs for _, size in run)
        print(f"{name:32s} {cost_us:7.1f} us a reading ({ratios}); state {largest} bytes")


if __name__ == "__main__":
    main()
