"""WHERE the start of the fall is decided.

After `history.py`; its verdict becomes `peak_reached` and `fall_began` in `decide.py`. The time of the peak is fitted in
`summit.py`.

Method. Over many window lengths at once, the mean of the latest window is held against the best earlier mean of every
window length: z = (best - latest - allowance) / spread, the multi-scale generalised likelihood ratio for "the level was
higher before" (Lorden 1971, Ann. Math. Stat. 42:1897 for windows of CUSUM type; Siegmund and Venkatraman 1995, Ann. Stat.
23:255 for the scan). The spread holds the white noise and the wander learnt from this run. The evidence asked for, z^2/2,
follows from the wanted run length between false alarms.
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass, field
from math import ceil, log, sqrt

from monitor.core.history import History
from monitor.core.noise import BIN_MIN, Noise, wander_of_mean

SCALES = (2, 3, 5, 8, 12, 18, 28, 42, 64)  # bins: 10 min to 5 h 20, half an octave apart
FALSE_ALARM_S = 400 * 86_400.0  # wanted mean time between false alarms of noise alone


@dataclass(slots=True)
class Scan:
    """`means[a]` are the window means of scale a, bin by bin; `best[a * len(SCALES) + b]` is the best mean of scale a
    whose window ended before the latest window of scale b began, `best_at` the bin at which it ended."""

    means: list[array[float]] = field(default_factory=lambda: [array("d") for _ in SCALES])
    best: list[float] = field(default_factory=lambda: [-1e9] * len(SCALES) ** 2)
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


def search(scan: Scan, history: History, noise: Noise, sampling_s: float, allowance_mm: float) -> Drop | None:
    """Take in the bins closed since the last call; the strongest drop at the newest, or None before there is any."""
    level, present, inverse = history.level, history.present, history.inverse
    size = len(SCALES)
    density = min(1.0, 300.0 / sampling_s)
    result: Drop | None = None
    while scan.bins < len(level) - 1:
        scan.bins += 1
        i = scan.bins
        latest: list[float | None] = [None] * size
        for a, m in enumerate(SCALES):
            mean = -1e9
            if m <= i:
                count = present[i] - present[i - m]
                if count >= max(1.0, ceil(0.5 * m * density)):
                    mean = (level[i] - level[i - m]) / count
                    latest[a] = mean
            scan.means[a].append(mean)
        for b, m in enumerate(SCALES):
            j = i - 1 - m
            if j < 0:
                break
            for a in range(size):
                k = a * size + b
                mean = scan.means[a][j]
                if mean > scan.best[k]:
                    scan.best[k], scan.best_at[k] = mean, j + 1
        if i < len(level) - 1:
            continue
        result = _strongest(scan, latest, inverse, present, noise, i, allowance_mm, density)
    return result


def _strongest(
    scan: Scan,
    latest: list[float | None],
    inverse: array[float],
    present: array[float],
    noise: Noise,
    i: int,
    allowance_mm: float,
    density: float,
) -> Drop | None:
    size = len(SCALES)
    readings = max((inverse[i] - inverse[max(0, i - 12)]) / max(present[i] - present[max(0, i - 12)], 1.0), 1e-3)
    variances = [noise.white_mm2 * readings / (m * density) + wander_of_mean(noise, m * BIN_MIN) for m in SCALES]
    top: Drop | None = None
    for b in range(size):
        mean = latest[b]
        if mean is None:
            continue
        for a in range(size):
            k = a * size + b
            best = scan.best[k]
            if best < -1e8:
                continue
            sd = sqrt(variances[a] + variances[b])
            z = (best - mean - allowance_mm) / sd
            if top is None or z > top.z:
                top = Drop(z, best - mean, sd, best, scan.best_at[k], SCALES[a], SCALES[b])
    return top
