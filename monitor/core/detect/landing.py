"""The surface is back after something: a feeding, the lid set back, a disturbance, or nothing at all.

After `surface.py`, which sees it land; `feeding_odds.py` says what it means; `rise_and_fall.py` takes the levels in.
"""

from __future__ import annotations

from dataclasses import replace
from math import sqrt

from monitor.core.detect import surface as surfaces
from monitor.core.detect.cycle import OpenCycle
from monitor.core.detect.feeding_odds import (
    LID_MOST_MM,
    Before,
    Meaning,
    fed_odds,
    lid_sized,
    look_share,
    meaning,
    plausible_heights,
)
from monitor.core.detect.rise_and_fall import event, height, levels, open_cycle
from monitor.core.detect.state import DetectorState
from monitor.core.signal.bins import History
from monitor.core.signal.change_point import Scan
from monitor.core.signal.step_fit import Landing
from monitor.core.signal.trend import Trend, line
from monitor.settings import JarSettings
from monitor.values import Event, EventKind, Json

BARE_MM = 3.0  # no starter is kept thinner; rounding and noise of an empty jar reach it
HANDS_MOST_S = 900.0
LAG_S = 2700.0  # a fresh feeding that has not begun to rise is an hour and a half old at most
RISEN_MM = 4.0
SAME_FEEDING_S = 3 * 3600.0  # a reported feeding and the landing that shows it
RISING_MM_PER_MIN = 2.0 / 60.0  # slower than this is a top
PERHAPS_ODDS = 0.003  # a later rise may show that it was one; hands at the jar date it better than its lowest level
QUESTION = "The level dropped and nothing explains it: fed, stirred down, or took some?"


def land(state: DetectorState, landing: Landing, rows: list[list[float]], jar: JarSettings) -> list[Event]:
    """The surface is back: a feeding, the lid, a disturbance or nothing; then its levels are taken in."""
    out: list[Event] = []
    if state.surface.lid_off:
        state.surface.lid_off = False
        out.append(event(state, EventKind.LID_ON, landing.back_s, {"off_s": landing.off_s}))
    if state.timers.is_away:
        state.timers.is_away = False
        out.append(event(state, EventKind.JAR_BACK, landing.back_s, {}))
    state.timers.away_since_s = None
    cycle = state.cycle
    assert cycle is not None
    if landing.within:
        rows = surfaces.withdraw(state.surface, landing.within)
    raw = state.surface.offset_mm  # a feeding is known by where the surface stands, however the lid sat before
    shifted = replace(
        landing, before_mm=height(state, landing.before_mm) - raw, after_mm=height(state, landing.after_mm) - raw
    )
    start = _start(state)
    if start is not None and cycle.start_mm is None:
        start = min(start, shifted.after_mm)  # begun on its way up: the starting level may have been lower
    hours = (landing.left_s - cycle.fed_at_s) / 3600.0 if cycle.from_start else 99.0
    highest = None if cycle.peak_mm is None else height(state, cycle.peak_mm) - raw
    was = Before(start, cycle.start_mm is not None, highest, hours, _rising(state), cycle.fall_at_s is not None)
    what = meaning(shifted, was)
    if what is not Meaning.SAME and _reported_not_seen(cycle) and landing.left_s - cycle.fed_at_s < SAME_FEEDING_S:
        what = Meaning.FED
    evidence: dict[str, Json] = {
        "before_mm": round(landing.before_mm, 2),
        "after_mm": round(landing.after_mm, 2),
        "lid_off_s": round(landing.off_s),
        "sure": what is not Meaning.PERHAPS_FED,
    }
    if what in (Meaning.FED, Meaning.PERHAPS_FED):
        out += _fed(state, landing, rows, start is not None and shifted.after_mm > start + RISEN_MM, evidence)
    elif not landing.gap and (odds := fed_odds(shifted, was)) > max(PERHAPS_ODDS, cycle.handled_odds):
        cycle.handled_at_s, cycle.handled_odds = landing.back_s - min(landing.off_s, HANDS_MOST_S), odds
    sank_mm = landing.before_mm - landing.after_mm
    if landing.gap and what is Meaning.SAME and sank_mm > max(LID_MOST_MM, 2.5 * landing.sd_mm):
        cycle.sank_unseen_s, cycle.unseen_s = landing.back_s, landing.back_s - landing.left_s
    if what in (Meaning.LID, Meaning.DISTURBED, Meaning.COLLAPSED):
        cycle.stirred = cycle.stirred or what is Meaning.DISTURBED
        if what is not Meaning.COLLAPSED:
            a_lid = what is Meaning.LID and lid_sized(landing)
            surfaces.rezero(state.surface, landing, rows, look_share(shifted, was) if a_lid else None)
        if what is not Meaning.LID:
            out.append(event(state, EventKind.DISTURBED, landing.back_s, evidence))
    if what is Meaning.COLLAPSED or (what is Meaning.SAME and not landing.within):
        surfaces.restart(state.surface, rows)
    elif what not in (Meaning.FED, Meaning.PERHAPS_FED):
        surfaces.accept(state.surface, rows)
    if landing.within and what not in (Meaning.FED, Meaning.PERHAPS_FED):
        rows = rows[-1:]  # the others were taken in before the step was seen
    return out + levels(state, rows, jar)


def _fed(
    state: DetectorState, landing: Landing, rows: list[list[float]], risen: bool, evidence: dict[str, Json]
) -> list[Event]:
    """A feeding was seen: the one reported shortly before, or a new cycle. `risen`: the level stands above the
    starting level already."""
    cycle = state.cycle
    assert cycle is not None
    _restart_levels(state, rows)
    if cycle.told and landing.left_s - cycle.fed_at_s < SAME_FEEDING_S:
        cycle.back_s, cycle.start_mm, cycle.start_levels, cycle.lowest_mm = landing.back_s, None, [], None
        state.history, state.scan, state.learnt_bins = History(), Scan(), 0
        return []
    if landing.off_s > 0.0 and not landing.gap:
        since_s = min(landing.off_s, HANDS_MOST_S)
    else:  # within a silence: it has risen since, or not yet
        half_s = (landing.back_s - landing.left_s) / 2
        since_s = half_s if risen else min(half_s, LAG_S)
    fed_at_s = landing.back_s - since_s
    open_cycle(state, fed_at_s, landing.back_s, from_start=True, sure=evidence["sure"] is True)
    if not evidence["sure"]:
        state.question = QUESTION
    return [event(state, EventKind.FED, fed_at_s, evidence)]


def _reported_not_seen(cycle: OpenCycle) -> bool:
    """Whether the cycle began with a report, and hands have not been seen at the jar since: the next landing is that
    feeding, whatever it looks like."""
    return cycle.told and cycle.back_s == cycle.fed_at_s


def _rising(state: DetectorState) -> bool:
    """Whether the level is clearly on its way up."""
    fitted = line(state.trend)
    if fitted is None:
        return False
    noise = sqrt(state.noise.white_mm2 + state.noise.wander_mm2)
    return fitted[1] > max(RISING_MM_PER_MIN, 2.0 * fitted[2] * noise)


def bare_mm(state: DetectorState) -> float:
    """The level below which the sensor looks at the bare bottom, or past the jar."""
    return (state.bottom_mm or 0.0) + state.surface.offset_mm + BARE_MM


def plausible_levels(state: DetectorState) -> tuple[float, float, float]:
    """Where a surface may be, on the level scale: above the first; after a jump, from the second to the third."""
    before = surfaces.latest(state.surface)
    if before is None:
        return -1e9, -1e9, 1e9
    bottom = (state.bottom_mm or 0.0) + state.surface.offset_mm
    start = None if state.cycle is None or state.cycle.start_mm is None else height(state, state.cycle.start_mm)
    low, high = plausible_heights(start, before - bottom)
    return bare_mm(state), low + bottom, high + bottom


def _start(state: DetectorState) -> float | None:
    """The starting level as a height; in a cycle begun in its middle, the lowest level that a rise was seen from."""
    cycle = state.cycle
    if cycle is None:
        return None
    level_mm = cycle.start_mm if cycle.start_mm is not None or cycle.rise_at_s is None else cycle.lowest_mm
    return None if level_mm is None else height(state, level_mm)


def _restart_levels(state: DetectorState, rows: list[list[float]]) -> None:
    surfaces.unshift(state.surface, rows)
    surfaces.restart(state.surface, rows)
    state.trend = Trend()
