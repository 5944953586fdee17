"""What breaks: each fault by its name, once at a time or by chance so often a day. Pure and seeded.

`inject` changes what the sensor reports; `device.py` asks the same faults about messages (lost, late, doubled, garbled)
and about the device's clock. A fault has random numbers of its own, so adding one changes nothing else in the run.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from monitor.simulator.random_numbers import Floats, RandomNumbers
from monitor.simulator.scenario import FaultPlan
from monitor.simulator.sensor import Reported

Mask = npt.NDArray[np.bool_]
FOREVER_S = float("inf")
LASTING = {"lid_offset", "clock_jump", "skin"}  # what stays as it is from then on

WILD_MM = (-1.0, 0.0, 3.0, 411.0, 1207.0, 32767.0, 65535.0, 999999.0)
NO_TARGET_MM = (8190.0, 8191.0)  # range status codes in the place of a distance
POWER_ON_C, UNPLUGGED_C = (
    85.0,
    -127.0,
)  # what a 1-Wire probe says after power-up, and what its driver says with none there
MIST_MM = -4.0  # droplets on the window shine back before the surface does


@dataclass(slots=True)
class Interval:
    """One time that a fault is there: from, to, and the number it was drawn with (0 to 1)."""

    from_s: float
    to_s: float
    drawn: float
    held: tuple[float, float, float] | None = None  # what a stuck sensor repeats


class Fault:
    """One fault of a scenario; it owns its random numbers and the intervals that have begun. Ask for times in order."""

    def __init__(self, plan: FaultPlan, seed: int, jar: str, index: int) -> None:
        self.plan = plan
        self.what = plan.what
        self._windows = RandomNumbers(seed, jar, "fault", str(index), plan.what)
        self._share = RandomNumbers(seed, jar, "fault share", str(index), plan.what)
        self.random = RandomNumbers(seed, jar, "fault values", str(index), plan.what)
        self.intervals: list[Interval] = []
        self._next_s = plan.at_s
        if plan.per_day:
            self._next_s = self._windows.waiting(86400 / plan.per_day)

    def until(self, to_s: float) -> None:
        """Let the intervals begin that begin before `to_s` (seconds since the start)."""
        while self._next_s is not None and self._next_s < to_s:
            lasts_s = FOREVER_S if self.what in LASTING else self.plan.minutes * 60
            self.intervals.append(Interval(self._next_s, self._next_s + lasts_s, self._windows.one()))
            self._next_s = (
                self._next_s + self._windows.waiting(86400 / self.plan.per_day) if self.plan.per_day else None
            )

    def forget(self, before_s: float) -> None:
        """Drop the intervals that have ended, so that a season takes no more memory than a day."""
        self.intervals = [interval for interval in self.intervals if interval.to_s > before_s]

    def hit(self, since_s: Floats) -> Mask:
        """Which of the messages at `since_s` it hits: all in an interval, or a share of them by chance."""
        inside = np.zeros(len(since_s), dtype=np.bool_)
        for interval in self.intervals:
            inside |= (since_s >= interval.from_s) & (since_s < interval.to_s)
        if self.plan.share < 1.0:
            inside &= self._share.uniform(len(since_s)) < self.plan.share
        return inside

    def size(self, otherwise: float) -> float:
        """Its size as asked for, or `otherwise`."""
        return otherwise if self.plan.size is None else self.plan.size


def inject(fault: Fault, seen: Reported, since_s: Floats) -> None:
    """Change the reported values in place, if this is a fault of values."""
    act = _VALUES.get(fault.what)
    if act is not None and len(since_s):
        act(fault, seen, since_s, fault.hit(since_s))


def _stuck(fault: Fault, seen: Reported, since_s: Floats, _: Mask) -> None:
    for interval in fault.intervals:
        inside = np.flatnonzero((since_s >= interval.from_s) & (since_s < interval.to_s))
        if not len(inside):
            continue
        if interval.held is None:
            first = int(inside[0])
            interval.held = (
                float(seen.distance_mm[first]),
                float(seen.echo_us[first]),
                float(seen.temperature_c[first]),
            )
        seen.distance_mm[inside], seen.echo_us[inside] = interval.held[0], interval.held[1]


def _wild(fault: Fault, seen: Reported, since_s: Floats, hit: Mask) -> None:
    picks = (fault.random.uniform(len(since_s)) * len(WILD_MM)).astype(int)
    seen.distance_mm[hit] = np.array(WILD_MM)[picks][hit]
    seen.echo_us[hit] = np.nan


def _no_target(fault: Fault, seen: Reported, since_s: Floats, hit: Mask) -> None:
    picks = (fault.random.uniform(len(since_s)) * len(NO_TARGET_MM)).astype(int)
    seen.distance_mm[hit] = np.array(NO_TARGET_MM)[picks][hit]
    seen.echo_us[hit] = np.nan


def _too_near(fault: Fault, seen: Reported, since_s: Floats, hit: Mask) -> None:
    seen.distance_mm[hit] = np.floor(fault.random.uniform(len(since_s)) * 5)[hit]
    seen.echo_us[hit] = np.nan


def _mist(fault: Fault, seen: Reported, since_s: Floats, hit: Mask) -> None:
    drawn = fault.random.uniform(len(since_s))
    pulled = np.round(seen.distance_mm + fault.size(MIST_MM) * (0.5 + drawn))
    droplet = drawn > 0.9  # now and then only the droplet is seen
    seen.distance_mm[hit] = np.where(droplet, np.round(5 + 200 * (drawn - 0.9)), pulled)[hit]


def _drift(fault: Fault, seen: Reported, since_s: Floats, _: Mask) -> None:
    """Away and back again within the interval, as condensation that comes and dries."""
    for interval in fault.intervals:
        share = np.clip((since_s - interval.from_s) / (interval.to_s - interval.from_s), 0, 1)
        _shift(seen, np.round(fault.size(8.0) * np.sin(np.pi * share), 1))


def _lid_offset(fault: Fault, seen: Reported, since_s: Floats, _: Mask) -> None:
    for interval in fault.intervals:
        size_mm = fault.size(6 * interval.drawn - 3)
        _shift(seen, np.where(since_s >= interval.from_s, size_mm, 0.0))


def _shift(seen: Reported, by_mm: Floats) -> None:
    seen.distance_mm[:] = np.round(np.maximum(seen.distance_mm + by_mm, 0.0), 4)
    seen.echo_us[:] = np.round(seen.echo_us + by_mm * 5.77)  # us a mm, there and back, at 25 degC


def _warm_up(fault: Fault, seen: Reported, since_s: Floats, _: Mask) -> None:
    """Fresh from power-up it is off, and comes right as it warms: e^-5 is left at the end of the interval."""
    for interval in fault.intervals:
        share = (since_s - interval.from_s) / (interval.to_s - interval.from_s)
        _shift(seen, np.where((share >= 0) & (share < 1), np.round(fault.size(4.0) * np.exp(-5.0 * share), 1), 0.0))


def _no_temperature(fault: Fault, seen: Reported, since_s: Floats, hit: Mask) -> None:
    seen.temperature_c[hit] = np.nan


def _unplugged_probe(fault: Fault, seen: Reported, since_s: Floats, hit: Mask) -> None:
    seen.temperature_c[hit] = UNPLUGGED_C


def _fahrenheit(fault: Fault, seen: Reported, since_s: Floats, hit: Mask) -> None:
    seen.temperature_c[hit] = np.round(seen.temperature_c[hit] * 1.8 + 32, 2)


def _centimetres(fault: Fault, seen: Reported, since_s: Floats, hit: Mask) -> None:
    seen.distance_mm[hit] = np.round(seen.distance_mm[hit] / 10, 2)


def _reset(fault: Fault, seen: Reported, since_s: Floats, _: Mask) -> None:
    """The first message after each power-up carries the probe's power-on value."""
    for interval in fault.intervals:
        after = np.flatnonzero(since_s >= interval.from_s)
        if len(after) and interval.held is None:
            seen.temperature_c[after[0]] = POWER_ON_C
            interval.held = (0.0, 0.0, POWER_ON_C)


_VALUES: dict[str, Callable[[Fault, Reported, Floats, Mask], None]] = {
    "stuck": _stuck, "wild": _wild, "no_target": _no_target, "too_near": _too_near, "mist": _mist, "drift": _drift,
    "lid_offset": _lid_offset, "no_temperature": _no_temperature, "unplugged_probe": _unplugged_probe,
    "fahrenheit": _fahrenheit, "centimetres": _centimetres, "reset": _reset, "warm_up": _warm_up,
}  # fmt: skip

# What a confused sender writes where a number belongs
NOT_NUMBERS = ("NaN", "Infinity", "-1e999", '"abc"', "true", "null", '"12,5"', "[]", '""')
