"""What a jar's memory takes: `python -m tests.bench.jar_memory [seed ...]`.

A starter of `seasons` lives through ten cycles, feedings told, and then three more days in which nobody feeds it. All
Python objects of its state are counted, each once, as `sys.getsizeof` has them (the settings, which all jars share with
the config, left out); beside them the bytes of its carry as JSON.
"""

from __future__ import annotations

import json
import sys
from dataclasses import fields, is_dataclass
from enum import Enum

import numpy as np

from monitor.core.detect import step as core
from monitor.settings import JarSettings
from monitor.values import Arrival, Reading
from tests.bench.seasons import Season, season

UNFED_S = 80 * 3600.0
LOOK_S = 1800.0


def bytes_of(value: object, counted: set[int]) -> int:
    """Of a value and all that it holds, without what `counted` (ids) has already."""
    if id(value) in counted or value is None or isinstance(value, bool | Enum | JarSettings | type):
        return 0
    counted.add(id(value))
    held: list[object] = []
    if isinstance(value, dict):
        held = list(value.values())
    elif isinstance(value, list | tuple | set | frozenset):
        held = list(value)
    elif is_dataclass(value):
        held = [getattr(value, f.name) for f in fields(value)]
    return sys.getsizeof(value) + sum(bytes_of(one, counted) for one in held)


def lived(given: Season) -> tuple[int, int, int]:
    """Bytes after ten cycles, the most at any time from then on, and of the carry at the end."""
    jar, feedings = given.jar, [cycle.fed for cycle in given.cycles]
    every_s = float(given.time_s[1] - given.time_s[0])
    unfed_s = np.arange(given.time_s[-1] + every_s, given.time_s[-1] + UNFED_S, every_s)
    stands = float(np.median(given.distance_mm[-20:]))
    noise = np.random.default_rng(given.seed).normal(0.0, 1.0, unfed_s.size)
    times = [*given.time_s.tolist(), *unfed_s.tolist()]
    distances = [*given.distance_mm.tolist(), *np.round(stands + noise).tolist()]
    state = core.begin(jar)
    seq = after = most = 0
    for time_s, distance_mm in zip(times, distances, strict=True):
        due = [feedings.pop(0) for _ in range(sum(fed.time_s <= time_s for fed in feedings))]
        for item in (*due, Reading(time_s=time_s, jar=jar.name, distance_mm=distance_mm, temperature_c=23.0)):
            state, _ = core.take(state, Arrival(seq=seq, received_s=time_s, item=item), jar)
            seq += 1
        if time_s >= given.time_s[-1] and (not after or time_s % LOOK_S < every_s):
            now = bytes_of(state, set())
            after, most = after or now, max(most, now)
    return after, most, len(json.dumps(core.snapshot(state)))


if __name__ == "__main__":
    for seed in map(int, sys.argv[1:] or ["3", "6"]):
        after, most, carry = lived(season(seed))
        print(
            f"seed {seed}: {after / 1000:.0f} kB after ten cycles, {most / 1000:.0f} kB at most, "
            f"carry {carry / 1000:.0f} kB"
        )
