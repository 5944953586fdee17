"""How well is the start of a fall dated? `python -m tests.bench.fall_dates [--days 120] [--step-mm 10]`.

Recordings of `detection_set` whose true curve is known: the true start is the last time at the top (0.05 mm) before the
surface sank by 1 mm. Beside ours: the end of the highest stretch that the change-point scan knows (as it was dated
before), the fitted peak, and broken lines with another bend.
"""

from __future__ import annotations

import argparse
from collections import defaultdict

import numpy as np

from monitor.core.detect import step as core
from monitor.core.signal import fall_onset
from monitor.core.signal.bins import BIN_S, BinSeries
from monitor.core.signal.change_point import ScanMaxima, search
from monitor.core.signal.fall_onset import fall_onset_s
from monitor.core.signal.noise import Noise
from monitor.settings import JarSettings
from monitor.values import Arrival, EventKind, Reading
from tests.bench.detection_set import TUNE, Recording, TrueCycle, recording, recordings

BENDS = (1.0, 1.5, 2.0)


def true_start_s(given: Recording, cycle: TrueCycle) -> float | None:
    """The last time at the top before the surface sank by a millimetre; None where it did not."""
    inside = (given.grid_s >= cycle.begin_s) & (given.grid_s <= cycle.end_s)
    at_s, level = given.grid_s[inside], given.true_mm[inside]
    top = int(np.argmax(level))
    sunk = np.flatnonzero(level[top:] < level[top] - 1.0)
    if not len(sunk):
        return None
    return float(at_s[top + np.flatnonzero(level[top : top + sunk[0]] >= level[top] - 0.05)[-1]])


def dates(series: BinSeries, noise: Noise) -> dict[str, float]:
    """When the fall began, each way, from the bins at the moment it was decided."""
    drop = search(ScanMaxima(), series, noise)
    if drop is None:
        return {}
    found = {"end of the highest stretch": (series.first + drop.best_end) * BIN_S}
    ours = fall_onset.BEND
    for fall_onset.BEND in BENDS:
        onset_s = fall_onset_s(series, drop.best_end - drop.best_bins, drop.best_mm)
        if onset_s is not None:
            found[f"broken line, bend {fall_onset.BEND:g}{' (ours)' * (ours == fall_onset.BEND)}"] = onset_s
    fall_onset.BEND = ours
    return found


def errors(given: Recording) -> list[tuple[str, float]]:
    """(way, hours off) for each fall that was decided between its true top and the next feeding."""
    jar = JarSettings(name=given.jar, empty_mm=given.empty_mm)
    state, running_s, out = core.begin(jar), -np.inf, []
    rows = zip(given.time_s.tolist(), given.distance_mm.tolist(), given.temperature_c.tolist(), strict=True)
    for seq, (time_s, distance_mm, temperature_c) in enumerate(rows):
        running_s = max(running_s, time_s)
        reading = Reading(
            time_s=time_s,
            jar=given.jar,
            distance_mm=None if np.isnan(distance_mm) else distance_mm,
            temperature_c=None if np.isnan(temperature_c) else temperature_c,
        )
        state, events = core.take(state, Arrival(seq=seq, received_s=running_s, item=reading), jar)
        for event in events:
            if event.kind is not EventKind.FALL_BEGAN:
                continue
            cycle = next((c for c in given.cycles if c.falls and c.peak_s < event.decided_at_s < c.end_s), None)
            began_s = None if cycle is None else true_start_s(given, cycle)
            if began_s is not None:
                ways = dates(state.series, state.noise) | {"as the event says": event.happened_at_s}
                out += [(way, (at_s - began_s) / 3600.0) for way, at_s in ways.items()]
    return out


def main() -> None:
    parser = argparse.ArgumentParser(description="How well is the start of a fall dated?")
    parser.add_argument("--days", type=float, default=120.0)
    parser.add_argument("--step-mm", type=float)
    said = parser.parse_args()
    off: dict[str, list[float]] = defaultdict(list)
    for seed in recordings(TUNE, said.days):
        for way, hours in errors(recording(seed, said.step_mm)):
            off[way].append(hours)
    print(f"{'way':32} falls  median  off by: mean  90 %   over 2 h early, late")
    for way, some in off.items():
        h = np.array(some)
        print(
            f"{way:32} {len(h):5} {np.median(h):+7.2f} {np.mean(abs(h)):12.2f} {np.quantile(abs(h), 0.9):5.2f} "
            f"{np.sum(h < -2.0):11} {np.sum(h > 2.0):5}"
        )


if __name__ == "__main__":
    main()
