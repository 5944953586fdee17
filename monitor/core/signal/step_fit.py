"""How large a step lies between two neighbouring blocks: an estimate with its spread, which `surface.py` asks for and
gets as a `LevelShift`.

Generalised least squares of level = a + b t + c [t >= t0] with the errors that this jar has shown: white noise, divided
by the readings of a block, and the surface's wander as an Ornstein-Uhlenbeck process. A Kalman filter's innovations
make the rows independent of each other (augmented Kalman filter: Rosenberg 1973, Ann. Econ. Soc. Meas. 2:399; de Jong
1991, Ann. Stat. 19:1073), so that n rows cost n steps and no matrix. The slope is the same before and after the step,
so a steep rise is not taken for one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate
from math import exp, sqrt

from monitor.core.signal.block import LevelBlock
from monitor.core.signal.noise import Noise, least_jump_mm, rounding_mm2, spreads
from monitor.core.signal.trend import Trend, line

# spreads: more than for a step at a known place, as one that may lie anywhere is searched for at each block
STEP_SD = 5.5
SUSPICIOUS_SDS = 3.0  # from here on the costly look is worth it
STEP_BACK_S = 2400.0  # what lies further back says little about the level now, as a rise bends
STEP_BACK_LEAST, STEP_BACK_MOST = 10, 30  # blocks
SINKING_MM_PER_MIN = 0.07  # spread of how fast starters sink: 4 mm an hour. A rise counts with the slope that is seen.
STEP_BLOCKS = (2, 3, 5, 8, 12)  # a step may lie this many blocks back, half an octave apart


@dataclass(slots=True)
class LevelShift:
    """The surface is back after it was away or jumped: the levels before and after (mm) with the spread of the step,
    when it left and came back, for how long it was seen to be away (0: not seen), and whether a silence lies
    between."""

    before_mm: float
    after_mm: float
    sd_mm: float
    left_s: float
    back_s: float
    off_s: float
    gap: bool
    within: int = 0  # for a step inside the gate: how many blocks after it had already been released
    strange: bool = True  # readings came meanwhile, but showed no surface; False: nothing came
    lone: bool = False  # only one block showed none
    lone_n: float = 0.0  # how many lone blocks and short silences there were before, fading within a day
    passing: bool = False  # the surface was seen between the two levels, on its way
    spacing_s: float = 60.0
    sure: bool = True  # far beyond noise, wherever it lies


def step(
    before: Sequence[LevelBlock], after: Sequence[LevelBlock], noise: Noise, slope_sd: float
) -> tuple[float, float, float]:
    """(level just before the step mm, size of the step mm, its spread mm), from at least one block on either side.
    `slope_sd` is the prior spread of the slope about 0, mm a minute. Source: see the module."""
    middle_s, origin_mm = after[0].time_s, before[-1].level_mm
    wander, tau_s, white = max(noise.wander_mm2, 1e-6), noise.tau_min * 60.0, noise.white_mm2
    # normal equations of (1, t, step), and the slope's prior
    a11 = a12 = a13 = a23 = a33 = r1 = r2 = r3 = 0.0
    a22 = 1.0 / slope_sd**2
    variance, last_s = wander, before[0].time_s
    my = m1 = mt = ms = 0.0
    jumped = 0.0
    for rows in (before, after):
        for block in rows:
            time_s, level_mm, n = block.time_s, block.level_mm, block.n
            keep = exp((last_s - time_s) / tau_s)
            last_s = time_s
            variance = wander + keep * keep * (variance - wander)
            my, m1, mt, ms = keep * my, keep * m1, keep * mt, keep * ms
            total = variance + white / n
            t = (time_s - middle_s) / 60.0
            vy, v1, vt, vs = level_mm - origin_mm - my, 1.0 - m1, t - mt, jumped - ms
            gain = variance / total
            my += gain * vy
            m1 += gain * v1
            mt += gain * vt
            ms += gain * vs
            variance -= gain * variance
            w1, wt, ws = v1 / total, vt / total, vs / total
            a11 += w1 * v1
            a12 += w1 * vt
            a13 += w1 * vs
            a22 += wt * vt
            a23 += wt * vs
            a33 += ws * vs
            r1 += w1 * vy
            r2 += wt * vy
            r3 += ws * vy
        jumped = 1.0
    # solve for the step and its variance: the slope and the level are eliminated first
    b22, b23, q2 = a22 - a12 * a12 / a11, a23 - a12 * a13 / a11, r2 - a12 * r1 / a11
    b33, q3 = a33 - a13 * a13 / a11, r3 - a13 * r1 / a11
    c33 = max(b33 - b23 * b23 / b22, 1e-12)
    size = (q3 - b23 * q2 / b22) / c33
    slope = (q2 - b23 * size) / b22
    level = (r1 - a12 * slope - a13 * size) / a11
    return origin_mm + level, size, sqrt(1.0 / c33 + 2.0 * rounding_mm2(noise))


def suspicious(rows: list[LevelBlock], noise: Noise) -> int:
    """A cheap look before `step`: for how many of the latest blocks the mean differs from that of as many blocks before
    (three at least) by more than noise; 0 where it does not."""
    sums = list(accumulate([row.level_mm for row in rows[-2 * STEP_BLOCKS[-1] :]], initial=0.0))
    last = len(sums) - 1
    for k in STEP_BLOCKS:
        m = max(k, 3)
        if k + m > last:
            break
        off = (sums[last] - sums[last - k]) / k - (sums[last - k] - sums[last - k - m]) / m
        if abs(off) > least_jump_mm(noise):
            spread = sqrt(noise.white_mm2 * (1.0 / k + 1.0 / m) / rows[-1].n + noise.wander_mm2)
            if abs(off) > SUSPICIOUS_SDS * spread:
                return k
    return 0


def nearby(rows: list[LevelBlock], k: int) -> float:
    """By how much the first three of the latest `k` blocks stand above the three before them (mm). A real step shows
    there in full; where a rise bends into its top, only the means from further off differ."""
    late, early = rows[-k:][:3], rows[-k - 3 : -k]
    return sum([row.level_mm for row in late]) / len(late) - sum([row.level_mm for row in early]) / len(early)


def between(rows: list[LevelBlock], k: int, noise: Noise, trend: Trend, spacing_s: float, off_s: float) -> LevelShift:
    """The step before the latest `k` blocks of `rows`, as a level shift. `off_s` is for how long the surface was
    away."""
    late = rows[-k:]
    back_s = max(STEP_BACK_S, STEP_BACK_LEAST * spacing_s)
    early = [row for row in rows[-k - STEP_BACK_MOST : -k] if late[0].time_s - row.time_s <= back_s]
    if len(early) < 3:
        early = rows[-k - 3 : -k]
    fitted = line(trend)
    slope_sd = max(SINKING_MM_PER_MIN, 2.0 * fitted[1] if fitted else 0.0)
    before, size, sd = step(early, late, noise, slope_sd)
    sure = abs(size) > max(least_jump_mm(noise) + 1.0, spreads(noise, STEP_SD) * sd)
    return LevelShift(
        before,
        before + size,
        sd,
        early[-1].time_s,
        late[0].time_s,
        off_s,
        False,
        k,
        False,
        spacing_s=spacing_s,
        sure=sure,
    )
