"""A sensor that disagrees with its neighbours: in the same group, fed alike within the hour, and yet it reads warmer,
colder, higher or lower than chance would explain.

`siblings` compares what the starters do; this compares what the sensors say about jars that are alike, with the same
test for outliers. It sees a moment, not a history: a cold corner stands out as much as a sensor that drifts, and the
words mention both.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median

from monitor.core.assess.siblings import APART_SHARE, ERROR, LEAST_JARS, TOGETHER_S, outliers
from monitor.core.display.units import Display
from monitor.settings import JarSettings
from monitor.values import JarState, Straight

# what nobody would act on is not named: thermometers are good to half a degree (DS18B20 datasheet), and a hand's
# feeding and a calibration to a few millimetres
LEAST_C, LEAST_MM = 1.5, 5.0
BESIDE = 2  # with its own, as many curves as can be distinguished at a glance
HOURS = 6  # a temperature is the mean of so many hours: an open window is past by then


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """One jar's sensor: how far it is from the median of its neighbours, and in which unit; `beside` are those nearest
    to that median."""

    jar: str
    measure: str  # "temperature_c" or "starting_mm"
    off: float
    neighbours: int
    beside: tuple[str, ...]


def drifting(states: Sequence[JarState], jars: Mapping[str, JarSettings]) -> tuple[Drift, ...]:
    """The sensors of one group that stand apart now; none while fewer than `LEAST_JARS` were fed together."""
    together = _fed_together(states)
    found: list[Drift] = []
    for measure, least, values in (
        ("temperature_c", LEAST_C, {one.jar: _mean_c(one) for one in together}),
        ("starting_mm", LEAST_MM, {one.jar: _starting_mm(one, jars[one.jar]) for one in together}),
    ):
        known = {jar: value for jar, value in values.items() if value is not None}
        if len(known) < LEAST_JARS:
            continue
        for jar in outliers(known, max(1, len(known) // APART_SHARE), ERROR / 2.0):
            others = {other: value for other, value in known.items() if other != jar}
            middle = median(others.values())
            if abs(off := known[jar] - middle) >= least:
                near = tuple(name for _, name in sorted((abs(value - middle), name) for name, value in others.items()))
                found.append(Drift(jar=jar, measure=measure, off=off, neighbours=len(others), beside=near[:BESIDE]))
    return tuple(found)


def words(drift: Drift, show: Display) -> str:
    """As a person would say it: "shelf-7 reads 2.1 °C more than its 12 neighbours"."""
    more = drift.off > 0.0
    if drift.measure == "temperature_c":
        off = f"{abs(show.degrees(drift.off) - show.degrees(0.0)):.1f} {show.degree}"  # a difference
        what = f"reads {off} {'more' if more else 'less'}"
    else:
        what = f"starts {show.length(abs(drift.off))} {'higher' if more else 'lower'}"
    return f"{drift.jar} {what} than its {drift.neighbours} neighbours"


def _fed_together(states: Sequence[JarState]) -> list[JarState]:
    """The jars whose open cycles began within an hour of the median one."""
    fed = {one.jar: one.cycle.fed_at_s for one in states if one.cycle is not None and one.silent_since_s is None}
    if not fed:
        return []
    middle_s = median(fed.values())
    return [one for one in states if one.jar in fed and abs(fed[one.jar] - middle_s) <= TOGETHER_S]


def _mean_c(state: JarState) -> float | None:
    """Mean temperature over the last hours of its cycle; None before there are enough."""
    means = [one for one in (state.cycle.temperatures_c if state.cycle else ())[-HOURS:] if one is not None]
    return sum(means) / len(means) if len(means) == HOURS else None


def _starting_mm(state: JarState, jar: JarSettings) -> float | None:
    """The level that the rise is counted from; only for a straight jar, where level and ratio give it."""
    level = state.level
    if level is None or level.level_mm is None or not level.rise_ratio or not isinstance(jar.geometry, Straight):
        return None
    return level.level_mm / level.rise_ratio
