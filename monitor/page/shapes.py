"""The shapes of past rises for small pictures: the faint lines behind a live curve, the hills of a list and of a month,
and curves laid over each other. The rise ratio against hours since the feeding, smoothed, a few dozen points a cycle.

To read a cycle takes milliseconds and a month a second, so a shape is computed once, by the low-priority reader, and
remembered: a closed cycle does not change unless it is judged again.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterable, Sequence
from statistics import median

from monitor.core.vessel.level import rise_ratio
from monitor.page.curves import Curve, Point, starting_mm
from monitor.page.past import cycle_of
from monitor.runs import history
from monitor.runs.report_body import Refused
from monitor.runs.store import Store
from monitor.runs.stretch import readings_end_s, readings_of
from monitor.settings import JarSettings
from monitor.values import Geometry, Json

MOST_KEPT = 4000  # of about a kilobyte: two years of five jars
MOST_ASKED = 70  # shapes in one answer: two months of a day's first rises
POINTS = 64
CALM_S = 1800.0  # a point is the median of its neighbours within this time, so that a hand or a lid leaves no trace
CALM = (1 / 16, 4 / 16, 6 / 16, 4 / 16, 1 / 16)  # then its two neighbours on each side count too (binomial weights)
SHOWN_S = 40 * 3600.0  # the length shown of a cycle that nobody ended


class Shapes:
    """Shapes by (run, cycle, end). `of` and `latest` run in one thread only."""

    def __init__(self, jars: Sequence[JarSettings]) -> None:
        self._jars = {jar.name: jar for jar in jars}
        self._kept: OrderedDict[tuple[object, ...], Json] = OrderedDict()

    def latest(self, store: Store, jar: str, most: int) -> Json:
        """The shapes of a jar's latest closed cycles, newest first. Raises StoreTrouble."""
        return self.of(store, [(run, cycle.number) for run, cycle in history.latest_rises(store, jar, most)])

    def of(self, store: Store, wanted: Iterable[tuple[int, int]]) -> Json:
        """The shapes of some cycles, given as (run, number); what is not there is left out. Raises StoreTrouble."""
        out: list[Json] = []
        for run_id, number in wanted:
            try:
                out.append(self._one(store, run_id, number))
            except Refused:
                continue
        return out

    def _one(self, store: Store, run_id: int, number: int) -> Json:
        run, cycle = cycle_of(store, run_id, number)
        key = run_id, number, cycle.fed_at_s, cycle.ended_at_s
        if key in self._kept:
            self._kept.move_to_end(key)
            return self._kept[key]
        settings = self._jars.get(run.jar)
        empty_mm = run.empty_mm if run.empty_mm is not None else settings.empty_mm if settings else None
        geometry = run.geometry
        until_s = min(readings_end_s(cycle), cycle.fed_at_s + SHOWN_S)
        curve = Curve(cycle.fed_at_s, empty_mm)
        for reading in readings_of(store, run, cycle.fed_at_s, until_s):
            curve.add(reading)
        points = curve.points()
        hours, ratios = shape(points, cycle.fed_at_s, geometry) if empty_mm is not None else ([], [])
        answer: Json = {
            "run": run_id,
            "cycle": number,
            "fed_at_s": cycle.fed_at_s,
            "hours": [*hours],
            "ratio": [*ratios],
        }
        if cycle.ended_at_s is not None:
            self._kept[key] = answer
            while len(self._kept) > MOST_KEPT:
                self._kept.popitem(last=False)
        return answer


def shape(points: Sequence[Point], fed_at_s: float, geometry: Geometry) -> tuple[list[float], list[float]]:
    """Hours since the feeding and rise ratios, evenly thinned to `POINTS`; empty where no start was seen."""
    start_mm = starting_mm(points, fed_at_s)
    if start_mm is None or start_mm <= 0.0 or len(points) < 5:
        return [], []
    seen = [point for point in points if point[0] >= fed_at_s + 300.0]
    if not seen:
        return [], []
    step_s = (seen[-1][0] - fed_at_s) / POINTS
    hours, ratios, low, high = [0.0], [1.0], 0, 0
    for k in range(1, POINTS + 1):
        at_s = fed_at_s + k * step_s
        while low < len(seen) and seen[low][0] < at_s - CALM_S / 2:
            low += 1
        while high < len(seen) and seen[high][0] <= at_s + CALM_S / 2:
            high += 1
        if high > low:
            ratio = rise_ratio(geometry, median(point[1] for point in seen[low:high]), start_mm)
            if ratio is not None:
                hours.append(round(k * step_s / 3600.0, 3))
                ratios.append(ratio)
    return hours, calmed(ratios)


def calmed(ratios: Sequence[float]) -> list[float]:
    """The same a little smoother, as it is drawn small; both ends stay what they are."""
    half = len(CALM) // 2
    inner = [
        sum(weight * ratio for weight, ratio in zip(CALM, ratios[k - half : k + half + 1], strict=True))
        for k in range(half, len(ratios) - half)
    ]
    whole = [*ratios[:half], *inner, *ratios[len(ratios) - half :]] if inner else ratios
    return [round(ratio, 3) for ratio in whole]
