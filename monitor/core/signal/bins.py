"""The cycle's levels in bins of 5 min: what `change_point.py` searches, `noise.py` learns from, and what the
forecast's curve is made of.

Append-only within a cycle and bounded: a cycle closes for detection after 72 h, and no more bins are kept.
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass, field
from math import nan

from monitor.values import Json

BIN_S = 300.0  # a rise of 10 mm/h moves by less than a millimetre in it, and three days are 864 of them
BIN_MIN = BIN_S / 60.0  # a bin in minutes, as wander is counted
MOST = 864  # 72 h


@dataclass(slots=True)
class BinSeries:
    """Closed bins on the UTC grid from number `first` on, and the open one.

    Raw: mean level (mm, nan for none) and readings of each; and their running sums (level, presence), so that any
    window's mean costs two subtractions.
    """

    first: int = -1
    mean: array[float] = field(default_factory=lambda: array("d"))
    readings: array[float] = field(default_factory=lambda: array("f"))
    level: array[float] = field(default_factory=lambda: array("d", [0.0]))
    present: array[int] = field(default_factory=lambda: array("h", [0]))
    open_number: int = -1
    open_sum: float = 0.0
    open_n: float = 0.0


def add(series: BinSeries, time_s: float, level_mm: float, n: float) -> None:
    """Put a level of `n` readings into the open bin. The caller first closes bins with `close_until`: a level from
    after the bin's end that comes before that still goes into it."""
    if series.first < 0:
        series.first = series.open_number = int(time_s // BIN_S)
    series.open_sum += level_mm * n
    series.open_n += n


def close_until(series: BinSeries, time_s: float) -> bool:
    """Close the open bin, and the empty ones after it, when `time_s` lies beyond it. True if it held a level."""
    if series.first < 0 or time_s < (series.open_number + 1) * BIN_S:
        return False
    had = series.open_n > 0.0
    if had:
        append(series, round(series.open_sum / series.open_n, 3), series.open_n)
    number = int(time_s // BIN_S)
    for _ in range(min(number - series.open_number - (1 if had else 0), MOST)):
        append(series, nan, 0.0)
    series.open_number, series.open_sum, series.open_n = number, 0.0, 0.0
    return had


def append(series: BinSeries, mean_mm: float, n: float) -> None:
    """Add one closed bin; once there are MOST, further ones are dropped."""
    if len(series.mean) >= MOST:
        return
    level, present = series.level, series.present
    series.mean.append(mean_mm)
    series.readings.append(n)
    if n > 0.0:
        level.append(level[-1] + mean_mm)
        present.append(present[-1] + 1)
    else:
        level.append(level[-1])
        present.append(present[-1])


def window_mean(series: BinSeries, end: int, bins: int) -> float:
    """Mean level in mm of the `bins` bins before running index `end`, of which at least one must have a level."""
    present, level = series.present, series.level
    return (level[end] - level[end - bins]) / (present[end] - present[end - bins])


def sum_of_inverses(series: BinSeries, first: int, end: int) -> float:
    """Sum of 1 / readings over the bins from `first` to before `end`: times the variance of the white noise, that is
    what it leaves in the sum of their means."""
    return sum([1.0 / n for n in series.readings[first:end] if n > 0.0])


def packed(series: BinSeries) -> dict[str, Json]:
    """The series as JSON, without the running sums: `unpacked` adds them up in the same order, so bit for bit the
    same."""
    return {
        "first": series.first,
        "mean": [m if n > 0.0 else None for m, n in zip(series.mean, series.readings, strict=True)],
        "readings": [int(n) for n in series.readings],
        "open": [series.open_number, series.open_sum, series.open_n],
    }


def unpacked(data: dict[str, Json]) -> BinSeries:
    """The series that `packed` gave. Raises KeyError, TypeError or ValueError on anything else."""
    first, means, readings, still_open = (data[name] for name in ("first", "mean", "readings", "open"))
    if not (isinstance(means, list) and isinstance(readings, list) and isinstance(still_open, list)):
        raise TypeError("bins are lists")
    series = BinSeries(first=int(_number(first)))
    for mean, n in zip(means, readings, strict=True):
        append(series, nan if mean is None else _number(mean), _number(n))
    number, total, n = still_open
    series.open_number, series.open_sum, series.open_n = int(_number(number)), _number(total), _number(n)
    return series


def _number(value: Json) -> float:
    if isinstance(value, int | float):
        return float(value)
    raise TypeError(f"{value!r} is no number")
