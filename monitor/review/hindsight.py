"""A finished cycle as the smoother sees it, out of the store, and kept there: its peak, rise and start of fall are then
the same wherever that cycle is shown.

What was decided at the time stays beside it, in the events and the cycle. `daemon.smoothing` calls this for one cycle
after the other, `jartide import` for those that came in; the page asks for the ranges of one.
"""

from __future__ import annotations

from collections.abc import Mapping

from monitor.core.detect.superseded import not_superseded
from monitor.review.summary import CycleSummary, Stretch, look_back
from monitor.runs.run_file import jar_of
from monitor.runs.store import Run, Store
from monitor.runs.stretch import readings_end_s, readings_of
from monitor.values import Cycle


def smoothed(store: Store, run: Run, cycle: Cycle, empty_mm: float | None) -> CycleSummary:
    """One cycle of a run; `empty_mm` is the config's, for a run that began without. Raises StoreTrouble."""
    until_s = readings_end_s(cycle)
    stretch = Stretch(
        number=cycle.number,
        begin_s=cycle.fed_at_s,
        end_s=until_s,
        began_fed=cycle.fed_known,
        ended_fed=cycle.ended_at_s == until_s,
    )
    jar = jar_of(run.jar, run.header, empty_mm if run.empty_mm is None else run.empty_mm, run.geometry)
    events = not_superseded(store.events(run.id, cycle.fed_at_s - 1.0))
    readings = readings_of(store, run, cycle.fed_at_s, until_s)
    return look_back(readings, events, store.fed_in(run), jar, stretch)


def keep(store: Store, run_id: int, number: int, empty_mm: Mapping[str, float | None]) -> None:
    """Smooth one finished cycle and keep what comes of it; `empty_mm` by jar, as in `smoothed`. Raises StoreTrouble."""
    run = store.run(run_id)
    cycle = next((one for one in store.cycles(run_id) if one.number == number), None)
    if run is None or cycle is None:  # it was taken back meanwhile
        return
    seen = smoothed(store, run, cycle, empty_mm.get(run.jar))
    top, rise = seen.top, seen.rise_ratio
    store.keep_smoothed(
        run_id,
        cycle,
        peak_at_s=None if top is None else top.peak_at.likely_s,
        peak_ratio=None if rise is None else rise[1],
        fall_at_s=None if top is None or top.fall_at is None else top.fall_at.likely_s,
        reached_ratio=seen.reached_ratio,
    )
