"""What the bins show of what happened unseen: where a feeding hides that was no jump, and whether the level still sinks
after a silence. Asked by `rise_and_fall.py`; nothing is decided here.
"""

from __future__ import annotations

from monitor.core.signal.bins import BIN_S, History, window_mean

SLOW_BINS = 5  # 25 min: the mean from which the lowest level and the rise are counted
STEP_BINS, STEP_LOOK_BINS = 5, 36
SINKS_BINS = 12  # an hour shows which way it goes


def since_silence(history: History, back_s: float) -> tuple[float, float] | None:
    """(by how much the latest half hour lies above the first one after a silence that ended at `back_s`, and above the
    lowest since, mm); None before there are SINKS_BINS bins."""
    first, last, half = int(back_s // BIN_S) - history.first + 1, len(history.mean), SINKS_BINS // 2
    if first < 0 or last - first < SINKS_BINS:
        return None
    ends = [i for i in range(first + half, last + 1) if history.present[i] > history.present[i - half]]
    means = [window_mean(history, i, half) for i in ends]
    return (means[-1] - means[0], means[-1] - min(means)) if means else None


def highest_before(history: History, time_s: float) -> float:
    """The highest 25 min mean that ended before `time_s`; far down when there is none."""
    last = min(int(time_s // BIN_S) - history.first, len(history.mean))
    full = (i for i in range(SLOW_BINS, last + 1) if history.present[i] > history.present[i - SLOW_BINS])
    return max((window_mean(history, i, SLOW_BINS) for i in full), default=-1e9)


def lowest_since(history: History, since_s: float) -> tuple[float, float]:
    """(lowest 25 min mean of the bins from `since_s` on in mm, when), the newest of equals; a level ends them."""
    first, last = max(SLOW_BINS, int(since_s // BIN_S) - history.first), len(history.mean)
    full = (i for i in range(first, last + 1) if history.present[i] > history.present[i - SLOW_BINS])
    low_mm, newest = min((window_mean(history, i, SLOW_BINS), -i) for i in full)
    return low_mm, (history.first - newest - SLOW_BINS / 2) * BIN_S


def step_down_s(history: History, low_at_s: float) -> float:
    """When the level went down most before its lowest, within the bins around that hold a level: where a feeding hides
    that was no jump. Within a silence it may have been at any time, and the middle errs least."""
    lowest = int(low_at_s // BIN_S) - history.first
    from_i, to_i = max(0, lowest - STEP_LOOK_BINS - STEP_BINS), min(lowest + 2 * STEP_BINS, len(history.mean))
    held = [i for i in range(from_i, to_i) if history.readings[i] > 0.0]
    best, at = 0.0, float(lowest)
    for k in range(STEP_BINS, len(held) - STEP_BINS + 1):
        before, after = held[k - STEP_BINS : k], held[k : k + STEP_BINS]
        down = (sum(history.mean[i] for i in before) - sum(history.mean[i] for i in after)) / STEP_BINS
        if down > best:
            best, at = down, (before[-1] + 1 + after[0]) / 2.0
    return (history.first + at) * BIN_S
