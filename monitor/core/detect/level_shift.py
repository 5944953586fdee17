"""What caused a level shift: a feeding, a lid set back, a disturbance, or nothing at all. `surface.py` finds the
shift; `cause_of` (pure) names its cause, and `take_in` does what follows from it.

Whether it was a feeding is decided by Bayes' rule, from how often each cause occurs in a kitchen, how long it takes,
and where it leaves the surface. A feeding ends near the starting level; a lid goes back a millimetre or two off; a
burst of wild readings or a silence moves nothing. Rates, times and sizes are common kitchen practice and what ranging
sensors do (no published source): only their orders of magnitude matter.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from math import erf, exp, log, pi, sqrt

from monitor.core.detect import surface as surfaces
from monitor.core.detect.cycle import OPENINGS_MOST, OpenCycle, Opening
from monitor.core.detect.rise_and_fall import event, height, levels, open_cycle
from monitor.core.detect.state import DetectorState
from monitor.core.detect.superseded import SAME_FEEDING_S, was_none
from monitor.core.signal.bins import BinSeries
from monitor.core.signal.block import LevelBlock
from monitor.core.signal.change_point import ScanMaxima
from monitor.core.signal.step_fit import STEP_BLOCKS, LevelShift
from monitor.core.signal.trend import Trend, line
from monitor.core.vessel.level import LID_SD_MM
from monitor.settings import JarSettings
from monitor.values import DAY_S, Event, EventKind, Json

START_BAND = 0.25  # a feeding may change the starting level by 15 %; the rest is foam and spread
COLLAPSE_MOST = 0.17  # stirring and partial collapse take 5 to 15 % of the level
LITTLE = 0.6  # of the starting level: more was taken out than put in
LID_MOST_MM = 3.0  # lids are set back at most 2 mm off
LID_SDS = 3.0  # beyond that, noise alone explains a jump in 1 of 370

# times a day; minutes that hands are busy: (median, spread of its logarithm)
# FED_SEEN: the surface was seen to be away; FED_HOLE: nothing came meanwhile; FED_UNSEEN: hands too quick to be seen
FED_SEEN, FED_HOLE, FED_UNSEEN = 0.6, 0.3, 0.15
LOOK_SEEN, LOOK_HOLE = 0.3, 0.05
BURST, HOLE = 0.5, 0.3  # wild readings for minutes; a link or a power supply that fails for minutes to hours
WILD = 0.5  # a lone reading that is no surface, beside those that this sensor has shown
COLLAPSE = 0.3  # a foam that gives way within minutes
FED_MIN, LOOK_MIN = (5.0, 0.6), (1.0, 0.7)  # keep, pour and stir; a look
BUSY_LEAST_MIN = 0.2  # nobody is quicker, and a log-normal length of nothing has no density
BURST_MOST_MIN = 15.0
MINUTES_A_DAY = DAY_S / 60.0
HOLE_DECADES = log(60.0)  # from 3 min to 3 h, any length alike on a logarithmic scale
STIRRED = 0.02  # of looks: the spoon moved the level
# share of feedings like the last one, and of others, each with the spread of the starting level from one to the next
SAME_FEED, OTHER_FEED = (0.80, 0.07), (0.15, 0.20)
ANY_FEED, ANY_IN_HOLE = 0.05, 0.01  # share that ends anywhere else; a hole in the readings may as well hide a collapse
ANY_MOST = 1.5  # times the level before: nobody fills a jar further
ROOM_BEFORE = (0.25, 1.35)  # where feedings end, in levels before, while the starting level is not known
# the same in starting levels while only the lowest level seen stands for it, which a rise may have lifted already; and
# the density there, which leaves a twentieth for the rest
ROOM_START, ROOM_DENSITY = (0.4, 1.2), 1.2
SLOW_S = 240.0  # sampling slower than this does not see the lid off
SOON_H, SOON_ODDS = 4.0, 0.1  # few feed a jar that was just fed or is still rising
SUNK_GIVES_WAY = 0.25  # a foam collapses at or before its top; one that has sunk holds little gas
RAISED_ODDS = 0.05  # seldom is more put in than there was, unless the starting level says so
SUNK_ODDS = 2.0  # most people feed it once it has sunk
# A feeding that was none ends the watch for this fall; one that is seen late only costs hours. The first is twice as
# bad.
FED_ODDS = 2.0
SUNK_PER_H = 0.2  # of its rise an hour: no foam sinks faster, unless it gives way
GAP_SDS = 4.0  # a drop across a silence counts from here on: nothing else speaks for a feeding there
# It was fed if it lost BACK_DOWN of its rise in a silence so short that foam by itself loses less than QUICK_SHARE.
BACK_DOWN, QUICK_SHARE = 0.6, 0.4
GIVES_WAY = 0.12  # of its rise at once, during a silence: a partial collapse
BEYOND = 0.015  # of the level: every so much beyond COLLAPSE_MOST, collapses are rarer by a factor of e
ROOM_LEAST_MM = 10.0  # the least level that shares of it are counted from: thinner ones are mostly error
ANY_COLLAPSE = 0.01  # of collapses: they end anywhere else
JITTER_MM2 = 0.1  # no level is known better than to a third of a millimetre
SANK_SDS = 2.5  # it went down during a silence: asked for to be remembered, not to be decided
FROZEN_H = 0.5  # a frozen sensor may be found out this late

BARE_MM = 3.0  # no starter is kept thinner; rounding and noise of an empty jar reach it
HANDS_MOST_S = 900.0  # a feeding takes a quarter of an hour at most, and ends when the lid goes back on
LONG_AGO_H = 99.0  # stands for the hours since a feeding that nobody saw: longer than any rule below asks
LAG_S = 2700.0  # a fresh feeding that has not begun to rise is an hour and a half old at most
RISEN_MM = 4.0  # above the starting level: more than lid and mist do
RISING_MM_PER_MIN = 2.0 / 60.0  # slower than this is a top
PERHAPS_ODDS = 0.003  # kept in mind: should a later rise show a feeding, hands date it better than the lowest level
FAR_SDS2 = 120.0  # squared: further off the density would become zero, and odds 0 / 0
NEVER = 1e-30  # a density below all that can be: no division by zero
ANYWHERE_MM = (-1e9, -1e9, 1e9)  # no level is out of these bounds
QUESTION = "The level dropped. Did you feed it, stir it down or take some?"


class Cause(StrEnum):
    """What a level shift came from."""

    FED = "fed"
    PERHAPS_FED = "perhaps_fed"
    LID = "lid"  # set back a little off: levels go on where they were
    DISTURBED = "disturbed"  # moved by hand, or collapsed on the way up: levels go on where they were
    COLLAPSED = "collapsed"  # the surface itself went down, near or after its top
    SAME = "same"


@dataclass(frozen=True, slots=True)
class Before:
    """What was known of the cycle when the surface left. Levels are heights above the inside bottom, mm."""

    start_mm: float | None  # None: not known
    start_sure: bool  # False: only the lowest level seen, as watching began on the way up
    highest_mm: float | None
    hours: float  # since the feeding
    rising: bool  # the level was clearly on its way up
    fallen: bool = False  # the fall has been decided


# branches: one return a cause: their order is the argument
def cause_of(shift: LevelShift, was: Before) -> Cause:
    """The likeliest cause of a level shift, its levels given as heights above the inside bottom."""
    if shift.gap:
        return Cause.FED if _fed_in_gap(shift, was) else Cause.SAME
    before, after = shift.before_mm, shift.after_mm
    jump = after - before
    handled = shift.off_s > 0.0 and shift.strange
    small = lid_sized(shift)
    if was.hours < 1.0:  # stirring, scraping down and settling right after a feeding belong to it
        return (Cause.LID if handled else Cause.SAME) if small or shift.within else Cause.DISTURBED
    settled = abs(jump) <= LID_MOST_MM and shift.off_s > 0.0 and not shift.strange  # off after a loss of power
    if fed_odds(shift, was) > FED_ODDS and not settled:  # a feeding hidden in a loss of power is known by its rise
        start = was.start_mm if was.start_sure else None
        return Cause.PERHAPS_FED if start is not None and after < LITTLE * start else Cause.FED
    if small or (shift.within and not shift.sure):
        return Cause.LID if handled and (small or not shift.within) else Cause.SAME
    if jump > 0.0:  # nothing but a spoon raises the level at once; a sudden start of the rise looks like it, though
        return Cause.DISTURBED if handled else Cause.SAME
    if -jump > 2.0 * COLLAPSE_MOST * before > 0.0:
        return Cause.PERHAPS_FED
    return _moved(shift, was)


def _moved(shift: LevelShift, was: Before) -> Cause:
    """The cause of a step that is no feeding: a hand, a surface that gave way, or sinking during a silence."""
    if shift.gap:
        return Cause.SAME
    return Cause.DISTURBED if was.rising or (shift.off_s > 0.0 and shift.strange) else Cause.COLLAPSED


def lid_sized(shift: LevelShift) -> bool:
    """Whether a lid that sits differently explains the jump, given how well its size is known."""
    return abs(shift.after_mm - shift.before_mm) <= max(LID_MOST_MM, LID_SDS * shift.sd_mm)


def fed_odds(shift: LevelShift, was: Before) -> float:
    """Odds of a feeding against everything else that could have left this step. Not for steps across a long silence:
    `_fed_in_gap` judges those."""
    if shift.passing:  # a surface that was seen sinking was not poured away
        return 0.0
    fed, look, other = _explained(shift, was)
    return fed / max(look + other, NEVER)


def look_share(shift: LevelShift, was: Before) -> float:
    """Chance that the lid was lifted and set back, rather than wild readings or a hole, which move nothing."""
    _, look, other = _explained(shift, was)
    return look / max(look + other, NEVER)


def _explained(shift: LevelShift, was: Before) -> tuple[float, float, float]:
    """How often a step like this comes about by a feeding, by a look, and by anything else; only the ratios count."""
    before, after = shift.before_mm, shift.after_mm
    jump, sd, minutes = after - before, shift.sd_mm, shift.off_s / 60.0
    room = max(before, ROOM_LEAST_MM)
    giving_way = ANY_COLLAPSE / room
    if jump < 0.0:
        beyond = max(-jump / room - COLLAPSE_MOST, 0.0)
        giving_way = max(exp(-beyond / BEYOND) / (COLLAPSE_MOST * room), giving_way)
    if was.fallen:
        giving_way *= SUNK_GIVES_WAY
    nothing, look = _normal(jump, sqrt(sd * sd + JITTER_MM2)), _normal(jump, sqrt(sd * sd + LID_SD_MM**2))
    if minutes <= 0.0:
        days = max(shift.spacing_s, 60.0) / DAY_S
        fed = (1.0 if shift.spacing_s > SLOW_S else FED_UNSEEN) * days * (RAISED_ODDS if jump > 0.0 else 1.0)
        if shift.within:  # it was searched for at each length, so noise had that many tries (Bonferroni)
            nothing *= len(STEP_BLOCKS)
        looked, other = 0.0, nothing + COLLAPSE * days * giving_way
    else:
        gave_way = COLLAPSE * max(minutes, shift.spacing_s / 60.0) / MINUTES_A_DAY
        nothing, look = nothing + gave_way * giving_way, (1.0 - STIRRED) * look + STIRRED * giving_way
        if not shift.strange:
            fed = FED_HOLE * _busy(minutes, FED_MIN)
            looked = LOOK_HOLE * _busy(minutes, LOOK_MIN) * look
            other = (HOLE + shift.lone_n) / (HOLE_DECADES * minutes) * nothing
        elif shift.lone:  # how long it was away is not known, only that it was less than twice the spacing
            most = 2.0 * shift.spacing_s / 60.0
            fed = FED_UNSEEN + FED_SEEN * _within(most, FED_MIN)
            looked, other = LOOK_SEEN * _within(most, LOOK_MIN) * look, (WILD + shift.lone_n) * nothing
        else:
            fed = FED_SEEN * _busy(minutes, FED_MIN)
            looked, other = LOOK_SEEN * _busy(minutes, LOOK_MIN) * look, BURST / BURST_MOST_MIN * nothing
    if was.rising or was.hours < SOON_H:
        fed *= SOON_ODDS
    elif was.fallen:
        fed *= SUNK_ODDS
    any_feed = ANY_FEED if shift.strange or minutes <= 0.0 else ANY_IN_HOLE
    return fed * _feeding_density(after, before, was, sd, any_feed), looked, other


def _feeding_density(after: float, before: float, was: Before, sd: float, any_feed: float) -> float:
    """How densely (1/mm) feedings leave the surface at `after`."""
    start = was.start_mm
    if start is None or start <= 0.0:
        share = 1.0 if after < before else RAISED_ODDS
        return share / before if ROOM_BEFORE[0] * before < after < ROOM_BEFORE[1] * before else 0.0
    out = any_feed / (ANY_MOST * before) if after < ANY_MOST * before else 0.0
    if not was.start_sure:
        return out + (ROOM_DENSITY / start if ROOM_START[0] * start < after < ROOM_START[1] * start else 0.0)
    for share, spread in (SAME_FEED, OTHER_FEED):
        out += share * _normal(after - start, sqrt(sd * sd + (spread * start) ** 2))
    return out


def _normal(x: float, sd: float) -> float:
    return exp(-0.5 * min((x / sd) ** 2, FAR_SDS2)) / (sqrt(2.0 * pi) * sd)


def _busy(minutes: float, usual: tuple[float, float]) -> float:
    """Density (1/min) of a log-normal length of time."""
    minutes = max(minutes, BUSY_LEAST_MIN)
    return _normal(log(minutes / usual[0]), usual[1]) / minutes


def _within(minutes: float, usual: tuple[float, float]) -> float:
    """Share of a log-normal length of time below `minutes`."""
    return 0.5 * (1.0 + erf(log(minutes / usual[0]) / (usual[1] * sqrt(2.0))))


def _fed_in_gap(shift: LevelShift, was: Before) -> bool:
    """Whether the level went down more during a long silence than a foam sinks in that time."""
    hours = (shift.back_s - shift.left_s) / 3600.0 + FROZEN_H
    drop = shift.before_mm - shift.after_mm
    if drop <= max(LID_MOST_MM + 1.0, GAP_SDS * shift.sd_mm):
        return False
    start = was.start_mm
    if start is None:
        return drop > (COLLAPSE_MOST + 0.5 * SUNK_PER_H * hours) * shift.before_mm
    risen = max(shift.before_mm, was.highest_mm or 0.0) - start
    near = abs(shift.after_mm / start - 1.0) <= START_BAND
    if near and drop > BACK_DOWN * (shift.before_mm - start) and hours < QUICK_SHARE / SUNK_PER_H:
        return True
    return drop > (GIVES_WAY + SUNK_PER_H * hours) * risen + LID_SDS * shift.sd_mm


def plausible_heights(start_mm: float | None, before_mm: float) -> tuple[float, float]:
    """(lowest, highest) height at which a surface may be after a jump from `before_mm`, mm: from somewhat below the
    starting level to a lid's offset higher. Beyond, the sensor looks at a hand, a table or the bare bottom."""
    high_mm = max(before_mm + 2.0 * LID_MOST_MM, (1.0 + START_BAND) * max(before_mm, start_mm or 0.0))
    return ROOM_BEFORE[0] * before_mm if start_mm is None else LITTLE * start_mm, high_mm


# branches: what follows from a cause, in order; each line says for which causes
def take_in(state: DetectorState, shift: LevelShift, rows: list[LevelBlock], jar: JarSettings) -> list[Event]:
    """The surface is back: name the cause, make the events, and take in the levels since (`rows`)."""
    out: list[Event] = []
    if state.surface.lid_off:
        state.surface.lid_off = False
        out.append(event(state, EventKind.LID_ON, shift.back_s, {"off_s": shift.off_s}))
    if state.timers.is_away:
        state.timers.is_away = False
        out.append(event(state, EventKind.JAR_BACK, shift.back_s, {}))
    state.timers.away_since_s = None
    cycle = state.cycle
    assert cycle is not None
    if was_none(state.not_so, EventKind.LID_OFF, shift.left_s, shift.back_s):
        shift = replace(shift, off_s=0.0, strange=False, lone=False)
    if shift.within:
        rows = surfaces.withdraw(state.surface, shift.within)
    raw = state.surface.offset_mm  # a feeding is known by where the surface stands, however the lid sat before
    by_height = replace(
        shift, before_mm=height(state, shift.before_mm) - raw, after_mm=height(state, shift.after_mm) - raw
    )
    start = _start(state)
    if start is not None and cycle.start_mm is None:
        start = min(start, by_height.after_mm)  # begun on its way up: the starting level may have been lower
    hours = (shift.left_s - cycle.fed_at_s) / 3600.0 if cycle.from_start else LONG_AGO_H
    highest = None if cycle.peak_mm is None else height(state, cycle.peak_mm) - raw
    was = Before(start, cycle.start_mm is not None, highest, hours, _rising(state), cycle.fall_at_s is not None)
    what = cause_of(by_height, was)
    if what is not Cause.SAME and _reported_not_seen(cycle) and shift.left_s - cycle.fed_at_s < SAME_FEEDING_S:
        what = Cause.FED
    elif what in (Cause.FED, Cause.PERHAPS_FED) and was_none(state.not_so, EventKind.FED, shift.left_s, shift.back_s):
        what = _moved(by_height, was)
    evidence: dict[str, Json] = {
        "before_mm": round(shift.before_mm, 2),
        "after_mm": round(shift.after_mm, 2),
        "lid_off_s": round(shift.off_s),
        "sure": what is not Cause.PERHAPS_FED,
    }
    if what in (Cause.FED, Cause.PERHAPS_FED):
        out += _fed(state, shift, rows, start is not None and by_height.after_mm > start + RISEN_MM, evidence)
    elif not shift.gap:
        _note_hands(cycle, shift, fed_odds(by_height, was))
    sank_mm = shift.before_mm - shift.after_mm
    if shift.gap and what is Cause.SAME and sank_mm > max(LID_MOST_MM, SANK_SDS * shift.sd_mm):
        cycle.sank_unseen_s, cycle.unseen_s = shift.back_s, shift.back_s - shift.left_s
    if what in (Cause.LID, Cause.DISTURBED, Cause.COLLAPSED):
        cycle.stirred = cycle.stirred or what is Cause.DISTURBED
        if what is not Cause.COLLAPSED:
            a_lid = what is Cause.LID and lid_sized(shift)
            surfaces.rezero(state.surface, shift, rows, look_share(by_height, was) if a_lid else None)
        if what is not Cause.LID:
            out.append(event(state, EventKind.DISTURBED, shift.back_s, evidence))
    if what is Cause.COLLAPSED or (what is Cause.SAME and not shift.within):
        surfaces.restart(state.surface, rows)
    elif what not in (Cause.FED, Cause.PERHAPS_FED):
        surfaces.accept(state.surface, rows)
    if shift.within and what not in (Cause.FED, Cause.PERHAPS_FED):
        rows = rows[-1:]  # the others were taken in before the step was seen
    return out + levels(state, rows, jar)


def _note_hands(cycle: OpenCycle, shift: LevelShift, odds: float) -> None:
    """Remember that hands were, or may have been, at the jar: a later rise may show that it was fed then. Where the
    surface was seen to be away, the jar was opened, however well a mere look explains it; elsewhere the step must have
    looked at least a little like a feeding."""
    at_s = shift.back_s - min(shift.off_s, HANDS_MOST_S)
    if shift.off_s > 0.0:
        known = [one for one in cycle.openings if abs(one.time_s - at_s) > HANDS_MOST_S]  # a hole is looked at twice
        cycle.openings = [*known, Opening(at_s, odds)][-OPENINGS_MOST:]
    if odds > max(PERHAPS_ODDS, cycle.handled_odds):
        cycle.handled_at_s, cycle.handled_odds = at_s, odds


def _fed(
    state: DetectorState, shift: LevelShift, rows: list[LevelBlock], risen: bool, evidence: dict[str, Json]
) -> list[Event]:
    """A feeding was seen: either the one that was reported shortly before, or a new one, which begins a cycle.
    `risen`: the level already stands above the starting level."""
    cycle = state.cycle
    assert cycle is not None
    _restart_levels(state, rows)
    if cycle.told and shift.left_s - cycle.fed_at_s < SAME_FEEDING_S:
        cycle.back_s, cycle.start_mm, cycle.start_levels, cycle.lowest_mm = shift.back_s, None, [], None
        state.series, state.scan, state.learnt_bins, state.curve_filter = BinSeries(), ScanMaxima(), 0, None
        return []
    if shift.off_s > 0.0 and not shift.gap:
        since_s = min(shift.off_s, HANDS_MOST_S)
    else:  # somewhere within a silence: not long ago if it has not risen since
        half_s = (shift.back_s - shift.left_s) / 2
        since_s = half_s if risen else min(half_s, LAG_S)
    fed_at_s = shift.back_s - since_s
    open_cycle(state, fed_at_s, shift.back_s, from_start=True, sure=evidence["sure"] is True)
    if not evidence["sure"]:
        state.question = QUESTION
    return [event(state, EventKind.FED, fed_at_s, evidence)]


def _reported_not_seen(cycle: OpenCycle) -> bool:
    """Whether the cycle began with a report, and hands have not been seen at the jar since: the next shift is that
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
        return ANYWHERE_MM
    bottom = (state.bottom_mm or 0.0) + state.surface.offset_mm
    start = None if state.cycle is None or state.cycle.start_mm is None else height(state, state.cycle.start_mm)
    low, high = plausible_heights(start, before - bottom)
    return bare_mm(state), low + bottom, high + bottom


def _start(state: DetectorState) -> float | None:
    """The starting level as a height, mm; in a cycle that was joined in its middle, the lowest level before its
    rise."""
    cycle = state.cycle
    if cycle is None:
        return None
    level_mm = cycle.start_mm if cycle.start_mm is not None or cycle.rise_at_s is None else cycle.lowest_mm
    return None if level_mm is None else height(state, level_mm)


def _restart_levels(state: DetectorState, rows: list[LevelBlock]) -> None:
    surfaces.unshift(state.surface, rows)
    surfaces.restart(state.surface, rows)
    state.trend = Trend()
