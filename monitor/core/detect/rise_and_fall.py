"""From levels to events: a closed bin may begin a rise, reach a peak, begin a fall; a level shift may be a feeding.

Called by `step.py` in order; calls `change_point.py`, `peak_fit.py`, `level_shift.py`. Each function changes the
jar's memory and returns the events decided.
"""

from __future__ import annotations

from array import array
from math import log, sqrt

from monitor.core.detect import cycle as cycles
from monitor.core.detect import expected, memory
from monitor.core.detect import fall as falls
from monitor.core.detect.cycle import OpenCycle
from monitor.core.detect.fall import RISE_SD
from monitor.core.detect.state import DetectorState
from monitor.core.detect.superseded import was_none
from monitor.core.detect.unseen_feeding import SLOW_BINS, SLOW_MIN, RoseAgain, highest_before, rose_again
from monitor.core.detect.verdict import FallVerdict, Gate, Latest
from monitor.core.signal.bins import BIN_S, BinSeries, add, close_until, sum_of_inverses, window_mean
from monitor.core.signal.block import LevelBlock
from monitor.core.signal.change_point import Drop, ScanMaxima, catch_up, search
from monitor.core.signal.fall_onset import fall_onset_s
from monitor.core.signal.noise import SPANS, fit_wander, learn_wander, sd_of_mean_mm, spreads
from monitor.core.signal.peak_fit import fit_peak
from monitor.core.signal.trend import Trend
from monitor.core.signal.trend import add as trend_add
from monitor.core.vessel.level import rise_ratio
from monitor.settings import JarSettings
from monitor.values import Event, EventKind, Json, Stage

RISE_LEAST_MM = 4.0  # what lid, mist and sag together can do
RISE_LEAST_SHARE = 0.10  # of the level: a weak starter rises 20 %; a dead one swells by wetting and gas from stirring
# The wander is fitted every FIT_BINS until FIT_OFTEN_BINS are in it, as it is learnt within hours; then every
# FIT_LATER_BINS, as it changes over a day.
FIT_BINS, FIT_OFTEN_BINS, FIT_LATER_BINS = 6, 144, 24
PEAK_AGAIN_S = 1800.0  # a fit that found no top is tried again with half an hour of new bins
RISES_ON_MM = 2.0  # lids and mist do as much
PEAK_NEWS_S = 600.0  # while the fall is not certain, a fit that moves the top by less is not announced
SAMPLED_LEAST_S = 5.0  # readings that come faster are not independent, and count as if they came at this interval
HOURS_KNOWN_S = 1e6  # eleven days: what was "fed" longer ago than that was stamped by a wrong clock
ABOUT_QUESTION = "It is rising again, so it was fed, but the readings don't show when. When was it?"
REFINE_S = 5400.0  # by then a new fit also has the far side of the top
PEAK_MOVED_S = 300.0  # one bin: a refined time that differs by less is not announced
ASSUMED_MM = 45.0  # a usual fill after feeding, for shares of the level when the empty distance is unknown


def event(
    state: DetectorState, kind: EventKind, happened_at_s: float, evidence: dict[str, Json], replaces: str | None = None
) -> Event:
    """An event decided now; the jar's stage changes with it, by the table of stages."""
    resumed = cycles.mark(state.cycle) if state.cycle else Stage.UNKNOWN
    state.stage = cycles.follows(state.stage, kind, resumed)
    return Event(
        kind=kind,
        jar=state.jar.name,
        happened_at_s=happened_at_s,
        decided_at_s=state.now_s,
        evidence=evidence,
        replaces=replaces,
    )


def height(state: DetectorState, level_mm: float) -> float:
    """Height above the inside bottom, also when the empty distance is only assumed."""
    return level_mm - (state.bottom_mm or 0.0)


def place(state: DetectorState, distance_mm: float, jar: JarSettings) -> None:
    """Keep track of where the inside bottom is. Where the empty distance is not known, the lowest surface seen is
    assumed to stand ASSUMED_MM above it."""
    if jar.empty_mm is not None:
        state.empty_mm = jar.empty_mm
        return
    if state.empty_mm is None:
        state.empty_mm = distance_mm + ASSUMED_MM
    if state.surface.out_since_s is None:
        state.bottom_mm = min(state.bottom_mm or 0.0, state.empty_mm - distance_mm - ASSUMED_MM)


def level_of(state: DetectorState, distance_mm: float | None) -> float | None:
    """The level of a block in mm, on the scale in use and with the lid's offset taken out."""
    return (
        None
        if distance_mm is None or state.empty_mm is None
        else state.empty_mm - distance_mm + state.surface.offset_mm
    )


def open_cycle(
    state: DetectorState, fed_at_s: float, back_s: float, *, from_start: bool, sure: bool = True
) -> OpenCycle:
    """Close the open cycle, learn from it, and begin one at `fed_at_s` without any bins."""
    number = 0
    if state.cycle is not None:
        number = state.cycle.number + 1
        expected.learn_closed(state, state.jar, fed_at_s)
        memory.learn_closed(state, expected.culture_of(state, state.jar))
        state.previous = cycles.ClosedCycle(state.cycle, fed_at_s)
    return _begin_cycle(
        state, OpenCycle(number=number, fed_at_s=fed_at_s, back_s=back_s, from_start=from_start, sure=sure)
    )


def replace_cycle(state: DetectorState, fed_at_s: float) -> OpenCycle:
    """The open cycle began at another time than was seen: the same cycle with that time, and without any bins."""
    wrong = state.cycle
    assert wrong is not None
    right = OpenCycle(number=wrong.number, fed_at_s=fed_at_s, back_s=fed_at_s, from_start=True, rested=wrong.rested)
    earlier_h = round((wrong.fed_at_s - fed_at_s) / 3600.0)
    unknown, since = array("d", [0.0]) * max(earlier_h, 0), max(-earlier_h, 0)
    right.hours_n, right.hours_sum = unknown + wrong.hours_n[since:], unknown + wrong.hours_sum[since:]
    return _begin_cycle(state, right)


def _begin_cycle(state: DetectorState, cycle: OpenCycle) -> OpenCycle:
    state.cycle = cycle
    state.series, state.scan, state.learnt_bins = BinSeries(), ScanMaxima(), 0
    state.peak_tried_s, state.question, state.forecast_hour, state.verdict = None, None, -1, None
    state.curve_filter = None
    return cycle


def levels(state: DetectorState, rows: list[LevelBlock], jar: JarSettings) -> list[Event]:
    """Take released blocks into the cycle, and judge the bins that they close."""
    out: list[Event] = []
    for row in rows:
        time_s, level_mm, n = row.time_s, row.level_mm, row.n
        if state.cycle is None:
            open_cycle(state, time_s, time_s, from_start=False)
        assert state.cycle is not None
        out += close_bins(state, time_s, jar)
        add(state.series, time_s, level_mm, n)
        trend_add(state.trend, time_s, level_mm, n)
        cycles.begin_level(state.cycle, time_s, level_mm)
    return out


def close_bins(state: DetectorState, time_s: float, jar: JarSettings) -> list[Event]:
    """Close the bins before `time_s` and judge the newest."""
    if not close_until(state.series, time_s) or state.cycle is None:
        return []
    _learn(state)
    sampling_s = state.plausibility.sampling_s or 60.0
    if state.cycle.rise_at_s is None or state.cycle.fall_at_s is not None:
        catch_up(state.scan, state.series)  # there is no fall to look for, but the scan goes on
        return _judge(state, state.cycle, None, sampling_s, jar)
    return _judge(state, state.cycle, search(state.scan, state.series, state.noise), sampling_s, jar)


def again(state: DetectorState, old: BinSeries, since_s: float, jar: JarSettings) -> list[Event]:
    """Judge the bins of `old` from `since_s` on once more, after a feeding that became known only now."""
    out: list[Event] = []
    state.trend = Trend()
    for i, (mean_mm, n) in enumerate(zip(old.mean, old.readings, strict=True)):
        time_s = (old.first + i + 0.5) * BIN_S
        if n > 0.0 and time_s - BIN_S / 2 >= since_s:
            out += levels(state, [LevelBlock(time_s, mean_mm, n)], jar)
    if old.open_n > 0.0 and old.open_number * BIN_S >= since_s:
        add(state.series, old.open_number * BIN_S, old.open_sum / old.open_n, old.open_n)
    return out


def _learn(state: DetectorState) -> None:
    """Learn the surface's wander from the third differences of neighbouring means."""
    level, present = state.series.level, state.series.present
    i = len(level) - 1
    for k, span in enumerate(SPANS):
        if i < 4 * span:
            break
        n4, n3, n2, n1, n0 = present[i - 4 * span : i + 1 : span]
        least = max(1, span // 2)
        if n0 - n1 < least or n1 - n2 < least or n2 - n3 < least or n3 - n4 < least:
            continue
        y4, y3, y2, y1, y0 = level[i - 4 * span : i + 1 : span]
        mean0, mean1, mean2, mean3 = (
            (y0 - y1) / (n0 - n1),
            (y1 - y2) / (n1 - n2),
            (y2 - y3) / (n2 - n3),
            (y3 - y4) / (n3 - n4),
        )
        inverses = sum_of_inverses(state.series, i - 4 * span, i)
        white_mm2 = 4.0 * state.noise.white_mm2 * inverses / (n0 - n4) ** 2
        learn_wander(state.noise, k, mean0 - 3.0 * mean1 + 3.0 * mean2 - mean3, white_mm2)
    state.learnt_bins += 1
    if state.learnt_bins % (FIT_BINS if state.noise.rough_n[0] < FIT_OFTEN_BINS else FIT_LATER_BINS) == 0:
        fit_wander(state.noise)


def _judge(
    state: DetectorState, cycle: OpenCycle, drop: Drop | None, sampling_s: float, jar: JarSettings
) -> list[Event]:
    """What the newest bin shows: that a rise began or is missing, a fresh rise after the fall, the peak, the fall."""
    latest = _latest(state, cycle, sampling_s)
    if latest is None:
        return []
    if cycle.fall_at_s is not None:
        return _refined(state, cycle) + _fed_unseen(state, cycle, latest, jar)
    out: list[Event] = []
    if cycle.rise_at_s is None:
        risen = latest.level_mm - latest.foot_mm > latest.needed_mm
        if risen and cycle.known_by_rise_s is None and _had_fallen(state, cycle, latest):
            cycle.low_mm = latest.foot_mm  # it had fallen before any rise was seen: from here it rose afresh
            return _fed_unseen(state, cycle, latest, jar)
        out = _rise(state, cycle, latest, risen=risen)
    verdict = state.verdict = falls.judge(state, cycle, drop, latest, memory.follow(state), jar)
    if verdict.refused_by is Gate.FED_IN_SILENCE:
        assert cycle.sank_unseen_s is not None
        from_s = cycle.sank_unseen_s - cycle.unseen_s
        fed_at_s = cycle.sank_unseen_s - cycle.unseen_s / 2.0
        return out + _fed_at(state, RoseAgain(fed_at_s, verdict.rose_mm, (from_s, cycle.sank_unseen_s)), jar)
    if drop is not None and verdict.topped:
        out += _peak_and_fall(state, cycle, drop, verdict, jar)
    return out + _peak_remembered(state, cycle, latest, verdict)


def _latest(state: DetectorState, cycle: OpenCycle, sampling_s: float) -> Latest | None:
    """The newest 25 min mean and what it is measured against; None while there is none."""
    series, noise = state.series, state.noise
    i = len(series.level) - 1
    if i < SLOW_BINS or series.present[i] - series.present[i - SLOW_BINS] < 1.0:
        return None
    now_mm = window_mean(series, i, SLOW_BINS)
    at_s = (series.first + i - SLOW_BINS / 2) * BIN_S
    if cycle.lowest_mm is None or now_mm < cycle.lowest_mm:
        cycle.lowest_mm, cycle.low_at_s = now_mm, at_s
    foot_mm = cycle.lowest_mm
    spread_mm = sd_of_mean_mm(noise, SLOW_MIN, SLOW_MIN * 60.0 / max(sampling_s, SAMPLED_LEAST_S))
    luck = sqrt(2.0 * log(max(i / SLOW_BINS, 1.0)))  # by how many spreads the lowest of that many means is too low
    share = RISE_LEAST_SHARE if cycle.from_start else RISE_LEAST_SHARE / 2.0  # its foot may have been lower
    needed_mm = max(RISE_LEAST_MM, spreads(noise, RISE_SD + luck) * spread_mm, share * height(state, foot_mm))
    return Latest(now_mm, foot_mm, spread_mm, needed_mm, at_s)


def _had_fallen(state: DetectorState, cycle: OpenCycle, latest: Latest) -> bool:
    """Whether the level once stood above its lowest by as much as a rise: then watching began during a fall."""
    return not cycle.stirred and highest_before(state.series, cycle.low_at_s) - latest.foot_mm > latest.needed_mm


def _rise(state: DetectorState, cycle: OpenCycle, latest: Latest, *, risen: bool) -> list[Event]:
    """WHERE a rise is decided: that it began, or that it is missing although it was due."""
    evidence: dict[str, Json] = {"rise_mm": round(latest.level_mm - latest.foot_mm, 2)}
    if risen:
        cycle.rise_at_s = latest.at_s
        return [event(state, EventKind.RISE_BEGAN, latest.at_s, evidence)]
    if cycle.from_start and not cycle.flat_decided and state.now_s - cycle.fed_at_s > expected.flat_after_s(state):
        cycle.flat_decided = True
        return [event(state, EventKind.STAYED_FLAT, state.now_s, {"highest_mm": evidence["rise_mm"]})]
    return []


def _peak_remembered(state: DetectorState, cycle: OpenCycle, latest: Latest, verdict: FallVerdict) -> list[Event]:
    """The first `peak_reached`, before the readings show that the top has passed: earlier cycles say that it probably
    has. Also takes one back if the level goes on rising."""
    told = verdict.memory
    if cycle.top_recalled and cycle.peak_mm is not None and not verdict.topped:
        return _rises_on(state, cycle, latest, cycle.peak_mm)
    if told is None or not told.top_past or cycle.peak_at_s is not None or cycle.rise_at_s is None:
        return []
    if cycle.top_denied_s is not None:
        return []
    if verdict.refused_by in (Gate.CLOSED, Gate.LOW_TOP, Gate.SILENCE, Gate.STEPPING):
        return []
    highest_mm = max(highest_before(state.series, state.now_s), latest.level_mm)
    if highest_mm - latest.foot_mm < latest.needed_mm:
        return []
    cycle.peak_at_s, cycle.peak_mm, cycle.top_recalled = max(told.top_at_s, cycle.rise_at_s), highest_mm, True
    return [event(state, EventKind.PEAK_REACHED, cycle.peak_at_s, {"memory": told.evidence()})]


def _rises_on(state: DetectorState, cycle: OpenCycle, latest: Latest, told_mm: float) -> list[Event]:
    """Take back a top that was decided from memory alone when the level climbs on by more than lids and mist
    explain."""
    if latest.level_mm - told_mm <= max(RISES_ON_MM, RISE_SD * latest.spread_mm):
        return []
    assert cycle.rise_at_s is not None
    assert cycle.peak_at_s is not None
    wrong = f"{EventKind.PEAK_REACHED.value}@{cycle.peak_at_s:.0f}"
    cycle.peak_at_s = cycle.peak_mm = None
    cycle.top_recalled, cycle.top_denied_s = False, state.now_s
    evidence: dict[str, Json] = {"rises_on_mm": round(latest.level_mm - told_mm, 2)}
    return [event(state, EventKind.RISE_BEGAN, cycle.rise_at_s, evidence, wrong)]


def _peak_and_fall(
    state: DetectorState, cycle: OpenCycle, drop: Drop, verdict: FallVerdict, jar: JarSettings
) -> list[Event]:
    """Fit the time of the top, every half hour while it passes and once more when the fall is decided; then the
    fall."""
    if not verdict.holds and state.peak_tried_s is not None and state.now_s - state.peak_tried_s < PEAK_AGAIN_S:
        return []
    out: list[Event] = []
    series = state.series
    state.peak_tried_s = state.now_s
    top = fit_peak(series, max(0, drop.best_end - 1 - drop.best_bins // 2))
    if top is not None and (
        cycle.peak_at_s is None
        or abs(top[0] - cycle.peak_at_s) > PEAK_NEWS_S
        or (verdict.holds and top[0] != cycle.peak_at_s)
    ):
        cycle.peak_at_s, cycle.peak_mm = top
        cycle.top_recalled = False
        out.append(event(state, EventKind.PEAK_REACHED, top[0], _evidence(state, cycle, drop, verdict, jar)))
    if verdict.holds and cycle.peak_at_s is not None:
        began_s = fall_onset_s(series, drop.best_end - drop.best_bins, drop.best_mm)
        cycle.fall_at_s = max(cycle.peak_at_s, (series.first + drop.best_end) * BIN_S if began_s is None else began_s)
        cycle.handled_at_s, cycle.handled_odds, cycle.stirred = None, 0.0, False
        out.append(event(state, EventKind.FALL_BEGAN, cycle.fall_at_s, _evidence(state, cycle, drop, verdict, jar)))
        state.curve_filter = None  # it has nothing more to say of this cycle, and takes 6 kB
    return out


def _refined(state: DetectorState, cycle: OpenCycle) -> list[Event]:
    """Fit the peak's time once more, when more of the fall has been seen."""
    if state.peak_tried_s is None or state.now_s - state.peak_tried_s < REFINE_S or cycle.peak_at_s is None:
        return []
    state.peak_tried_s = None
    top = fit_peak(state.series, int(cycle.peak_at_s // BIN_S) - state.series.first)
    if top is None or cycle.fall_at_s is None:
        return []
    top_s = min(top[0], cycle.fall_at_s)
    if abs(top_s - cycle.peak_at_s) < PEAK_MOVED_S:
        return []
    cycle.peak_at_s, cycle.peak_mm = top_s, top[1]
    return [event(state, EventKind.PEAK_REACHED, cycle.peak_at_s, {"refined": True})]


def _fed_unseen(state: DetectorState, cycle: OpenCycle, latest: Latest, jar: JarSettings) -> list[Event]:
    """WHERE an unseen feeding is decided: by a level that rises afresh."""
    if cycle.known_by_rise_s == state.now_s:
        return []  # that is the rise by which this cycle's own feeding became known
    bottom_mm = state.bottom_mm or 0.0
    sampling_s = state.plausibility.sampling_s
    found = rose_again(cycle, state.series, latest.level_mm, latest.at_s, latest.needed_mm, bottom_mm, sampling_s)
    return [] if found is None else _fed_at(state, found, jar)


def _fed_at(state: DetectorState, found: RoseAgain, jar: JarSettings) -> list[Event]:
    """A feeding known only by the rise after it: begin a cycle then, and judge the bins since once more."""
    old, was = state.series, state.cycle
    fed_at_s = found.fed_at_s
    if was is not None and was_none(state.not_so, EventKind.FED, fed_at_s):
        was.stirred, was.sank_unseen_s = True, None  # nor need another such rise be a feeding
        return []
    cycle = open_cycle(state, fed_at_s, fed_at_s, from_start=True, sure=False)
    cycle.known_by_rise_s = state.now_s
    evidence: dict[str, Json] = {"rose_again_mm": round(found.rose_mm, 2), "sure": False}
    if found.about is not None:
        evidence["about_s"] = [round(time_s) for time_s in found.about]
        (cycle.about_from_s, cycle.about_to_s), state.question = found.about, ABOUT_QUESTION
    out = [event(state, EventKind.FED, fed_at_s, evidence)]
    return out + again(state, old, fed_at_s, jar)


def _evidence(
    state: DetectorState, cycle: OpenCycle, drop: Drop, verdict: FallVerdict, jar: JarSettings
) -> dict[str, Json]:
    evidence: dict[str, Json] = {
        "z": round(drop.z, 2),
        "drop_mm": round(drop.drop_mm, 2),
        "noise_mm": round(sqrt(state.noise.white_mm2), 2),
        "wander_mm": round(sqrt(state.noise.wander_mm2), 2),
    }
    if cycle.peak_mm is not None and cycle.start_mm is not None and jar.empty_mm is not None:
        ratio = rise_ratio(jar.geometry, cycle.peak_mm, cycle.start_mm)
        evidence["rise_ratio"] = None if ratio is None else round(ratio, 3)
    if state.now_s - cycle.fed_at_s < HOURS_KNOWN_S and cycle.from_start:
        evidence["hours_since_fed"] = round((state.now_s - cycle.fed_at_s) / 3600.0, 2)
    if verdict.memory is not None:
        evidence["memory"] = verdict.memory.evidence()
    return evidence
