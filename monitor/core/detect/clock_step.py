"""The wall clock was set: a jar's memory is told in the new time, so that it is watched on without a pause and every
length of time stays as long as it was. Called by `reports.py`.

What was stamped by the clock that was wrong moves; what is older than `since_s` (from before the machine started)
stays. Where since_s is later than all there is, nothing moves and the step is a time without readings.
"""

from __future__ import annotations

from collections.abc import Callable
from math import ceil, floor, nan

from monitor.core.detect.cycle import Open
from monitor.core.detect.state import Vigil
from monitor.core.signal.bins import BIN_S, MOST, History, append
from monitor.core.signal.block import MINUTE_S
from monitor.core.signal.change_point import Scan


def move(v: Vigil, offset_s: float, since_s: float) -> None:
    """Move all times from `since_s` on by `offset_s`, rounded down to whole bins of the history (5 min): a jar is never
    ahead of the clock, and the rest is a short time without readings."""
    bins = floor(offset_s / BIN_S)
    by_s = bins * BIN_S

    def at(time_s: float) -> float:
        return time_s + by_s if time_s >= since_s else time_s

    def maybe(time_s: float | None) -> float | None:
        return None if time_s is None else at(time_s)

    v.now_s = at(v.now_s)
    v.peak_tried_s = maybe(v.peak_tried_s)
    v.foreseen = {}  # made anew at the next tick
    v.hour = -1
    sieve, watch, lid = v.sieve, v.watch, v.lid
    sieve.last_s, sieve.temperature_s, sieve.same_since_s = (
        maybe(sieve.last_s), maybe(sieve.temperature_s), at(sieve.same_since_s)
    )  # fmt: skip
    watch.last_row_s, watch.silent_since_s = maybe(watch.last_row_s), maybe(watch.silent_since_s)
    watch.cold_since_s, watch.warm_since_s = maybe(watch.cold_since_s), maybe(watch.warm_since_s)
    watch.away_since_s, watch.rest_since_s = maybe(watch.away_since_s), maybe(watch.rest_since_s)
    lid.out_since_s, lid.place_since_s = maybe(lid.out_since_s), at(lid.place_since_s)
    lid.hole_s, lid.lone_s = maybe(lid.hole_s), at(lid.lone_s)
    lid.strange_s = (at(lid.strange_s[0]), at(lid.strange_s[1]))
    for rows in (lid.recent, lid.held, v.noise.latest):
        for row in rows:
            row[0] = at(row[0])  # type: ignore[arg-type]
    v.trend.time_s = at(v.trend.time_s)
    if v.minute.number >= 0 and (moved_s := at(v.minute.number * MINUTE_S)) != v.minute.number * MINUTE_S:
        v.minute.number = int(moved_s // MINUTE_S)
        v.minute.times_s += by_s * len(v.minute.distances_mm)
    if v.cycle is not None:
        _move_cycle(v.cycle, at)
    if v.previous is not None:
        _move_cycle(v.previous.cycle, at)
        v.previous.ended_at_s = at(v.previous.ended_at_s)
    if v.history.first >= 0:
        v.history, v.scan = _moved(v.history, bins, since_s), Scan()


def _move_cycle(cycle: Open, at: Callable[[float], float]) -> None:
    cycle.fed_at_s, cycle.back_s, cycle.low_at_s = at(cycle.fed_at_s), at(cycle.back_s), at(cycle.low_at_s)
    for name in ("rise_at_s", "peak_at_s", "fall_at_s", "handled_at_s", "sank_unseen_s"):
        if (time_s := getattr(cycle, name)) is not None:
            setattr(cycle, name, at(time_s))


def _moved(old: History, bins: int, since_s: float) -> History:
    """The same bins, those from `since_s` on `bins` later: empty ones come in between, or the overlap gives way."""
    if since_s > (old.open_number + 1) * BIN_S:
        return old
    stay = min(max(ceil(since_s / BIN_S) - old.first, 0), len(old.mean))
    new = History(first=old.first if stay else old.first + bins)
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
