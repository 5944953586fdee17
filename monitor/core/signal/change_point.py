"""How strongly the bins speak for "the level was higher before": the change-point detector behind the start of a fall.

After `bins.py`. WHETHER a fall has begun is decided in `detect/fall.py`, which asks for a z of FALL_Z and has further
gates. The time of the peak is fitted in `peak_fit.py`.

Method. For many window lengths at once, the mean of the latest window is compared with the highest earlier mean of
every window length: z = (highest - share of luck - latest) / spread, the multi-scale generalised likelihood ratio for
"the level was higher before" (Lorden 1971, Ann. Math. Stat. 42:1897 for windows of CUSUM type; Siegmund and Venkatraman
1995, Ann. Stat. 23:255 for the scan). The highest of many means is partly luck, the more so the shorter the windows.
Half of what the highest of independent means would exceed is taken off (after Duembgen and Spokoiny 2001, Ann. Stat.
29:124; half, because only windows near the top compete). The spread has the white noise and the wander of this run.

False alarms and delay. On level white noise z reaches 3.7 once in 800 bins (3 days) and 4.1 once in 5000 (16 days), by
simulation; extrapolated, FALL_Z once in 100 days. A fall can only be claimed after a top and before the fall, at most
half of the time, so falsely once in 200 days. With that, a fall is known about 1.1 times as late after the maximum as
by a test that knows the whole fall beforehand (`tests/bench/detection.py` measures it).
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass, field
from math import log, sqrt

from monitor.core.signal.bins import BIN_MIN, BinSeries, sum_of_inverses
from monitor.core.signal.noise import Noise, wander_of_mean

SCALES = (2, 3, 5, 8, 12, 18, 28, 42, 64)  # bins: 10 min to 5 h 20, half an octave apart
SIZE, RING = len(SCALES), SCALES[-1] + 1  # columns and rows of the rings
HOUR_BINS = 12  # the white noise of a mean is reckoned from the readings of the last hour
NOTHING = -1e9  # below any level
LUCK = 0.5  # share of what the highest of independent means is expected to exceed
FALL_Z = 4.5  # once in 200 days of a jar; see above


@dataclass(slots=True)
class ScanMaxima:
    """The highest window means so far, as a ring with a row for each of the last bins. Row i of `best` has, for each
    window length, the highest mean of the windows that ended by bin i, and `best_at` the bin at which that window
    ended. So the highest before the latest window of b bins stands b rows back. All of it can be recomputed from the
    series, so a carry does not hold it."""

    best: array[float] = field(default_factory=lambda: array("d", [NOTHING]) * (RING * SIZE))
    best_at: array[int] = field(default_factory=lambda: array("h", [-1]) * (RING * SIZE))
    bins: int = 0


@dataclass(slots=True)
class Drop:
    """The strongest evidence at a bin: z, the drop in mm and its spread, the level that it dropped from, and the bin at
    which the window with that level ended, with its length in bins."""

    z: float
    drop_mm: float
    sd_mm: float
    best_mm: float
    best_end: int
    best_bins: int


def search(scan: ScanMaxima, series: BinSeries, noise: Noise) -> Drop | None:
    """Take in the bins closed since the last call; the strongest drop at the newest bin, or None when there is none.

    >>> from monitor.core.signal.bins import append
    >>> series = BinSeries(first=0)
    >>> for level_mm in [60.0] * 24 + [57.0] * 12:  # two hours at 60 mm, one at 57
    ...     append(series, level_mm, 5.0)
    >>> found = search(ScanMaxima(), series, Noise())
    >>> found.drop_mm, round(found.z, 1), found.z > FALL_Z
    (3.0, 6.1, True)
    """
    latest = catch_up(scan, series)
    return _strongest(scan, latest, series, noise) if latest else None


def catch_up(scan: ScanMaxima, series: BinSeries) -> list[float]:
    """Take in the bins closed since the last call; returns the mean of each window length at the newest bin (NOTHING
    where too few bins have a level), or an empty list when there is no new bin."""
    level, present = series.level, series.present
    best, best_at = scan.best, scan.best_at
    latest: list[float] = []
    while scan.bins < len(level) - 1:
        old = scan.bins % RING * SIZE
        scan.bins += 1
        i = scan.bins
        new = i % RING * SIZE
        best[new : new + SIZE], best_at[new : new + SIZE] = best[old : old + SIZE], best_at[old : old + SIZE]
        latest = []
        for at, m in enumerate(SCALES, new):
            mean = NOTHING
            if m <= i:
                count = present[i] - present[i - m]
                if count >= m / 3.0:  # sampling each 10 min fills every other bin
                    mean = (level[i] - level[i - m]) / count
                    if mean > best[at]:
                        best[at], best_at[at] = mean, i
            latest.append(mean)
    return latest


def _strongest(scan: ScanMaxima, latest: list[float], series: BinSeries, noise: Noise) -> Drop | None:
    i = scan.bins
    present = series.present
    hour = max(0, i - HOUR_BINS)
    filled = max(present[i] - present[hour], 1.0)
    white = noise.white_mm2 * sum_of_inverses(series, hour, i) / filled * (i - hour) / filled
    variances = [white / m + wander_of_mean(noise, m * BIN_MIN) for m in SCALES]
    luck = [LUCK * sqrt(2.0 * log(max(i / m, 1.0)) * v) for m, v in zip(SCALES, variances, strict=True)]
    found: Drop | None = None
    for mean, late, late_mm2 in zip(latest, SCALES, variances, strict=True):
        if mean == NOTHING:
            continue
        row = (i - late) % RING * SIZE
        for a, highest in enumerate(scan.best[row : row + SIZE]):
            lower = highest - luck[a] - mean
            if lower <= 0.0:
                continue
            sd = sqrt(variances[a] + late_mm2)
            if found is None or lower / sd > found.z:
                found = Drop(lower / sd, highest - mean, sd, highest, scan.best_at[row + a], SCALES[a])
    return found
