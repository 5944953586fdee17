"""The wall clock was set: a jar's state is moved into the new time, so that it is watched without a pause and every
interval keeps its length. Called by `reports.py`.

Times from `since_s` on were stamped by the wrong clock and move; older ones, from before the machine started, stay.
Where `since_s` is later than all there is, nothing moves, and the step becomes a time without readings.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from math import ceil, floor, nan

from monitor.core.detect.cycle import OpenCycle
from monitor.core.detect.state import DetectorState
from monitor.core.signal.bins import BIN_S, MOST, BinSeries, append
from monitor.core.signal.block import MINUTE_S
from monitor.core.signal.change_point import ScanMaxima


def move(state: DetectorState, offset_s: float, since_s: float) -> None:
    """Move all times from `since_s` on by `offset_s`, rounded down to whole bins (5 min) so that no time of a jar is
    ahead of the clock; what is left of the step is a short time without readings."""
    bins = floor(offset_s / BIN_S)
    by_s = bins * BIN_S

    def at(time_s: float) -> float:
        return time_s + by_s if time_s >= since_s else time_s

    def maybe(time_s: float | None) -> float | None:
        return None if time_s is None else at(time_s)

    state.now_s = at(state.now_s)
    state.peak_tried_s = maybe(state.peak_tried_s)
    state.forecast = {}  # recomputed at the next tick
    state.forecast_hour = -1
    plausibility, timers, surface = state.plausibility, state.timers, state.surface
    plausibility.refused_s = maybe(plausibility.refused_s)
    plausibility.last_s, plausibility.temperature_s, plausibility.same_since_s = (
        maybe(plausibility.last_s), maybe(plausibility.temperature_s), at(plausibility.same_since_s)
    )  # fmt: skip
    timers.last_row_s, timers.silent_since_s = maybe(timers.last_row_s), maybe(timers.silent_since_s)
    timers.cold_since_s, timers.warm_since_s = maybe(timers.cold_since_s), maybe(timers.warm_since_s)
    timers.away_since_s, timers.rest_since_s = maybe(timers.away_since_s), maybe(timers.rest_since_s)
    surface.out_since_s, surface.place_since_s = maybe(surface.out_since_s), at(surface.place_since_s)
    surface.hole_s, surface.lone_s = maybe(surface.hole_s), at(surface.lone_s)
    surface.strange_s = (at(surface.strange_s[0]), at(surface.strange_s[1]))
    for block in surface.recent:
        block.time_s = at(block.time_s)
    for held in surface.held:
        held.time_s = at(held.time_s)
    state.noise.latest = [replace(one, time_s=at(one.time_s)) for one in state.noise.latest]
    state.trend.time_s = at(state.trend.time_s)
    if (
        state.open_block.number >= 0
        and (moved_s := at(state.open_block.number * MINUTE_S)) != state.open_block.number * MINUTE_S
    ):
        state.open_block.number = int(moved_s // MINUTE_S)
        state.open_block.times_s += by_s * len(state.open_block.distances_mm)
    if state.cycle is not None:
        _move_cycle(state.cycle, at)
    if state.previous is not None:
        _move_cycle(state.previous.cycle, at)
        state.previous.ended_at_s = at(state.previous.ended_at_s)
    state.curve_filter = None  # recomputed from the bins
    if state.series.first >= 0:
        state.series, state.scan = _moved(state.series, bins, since_s), ScanMaxima()


def _move_cycle(cycle: OpenCycle, at: Callable[[float], float]) -> None:
    cycle.fed_at_s, cycle.back_s, cycle.low_at_s = at(cycle.fed_at_s), at(cycle.back_s), at(cycle.low_at_s)
    cycle.openings = [replace(one, time_s=at(one.time_s)) for one in cycle.openings]
    for name in (
        "rise_at_s", "peak_at_s", "fall_at_s", "handled_at_s", "sank_unseen_s", "about_from_s", "about_to_s",
        "known_by_rise_s", "top_denied_s",
    ):  # fmt: skip
        if (time_s := getattr(cycle, name)) is not None:
            setattr(cycle, name, at(time_s))


def _moved(old: BinSeries, bins: int, since_s: float) -> BinSeries:
    """The same bins, with those from `since_s` on moved by `bins`: empty ones fill the gap, or older ones that they
    overlap are dropped."""
    if since_s > (old.open_number + 1) * BIN_S:
        return old
    stay = min(max(ceil(since_s / BIN_S) - old.first, 0), len(old.mean))
    new = BinSeries(first=old.first if stay else old.first + bins)
    kept = stay if bins >= 0 else max(stay + bins, 0)
    if stay and not kept:
        new.first = old.first + stay + bins
    for i in range(kept):
        append(new, old.mean[i], old.readings[i])
    for _ in range(min(bins, MOST) if stay else 0):
        append(new, nan, 0.0)
    for i in range(stay, len(old.mean)):
        append(new, old.mean[i], old.readings[i])
    new.open_number, new.open_sum, new.open_n = old.open_number + bins, old.open_sum, old.open_n
    return new
