"""Curves for pictures on a page: readings put into equal bins, each with its middle, lowest and highest level.

The middle (a median) is the line that people follow, lowest and highest are drawn as a band, so no peak of the raw
readings is lost however few points are sent. Nothing is judged here: whether a reading is believed is decided in
`core`, and shown by its events and cycles.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Sequence
from statistics import fmean, median
from typing import TypeAlias

from monitor.core.detect.cycle import START_FROM_S, START_TO_S
from monitor.core.vessel.level import distance_of
from monitor.values import Json, Reading

BIN_S = 120.0  # a brisk rise moves by 0.7 mm in that time: less than a sensor's step
MOST_IN_BIN = 15  # whose median is taken; a sensor that sends faster has them all in the band
MOST_POINTS = 720  # a day of bins; more than a phone has pixels across
NEAREST_MM, FARTHEST_MM = 5.0, 2000.0  # outside lies no dough, only a hand or a sensor's code
COLDEST_C, HOTTEST_C = -20.0, 60.0
GAP_BINS = 5.0

Point: TypeAlias = tuple[float, float, float, float, float | None]
"""(time, middle, lowest, highest level, mean temperature or None)"""


class Bin:
    """The readings of two minutes."""

    __slots__ = ("highest", "levels", "lowest", "warm_n", "warm_sum")

    def __init__(self) -> None:
        self.levels = array("f")
        self.lowest = float("inf")
        self.highest = float("-inf")
        self.warm_sum = 0.0
        self.warm_n = 0

    def add(self, level_mm: float | None, temperature_c: float | None) -> None:
        """One reading."""
        if level_mm is not None:
            self.lowest, self.highest = min(self.lowest, level_mm), max(self.highest, level_mm)
            if len(self.levels) < MOST_IN_BIN:
                self.levels.append(level_mm)
        if temperature_c is not None:
            self.warm_sum += temperature_c
            self.warm_n += 1

    def point(self, time_s: float) -> Point | None:
        """The point to draw; None for a bin without a level."""
        if not self.levels:
            return None
        warm_c = round(self.warm_sum / self.warm_n, 2) if self.warm_n else None
        return time_s, round(median(self.levels), 2), round(self.lowest, 2), round(self.highest, 2), warm_c


class Curve:
    """One stretch of one jar from `from_s` on. Levels are heights above the inside bottom; without an empty distance
    they are distances, negated, so that up is up."""

    def __init__(self, from_s: float, empty_mm: float | None) -> None:
        self.from_s = from_s
        self.empty_mm = empty_mm
        self._bins: dict[int, Bin] = {}

    def add(self, reading: Reading) -> int | None:
        """Take a reading in, late ones too; returns the number of its bin, None when it shows nothing."""
        warm_c = reading.temperature_c
        if warm_c is not None and not COLDEST_C < warm_c < HOTTEST_C:
            warm_c = None
        distance_mm = distance_of(reading, warm_c)
        level_mm = None
        if distance_mm is not None and NEAREST_MM < distance_mm < (self.empty_mm or FARTHEST_MM):
            level_mm = (self.empty_mm or 0.0) - distance_mm
        if (level_mm is None and warm_c is None) or reading.time_s < self.from_s:
            return None
        number = int((reading.time_s - self.from_s) // BIN_S)
        self._bins.setdefault(number, Bin()).add(level_mm, warm_c)
        return number

    def points(self, numbers: Iterable[int] | None = None) -> list[Point]:
        """All points in order of time, or those of some bins."""
        wanted = sorted(self._bins if numbers is None else numbers)
        made = (self._bins[n].point(self.from_s + (n + 0.5) * BIN_S) for n in wanted if n in self._bins)
        return [point for point in made if point is not None]

    def forget_before(self, time_s: float) -> None:
        """Drop older bins, as of a jar that rests for weeks."""
        first = int((time_s - self.from_s) // BIN_S)
        for number in [n for n in self._bins if n < first]:
            del self._bins[number]


def thin(points: Sequence[Point], most: int = MOST_POINTS) -> list[Point]:
    """At most `most` points: neighbours joined, the middles' median, the lowest and the highest of all kept."""
    if len(points) <= most:
        return list(points)
    begin_s = points[0][0]
    wide_s = max((points[-1][0] - begin_s) / (most - 1), 1e-3)  # all at one moment: one point
    out: list[Point] = []
    group: list[Point] = []
    number = 0
    for point in points:
        here = int((point[0] - begin_s) / wide_s)
        if here != number and group:
            out.append(_joined(group))
            group = []
        number = here
        group.append(point)
    return [*out, _joined(group)]


def columns(points: Sequence[Point]) -> dict[str, Json]:
    """The points as the columns that a chart takes."""
    return {
        "time_s": [round(p[0]) for p in points],
        "middle_mm": [p[1] for p in points],
        "lowest_mm": [p[2] for p in points],
        "highest_mm": [p[3] for p in points],
        "temperature_c": [p[4] for p in points],
    }


def gap_s(sampling_s: float | None) -> float:
    """How long a silence must be to leave a gap in the line."""
    return GAP_BINS * max(BIN_S, sampling_s or 0.0)


def starting_mm(points: Sequence[Point], fed_at_s: float) -> float | None:
    """The level that a cycle's rise is counted from: the median from 5 to 20 min after its feeding."""
    early = [p[1] for p in points if fed_at_s + START_FROM_S <= p[0] <= fed_at_s + START_TO_S + BIN_S]
    return round(median(early), 2) if early else None


def _joined(group: Sequence[Point]) -> Point:
    warm = [p[4] for p in group if p[4] is not None]
    return (
        fmean(p[0] for p in group),
        round(median(p[1] for p in group), 2),
        min(p[2] for p in group),
        max(p[3] for p in group),
        round(fmean(warm), 2) if warm else None,
    )
