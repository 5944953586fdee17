"""What a jump of the level means: fed, lid set back a little off, or disturbed (stirred down, some taken, collapsed).

After `surface.py` has seen the surface land. Pure classification; the cycle is opened in `cycle.py`.

Whether it was a feeding is asked by Bayes' rule: how often each explanation comes about in a kitchen, how long hands
are busy with it, and where it leaves the surface. A feeding ends near the starting level; a lid goes back a millimetre
or two off; a burst of wild readings or a silence moves nothing. Rates, times and sizes are common kitchen practice and
what ranging sensors do (no published source): only their orders of magnitude matter.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from math import erf, exp, log, pi, sqrt

from monitor.core.signal.step_fit import Landing
from monitor.values import DAY_S

START_BAND = 0.25  # a feeding may change the starting level by 15 %; the rest is foam and spread
COLLAPSE_MOST = 0.17  # stirring and partial collapse take 5 to 15 % of the level
LITTLE = 0.6  # of the starting level: more was taken out than put in
LID_MOST_MM = 3.0  # lids are set back at most 2 mm off
LID_SD_MM = 1.3

# times a day; minutes that hands are busy: (median, spread of its logarithm)
FED_SEEN, FED_HOLE, FED_UNSEEN = 0.6, 0.3, 0.15  # surface seen to be away; nothing came; hands too quick to be seen
LOOK_SEEN, LOOK_HOLE = 0.3, 0.05
BURST, HOLE = 0.5, 0.3  # wild readings for minutes; a link or a power supply that fails for minutes to hours
WILD = 0.5  # a lone reading that is no surface, beside those that this sensor has shown
COLLAPSE = 0.3  # a foam that gives way within minutes
FED_MIN, LOOK_MIN = (5.0, 0.6), (1.0, 0.7)  # keep, pour and stir; a look
BURST_MOST_MIN = 15.0
HOLE_DECADES = log(60.0)  # from 3 min to 3 h, any length alike on a logarithmic scale
STIRRED = 0.02  # of looks: the spoon moved the level
# share, and spread of the starting level from one feeding to the next
SAME_FEED, OTHER_FEED = (0.80, 0.07), (0.15, 0.20)
ANY_FEED = 0.05
SLOW_S = 240.0  # sampling slower than this does not see the lid off
SOON_H, SOON_ODDS = 4.0, 0.1  # who feeds a jar that was just fed, or still rises?
SUNK_GIVES_WAY = 0.25  # a foam collapses at or before its top; one that has sunk holds little gas
RAISED_ODDS = 0.05  # more put in than there was: seldom, unless the starting level says so
SUNK_ODDS = 2.0  # most feed it when it has sunk
FED_ODDS = 2.0  # a feeding seen wrongly ends the watch for this fall; one seen late costs hours: twice as bad
SUNK_PER_H = 0.2  # of its rise an hour: no foam sinks faster, save that it gives way
GIVES_WAY = 0.12
FROZEN_H = 0.5  # so late a frozen sensor may be found to be one


class Meaning(StrEnum):
    """What a landing is."""

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
    start_sure: bool  # else only the lowest seen: the watch began on the way up
    highest_mm: float | None
    hours: float  # since the feeding
    rising: bool  # the level was clearly on its way up
    fallen: bool = False  # the fall has been decided


def meaning(landing: Landing, was: Before) -> Meaning:
    """Classify a landing, its levels given as heights above the inside bottom."""
    if landing.gap:
        return Meaning.FED if _fed_in_gap(landing, was) else Meaning.SAME
    before, after = landing.before_mm, landing.after_mm
    jump = after - before
    handled = landing.off_s > 0.0 and landing.strange
    small = lid_sized(landing)
    if was.hours < 1.0:  # stirring, scraping down and settling right after a feeding belong to it
        return (Meaning.LID if handled else Meaning.SAME) if small or landing.within else Meaning.DISTURBED
    if fed_odds(landing, was) > FED_ODDS:
        start = was.start_mm if was.start_sure else None
        return Meaning.PERHAPS_FED if start is not None and after < LITTLE * start else Meaning.FED
    if small or (landing.within and not landing.sure):
        return Meaning.LID if handled and (small or not landing.within) else Meaning.SAME
    if jump > 0.0:  # nothing but a spoon raises the level at once; a sudden start of the rise looks like it, though
        return Meaning.DISTURBED if handled else Meaning.SAME
    if -jump > 2.0 * COLLAPSE_MOST * before > 0.0:
        return Meaning.PERHAPS_FED
    return Meaning.DISTURBED if was.rising or handled else Meaning.COLLAPSED


def lid_sized(landing: Landing) -> bool:
    """Whether a lid that sits differently explains the jump, as well as it is known."""
    return abs(landing.after_mm - landing.before_mm) <= max(LID_MOST_MM, 3.0 * landing.sd_mm)


def fed_odds(landing: Landing, was: Before) -> float:
    """Odds of a feeding against everything else that could have left this step (not after a long silence)."""
    if landing.passing:  # a surface that was seen sinking was not poured away
        return 0.0
    fed, look, other = _explained(landing, was)
    return fed / max(look + other, 1e-30)


def look_share(landing: Landing, was: Before) -> float:
    """Chance that the lid was lifted and set back, against wild readings and holes that move nothing."""
    _, look, other = _explained(landing, was)
    return look / max(look + other, 1e-30)


def _explained(landing: Landing, was: Before) -> tuple[float, float, float]:
    """How often a step like this comes about by a feeding, by a look, and by anything else; only the ratios count."""
    before, after = landing.before_mm, landing.after_mm
    jump, sd, minutes = after - before, landing.sd_mm, landing.off_s / 60.0
    room = max(before, 10.0)
    giving_way = 1.0 / (COLLAPSE_MOST * room) if -COLLAPSE_MOST * room < jump < 0.0 else 0.01 / room
    if was.fallen:
        giving_way *= SUNK_GIVES_WAY
    nothing, look = _normal(jump, sqrt(sd * sd + 0.1)), _normal(jump, sqrt(sd * sd + LID_SD_MM**2))
    if minutes <= 0.0:
        days = max(landing.spacing_s, 60.0) / DAY_S
        fed = (1.0 if landing.spacing_s > SLOW_S else FED_UNSEEN) * days * (RAISED_ODDS if jump > 0.0 else 1.0)
        looked, other = 0.0, nothing + COLLAPSE * days * giving_way
    else:
        gave_way = COLLAPSE * max(minutes, landing.spacing_s / 60.0) / 1440.0
        nothing, look = nothing + gave_way * giving_way, (1.0 - STIRRED) * look + STIRRED * giving_way
        if not landing.strange:
            fed = FED_HOLE * _busy(minutes, FED_MIN)
            looked = LOOK_HOLE * _busy(minutes, LOOK_MIN) * look
            other = (HOLE + landing.lone_n) / (HOLE_DECADES * minutes) * nothing
        elif landing.lone:  # how long it was away is not known, only that it was less than twice the spacing
            most = landing.spacing_s / 30.0
            fed = FED_UNSEEN + FED_SEEN * _within(most, FED_MIN)
            looked, other = LOOK_SEEN * _within(most, LOOK_MIN) * look, (WILD + landing.lone_n) * nothing
        else:
            fed = FED_SEEN * _busy(minutes, FED_MIN)
            looked, other = LOOK_SEEN * _busy(minutes, LOOK_MIN) * look, BURST / BURST_MOST_MIN * nothing
    if was.rising or was.hours < SOON_H:
        fed *= SOON_ODDS
    elif was.fallen:
        fed *= SUNK_ODDS
    return fed * _lands(after, before, was, sd), looked, other


def _lands(after: float, before: float, was: Before, sd: float) -> float:
    """How densely (1/mm) feedings leave the surface at `after`."""
    start = was.start_mm
    if start is None or start <= 0.0:
        share = 1.0 if after < before else RAISED_ODDS
        return share / before if 0.25 * before < after < 1.35 * before else 0.0
    out = ANY_FEED / (1.5 * before) if after < 1.5 * before else 0.0
    if not was.start_sure:
        return out + (1.2 / start if 0.4 * start < after < 1.2 * start else 0.0)
    for share, spread in (SAME_FEED, OTHER_FEED):
        out += share * _normal(after - start, sqrt(sd * sd + (spread * start) ** 2))
    return out


def _normal(x: float, sd: float) -> float:
    return exp(-0.5 * min((x / sd) ** 2, 120.0)) / (sqrt(2.0 * pi) * sd)


def _busy(minutes: float, usual: tuple[float, float]) -> float:
    """Density (1/min) of a log-normal length of time."""
    minutes = max(minutes, 0.2)
    return _normal(log(minutes / usual[0]), usual[1]) / minutes


def _within(minutes: float, usual: tuple[float, float]) -> float:
    """Share of a log-normal length of time below `minutes`."""
    return 0.5 * (1.0 + erf(log(minutes / usual[0]) / (usual[1] * sqrt(2.0))))


def _fed_in_gap(landing: Landing, was: Before) -> bool:
    """Whether the level went down more during a long silence than a foam sinks in that time."""
    hours = (landing.back_s - landing.left_s) / 3600.0 + FROZEN_H
    drop = landing.before_mm - landing.after_mm
    if drop <= max(LID_MOST_MM + 1.0, 4.0 * landing.sd_mm):
        return False
    start = was.start_mm
    if start is None:
        return drop > (COLLAPSE_MOST + 0.5 * SUNK_PER_H * hours) * landing.before_mm
    risen = max(landing.before_mm, was.highest_mm or 0.0) - start
    near = abs(landing.after_mm / start - 1.0) <= START_BAND
    if near and drop > 0.6 * (landing.before_mm - start) and hours < 0.4 / SUNK_PER_H:
        return True
    return drop > (GIVES_WAY + SUNK_PER_H * hours) * risen + 3.0 * landing.sd_mm


def plausible_heights(start_mm: float | None, before_mm: float) -> tuple[float, float]:
    """Where a surface may be after a jump from `before_mm`: about the starting level, below, or a lid's offset higher.
    Elsewhere the sensor looks at a hand, a table or the bare bottom."""
    high_mm = max(before_mm + 2.0 * LID_MOST_MM, (1.0 + START_BAND) * max(before_mm, start_mm or 0.0))
    return 0.25 * before_mm if start_mm is None else 0.6 * start_mm, high_mm
