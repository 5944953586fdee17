"""When a fall began: fitted to the levels from the top on, once `detect/fall.py` has decided that there is one.

The level stays at the top until an unknown moment and then sinks ever faster, as (time since)^BEND; least squares
choose the moment (broken-line regression: Hinkley 1969, Biometrika 56:495). The end of the highest stretch, which the
change-point scan knows, would not do: where a surface stands for hours and then gives way, it lies hours before
anything shows a fall.
"""

from __future__ import annotations

from monitor.core.signal.bins import BIN_S, BinSeries

BEND = 1.5  # between a fall that begins at its full pace (1) and one that gathers it evenly (2); see DEVELOPERS.md
BACK_BINS = 288  # a day: a fall that took longer than that to become certain is dated within the last one


def fall_onset_s(series: BinSeries, first: int, top_mm: float) -> float | None:
    """The time at which the level left `top_mm`, from bin `first` of the series on; None where it never lies below.

    Measured against the true curves: `python -m tests.bench.fall_dates`.
    """
    first = max(first, len(series.mean) - BACK_BINS, 0)
    down = [(i, top_mm - series.mean[i]) for i in range(first, len(series.mean)) if series.readings[i] > 0.0]
    sinking = [float(i) ** BEND for i in range(len(series.mean) - first)]
    best, onset = 0.0, None
    for start in range(first, len(series.mean) - 1):
        after = [(sinking[i - start], mm) for i, mm in down if i > start]
        fitted = sum(shape * mm for shape, mm in after)
        square = sum(shape * shape for shape, _ in after)
        if fitted > 0.0 and fitted * fitted / square > best:  # what the fall explains of all squares
            best, onset = fitted * fitted / square, start
    return None if onset is None else (series.first + onset + 0.5) * BIN_S
