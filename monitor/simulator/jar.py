"""One jar of a scene: its dough, its place, its sensor and device, and what the baker still means to do to it.

Played stretch by stretch by `scene.py`. A stretch in which nothing is done to the jar is integrated as a whole; doings
fall on whole minutes between stretches. Times are seconds since the scenario's start.
"""

from __future__ import annotations

import heapq
import math
from datetime import UTC, datetime
from itertools import accumulate
from typing import Any

import numpy as np

from monitor.core.vessel.level import volume_ml as volume_below_ml
from monitor.simulator.device import Device, Sent
from monitor.simulator.dough import (
    BACTERIUM_G,
    CO2,
    ESCAPED,
    HOOCH,
    YEAST_CELL_G,
    gas_ml,
    mass_g,
    molar_volume_ml,
    ph_of,
    volume_ml,
)
from monitor.simulator.handling import fed, stirred, without
from monitor.simulator.integrator import dough_from, empty_jar, grow, ripe_starter
from monitor.simulator.kitchen import GRID_S, jar_lag_h, jar_minutes, place_c
from monitor.simulator.random_numbers import Floats, RandomNumbers
from monitor.simulator.scenario import WEEK, Action, JarPlan, Scenario
from monitor.simulator.sensor import Seen, Sensor
from monitor.simulator.truth import JarTruth, TrueCycle
from monitor.values import Json

WATCHING_S = 1800.0  # how often a baker who waits for the fall looks
FALLEN = 0.05  # "fallen" is a twentieth of the rise
MOVES_THE_SURFACE = {"feed", "stir", "take", "swap"}
LID_OFF_AT_ONCE = MOVES_THE_SURFACE | {"look"}
SKIN_MM_PER_H = 1.0
SHELF_BELOW_MM = 25.0  # without the jar the sensor sees what the jar stood on
NEVER_S = math.inf


class Jar:
    """One jar of a scene: its dough, its place, its sensor and device, and what the baker still means to do to it."""

    def __init__(self, plan: JarPlan, scenario: Scenario, keep_chemistry: bool) -> None:
        self.plan = plan
        self.truth = JarTruth(plan.name, keep_chemistry)
        self._scenario = scenario
        self._sampling_s = plan.sampling_s or scenario.sampling_s
        starter = plan.starter
        self._dough, self._batch = (
            ripe_starter(
                starter.flour, starter.grams, starter.hydration, starter.vigour, starter.days_since_fed, starter.yeast
            )
            if starter.grams > 0
            else empty_jar(starter.flour, starter.vigour, starter.yeast)
        )
        self._place = plan.place
        self._jar_c: float | None = None
        self._sensor = Sensor(plan.sensor, scenario.seed, plan.name, self._sampling_s)
        self._device = Device(plan, scenario.seed, scenario.starts_s)
        self._skins = [fault for fault in plan.fault if fault.what == "skin"]
        self._hands = RandomNumbers(scenario.seed, plan.name, "hands")
        self._lid_mm = 0.0  # how differently from the first time the lid sits
        self._next_reading = 0
        self._off: list[tuple[float, float, float]] = []  # from, to, what the sensor sees instead (nan: nothing)
        self._levels = np.arange(0.0, plan.rim_mm + 0.25, 0.25)
        self._volumes = np.array(
            [volume_below_ml(plan.geometry, level) for level in self._levels.tolist()], dtype=np.float64
        )
        self._widths = np.sqrt(np.gradient(self._volumes, self._levels) * 1000 * 4 / math.pi)
        self._actions: list[tuple[float, int, Action]] = []
        self._count = 0
        self._standing_mm: float | None = None  # where a skin holds the surface; None: it has just been stirred
        self._waiting = [action for action in plan.do if action.when is not None]
        for action in plan.do:
            if action.at_s is not None:
                self.plan_action(action.at_s, action)
            elif action.daily_s is not None:
                self.plan_action(self._next_daily(action, -1.0), action)

    # --- the baker ---

    def plan_action(self, at_s: float, action: Action) -> None:
        """Something to do at a time, which is rounded to a whole minute."""
        self._count += 1
        heapq.heappush(self._actions, (round(at_s / GRID_S) * GRID_S, self._count, action))

    def _local(self, since_s: float) -> tuple[float, str]:
        at_s = self._scenario.starts_s + self._scenario.utc_offset_h * 3600 + since_s
        return at_s % 86400, WEEK[datetime.fromtimestamp(at_s, UTC).weekday()]

    def _next_daily(self, action: Action, after_s: float) -> float:
        assert action.daily_s is not None
        local_s, _ = self._local(after_s)
        at_s = after_s + (action.daily_s - local_s) % 86400
        at_s += 86400 * (at_s <= after_s)
        while self._local(at_s)[1] not in action.days:
            at_s += 86400
        return at_s

    def _do(self, at_s: float, action: Action, room_c: float) -> None:
        what = action.what
        row: dict[str, Json] = {"what": what, "at_s": self._scenario.starts_s + at_s}
        if what in LID_OFF_AT_ONCE:
            self._lift_lid(at_s, action.minutes)
        before_mm = self._surface_mm()
        if what in MOVES_THE_SURFACE:
            self._standing_mm = None
        if what == "feed":
            row |= self._feed(at_s, action, room_c, before_mm)
        elif what == "stir":
            self._dough = stirred(self._dough)
            self.truth.disturbed()
        elif what == "take":
            share = min(0.95, action.grams / mass_g(self._dough, self._batch))
            self._dough, self._batch = without(self._dough, self._batch, share)
            self._dough = stirred(self._dough, gas_left=0.6)
            self.truth.disturbed()
            row["grams"] = action.grams
        elif what == "swap":
            self._dough, self._batch = ripe_starter(
                action.flour, action.grams, 1.0, self.plan.starter.vigour, 0.6, self.plan.starter.yeast
            )
            self.truth.disturbed()
        elif what == "move":
            self._place = action.place
            row["place"] = action.place
        elif what == "away":
            seen_mm = self.plan.empty_mm + SHELF_BELOW_MM
            self._off.append((at_s, at_s + action.minutes * 60, seen_mm))
            row["minutes"] = action.minutes
        self.truth.doings.append(row)
        if action.daily_s is not None:
            self.plan_action(self._next_daily(action, at_s), action)

    def _feed(self, at_s: float, action: Action, room_c: float, before_mm: float) -> dict[str, Json]:
        assert self._jar_c is not None
        there_g = mass_g(self._dough, self._batch)
        kept_g = there_g if action.starter_g is None else min(there_g, action.starter_g)
        added: dict[str, Json] = {"flour_g": action.flour_g, "water_g": action.water_g, "flour": action.flour}
        self._dough, self._batch = fed(self._dough, self._batch, keep_g=action.starter_g, **added)  # type: ignore[arg-type]
        water_c = room_c if action.water_c is None else action.water_c
        # heat capacities: water 4.2, dough 3.4, flour 1.8 J/g/K (textbook)
        heats = (kept_g * 3.4, action.flour_g * 1.8, action.water_g * 4.2)
        self._jar_c = (heats[0] * self._jar_c + heats[1] * room_c + heats[2] * water_c) / max(sum(heats), 1e-9)
        start_ml = float(volume_ml(self._dough, self._batch, self._jar_c))
        cycle = TrueCycle(
            fed_at_s=self._scenario.starts_s + at_s, before_mm=before_mm, start_mm=float(self._level(start_ml)),
            start_ml=start_ml, starter_g=kept_g, flour_g=action.flour_g, water_g=action.water_g, flour=action.flour,
        )  # fmt: skip
        self.truth.fed(cycle)
        self._waiting = [one for one in self.plan.do if one.when is not None]
        return {"starter_g": round(kept_g, 1), **added}

    def _lift_lid(self, at_s: float, minutes: float) -> None:
        """The sensor sits in the lid, and the lid lies somewhere else: on its back, or looking down at the worktop."""
        elsewhere_mm = math.nan if self._hands.one() < 0.4 else round(self._hands.one(4.0, 30.0))
        self._off.append((at_s, at_s + minutes * 60, elsewhere_mm))
        self._sensor.aired()
        self._lid_mm = self.plan.sensor.lid_shift_mm * float(self._hands.normal(1)[0])

    # --- time ---

    def advance(self, from_s: float, to_s: float, room: Floats) -> list[Sent]:
        """Messages that arrive in this stretch; `room` is the air's temperature at its minutes, both ends included."""
        out: list[Sent] = []
        at_s = from_s
        if self._jar_c is None:
            self._jar_c = float(place_c(self._place, self._scenario.kitchen, room[:1], round(from_s / GRID_S))[0])
        while at_s < to_s:
            first = round((at_s - from_s) / GRID_S)
            while self._actions and self._actions[0][0] <= at_s:
                _, _, action = heapq.heappop(self._actions)
                self._do(at_s, action, float(room[first]))
            until_s = min(to_s, self._actions[0][0] if self._actions else NEVER_S)
            if self._waiting:
                until_s = min(until_s, at_s + WATCHING_S)
            out += self._stretch(at_s, until_s, room[first : first + round((until_s - at_s) / GRID_S) + 1])
            at_s = until_s
            self._look_for_fall(at_s)
        return out

    def _look_for_fall(self, at_s: float) -> None:
        cycle = self.truth.cycles[-1] if self.truth.cycles else None
        if not self._waiting or cycle is None or cycle.peak_at_s is None:
            return
        if self._surface_mm() > cycle.peak_mm - FALLEN * (cycle.peak_mm - cycle.start_mm):
            return
        for action in self._waiting:
            when_s = at_s + action.after_h * 3600
            local_s, _ = self._local(when_s)
            if not action.awake_from_s <= local_s <= action.awake_to_s:
                when_s += (action.awake_from_s - local_s) % 86400
            self.plan_action(when_s, action)
        self._waiting = []

    def _stretch(self, from_s: float, to_s: float, room: Floats) -> list[Sent]:
        """Nothing is done to the jar between `from_s` and `to_s`."""
        starts_s = self._scenario.starts_s
        around = place_c(self._place, self._scenario.kitchen, room, round(from_s / GRID_S))
        assert self._jar_c is not None
        jar = jar_minutes(self._jar_c, around.tolist(), jar_lag_h(mass_g(self._dough, self._batch)))
        self._jar_c = jar[-1]

        states = grow(self._dough, self._batch, jar)
        minutes: Floats = np.arange(len(jar), dtype=np.float64) * GRID_S + from_s
        volumes = volume_ml(states, self._batch, np.array(jar))
        levels = self._under_skin(self._level(volumes), from_s)
        self.truth.saw(minutes[1:] + starts_s, levels[1:], np.interp(levels[1:], self._levels, self._volumes))
        for i, at_s in enumerate(minutes[:-1].tolist()):
            if self.truth.wants_chemistry(at_s):
                self._note_chemistry(at_s, states[:, i], float(levels[i]), jar[i], float(room[i]))

        out = self._read(to_s, states, levels, minutes, np.array(jar), room)
        self._dough = dough_from(states[:, -1])
        over_ml = float(volumes[-1]) - float(self._volumes[-1])
        if over_ml > 0:  # what stands above the rim runs over it
            self._dough, self._batch = without(self._dough, self._batch, over_ml / float(volumes[-1]))
            if not self.truth.doings or self.truth.doings[-1]["what"] != "overflow":
                self.truth.doings.append({"what": "overflow", "at_s": starts_s + to_s})
        self._off = [one for one in self._off if one[1] > to_s]
        return out

    def _read(
        self, to_s: float, states: Floats, levels: Floats, minutes: Floats, jar: Floats, room: Floats
    ) -> list[Sent]:
        """The readings of a stretch, through the sensor and the device: between its minutes everything goes evenly."""
        first = self._next_reading
        stop = math.ceil(to_s / self._sampling_s - 1e-9)
        self._next_reading = max(first, stop)
        since_s: Floats = np.arange(first, self._next_reading, dtype=np.float64) * self._sampling_s
        starts_s = self._scenario.starts_s
        for what, begins_s, ends_s in self._device.intervals(to_s):
            ends = None if math.isinf(ends_s) else starts_s + ends_s
            self.truth.faults.append({"what": what, "from_s": starts_s + begins_s, "to_s": ends})
        jar_c, room_c = np.interp(since_s, minutes, jar), np.interp(since_s, minutes, room)
        level_mm = np.interp(since_s, minutes, levels)
        held_ml = gas_ml(states, jar)
        expansion = held_ml / np.maximum(volume_ml(states, self._batch, jar) - held_ml, 1e-9)
        fed_s = self.truth.cycles[-1].fed_at_s if self.truth.cycles else math.inf
        leaving_ml = np.gradient(states[ESCAPED], GRID_S / 3600) / CO2 * molar_volume_ml(25.0)
        report = self._sensor.report(
            Seen(
                time_s=since_s + starts_s,
                distance_mm=self.plan.empty_mm - level_mm + self._lid_mm,
                width_mm=np.interp(level_mm, self._levels, self._widths),
                expansion=np.interp(since_s, minutes, expansion),
                since_fed_h=np.maximum(since_s + starts_s - fed_s, 0.0) / 3600,
                hooch=np.interp(since_s, minutes, states[HOOCH]),
                jar_c=jar_c,
                room_c=room_c,
                escaping_ml_per_h=np.maximum(np.interp(since_s, minutes, leaving_ml), 0.0),
            )
        )
        for begins_s, ends_s, sees_mm in self._off:
            inside = (since_s >= begins_s) & (since_s < ends_s)
            report.distance_mm[inside] = sees_mm if self.plan.sensor.kind == "optical" else math.nan
            report.echo_us[inside] = sees_mm * 5.77 if self.plan.sensor.kind == "ultrasonic" else math.nan
        return self._device.send(report, to_s)

    # --- the surface ---

    def _level(self, volumes: Any) -> Any:
        """Heights of the surface in mm; never above the rim."""
        return np.interp(volumes, self._volumes, self._levels)

    def _surface_mm(self) -> float:
        """Where the surface stands now."""
        if self._standing_mm is not None:
            return self._standing_mm
        return float(self._level(volume_ml(self._dough, self._batch, self._jar_c)))

    def _under_skin(self, levels: Floats, from_s: float) -> Floats:
        """The surface from minute to minute: where it has a skin it sinks no faster than that lets it."""
        slowest = min(
            (skin.size or SKIN_MM_PER_H for skin in self._skins if (skin.at_s or 0.0) <= from_s), default=None
        )
        if slowest is None:
            return levels
        first = float(levels[0]) if self._standing_mm is None else self._standing_mm
        least = slowest * GRID_S / 3600
        standing = list(accumulate(levels[1:].tolist(), lambda above, mm: max(mm, above - least), initial=first))
        self._standing_mm = standing[-1]
        return np.array(standing)

    def _note_chemistry(self, at_s: float, state: Floats, level_mm: float, jar_c: float, room_c: float) -> None:
        dough = dough_from(state)
        mass = max(mass_g(dough, self._batch), 1e-9)
        self.truth.chemistry.append(
            {
                "at_s": self._scenario.starts_s + at_s,
                "temperature_c": round(jar_c, 2),
                "room_c": round(room_c, 2),
                "level_mm": round(level_mm, 2),
                "volume_ml": round(float(np.interp(level_mm, self._levels, self._volumes)), 1),
                "ph": round(ph_of(dough, self._batch), 2) if self._batch.flour_g > 0 else None,
                "yeast_log10_per_g": _log10(dough.yeast / YEAST_CELL_G / mass),
                "bacteria_log10_per_g": _log10((dough.bacteria + dough.wild) / BACTERIUM_G / mass),
                "co2_made_g": round(dough.gas + dough.dissolved + dough.escaped, 3),
                "gas_held_ml": round(dough.gas / CO2 * molar_volume_ml(jar_c), 1),
                "gluten": round(dough.gluten, 3),
                "hooch_g": round(dough.hooch * dough.water, 1),
            }
        )


def _log10(count: float) -> float | None:
    return round(math.log10(count), 2) if count > 0 else None
