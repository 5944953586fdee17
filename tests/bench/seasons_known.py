"""A filter that knows the truth about a starter of `seasons`: its shape, how long it takes and how high it climbs, with
their scatter, its temperature law, and the sensor's noise and wander; all but how this one cycle falls out. What a
memory could do at best.

For each time scale on a grid the height is integrated out (normal); one Kalman filter whitens wander and noise for all.
"At its peak" where the top is more likely past than not; "feed now" where that is near certain and the level should
have gone down by as much as our own guard asks.
"""

from __future__ import annotations

import numpy as np

from tests.bench import detection_curves as curves
from tests.bench.seasons import HEIGHT_SCATTER, Cycle, Season, Told

BIN_S = 300.0
SCALES, REACH_SD = 61, 4.0
SURE, DROP_MM = 0.995, 1.2
NO_SURFACE_MM = 8000.0


def follow(given: Season) -> list[Told]:
    """What it tells of each cycle."""
    return [_cycle(given, k, cycle) for k, cycle in enumerate(given.cycles)]


def _cycle(given: Season, number: int, cycle: Cycle) -> Told:
    nature = cycle.nature
    ends = np.arange(cycle.fed_s + BIN_S, cycle.end_s, BIN_S)
    warm_c = np.interp(given.grid_s, given.time_s, given.temperature_c)
    here = given.grid_s >= cycle.fed_s
    own_h = np.interp(ends, given.grid_s[here], curves.own_hours(given.grid_s[here], warm_c[here], nature.q10))
    ln_s = np.linspace(-REACH_SD, REACH_SD, SCALES) * nature.scatter
    scales_h = nature.top_h * np.exp(ln_s)
    x = np.arange(0.0, 4.0, 0.002)
    f_of_x = nature.shape.of(x)
    top = int(np.argmax(f_of_x))
    usual = nature.height_mm
    weak = 1.0 / (HEIGHT_SCATTER * usual) ** 2
    keep = float(np.exp(-BIN_S / given.wander_s))
    wander = given.wander_mm**2
    state, state_f, variance = 0.0, np.zeros(SCALES), wander
    ff, fy = np.zeros(SCALES), np.zeros(SCALES)
    peak_s = feed_s = None
    for end_s, hours in zip(ends, own_h, strict=True):
        in_bin = (given.time_s >= end_s - BIN_S) & (given.time_s < end_s) & (given.distance_mm < NO_SURFACE_MM)
        n = int(in_bin.sum())
        state, state_f, variance = keep * state, keep * state_f, keep**2 * variance + wander * (1.0 - keep**2)
        if n:
            f = np.interp(hours / scales_h, x, f_of_x)
            y = float(180.0 - given.distance_mm[in_bin].mean()) - given.start_mm
            total = variance + (given.white_mm**2 + 1.0 / 12.0) / n
            gain = variance / total
            v, v_f = y - state, f - state_f
            state, state_f, variance = state + gain * v, state_f + gain * v_f, variance * (1.0 - gain)
            ff, fy = ff + v_f * v_f / total, fy + v_f * v / total
        height = (fy + weak * usual) / (ff + weak)
        ln = 0.5 * (fy + weak * usual) ** 2 / (ff + weak) - 0.5 * np.log(ff + weak) - 0.5 * (ln_s / nature.scatter) ** 2
        weight = np.exp(ln - ln.max())
        weight /= weight.sum()
        is_past = hours / scales_h >= x[top]
        past = float(weight[is_past].sum())
        down = height * (f_of_x[top] - np.interp(hours / scales_h, x, f_of_x))
        if peak_s is None and past >= 0.5:
            peak_s = float(end_s)
        if feed_s is None and past >= SURE and float((weight * down)[is_past].sum()) / past >= DROP_MM:
            feed_s = float(end_s)
    early = feed_s is not None and feed_s < cycle.top_s
    return Told(
        number=number,
        changed=given.changes and number >= len(given.cycles) // 2,
        off_min=None if peak_s is None else (peak_s - cycle.top_s) / 60.0,
        under_mm=None if peak_s is None else cycle.top_mm - given.level_mm(peak_s),
        feed_mm=None if feed_s is None or early else cycle.top_mm - given.level_mm(feed_s),
        early=early,
        cycles_known=number,
    )
