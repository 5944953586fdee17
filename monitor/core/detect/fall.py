"""WHERE the start of the fall is decided: `judge` says at each closed bin of 5 min whether it has begun, and if not,
why not yet. Called by `rise_and_fall.py`, which makes the events; `jartide replay --explain` prints the verdicts.

The evidence is the change-point scan's z (`change_point.py`). It must reach FALL_Z (or less, once earlier cycles say
that the fall is due: `memory.py`), and no gate may hold it back: gas that feigns a fall to an echo, a sag on the way
up, a step that is just being looked at, a silence in which it may have been fed.
"""

from __future__ import annotations

from monitor.core.detect.cycle import CLOSES_S, OpenCycle
from monitor.core.detect.state import DetectorState
from monitor.core.detect.surface import stepping
from monitor.core.detect.unseen_feeding import RISE_AFTER_MM, since_silence
from monitor.core.detect.verdict import FallVerdict, Gate, Latest, MemoryEvidence
from monitor.core.signal.bins import BIN_S, BinSeries, window_mean
from monitor.core.signal.change_point import FALL_Z, Drop
from monitor.core.vessel.level import headspace_sd_mm
from monitor.settings import JarSettings

RISE_SD = 5.0  # spreads above the lowest mean: by chance once in 3 million means of a level that does not move
SAG_MM, SAG_S = 1.6, 9000.0  # a sag on the way up is about a millimetre deep and over within two hours
BACK_BINS, BACK_SD = 4, 1.0  # 20 min against the 20 min before: the level comes back if it gained a spread
# A climb at this share of its steepest hour has little left to go: 4 % of a Gompertz rise, 3 % of a logistic one. A sag
# on the way up breaks off a climb at full pace.
SLOWED, HOUR_BINS, HALF_BINS = 0.1, 12, 6
UNSURE_S = 3 * 3600.0  # by then what was fed has begun to rise
FEIGNED_SDS = 2.0  # gas in the headspace feigns no more of a fall to an echo than this, in 19 jars of 20
PEAK_Z = 3.0  # a first `peak_reached` may be revised, so one false in 700 is good enough


def judge(
    state: DetectorState,
    cycle: OpenCycle,
    drop: Drop | None,
    latest: Latest,
    memory: MemoryEvidence | None,
    jar: JarSettings,
) -> FallVerdict:
    """The verdict at the newest bin of a cycle whose fall has not begun. Delay and false alarms: `change_point.py`."""

    needed_z = FALL_Z if memory is None else memory.needed_z

    def refused(gate: Gate, rose_mm: float = 0.0) -> FallVerdict:
        if drop is None:
            return FallVerdict(gate, state.now_s, needed_z=needed_z, memory=memory)
        topped = gate in (Gate.NOISE, Gate.HEADSPACE, Gate.SAG, Gate.STEPPING) and drop.z >= PEAK_Z
        return FallVerdict(gate, state.now_s, drop.z, needed_z, drop.drop_mm, topped, rose_mm, memory)

    if cycle.rise_at_s is None:
        return refused(Gate.NO_RISE)
    if state.now_s - cycle.fed_at_s > CLOSES_S:
        return refused(Gate.CLOSED)
    if drop is None:
        return refused(Gate.NOT_LOWER)
    if drop.best_mm - latest.foot_mm < latest.needed_mm:
        return refused(Gate.LOW_TOP)
    series = state.series
    silent_to_s = cycle.sank_unseen_s
    if silent_to_s is not None and (drop.best_end - 1) * BIN_S + series.first * BIN_S < silent_to_s:
        went = since_silence(series, silent_to_s)
        if went is None:
            return refused(Gate.SILENCE)
        if went[1] > max(RISE_AFTER_MM, RISE_SD * latest.spread_mm):
            return refused(Gate.FED_IN_SILENCE, went[1])
        if went[0] > -2.0 * latest.spread_mm and state.now_s - silent_to_s < UNSURE_S:
            return refused(Gate.SILENCE)  # it stands still: perhaps fed and not rising yet, as a fall would go on
    if drop.z < needed_z:
        return refused(Gate.NOISE)
    distance_mm = (state.empty_mm or latest.level_mm) - latest.level_mm
    if drop.drop_mm <= FEIGNED_SDS * headspace_sd_mm(distance_mm, jar):
        return refused(Gate.HEADSPACE)
    if _may_go_on(drop, series):
        return refused(Gate.SAG)
    if stepping(state.surface, state.noise):
        return refused(Gate.STEPPING)
    return FallVerdict(None, state.now_s, drop.z, needed_z, drop.drop_mm, True, 0.0, memory)


def _may_go_on(drop: Drop, series: BinSeries) -> bool:
    """Whether a drop beyond noise may still be a sag on the way up. Two signs of that count: the level is already
    coming back (mist clears, a collapse is made good); or the drop is shallow and young, or too young to have come
    back. The second does not count where the climb had slowed before and the scan's evidence is enough without
    memory."""
    i = len(series.level) - 1
    too_young = i - drop.best_end < 2 * BACK_BINS
    shallow = drop.drop_mm < SAG_MM and (i - drop.best_end) * BIN_S < SAG_S
    if (too_young or shallow) and not (drop.z >= FALL_Z and _slowed(series, drop.best_end)):
        return True
    present = series.present
    if i < 2 * BACK_BINS or present[i] - present[i - BACK_BINS] < 1.0:
        return False
    if present[i - BACK_BINS] - present[i - 2 * BACK_BINS] < 1.0:
        return False
    back_mm = window_mean(series, i, BACK_BINS) - window_mean(series, i - BACK_BINS, BACK_BINS)
    return back_mm > BACK_SD * drop.sd_mm


def _slowed(series: BinSeries, top: int) -> bool:
    """Whether in the hour before bin `top` the level climbed by less than SLOWED of its steepest hour until then. False
    where that hour was not seen."""
    climbs = [_climb_mm(series, end) for end in range(HOUR_BINS + HALF_BINS, top + 1)]
    steepest_mm = max((climb for climb in climbs if climb is not None), default=0.0)
    return steepest_mm > 0.0 and climbs[-1] is not None and climbs[-1] < SLOWED * steepest_mm


def _climb_mm(series: BinSeries, end: int) -> float | None:
    """How far the level climbed within an hour: from one half hour's mean to that an hour later, which ends before bin
    `end`. None where either has no level."""
    present, before = series.present, end - HOUR_BINS
    if present[end] == present[end - HALF_BINS] or present[before] == present[before - HALF_BINS]:
        return None
    return window_mean(series, end, HALF_BINS) - window_mean(series, before, HALF_BINS)
