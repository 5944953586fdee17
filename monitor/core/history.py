"""The cycle's levels in bins of 5 min: what `peak.py` searches, `noise.py` learns from and the forecast's curve is made of.

Append-only within a cycle and bounded: a cycle closes after 72 h, and 80 h of bins are kept.
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass, field

BIN_S = 300.0
MOST = 960


@dataclass(slots=True)
class History:
    """Closed bins on the UTC grid from `first` on: running sums of level, of presence and of 1/readings, so that any
    window's mean costs two subtractions; and the open bin."""

    first: int = -1
    level: array[float] = field(default_factory=lambda: array("d", [0.0]))  # running sum of bin means, mm
    present: array[float] = field(default_factory=lambda: array("d", [0.0]))  # running count of bins with a level
    inverse: array[float] = field(default_factory=lambda: array("d", [0.0]))  # running sum of 1/readings
    open_number: int = -1
    open_sum: float = 0.0
    open_n: float = 0.0
    closed: int = 0


def add(history: History, time_s: float, level_mm: float, n: float) -> None:
    """Put a level into the open bin; the caller closes bins before (`close_until`). Earlier than the open bin: into it."""
    number = int(time_s // BIN_S)
    if history.first < 0:
        history.first = history.open_number = number
    history.open_sum += level_mm * n
    history.open_n += n


def close_until(history: History, time_s: float) -> bool:
    """Close the open bin (and empty ones after it) when `time_s` lies beyond it. True when a bin with a level closed."""
    if history.first < 0 or time_s < (history.open_number + 1) * BIN_S:
        return False
    had = history.open_n > 0.0
    level, present, inverse = history.level, history.present, history.inverse
    if had:
        level.append(level[-1] + history.open_sum / history.open_n)
        present.append(present[-1] + 1.0)
        inverse.append(inverse[-1] + 1.0 / history.open_n)
    number = int(time_s // BIN_S)
    empty = min(number - history.open_number - (1 if had else 0), MOST)
    for _ in range(empty):
        level.append(level[-1])
        present.append(present[-1])
        inverse.append(inverse[-1])
    history.open_number, history.open_sum, history.open_n = number, 0.0, 0.0
    return had
