"""Is this reading believable at all? First in the flow: single readings are judged here by their own value and time.

What only neighbours can show (wild values, lid off, jumps) is left to `block.py` and `surface.py`, which see minutes.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import gcd, isfinite, log

from monitor.core.vessel.level import distance_of
from monitor.settings import JarSettings
from monitor.values import DAY_S, Reading

NEAREST_MM = 5.0  # smaller ranges are codes or errors of ranging sensors, where 0 and -1 mean "no target"
FARTHEST_MM = 4000.0  # beyond any jar; 8190, 8191 and 65535 are "no target" codes of ranging sensors
POWER_ON_C = 85.0  # a DS18B20 that was asked before it converted (data sheet, table 1)
COLDEST_C, HOTTEST_C = -30.0, 60.0  # outside of this no starter and no kitchen
TEMPERATURE_GOOD_FOR_S = 900.0  # the dough's heat capacity: it moves a few tenths of a degree in a quarter of an hour
FUTURE_S = DAY_S  # a time further ahead of the running time comes from a wrong clock
GAPS_N = 9  # their median is the usual sampling: four lost or doubled readings in a row do not move it
# a run of equal values this unlikely means that the sensor is stuck, at its own share of equal neighbours
STUCK_LOG_CHANCE = log(1e-9)
STUCK_LEAST_S = 900.0  # but never sooner: a surface can rest for a while
STUCK_COARSE_S = 8 * 3600.0  # on a slow rise a coarse sensor, or one that may be, takes that long for a step
# That share is learnt over the last few hundred readings, and kept within what sensors show; long runs of equal values
# teach no more than their first hour, or a stuck sensor would seem usual.
SAME_MEMORY_N, SAME_TEACHES_N, SAME_SHARES = 200.0, 60, (0.2, 0.97)
COARSE = 50  # 5 mm, in 0.1 mm
CHANGES_LEAST = 3  # by then a level near the edge of a step has been on both sides of it
# A wrong unit shows by the jar's own size: a surface that near from the first reading on would touch the sensor.
CODE_MM = 1.0  # 0, 1 and -1 are codes
NEAR_SHARE = 0.105  # of the empty distance: centimetres taken for millimetres are never more
MM_PER_INCH = 25.4
HOT_KITCHEN = (45.0, 110.0)  # degF: 7 to 43 degC; no dough lives there in degC
UNIT_LEAST_N = 20
UNIT_SURE_N = 200  # by then a lid that was off at first is on again
INCHES_SHARE = 0.2  # of the distances may be those of a wall while the lid is off
STRAY_MM = 10.0  # a value that far off is wild and does not end a run of equal ones, unless the next agrees with it


@dataclass(slots=True)
class Plausibility:
    """What is remembered of one jar's readings in order to judge the next."""

    last_s: float | None = None
    gaps_s: list[float] = field(default_factory=list)  # the latest times between readings, for the usual sampling
    sampling_s: float | None = None
    temperature_c: float | None = None
    temperature_s: float | None = None
    room_c: float | None = None
    value_mm: float | None = None  # the latest distance, and since when and how often it came unchanged
    same_since_s: float = 0.0
    same_n: int = 0
    same_share: float = 0.5  # how often neighbours are equal at this sensor (rounding over noise)
    stuck: bool = False
    stray_mm: float | None = None  # the latest wild value within such a run
    unit: int = 0  # greatest common divisor of all distances, in 0.1 mm, and how often they changed since the first
    changes: int = 0
    far_seen: bool = False  # most distances are such as only millimetres explain: the unit is settled
    far_n: int = 0  # until then: how many of these, of others (near_n), and of those that inches would not explain
    near_n: int = 0
    beyond_inches_n: int = 0
    cool_seen: bool = False  # a temperature came that only Celsius explains
    hot_n: int = 0  # until then: how many were those of a kitchen in Fahrenheit
    refused_c: float | None = None  # the latest temperature that was not believed, and when it came
    refused_s: float | None = None


def believable_temperature(temperature_c: float | None) -> float | None:
    """The temperature in degC, or None for a value that is none: a probe's 85.0 after power-on, -127, NaN, one out of
    range, and exactly 0 (a frame of zeros passes the probe's checksum, and no starter stands at 0.000)."""
    if temperature_c is None or not COLDEST_C <= temperature_c <= HOTTEST_C or temperature_c in (POWER_ON_C, 0.0):
        return None
    return temperature_c


def temperature_at(seen: Plausibility, now_s: float) -> float | None:
    """The jar's temperature in degC, carried for 15 min; None when older or never given."""
    if seen.temperature_s is None or now_s - seen.temperature_s > TEMPERATURE_GOOD_FOR_S:
        return None
    return seen.temperature_c


def refused_c_at(seen: Plausibility, now_s: float) -> float | None:
    """The latest temperature that was not believed, as it was sent, while no other is known; None where all is well and
    where none came lately."""
    if temperature_at(seen, now_s) is not None or seen.refused_s is None:
        return None
    return seen.refused_c if now_s - seen.refused_s <= TEMPERATURE_GOOD_FOR_S else None


# branches: one check after the other: the first that fails is the reason
def judge(seen: Plausibility, reading: Reading, jar: JarSettings, now_s: float) -> tuple[str | None, float | None]:
    """(why the reading is not used, or None; its distance in mm, or None for "no target").

    A reading that is not later than the last one used is late or doubled and changes nothing, so duplicates are
    harmless. Its temperature is remembered here too. Delay: none.
    """
    time_s = reading.time_s
    if not isfinite(time_s) or time_s > now_s + FUTURE_S:
        return "from the future", None
    t = believable_temperature(reading.temperature_c)
    if not seen.cool_seen and reading.temperature_c is not None:
        t = _in_celsius(seen, reading.temperature_c, t)
    if t is not None and (seen.temperature_s is None or time_s >= seen.temperature_s):
        seen.temperature_c, seen.temperature_s = t, time_s
    elif t is None and reading.temperature_c is not None and isfinite(reading.temperature_c):
        seen.refused_c, seen.refused_s = reading.temperature_c, time_s
    if reading.distance_mm is None and reading.echo_us is None:
        return "no distance", None
    last_s = seen.last_s
    if last_s is not None:
        if time_s <= last_s:
            return "late or doubled", None
        seen.gaps_s.append(time_s - last_s)
        if len(seen.gaps_s) >= GAPS_N:
            seen.sampling_s = sorted(seen.gaps_s)[GAPS_N // 2]
            seen.gaps_s.clear()
        elif seen.sampling_s is None and len(seen.gaps_s) == 3:  # a first guess
            seen.sampling_s = sorted(seen.gaps_s)[1]
    seen.last_s = time_s
    distance_mm = distance_of(reading, temperature_at(seen, time_s))
    if not seen.far_seen and _may_be_other_unit(seen, distance_mm, jar):
        return "wrong unit" if distance_mm is not None and distance_mm >= NEAREST_MM else "no target", None
    if distance_mm is None or not NEAREST_MM <= distance_mm <= FARTHEST_MM:
        return "no target", None
    _watch_unit(seen, distance_mm)
    _watch_stuck(seen, distance_mm, time_s)
    return ("stuck", None) if seen.stuck and seen.stray_mm is None else (None, distance_mm)


def rounds_to_mm(seen: Plausibility) -> float:
    """The step in mm that this sensor or its firmware rounds to, where that is coarse: 5 or 10 mm, or another multiple
    of 5. 0 for a finer step, and until the distance has changed CHANGES_LEAST times."""
    return seen.unit / 10.0 if seen.changes >= CHANGES_LEAST and seen.unit and seen.unit % COARSE == 0 else 0.0


def _may_be_other_unit(seen: Plausibility, distance_mm: float | None, jar: JarSettings) -> bool:
    """Whether most distances, this one included, could be in another unit than millimetres. Single ones prove nothing:
    with the lid off a sensor sees a wall three times as far as the bottom, and a hand is near in any unit."""
    if distance_mm is None or jar.empty_mm is None or not CODE_MM < distance_mm <= FARTHEST_MM:
        return False
    if distance_mm > NEAR_SHARE * jar.empty_mm:
        seen.far_n += 1
    else:
        seen.near_n += 1
        seen.beyond_inches_n += distance_mm > jar.empty_mm / MM_PER_INCH
    seen.far_seen = seen.far_n >= UNIT_SURE_N and seen.far_n > seen.near_n
    return seen.near_n >= seen.far_n


def distance_unit(seen: Plausibility, jar: JarSettings) -> str | None:
    """ "cm" or "in" when most distances so far were a tenth of what they can be in this jar; else None."""
    if seen.far_seen or seen.near_n < max(UNIT_LEAST_N, seen.far_n) or jar.empty_mm is None:
        return None
    return "in" if seen.beyond_inches_n < INCHES_SHARE * seen.near_n else "cm"


def temperature_unit(seen: Plausibility) -> str | None:
    """ "degF" when all temperatures since the jar was set up were those of a kitchen in Fahrenheit; else None."""
    return None if seen.cool_seen or seen.hot_n < UNIT_LEAST_N else "degF"


def _in_celsius(seen: Plausibility, raw_c: float, believed_c: float | None) -> float | None:
    """The temperature that was believed, or None for one that is more likely Fahrenheit."""
    if HOT_KITCHEN[0] < raw_c <= HOT_KITCHEN[1] and raw_c != POWER_ON_C:
        seen.hot_n += 1
        return None
    seen.cool_seen = believed_c is not None
    return believed_c


def _watch_unit(seen: Plausibility, distance_mm: float) -> None:
    """Learn what the sensor rounds to: the greatest common divisor of all distances. A finer sensor shows a finer
    difference within minutes."""
    if distance_mm == seen.value_mm or seen.unit == 1:
        return
    seen.changes += seen.value_mm is not None
    tenths = round(distance_mm * 10.0)
    seen.unit = gcd(seen.unit, tenths) if abs(tenths - distance_mm * 10.0) < 1e-6 else 1


def _watch_stuck(seen: Plausibility, distance_mm: float, time_s: float) -> None:
    """Find out whether the sensor is frozen: it repeats one value for longer than its rounding and noise allow, when
    the chance of such a run, at the share of equal neighbours seen so far in this jar, falls below 1e-9."""
    if distance_mm != seen.value_mm:
        if seen.value_mm is not None and abs(distance_mm - seen.value_mm) > STRAY_MM:
            alone = seen.stray_mm is None or abs(distance_mm - seen.stray_mm) > STRAY_MM
            seen.stray_mm = distance_mm
            if alone:
                return
        seen.stray_mm = None
        seen.same_share += (0.0 - seen.same_share) / SAME_MEMORY_N
        seen.value_mm, seen.same_since_s, seen.same_n, seen.stuck = distance_mm, time_s, 0, False
        return
    seen.stray_mm = None
    seen.same_n += 1
    if seen.same_n <= SAME_TEACHES_N:  # a long run must not teach that long runs are usual
        seen.same_share += (1.0 - seen.same_share) / SAME_MEMORY_N
    coarse = seen.unit % COARSE == 0 and (seen.changes < CHANGES_LEAST or rounds_to_mm(seen) > 0.0)
    if not seen.stuck and time_s - seen.same_since_s > (STUCK_COARSE_S if coarse else STUCK_LEAST_S):
        share = min(max(seen.same_share, SAME_SHARES[0]), SAME_SHARES[1])
        seen.stuck = seen.same_n * log(share) < STUCK_LOG_CHANCE
