"""The open cycle: starting level, highest level, marks, hourly temperatures, in the forms that forecasts and people
need; and the table of stages, which says what stage follows on which event.

Filled by `rise_and_fall.py`, read by `step.py`. Numbers and a table only; no decisions.
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass, field, replace

from monitor.core.signal.bins import BIN_S, BinSeries
from monitor.core.signal.learnt_curve import Doubles
from monitor.core.vessel.level import rise_ratio
from monitor.settings import JarSettings
from monitor.values import UNTOLD, Cycle, CycleSoFar, EventKind, Feeding, Stage

CLOSES_H = 72  # for detection a cycle closes three days after its feeding
CLOSES_S = CLOSES_H * 3600.0  # the same in seconds
START_FROM_S, START_TO_S = 300.0, 1200.0  # the starting level is the median from 5 to 20 min after the lid is back on
CURVE_MOST = 256  # points of the curve that a forecast looks at
OPENINGS_MOST = 8  # a day of looks: an older opening is no better date for a feeding


@dataclass(frozen=True, slots=True)
class Opening:
    """A time at which the surface was seen to be away, with the odds that the jar was fed then."""

    time_s: float
    fed_odds: float


@dataclass(slots=True)
class OpenCycle:
    """The open cycle. Where watching began in mid-cycle, `fed_at_s` is the time of the first believable reading."""

    number: int = 0
    fed_at_s: float = 0.0
    back_s: float = 0.0  # when the lid was on again
    from_start: bool = False  # False: begun in mid-cycle, no starting level
    told: bool = False
    sure: bool = True
    feeding: Feeding = UNTOLD
    start_mm: float | None = None
    start_levels: list[float] = field(default_factory=list)
    lowest_mm: float | None = None  # of 20 min means, so far: what the rise is counted from
    rise_at_s: float | None = None
    peak_at_s: float | None = None
    peak_mm: float | None = None
    fall_at_s: float | None = None
    top_recalled: bool = False  # the peak was decided by memory alone
    top_denied_s: float | None = None  # memory decided a top, but it rose on: memory says no more about this one's top
    low_mm: float | None = None  # the lowest 25 min mean since the fall was known, and when
    low_at_s: float = 0.0
    handled_at_s: float | None = None  # the likeliest time at which it may have been fed, though no level proved it
    handled_odds: float = 0.0
    openings: list[Opening] = field(default_factory=list)  # the latest OPENINGS_MOST
    sank_unseen_s: float | None = None  # a silence ended here, and the level was lower than before it
    unseen_s: float = 0.0  # how long that silence was
    stirred: bool = False  # moved by hand since the fall was known: a new rise need not be a feeding
    flat_decided: bool = False
    rested: bool = False
    known_by_rise_s: float | None = None  # when the rise after it showed its feeding: a fall before that is none of its
    about_from_s: float | None = None  # where nothing shows exactly when it was fed: not before this
    about_to_s: float | None = None  # and not after this
    above_double_h: float | None = None
    hours_sum: Doubles = field(default_factory=lambda: array("d"))  # of the temperature, and of how many readings
    hours_n: Doubles = field(default_factory=lambda: array("d"))
    closed: bool = False


@dataclass(slots=True)
class ClosedCycle:
    """A closed cycle and when it ended."""

    cycle: OpenCycle
    ended_at_s: float


def warm(cycle: OpenCycle, time_s: float, temperature_c: float) -> None:
    """Take a temperature into the mean of the hour that it was measured in, however late it came."""
    hour = int((time_s - cycle.fed_at_s) // 3600.0)
    if 0 <= hour < CLOSES_H:
        while len(cycle.hours_n) <= hour:
            cycle.hours_n.append(0.0)
            cycle.hours_sum.append(0.0)
        cycle.hours_n[hour] += 1.0
        cycle.hours_sum[hour] += temperature_c


def begin_level(cycle: OpenCycle, time_s: float, level_mm: float) -> None:
    """Gather levels for the starting level, which is fixed 20 min after the lid is back on, from at least one level."""
    if not cycle.from_start or cycle.start_mm is not None:
        return
    age_s = time_s - cycle.back_s
    if age_s > START_TO_S and cycle.start_levels:
        cycle.start_mm = sorted(cycle.start_levels)[len(cycle.start_levels) // 2]
        cycle.start_levels = []
    elif age_s >= START_FROM_S or age_s > START_TO_S:
        cycle.start_levels.append(level_mm)


def about_s(cycle: OpenCycle) -> tuple[float, float] | None:
    """(earliest, latest) time at which it may have been fed, where nothing shows exactly when; else None."""
    if cycle.about_from_s is None or cycle.about_to_s is None:
        return None
    return cycle.about_from_s, cycle.about_to_s


def mark(cycle: OpenCycle) -> Stage:
    """The stage that the cycle is in by its own marks."""
    if cycle.fall_at_s is not None:
        return Stage.FALLING
    if cycle.peak_at_s is not None:
        return Stage.PEAKED
    if cycle.rise_at_s is not None:
        return Stage.RISING
    if cycle.flat_decided:
        return Stage.FLAT
    return Stage.SETTLING if cycle.from_start else Stage.UNKNOWN


S, K = Stage, EventKind

# event -> {stage before: stage after}; a pair that is not here leaves the stage as it is
TABLE: dict[EventKind, dict[Stage, Stage]] = {
    K.FED: dict.fromkeys(Stage, S.SETTLING),
    K.RISE_BEGAN: dict.fromkeys((S.UNKNOWN, S.SETTLING, S.FLAT, S.PEAKED), S.RISING),
    K.PEAK_REACHED: {S.RISING: S.PEAKED, S.FLAT: S.PEAKED, S.SETTLING: S.PEAKED, S.UNKNOWN: S.PEAKED},
    K.FALL_BEGAN: {S.RISING: S.FALLING, S.PEAKED: S.FALLING, S.UNKNOWN: S.FALLING},
    K.STAYED_FLAT: {S.SETTLING: S.FLAT, S.UNKNOWN: S.FLAT},
    K.JAR_AWAY: dict.fromkeys(Stage, S.AWAY),
    K.REST_BEGAN: {s: S.RESTING for s in Stage if s is not S.AWAY},
}

# After a rest or an absence, the stage is the one that the cycle's own marks say.
RETURNS = (K.JAR_BACK, K.REST_ENDED)


def follows(stage: Stage, kind: EventKind, resumed: Stage) -> Stage:
    """The stage after an event of `kind` in `stage`. `resumed` is the stage by the cycle's own marks, for when a jar
    returns from a rest or an absence."""
    if kind in RETURNS:
        return resumed
    return TABLE.get(kind, {}).get(stage, stage)


def as_value(jar: JarSettings, cycle: OpenCycle, ended_at_s: float | None) -> Cycle:
    """The cycle as a frozen value; `ended_at_s` is None while it is open."""
    ratio = None
    if cycle.peak_mm is not None and cycle.start_mm is not None and jar.empty_mm is not None:
        ratio = rise_ratio(jar.geometry, cycle.peak_mm, cycle.start_mm)
    return Cycle(
        jar=jar.name,
        number=cycle.number,
        fed_at_s=cycle.fed_at_s,
        told=cycle.told,
        sure=cycle.sure,
        feeding=replace(cycle.feeding, flour=cycle.feeding.flour or jar.flour),
        peak_at_s=cycle.peak_at_s,
        peak_ratio=ratio,
        fall_at_s=cycle.fall_at_s,
        ended_at_s=ended_at_s,
        temperatures_c=tuple(s / n if n else None for s, n in zip(cycle.hours_sum, cycle.hours_n, strict=True)),
        rested=cycle.rested,
        above_double_h=cycle.above_double_h,
        rise_at_s=cycle.rise_at_s,
        about_s=about_s(cycle),
    )


def so_far(
    jar: JarSettings,
    cycle: OpenCycle,
    series: BinSeries,
    now_s: float,
    stage: Stage,
    temperature_c: float | None,
    room_c: float | None,
    spread_mm: float,
) -> CycleSoFar:
    """The open cycle as the forecast sees it. Its curve is empty until the starting level is known."""
    curve: list[tuple[float, float, float]] = []
    start = cycle.start_mm
    if start is not None:
        bins = len(series.level) - 1
        step = max(1, -(-bins // CURVE_MOST))
        for i in range(step, bins + 1, step):
            count = series.present[i] - series.present[i - step]
            if count <= 0.0:
                continue
            mean = (series.level[i] - series.level[i - step]) / count
            hours = ((series.first + i - step / 2.0) * BIN_S - cycle.fed_at_s) / 3600.0
            ratio = rise_ratio(jar.geometry, mean, start)
            if ratio is not None and hours >= 0.0:
                curve.append((hours, ratio, spread_mm / start))
    return CycleSoFar(
        cycle=as_value(jar, cycle, None),
        now_s=now_s,
        stage=stage,
        curve=tuple(curve),
        temperature_c=temperature_c,
        room_c=room_c,
    )
