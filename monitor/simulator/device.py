"""The device that sends what the sensor reports: its clock, its counter, its power-ups, and the way to us.

Arrays of readings become `Sent` messages here, in order of arrival.
"""

from __future__ import annotations

import heapq
import json
import math
from collections.abc import Iterator
from dataclasses import dataclass

from monitor.simulator.faults import NOT_NUMBERS, Fault, inject
from monitor.simulator.random_numbers import Floats, RandomNumbers
from monitor.simulator.scenario import JarPlan
from monitor.simulator.sensor import Reported
from monitor.values import Reading


@dataclass(frozen=True, slots=True, kw_only=True)
class Sent:
    """One message on its way: it arrives at `at_s` (true time).

    `reading.time_s` is what the device's clock said, or the time of arrival when it has none (`timed` False). `raw`
    replaces the whole message by these bytes: then the reading is what they were before they were garbled.
    """

    at_s: float
    reading: Reading
    boot: str
    seq: int
    up_ms: int
    timed: bool
    raw: bytes | None = None


class Device:
    """One jar's device; it owns its counter and the messages that are still on their way."""

    def __init__(self, plan: JarPlan, seed: int, starts_s: float) -> None:
        self._plan = plan
        self._starts_s = starts_s
        self._faults = [Fault(fault, seed, plan.name, i) for i, fault in enumerate(plan.fault)]
        self._boots = RandomNumbers(seed, plan.name, "boots")
        self._boot = self._boots.token()
        self._up_since_s = -self._boots.one(60, 400_000)  # it was switched on some time before
        self._seq = int(self._boots.one(0, 5000))
        self._way: list[tuple[float, int, Sent]] = []
        self._count = 0

    def intervals(self, to_s: float) -> Iterator[tuple[str, float, float]]:
        """Let the faults begin that begin before `to_s`; gives the new ones: name, from, to (s since the start)."""
        for fault in self._faults:
            before = len(fault.intervals)
            fault.until(to_s)
            for interval in fault.intervals[before:]:
                yield fault.what, interval.from_s, interval.to_s

    def send(self, seen: Reported, to_s: float) -> list[Sent]:
        """The messages that arrive before `to_s` (seconds since the start), in order; later ones are kept for then."""
        since_s = seen.time_s - self._starts_s
        for fault in self._faults:
            inject(fault, seen, since_s)
        way = {name: self._on_the_way(name, since_s) for name in ("gap", "late", "doubled", "not_a_number", "garbage")}
        clock = self._clock(since_s)
        restarts = sorted(
            interval.from_s for fault in self._faults if fault.what == "reset" for interval in fault.intervals
        )
        plan = self._plan
        timed = plan.clock.kind == "right"
        columns = (seen.distance_mm, seen.echo_us, seen.temperature_c, seen.air_c, seen.humidity_pct)
        rows = zip(seen.time_s.tolist(), clock, *(_given(column) for column in columns), strict=True)
        for i, (time_s, shown_s, distance_mm, echo_us, temperature_c, air_c, humidity_pct) in enumerate(rows):
            since = time_s - self._starts_s
            while restarts and restarts[0] <= since:
                if restarts[0] > self._up_since_s:
                    self._boot, self._up_since_s, self._seq = self._boots.token(), restarts[0], 0
                restarts.pop(0)
            self._seq += 1
            if i in way["gap"]:
                continue
            at_s = time_s + way["late"].get(i, 0.0)
            reading = Reading(
                time_s=shown_s if timed else at_s,
                jar=plan.name,
                distance_mm=distance_mm,
                echo_us=echo_us,
                temperature_c=temperature_c,
                air_c=air_c,
                humidity_pct=humidity_pct,
            )
            raw = None
            if i in way["not_a_number"]:
                word = NOT_NUMBERS[int(way["not_a_number"][i] * len(NOT_NUMBERS))]
                raw = f'{{"jar":"{plan.name}","distance_mm":{word}}}'.encode()
            elif i in way["garbage"]:
                raw = (
                    RandomNumbers(int(way["garbage"][i] * 2**31))
                    .uniform(40)
                    .tobytes()[: int(10 + 200 * way["garbage"][i])]
                )
            sent = Sent(
                at_s=at_s,
                reading=reading,
                boot=self._boot,
                seq=self._seq,
                up_ms=round((since - self._up_since_s) * 1000),
                timed=timed,
                raw=raw,
            )
            self._put(sent)
            if i in way["doubled"]:
                self._put(_again(sent, at_s + way["doubled"][i]))
        for fault in self._faults:
            fault.forget(to_s)
        out = []
        while self._way and self._way[0][0] - self._starts_s < to_s:
            out.append(heapq.heappop(self._way)[2])
        return out

    def _put(self, sent: Sent) -> None:
        self._count += 1
        heapq.heappush(self._way, (sent.at_s, self._count, sent))

    def _clock(self, since_s: Floats) -> list[float]:
        """What the device's clock says at each reading, to the millisecond."""
        own = self._plan.clock
        shown = self._starts_s + since_s + own.wrong_s + own.drift_s_per_day * since_s / 86400
        for fault in self._faults:
            if fault.what == "clock_jump":
                for interval in fault.intervals:
                    shown = shown + (since_s >= interval.from_s) * fault.size(3600.0)
        return [round(float(value), 3) for value in shown]

    def _on_the_way(self, what: str, since_s: Floats) -> dict[int, float]:
        """Which messages a fault of the way hits, each with how many seconds (late, doubled) or a drawn number."""
        hits: dict[int, float] = {}
        for fault in self._faults:
            if fault.what != what:
                continue
            drawn = fault.random.uniform(len(since_s))
            for i in fault.hit(since_s).nonzero()[0].tolist():
                number = float(drawn[i])
                if what == "late":
                    number = fault.size(600.0) * number
                elif what == "doubled":
                    number = fault.size(5.0) * number
                hits[i] = round(number, 3) if what in ("late", "doubled") else number
        return hits


def _again(sent: Sent, at_s: float) -> Sent:
    return Sent(
        at_s=at_s, reading=sent.reading, boot=sent.boot, seq=sent.seq, up_ms=sent.up_ms, timed=sent.timed, raw=sent.raw
    )


def _given(column: Floats) -> list[float | None]:
    return [None if math.isnan(value) else value for value in column.tolist()]


def payload(sent: Sent, shift_s: float = 0.0) -> bytes:
    """The message as a device writes it: one JSON object. `shift_s` is added to its time, if it has one, and marks its
    power-ups: played again at another time it is another device, whose counted messages nobody has had before."""
    if sent.raw is not None:
        return sent.raw
    reading = sent.reading
    fields: dict[str, object] = {"jar": reading.jar}
    for name in ("distance_mm", "echo_us", "temperature_c", "air_c", "humidity_pct"):
        value = getattr(reading, name)
        if value is not None:
            fields[name] = value
    if sent.timed:
        fields["time"] = round(reading.time_s + shift_s, 3)
    boot = f"{sent.boot}{round(shift_s):x}" if shift_s else sent.boot
    fields |= {"boot": boot, "seq": sent.seq, "up_ms": sent.up_ms}
    return json.dumps(fields, separators=(",", ":")).encode()
