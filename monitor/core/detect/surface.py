"""What neighbouring minutes show: wild minutes, the lid off and on again, a level that jumped, no surface at all.

Between `block.py` and `bins.py`: blocks that belong to the surface are released in order, the others are dropped or
held until it is clear what happened (about 5 min, or two readings). What a jump means is said in `level_shift.py`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from enum import StrEnum
from itertools import pairwise
from math import exp, hypot, sqrt

from monitor.core.signal.block import MINUTE_S, HeldBlock, LevelBlock
from monitor.core.signal.noise import Noise, least_jump_mm
from monitor.core.signal.step_fit import LevelShift, between, nearby, suspicious
from monitor.core.signal.trend import Trend, line
from monitor.core.vessel.level import LID_SD_MM
from monitor.values import DAY_S

SETTLE_S = 300.0  # a surface at its new place for this long stays there; hands and lids are gone by then
OFF_LEAST_S = 90.0  # shorter absences are wild readings, not a lid
GAP_S = 1800.0  # after a longer silence the old level says little: begin again without calling it a jump
GAP_SPACINGS = 3.0  # and never before two readings in a row are missing
AWAY_S = 1800.0  # no surface for this long: no jar there
GATE_SD = 5.0  # a block further off than this is no noise (once in 2 million)
OFFSET_MOST_MM = 40.0  # more than hands and collapses together move a surface in a cycle
STEPPING_SD = 3.0  # by noise alone once in 700 bins, and it only holds a fall back for two readings: so little is asked
BRIDGE_S = 720.0  # the level before is the mean of the blocks within 12 min
HELD_MOST = 32  # half an hour of minutes
PERSIST_S = 2700.0  # a surface where none is expected is believed after 45 min: hands, tables and lids are gone by then
STEP_LEAST = 5  # blocks: three before the step and two after it
STEP_SEEN_S, STEP_SEEN_SPACINGS = 900.0, 2.2  # a step that does not show by then, or within two blocks, is not one
STEP_SDS, STEP_NEAR = 3.5, 0.5  # beyond noise; and half of it must show in the first blocks, or the slope only bends
LATE_S = (1.0 * SETTLE_S, 3.0 * SETTLE_S)  # so long after a hole in the blocks it is judged: twice, then no more
# Where nothing came at all, the power may have been away: a ranging sensor warms up for half an hour after that and is
# some mm off at first (Caroleo 2026, PMC12986679). A jump of that size is looked at when most of it would be over.
WARM_S, WARM_UP_MOST_MM = 900.0, 8.0
LEFT_SD_MM = 1.0  # what is left of that by then, one standard deviation
RECENT_MOST = 40  # blocks: what a step is looked for in (STEP_BACK_MOST), and what may lie after it
GAP_BLOCKS = 6  # the level before a long silence is the mean of the last few minutes
SLOPE_HOLDS_MIN, SLOPE_OFF = 30.0, 0.4  # a slope is followed no further than this; by then it is off by this share
# Devices do not keep their interval exactly. A hole is there when most of one interval is missing, a silence when half
# of another is; and a wait for one more reading lasts a fifth longer than an interval.
HOLE_SPACINGS, SILENT_SPACINGS, WAIT_SPACINGS = 0.8, 1.5, 1.2


@dataclass(slots=True)
class Surface:
    """What is remembered of the surface. `recent` are the latest accepted blocks, `held` those not judged yet; the
    levels of both are already moved by `offset_mm` (by how much the lid sits differently since the feeding)."""

    recent: list[LevelBlock] = field(default_factory=list)
    held: list[HeldBlock] = field(default_factory=list)
    out_since_s: float | None = None
    odd_n: int = 0
    strange_n: int = 0  # of these: no surface at all, or one where none can be
    strange_s: tuple[float, float] = (0.0, 0.0)  # the first of these, and the last
    gap: bool = False
    place_mm: float | None = None  # where a surface was seen while out, and since when
    place_since_s: float = 0.0
    hole_s: float | None = None  # the latest hole in the accepted blocks ended here, after so long
    hole_off_s: float = 0.0
    hole_strange: bool = False  # no surface was seen in it
    hole_looked: int = 0
    lone_n: float = 0.0  # how many holes and lone wild blocks there were, fading within a day; when the latest was
    lone_s: float = 0.0
    lid_off: bool = False
    offset_mm: float = 0.0
    offset_var_mm2: float = 0.0


class Where(StrEnum):
    """Where the surface is, as far as it is known."""

    UNSEEN = "unseen"  # no block with a surface yet
    FOLLOWED = "followed"
    OUT = "out"  # blocks that do not fit are held until it is clear what happened
    LID_OFF = "lid_off"
    NO_JAR = "no_jar"


# where it was -> {where it may be next: what brings it there}; `tests/core/test_surface_moves.py` allows no other move
MOVES: dict[Where, dict[Where, str]] = {
    Where.UNSEEN: {
        Where.FOLLOWED: "a first block with a surface",
        Where.NO_JAR: "the person says that the jar is away",
    },
    Where.FOLLOWED: {
        Where.OUT: "a block that does not fit, or the first one after a long silence",
        Where.NO_JAR: "the person says that the jar is away",
        Where.UNSEEN: "a new run begins",
    },
    Where.OUT: {
        Where.FOLLOWED: "one wild block and back, or a surface that stays where it is for SETTLE_S",
        Where.LID_OFF: "no surface for OFF_LEAST_S",
        Where.NO_JAR: "no surface for AWAY_S, or the person says so",
        Where.UNSEEN: "a new run begins",
    },
    Where.LID_OFF: {
        Where.FOLLOWED: "a surface that stays where it is for SETTLE_S: the lid is back on",
        Where.NO_JAR: "no surface for AWAY_S, or the person says so",
        Where.UNSEEN: "a new run begins",
    },
    Where.NO_JAR: {
        Where.FOLLOWED: "a surface that stays where it is for SETTLE_S, or the person says that the jar is back",
        Where.OUT: "the person says that the jar is back, and no surface is seen yet",
        Where.LID_OFF: "the same, with the lid off before",
        Where.UNSEEN: "a new run begins",
    },
}


def where(surface: Surface, is_away: bool) -> Where:
    """Where the surface is; `is_away`: no jar there, by the readings or because the person said so."""
    if is_away:
        return Where.NO_JAR
    if surface.lid_off:
        return Where.LID_OFF
    if surface.out_since_s is not None:
        return Where.OUT
    return Where.FOLLOWED if surface.recent else Where.UNSEEN


def expected(surface: Surface, trend: Trend, noise: Noise, time_s: float) -> tuple[float, float] | None:
    """(level expected at `time_s` mm, its variance mm2) from the latest accepted blocks; None before any."""
    if not surface.recent:
        return None
    total = weight = moment = 0.0
    oldest = min(surface.recent[-1].time_s - BRIDGE_S, surface.recent[-3:][0].time_s)  # three blocks at least
    for block in reversed(surface.recent):
        if block.time_s < oldest:
            break
        weight += block.n
        total += block.n * block.level_mm
        moment += block.n * block.time_s
    fitted = line(trend)
    slope = fitted[1] if fitted else 0.0
    minutes = (time_s - moment / weight) / 60.0
    drift = SLOPE_OFF * abs(slope) * minutes
    return total / weight + slope * min(minutes, SLOPE_HOLDS_MIN), noise.white_mm2 / weight + drift * drift


# branches: the moves of MOVES, in the order in which a block decides them
def observe(
    surface: Surface,
    time_s: float,
    level_mm: float | None,
    n: int,
    bad_n: int,
    noise: Noise,
    trend: Trend,
    spacing_s: float,
    plausible_levels: Callable[[], tuple[float, float, float]],
) -> tuple[list[LevelBlock], LevelShift | None]:
    """Take in one block; returns the blocks that it releases, and a LevelShift when the surface is back after it was
    away or jumped.

    `plausible_levels()` gives three levels (mm): a surface is always above the first, and after a jump between the
    second and the third. A LevelShift comes SETTLE_S after the surface is back, or with its second reading where they
    come more slowly; PERSIST_S for a surface outside of these levels.
    """
    now = expected(surface, trend, noise, time_s)
    if now is None:
        if level_mm is None or bad_n > n:
            return [], None
        first = LevelBlock(time_s, level_mm, float(n))
        surface.recent.append(first)
        return [first], None
    level, variance = now
    silent_s = time_s - (surface.held[-1].time_s if surface.held else surface.recent[-1].time_s)
    if silent_s > max(GAP_S, GAP_SPACINGS * spacing_s) and surface.out_since_s is None:
        surface.out_since_s, surface.gap = time_s, True
    seen_mm = level_mm if bad_n <= n else None
    gate = max(least_jump_mm(noise), GATE_SD * sqrt(noise.white_mm2 / max(n, 1) + noise.wander_mm2 + variance))
    inside = seen_mm is not None and abs(seen_mm - level) <= gate
    if surface.out_since_s is None and seen_mm is not None and inside:
        row = LevelBlock(time_s, seen_mm, float(n))
        hole_s = time_s - surface.recent[-1].time_s - spacing_s
        if hole_s >= OFF_LEAST_S and hole_s > HOLE_SPACINGS * spacing_s:
            _hole(surface, time_s, hole_s, strange=False)
        _remember(surface, row)
        found = _step(surface, noise, trend, spacing_s)
        return ([], found) if found else ([row], None)
    if surface.out_since_s is None:
        surface.out_since_s = time_s
    places_mm = plausible_levels()
    if not inside:
        surface.odd_n += 1
        if seen_mm is None or not places_mm[1] <= seen_mm <= places_mm[2]:
            surface.strange_n += 1
            surface.strange_s = (surface.strange_s[0] if surface.strange_n > 1 else time_s, time_s)
    elif surface.odd_n <= 1 and not surface.gap and time_s - surface.out_since_s <= max(2.0 * spacing_s, OFF_LEAST_S):
        surface.held.clear()  # one wild block and back: nothing happened, unless `_step` sees more
        assert seen_mm is not None
        row = LevelBlock(time_s, seen_mm, float(n))
        if surface.strange_n:
            _hole(surface, time_s, time_s - surface.recent[-1].time_s - spacing_s, strange=True)
        _remember(surface, row)
        _back(surface)
        return [row], None
    if seen_mm is not None and (surface.place_mm is None or abs(seen_mm - surface.place_mm) > gate):
        surface.place_mm, surface.place_since_s = seen_mm, time_s
    surface.held.append(HeldBlock(time_s, seen_mm, float(n)))
    if len(surface.held) > HELD_MOST:
        del surface.held[0]
    tail = _settled(surface, gate, spacing_s, places_mm)
    return _returned(surface, tail, level, variance, noise, trend, spacing_s) if tail else ([], None)


def _settled(
    surface: Surface, gate: float, spacing_s: float, places_mm: tuple[float, float, float]
) -> list[LevelBlock]:
    """The latest held blocks if for SETTLE_S (or two blocks) they show one surface, and a sensor that may have been
    without power has warmed up since; else nothing."""
    last = surface.held[-1].time_s
    if _warming_up(surface, spacing_s) and last - surface.held[0].time_s < WARM_S - spacing_s:
        return []
    window = max(SETTLE_S, WAIT_SPACINGS * spacing_s)
    tail = [row for row in surface.held if row.time_s >= last - window]
    shown = [LevelBlock(row.time_s, row.level_mm, row.n) for row in tail if row.level_mm is not None]
    levels = [row.level_mm for row in shown]
    first = tail[0].time_s
    if len(levels) < len(tail) or len(tail) < 2 or last - first < window - WAIT_SPACINGS * max(spacing_s, MINUTE_S):
        return []
    middle = sorted(levels)[len(levels) // 2]
    if max(levels) - middle > gate or middle - min(levels) > gate:
        return []
    if middle <= places_mm[0]:
        return []
    believed = surface.gap or places_mm[1] <= middle <= places_mm[2] or last - surface.place_since_s >= PERSIST_S
    return shown if believed else []


def _warming_up(surface: Surface, spacing_s: float) -> bool:
    """Whether nothing came for a while and the surface seen first after that is off by no more than a cold sensor is,
    which may have been without power."""
    first_mm = surface.held[0].level_mm
    silent = surface.strange_n == 0 and surface.held[0].time_s - surface.recent[-1].time_s > SILENT_SPACINGS * spacing_s
    if not silent or surface.gap or first_mm is None:
        return False
    last = surface.recent[-3:]
    return abs(first_mm - sum(row.level_mm for row in last) / len(last)) <= WARM_UP_MOST_MM


def _hole(surface: Surface, back_s: float, off_s: float, *, strange: bool) -> None:
    """Remember a hole of `off_s` that ended at `back_s`, for `_step`. `strange`: readings came, but showed no
    surface."""
    surface.hole_s, surface.hole_off_s, surface.hole_strange, surface.hole_looked = back_s, max(off_s, 0.0), strange, 0
    surface.lone_n = 1.0 + surface.lone_n * exp((surface.lone_s - back_s) / DAY_S)
    surface.lone_s = back_s


def _step(surface: Surface, noise: Noise, trend: Trend, spacing_s: float) -> LevelShift | None:
    """A step between the latest blocks and those before that was too small for the gate; None where there is none.
    Where a hole lies between, hands may have been at the jar, so a step of any size is handed on; elsewhere it must
    stand out from the noise."""
    rows = surface.recent
    if len(rows) < STEP_LEAST:
        return None
    if surface.hole_s is not None:
        looks_s = LATE_S if surface.hole_strange else (WARM_S,)
        since_s = rows[-1].time_s - surface.hole_s
        k = next((i for i, row in enumerate(reversed(rows)) if row.time_s < surface.hole_s), len(rows))
        if k >= 2 and since_s >= looks_s[surface.hole_looked] - WAIT_SPACINGS * spacing_s and len(rows) - k >= 3:
            surface.hole_looked += 1
            if surface.hole_strange:
                found = between(rows, k, noise, trend, spacing_s, surface.hole_off_s)
            else:
                now = max(min(k, 3), sum(row.time_s > rows[-1].time_s - SETTLE_S for row in rows[-k:]))
                found = between(rows[:-k] + rows[-now:], now, noise, trend, spacing_s, surface.hole_off_s)
                found.within, found.back_s, found.sd_mm = k, rows[-k].time_s, hypot(found.sd_mm, LEFT_SD_MM)
            found.strange = found.lone = surface.hole_strange
            found.lone_n = surface.lone_n - 1.0
            if surface.hole_looked == len(looks_s):
                surface.hole_s = None
            return found
    k = suspicious(rows, noise)
    if k and surface.hole_s is not None and abs(rows[-k].time_s - surface.hole_s) <= 2.0 * max(spacing_s, MINUTE_S):
        return None  # it will be judged as the step at a hole
    if not k or (k > 2 and rows[-1].time_s - rows[-k].time_s > max(STEP_SEEN_S, STEP_SEEN_SPACINGS * spacing_s)):
        return None
    found = between(rows, k, noise, trend, spacing_s, 0.0)
    size = found.after_mm - found.before_mm
    if abs(size) <= max(least_jump_mm(noise), STEP_SDS * found.sd_mm) or nearby(rows, k) / size < STEP_NEAR:
        return None  # within noise, or a bend of the slope
    return found


# branches: how well the levels before and after are known depends on what lies between
def _returned(
    surface: Surface,
    tail: list[LevelBlock],
    level: float,
    variance: float,
    noise: Noise,
    trend: Trend,
    spacing_s: float,
) -> tuple[list[LevelBlock], LevelShift]:
    """The surface is back and stays, as the blocks of `tail` show: these, and the shift with its spread and what was
    seen meanwhile. `level` and `variance` are what was expected now."""
    assert surface.out_since_s is not None
    n = sum(row.n for row in tail)
    warmed = _warming_up(surface, spacing_s)
    left_s, back_s = surface.recent[-1].time_s, surface.held[0].time_s if warmed else tail[0].time_s
    if surface.gap:  # across a long silence no slope holds
        after = sum(row.level_mm * row.n for row in tail) / n
        last = surface.recent[-GAP_BLOCKS:]
        level = sum(row.level_mm * row.n for row in last) / sum(row.n for row in last)
        sd = sqrt(noise.white_mm2 * (1.0 / n + 1.0 / sum(row.n for row in last)) + 2.0 * noise.wander_mm2)
    elif len(surface.recent) >= STEP_LEAST:
        found = between(surface.recent + tail, len(tail), noise, trend, spacing_s, 0.0)
        level, after, sd = found.before_mm, found.after_mm, found.sd_mm
    else:
        after = sum(row.level_mm * row.n for row in tail) / n
        sd = sqrt(variance + noise.white_mm2 / n + noise.wander_mm2)
    if warmed:
        sd = hypot(sd, LEFT_SD_MM)
    way = [row.level_mm for row in surface.held if row.time_s < back_s and row.level_mm is not None]
    low, high = min(level, after) + 2.0 * sd, max(level, after) - 2.0 * sd
    passing = any(low < level_mm < high for level_mm in way) and not surface.strange_n
    off_s = 0.0
    if surface.strange_n:
        last_s = min(surface.strange_s[1], back_s)
        off_s = min(max(last_s - surface.strange_s[0], 0.0) + max(spacing_s, MINUTE_S), back_s - left_s)
    else:
        times = [left_s, *(row.time_s for row in surface.held if row.time_s <= back_s)]
        hole_s = max((b - a for a, b in pairwise(times)), default=0.0)
        if hole_s - SILENT_SPACINGS * spacing_s >= OFF_LEAST_S:
            off_s = hole_s - spacing_s
    strange, lone = surface.strange_n > 0, surface.strange_n == 1
    shift = LevelShift(
        level,
        after,
        sd,
        left_s,
        back_s,
        off_s,
        surface.gap,
        0,
        strange,
        lone,
        surface.lone_n,
        passing,
        spacing_s=spacing_s,
    )
    _back(surface)
    return tail, shift


def _back(surface: Surface) -> None:
    surface.held, surface.out_since_s, surface.odd_n, surface.strange_n = [], None, 0, 0
    surface.gap, surface.place_mm = False, None


def rezero(surface: Surface, shift: LevelShift, rows: list[LevelBlock], looked: float | None) -> float:
    """Move the levels so that they go on where they were before, and return by how many mm. The offset of a lid is
    weighed against its usual size (LID_SD_MM) and by the chance `looked` that the lid was lifted at all; with None, a
    jump is taken out as a whole."""
    jump = shift.after_mm - shift.before_mm
    share = 1.0 if looked is None else looked * LID_SD_MM**2 / (LID_SD_MM**2 + shift.sd_mm**2)
    offset_mm = -jump * share
    if abs(surface.offset_mm + offset_mm) > OFFSET_MOST_MM:
        return 0.0
    surface.offset_mm += offset_mm
    surface.hole_s = None
    surface.offset_var_mm2 += shift.sd_mm**2 * share
    for row in rows:
        row.level_mm += offset_mm
    return offset_mm


def stepping(surface: Surface, noise: Noise) -> bool:
    """Whether the latest one or two blocks stand a step lower than the three before them, or all blocks since a silence
    lower than those before it. What that is, perhaps a feeding, is known later; until then no fall is decided."""
    if surface.hole_s is not None and not surface.hole_strange and surface.recent[-1].time_s - surface.hole_s < WARM_S:
        before = [row.level_mm for row in surface.recent if row.time_s < surface.hole_s][-3:]
        since = [row.level_mm for row in surface.recent if row.time_s >= surface.hole_s]
        if before and since and sum(before) / len(before) - sum(since) / len(since) > LEFT_SD_MM:
            return True
    for k in (1, 2):
        early, late = surface.recent[-k - 3 : -k], surface.recent[-k:]
        if len(early) < 3:
            return False
        down = sum(row.level_mm for row in early) / 3.0 - sum(row.level_mm for row in late) / k
        spread = sqrt(noise.white_mm2 / late[0].n * (1.0 / k + 1.0 / 3.0) + noise.wander_mm2)
        if down > max(least_jump_mm(noise), STEPPING_SD * spread):
            return True
    return False


def latest(surface: Surface) -> float | None:
    """The latest accepted level in mm; None before any."""
    return surface.recent[-1].level_mm if surface.recent else None


def withdraw(surface: Surface, count: int) -> list[LevelBlock]:
    """Take back the latest `count` blocks, which turned out to lie after a step, and return them."""
    rows = surface.recent[-count:]
    del surface.recent[-count:]
    return rows


def accept(surface: Surface, rows: list[LevelBlock]) -> None:
    """The blocks after a level shift belong to the surface, like those before it."""
    for row in rows:
        _remember(surface, row)


def restart(surface: Surface, rows: list[LevelBlock]) -> None:
    """From now on the surface is known only by the blocks after a level shift."""
    surface.recent = [replace(row) for row in rows]
    surface.hole_s = None


def unshift(surface: Surface, rows: list[LevelBlock]) -> None:
    """After a feeding, levels are counted from the inside bottom again: the offsets of the lid are taken out."""
    for row in rows:
        row.level_mm -= surface.offset_mm
    surface.offset_mm = surface.offset_var_mm2 = 0.0


def _remember(surface: Surface, row: LevelBlock) -> None:
    surface.recent.append(row)
    if len(surface.recent) > RECENT_MOST:
        del surface.recent[0]
