"""A past cycle's peak and start of fall with their ranges, as `jartide review` gives them. The smoother uses the
readings before and after each moment.

That takes a tenth of a second to a second, longer on a small computer. One low-priority reader does it, once a cycle,
and the answers for cycles that have ended are cached.
"""

from __future__ import annotations

from collections import OrderedDict

from monitor.page.past import cycle_of
from monitor.runs.store import Store
from monitor.values import Json, Span

MOST_CACHED = 500  # a few hundred bytes each
NICENESS = 5  # Linux then gives it a third of the processor time that the thread of a reading gets, where both want it
WAITING = 16  # two pages, each with eight cycles drawn over each other


class SmoothedCycles:
    """Smooths cycles and caches the answers. `smooth` runs in one thread only."""

    def __init__(self, jar_empty_mm: dict[str, float | None]) -> None:
        self._empty_mm = jar_empty_mm
        self._cached: OrderedDict[tuple[object, ...], Json] = OrderedDict()

    def smooth(self, store: Store, run_id: int, number: int) -> Json:
        """One cycle. Raises Refused (there is none) and StoreTrouble."""
        run, cycle = cycle_of(store, run_id, number)
        key = run_id, number, cycle.fed_at_s, cycle.ended_at_s, len(store.events(run_id, cycle.fed_at_s - 1.0))
        if key in self._cached:
            self._cached.move_to_end(key)
            return self._cached[key]
        from monitor.review import hindsight  # loads numpy

        seen = hindsight.smoothed(store, run, cycle, self._empty_mm.get(run.jar))
        answer: Json = {
            "run": run_id,
            "cycle": number,
            "peak_at": None if seen.top is None else _span(seen.top.peak_at),
            "fall_at": None if seen.top is None else _span(seen.top.fall_at),
            "hours_to_peak": _three(seen.hours_to_peak, 2),
            "hours_to_fall": _three(seen.hours_to_fall, 2),
            "rise_ratio": _three(seen.rise_ratio, 3),
            "known_at_s": seen.known_at_s,
        }
        if cycle.ended_at_s is not None:
            self._cached[key] = answer
            while len(self._cached) > MOST_CACHED:
                self._cached.popitem(last=False)
        return answer


def _span(span: Span | None) -> Json:
    if span is None:
        return None
    return {"earliest_s": span.earliest_s, "likely_s": span.likely_s, "latest_s": span.latest_s}


def _three(values: tuple[float, float, float] | None, digits: int) -> Json:
    return None if values is None else [round(value, digits) for value in values]
