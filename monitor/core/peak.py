"""WHERE the start of the fall is decided.

After `history.py`; its verdict becomes `peak_reached` and `fall_began` in `decide.py`. The time of the peak is fitted
in
`summit.py`.

Method. Over many window lengths at once, the mean of the latest window is held against the best earlier mean of every
window length: z = (best - latest) / spread, the multi-scale generalised likelihood ratio for "the level was
higher before" (Lorden 1971, Ann. Math. Stat. 42:1897 for windows of CUSUM type; Siegmund and Venkatraman 1995, Ann.
Stat.
23:255 for the scan). The spread holds the white noise and the wander learnt from this run. The evidence asked for,
z^2/2,
follows from the wanted run length between false alarms.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import log, sqrt

from monitor.core.history import History
from monitor.core.noise import BIN_MIN, Noise, wander_of_mean

SCALES = (2, 3, 5, 8, 12, 18, 28, 42, 64)  # bins: 10 min to 5 h 20, half an octave apart
RING = SCALES[-1] + 2
NOTHING = -1e9
FALSE_ALARM_S = 400 * 86_400.0  # wanted mean time between false alarms of noise alone


@dataclass(slots=True)
class Scan:
    """`means[a]` are the latest window means of scale a, a ring over the bins; `best[a * len(SCALES) + b]` is the best
    mean of scale a whose window ended before the latest window of scale b began, `best_at` the bin at which it ended.
    It is a function of the history alone, so a carry does not hold it."""

    means: list[list[float]] = field(default_factory=lambda: [[NOTHING] * RING for _ in SCALES])
    best: list[float] = field(default_factory=lambda: [NOTHING] * len(SCALES) ** 2)
    best_at: list[int] = field(default_factory=lambda: [-1] * len(SCALES) ** 2)
    bins: int = 0


@dataclass(slots=True)
class Drop:
    """The strongest evidence at a bin: z, the drop in mm, its spread, the reference level, the bin at which the
    reference window ended and the window lengths in bins (reference, latest)."""

    z: float
    drop_mm: float
    sd_mm: float
    best_mm: float
    best_end: int
    best_bins: int
    latest_bins: int


def threshold_z(sampling_s: float) -> float:
    """Evidence needed: a likelihood ratio of the wanted run length in readings, as the limit's ln(ARL)."""
    return sqrt(2.0 * log(FALSE_ALARM_S / max(sampling_s, 1.0)))


def search(scan: Scan, history: History, noise: Noise) -> Drop | None:
    """Take in the bins closed since the last call; the strongest drop at the newest, or None before there is any."""
    latest = catch_up(scan, history)
    return _strongest(scan, latest, history, noise) if latest else None


def catch_up(scan: Scan, history: History) -> list[float]:
    """Take in the bins closed since the last call; the window means at the newest bin, one a scale (NOTHING: too few
    bins have a level). Empty when there is no new bin."""
    level, present = history.level, history.present
    size = len(SCALES)
    best, best_at, means = scan.best, scan.best_at, scan.means
    latest: list[float] = []
    while scan.bins < len(level) - 1:
        scan.bins += 1
        i = scan.bins
        latest = []
        for a, m in enumerate(SCALES):
            mean = NOTHING
            if m <= i:
                count = present[i] - present[i - m]
                if count >= m / 3.0:  # sampling each 10 min fills every other bin
                    mean = (level[i] - level[i - m]) / count
            means[a][i % RING] = mean
            latest.append(mean)
        for b, m in enumerate(SCALES):
            j = i - m
            if j < 1:
                break
            place = j % RING
            for a in range(size):
                mean = means[a][place]
                k = a * size + b
                if mean > best[k]:
                    best[k], best_at[k] = mean, j
    return latest


def _strongest(scan: Scan, latest: list[float], history: History, noise: Noise) -> Drop | None:
    size, i = len(SCALES), scan.bins
    present, inverse = history.present, history.inverse
    hour = max(0, i - 12)
    filled = max(present[i] - present[hour], 1.0)
    white = noise.white_mm2 * (inverse[i] - inverse[hour]) / filled * (i - hour) / filled
    variances = [white / m + wander_of_mean(noise, m * BIN_MIN) for m in SCALES]
    best, best_z, at = scan.best, NOTHING, (0, 0)
    for b in range(size):
        mean = latest[b]
        if mean == NOTHING:
            continue
        for a in range(size):
            z = (best[a * size + b] - mean) / sqrt(variances[a] + variances[b])
            if z > best_z:
                best_z, at = z, (a, b)
    a, b = at
    k = a * size + b
    if best[k] == NOTHING or best_z == NOTHING:
        return None
    sd = sqrt(variances[a] + variances[b])
    return Drop(best_z, best[k] - latest[b], sd, best[k], scan.best_at[k], SCALES[a], SCALES[b])
