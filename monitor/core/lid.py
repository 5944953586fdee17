"""What neighbouring minutes show: wild minutes, the lid off and on again, a level that jumped, no surface at all.

Between `minute.py` and `history.py`: blocks that belong to the surface are released in order, the others are dropped or
held until it is clear what happened (about 5 min, or two readings). What a jump means is said in `fed_seen.py`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from math import sqrt

from monitor.core.noise import Noise
from monitor.core.trend import Trend, line

SETTLE_S = 300.0  # a surface at its new place for this long stays there; hands and lids are gone by then
OFF_LEAST_S = 90.0  # shorter absences are wild readings, not a lid
GAP_S = 1800.0  # after a longer silence the old level says little: begin again without calling it a jump
AWAY_S = 1800.0  # no surface for this long: no jar there
GATE_SD = 5.0  # a block further off than this is no noise (once in 2 million)
GATE_LEAST_MM = 3.0  # lids are set back 1 or 2 mm off, mist does up to 2 mm: no jump
LID_SD_MM = 1.2  # how far off a lid is set back (one standard deviation)
BRIDGE_S = 720.0  # the level before is the mean of the blocks within 12 min
HELD_MOST = 32  # half an hour of minutes
PERSIST_S = 2700.0  # a surface where none is expected is believed after 45 min: hands, tables and lids are gone by then
STEP_SD = 5.5  # a step within the gate, seen in means of several blocks: searched for at each block, so asked for more
STEP_SEEN_SD = 4.0  # where a block without a surface lies between, it is searched for only there
STEP_BACK_S = 2400.0


@dataclass(slots=True)
class Lid:
    """`recent` and `held` hold [time_s, level_mm or None, readings]; levels are already moved by `offset_mm`."""

    recent: list[list[float]] = field(default_factory=list)
    held: list[list[float | None]] = field(default_factory=list)
    out_since_s: float | None = None
    odd_n: int = 0
    strange_n: int = 0  # of them: no surface at all, or now here and now there
    gap: bool = False
    place_mm: float | None = None  # where the surface has been while out, and since when
    place_since_s: float = 0.0
    odd_s: float = -1e18  # when the latest lone block was no surface
    lid_off: bool = False
    away: bool = False
    offset_mm: float = 0.0
    offset_var_mm2: float = 0.0


@dataclass(slots=True)
class Landing:
    """The surface is back after something: levels before and after (mm), how sure, when it left and came back, for
    how long it was seen to be away (0: not seen), and whether a silence lies between."""

    before_mm: float
    after_mm: float
    sd_mm: float
    left_s: float
    back_s: float
    off_s: float
    gap: bool
    within: int = 0  # a step inside the gate: so many of the latest blocks, already released, lie after it


def expected(lid: Lid, trend: Trend, noise: Noise, time_s: float) -> tuple[float, float] | None:
    """(level expected at `time_s` mm, its variance mm2) from the latest accepted blocks; None before any."""
    if not lid.recent:
        return None
    total = weight = moment = 0.0
    oldest = min(lid.recent[-1][0] - BRIDGE_S, lid.recent[-3:][0][0])  # three blocks at least
    for t, level, n in reversed(lid.recent):
        if t < oldest:
            break
        weight += n
        total += n * level
        moment += n * t
    fitted = line(trend)
    slope = fitted[1] if fitted else 0.0
    minutes = (time_s - moment / weight) / 60.0
    drift = 0.4 * abs(slope) * minutes
    return total / weight + slope * min(minutes, 30.0), noise.white_mm2 / weight + drift * drift


def take(
    lid: Lid,
    time_s: float,
    level_mm: float | None,
    n: int,
    bad_n: int,
    noise: Noise,
    trend: Trend,
    spacing_s: float,
    whereabouts: Callable[[], tuple[float, float, float]],
) -> tuple[list[list[float]], Landing | None]:
    """One block: returns the blocks released by it, and a Landing when the surface is back from somewhere.

    `whereabouts()` says where a surface may be (mm): anywhere above the first, and after a jump from the second to the
    third. Delay of a Landing: SETTLE_S after the surface is back, or the second reading when they are further apart;
    PERSIST_S outside of these places.
    """
    now = expected(lid, trend, noise, time_s)
    if now is None:
        if level_mm is None or bad_n > n:
            return [], None
        row = [time_s, level_mm, float(n)]
        lid.recent.append(row)
        return [row], None
    level, variance = now
    silent_s = time_s - (lid.held[-1][0] if lid.held else lid.recent[-1][0])  # type: ignore[operator]
    if silent_s > max(GAP_S, 3.0 * spacing_s) and lid.out_since_s is None:
        lid.out_since_s, lid.gap = time_s, True
    good = level_mm is not None and bad_n <= n
    gate = max(GATE_LEAST_MM, GATE_SD * sqrt(noise.white_mm2 / max(n, 1) + noise.wander_mm2 + variance))
    inside = good and abs(level_mm - level) <= gate  # type: ignore[operator]
    if lid.out_since_s is None and inside:
        row = [time_s, level_mm, float(n)]  # type: ignore[list-item]
        _remember(lid, row)
        step = _step(lid, noise, trend, spacing_s)
        return ([], step) if step else ([row], None)
    if lid.out_since_s is None:
        lid.out_since_s = time_s
    places_mm = whereabouts()
    if not inside:
        lid.odd_n += 1
        last = next((row[1] for row in reversed(lid.held) if row[1] is not None), None)
        placed = good and places_mm[1] <= level_mm <= places_mm[2]  # type: ignore[operator]
        if not placed or (last is not None and abs(level_mm - last) > gate):  # type: ignore[operator]
            lid.strange_n += 1
    elif lid.odd_n <= 1 and not lid.gap and time_s - lid.out_since_s <= max(2.0 * spacing_s, OFF_LEAST_S):
        lid.odd_s = lid.out_since_s if lid.odd_n else lid.odd_s
        lid.held.clear()  # one wild block and back: nothing happened, unless `_step` sees more
        row = [time_s, level_mm, float(n)]  # type: ignore[list-item]
        _remember(lid, row)
        _back(lid)
        return [row], None
    if good and (lid.place_mm is None or abs(level_mm - lid.place_mm) > gate):  # type: ignore[operator]
        lid.place_mm, lid.place_since_s = level_mm, time_s
    lid.held.append([time_s, level_mm if good else None, float(n)])
    if len(lid.held) > HELD_MOST:
        del lid.held[0]
    tail = _settled(lid, gate, spacing_s, places_mm)
    return _land(lid, tail, level, variance, noise) if tail else ([], None)


def _settled(lid: Lid, gate: float, spacing_s: float, places_mm: tuple[float, float, float]) -> list[list[float]]:
    """The latest held blocks if they show one surface for SETTLE_S (or two blocks); else nothing."""
    last = lid.held[-1][0]
    assert last is not None
    window = max(SETTLE_S, 1.2 * spacing_s)
    tail = [row for row in lid.held if row[0] >= last - window]  # type: ignore[operator]
    levels = [row[1] for row in tail if row[1] is not None]
    first = tail[0][0]
    assert first is not None
    if len(levels) < len(tail) or len(tail) < 2 or last - first < window - 1.2 * spacing_s:
        return []
    middle = sorted(levels)[len(levels) // 2]
    if max(levels) - middle > gate or middle - min(levels) > gate:
        return []
    if middle <= places_mm[0]:
        return []
    believed = lid.gap or places_mm[1] <= middle <= places_mm[2] or last - lid.place_since_s >= PERSIST_S
    return tail if believed else []  # type: ignore[return-value]


def _suspicious(rows: list[list[float]]) -> bool:
    """A cheap look before `_step`: could two or five blocks differ enough from the three before them?"""
    before = (rows[-3][1] + rows[-4][1] + rows[-5][1]) / 3.0
    if abs((rows[-1][1] + rows[-2][1]) / 2.0 - before) > GATE_LEAST_MM:
        return True
    if len(rows) < 8:
        return False
    before = (rows[-6][1] + rows[-7][1] + rows[-8][1]) / 3.0
    return abs((rows[-1][1] + rows[-2][1] + rows[-3][1]) / 3.0 - before) > GATE_LEAST_MM


def _step(lid: Lid, noise: Noise, trend: Trend, spacing_s: float) -> Landing | None:
    """A step smaller than the gate between the latest blocks and those before, or None: two means of several blocks
    differ by more than STEP_SD of their spread and by more than a lid is set back off."""
    rows = lid.recent
    if len(rows) < 5 or not _suspicious(rows):
        return None
    fitted = line(trend)
    if fitted is None:
        return None
    for k in (2, 3, 5):
        late, early = rows[-k:], [row for row in rows[:-k] if rows[-k][0] - row[0] <= STEP_BACK_S][-8:]
        if len(early) < 3 or (k > 2 and late[-1][0] - late[0][0] > SETTLE_S * 1.2):
            continue
        n1, n0 = sum(row[2] for row in late), sum(row[2] for row in early)
        after = sum(row[1] * row[2] for row in late) / n1
        before = sum(row[1] * row[2] for row in early) / n0
        minutes = (sum(row[0] for row in late) / k - sum(row[0] for row in early) / len(early)) / 60.0
        sd = sqrt(noise.white_mm2 * (1.0 / n1 + 1.0 / n0) + 1.2 * noise.wander_mm2)
        jump = after - before
        sure_sd = STEP_SEEN_SD if early[-1][0] < lid.odd_s < late[0][0] else STEP_SD
        if abs(jump) > max(GATE_LEAST_MM + 1.0, sure_sd * sd) and abs(jump) > 3.0 * abs(fitted[1]) * minutes:
            missing_s = late[0][0] - early[-1][0] - 1.5 * spacing_s
            return Landing(
                before, after, sd, early[-1][0], late[0][0], missing_s if missing_s >= OFF_LEAST_S else 0.0, False, k
            )
    return None


def _land(
    lid: Lid, tail: list[list[float]], level: float, variance: float, noise: Noise
) -> tuple[list[list[float]], Landing]:
    assert lid.out_since_s is not None
    n = sum(row[2] for row in tail)
    after = sum(row[1] * row[2] for row in tail) / n
    sd = sqrt(variance + noise.white_mm2 / n + noise.wander_mm2)
    off_s = tail[0][0] - lid.out_since_s if lid.odd_n > 1 else 0.0
    landing = Landing(level, after, sd, lid.recent[-1][0], tail[0][0], off_s if lid.strange_n else 0.0, lid.gap)
    _back(lid)
    return tail, landing


def _back(lid: Lid) -> None:
    lid.held, lid.out_since_s, lid.odd_n, lid.strange_n, lid.gap, lid.place_mm = [], None, 0, 0, False, None


def rezero(lid: Lid, landing: Landing, rows: list[list[float]], *, whole: bool) -> float:
    """Move the levels so that they go on where they were, and return the shift in mm. A lid's offset is believed
    against its usual size (1.2 mm); a jump is moved as a whole."""
    jump = landing.after_mm - landing.before_mm
    share = 1.0 if whole else LID_SD_MM**2 / (LID_SD_MM**2 + landing.sd_mm**2)
    shift = -jump * share
    lid.offset_mm += shift
    lid.offset_var_mm2 += landing.sd_mm**2 * share
    for row in rows:
        row[1] += shift
    return shift


def latest(lid: Lid) -> float | None:
    """The latest accepted level in mm; None before any."""
    return lid.recent[-1][1] if lid.recent else None


def withdraw(lid: Lid, count: int) -> list[list[float]]:
    """Take the latest `count` blocks back, because they lie after a step."""
    rows = lid.recent[-count:]
    del lid.recent[-count:]
    return rows


def accept(lid: Lid, rows: list[list[float]]) -> None:
    """The landed blocks are the surface from now on."""
    for row in rows:
        _remember(lid, row)


def restart(lid: Lid, rows: list[list[float]]) -> None:
    """Only the landed blocks say from now on where the surface is."""
    lid.recent = [list(row) for row in rows]


def unshift(lid: Lid, rows: list[list[float]]) -> None:
    """A feeding: levels are counted from the inside bottom again, as the sensor sees them."""
    for row in rows:
        row[1] -= lid.offset_mm
    lid.offset_mm = lid.offset_var_mm2 = 0.0


def _remember(lid: Lid, row: list[float]) -> None:
    lid.recent.append(row)
    if len(lid.recent) > 14:
        del lid.recent[0]
