"""What a jump of the level means: fed, lid set back a little off, or disturbed (stirred down, some taken, collapsed).

After `lid.py` has seen the surface land. Pure classification; the cycle is opened in `cycle.py`.
"""

from __future__ import annotations

from enum import StrEnum

from monitor.core.lid import Landing

START_BAND = 0.25  # a feeding may change the starting level by 15 %; the rest is foam and spread
COLLAPSE_MOST = 0.17  # stirring and partial collapse take 5 to 15 % of the level
LID_MOST_MM = 3.0  # lids are set back at most 2 mm off
HANDS_S = 150.0  # keeping, pouring and stirring takes minutes; a look does not
QUICKEST_CYCLE_H = 6.0  # nobody feeds again before the rise is over


class Meaning(StrEnum):
    """What a landing is."""

    FED = "fed"
    PERHAPS_FED = "perhaps_fed"
    LID = "lid"  # set back a little off: levels go on where they were
    DISTURBED = "disturbed"  # moved by hand, or collapsed on the way up: levels go on where they were
    COLLAPSED = "collapsed"  # the surface itself went down, near or after its top
    SAME = "same"


def meaning(landing: Landing, start_mm: float | None, hours: float, *, rising: bool) -> Meaning:
    """Classify a landing `hours` after the last feeding, whose starting level was `start_mm` (None: not known);
    `rising`: the level was clearly on its way up before. Levels are heights above the inside bottom.

    A feeding ends near the starting level. So can a collapse or a stirring of a weak starter: one that is still rising
    and loses no more than a collapse does is taken for that, unless hands were seen to be busy for minutes.
    """
    before, after = landing.before_mm, landing.after_mm
    jump = after - before
    near = start_mm is not None and abs(after / start_mm - 1.0) <= START_BAND
    if landing.gap:
        sunk = start_mm is not None and -jump > max(4.0, 4.0 * landing.sd_mm, 0.6 * (before - start_mm))
        return Meaning.FED if near and sunk else Meaning.SAME
    handled = landing.off_s >= HANDS_S
    long = near and hours >= QUICKEST_CYCLE_H and landing.off_s >= 2.0 * HANDS_S  # nobody looks for that long
    small = abs(jump) <= max(LID_MOST_MM, (2.0 if long else 3.0) * landing.sd_mm)
    if hours < 1.0:  # stirring, scraping down and settling right after a feeding belong to it
        return Meaning.LID if small else Meaning.DISTURBED
    if small:
        return Meaning.LID if landing.off_s > 0.0 else Meaning.SAME
    if jump > 0.0:  # nothing but a spoon raises the level at once; a sudden start of the rise looks like it, though
        if near and (landing.off_s > 0.0 or hours >= QUICKEST_CYCLE_H):
            return Meaning.FED
        return Meaning.SAME if landing.within else Meaning.DISTURBED
    drop = -jump / before if before > 0.0 else 0.0
    if start_mm is None:
        if drop > COLLAPSE_MOST or handled:
            return Meaning.FED
    elif near and (handled or not rising or drop > COLLAPSE_MOST):
        return Meaning.FED
    if drop > 2.0 * COLLAPSE_MOST:
        return Meaning.PERHAPS_FED
    return Meaning.DISTURBED if rising or landing.off_s > 0.0 else Meaning.COLLAPSED


def places(start_mm: float | None, before_mm: float) -> tuple[float, float]:
    """Where a surface may be after a jump from `before_mm`: about the starting level, below, or a lid's offset higher.
    Elsewhere the sensor looks at a hand, a table or the bare bottom."""
    if start_mm is None:
        return 0.25 * before_mm, before_mm + 2.0 * LID_MOST_MM
    return 0.6 * start_mm, max(before_mm + 2.0 * LID_MOST_MM, (1.0 + START_BAND) * start_mm)
