"""A scenario: who stands where, what happens and what breaks, read from TOML. Pure; the caller reads the file.

    scenario = read(text, name="good_night")

The classes below are the format: one class a table, one field a key, with its unit, what is allowed and a sentence.
Times are since the scenario's start ("5h", "2d 3h") or local times of day ("21:30").
"""

# ruff: noqa: RUF009 - the calls in the defaults below make immutable values
from __future__ import annotations

import tomllib
from dataclasses import dataclass
from datetime import datetime

from monitor.core.display.units import printable
from monitor.core.vessel.geometry import parse_geometry
from monitor.simulator.flours import FLOURS
from monitor.simulator.growth_law import YEASTS
from monitor.simulator.schema import (
    Part,
    clock,
    jar_name,
    key,
    number,
    one_of,
    read_table,
    some_of,
    span,
    text,
    whole,
    yes_or_no,
)
from monitor.simulator.schema import ScenarioError as ScenarioError
from monitor.values import Geometry, Straight

WEEK = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
PLACES = ("counter", "oven", "fridge")
ACTIONS = ("feed", "look", "stir", "take", "swap", "move", "away")
FAULTS = (
    "stuck", "wild", "no_target", "too_near", "mist", "drift", "lid_offset", "gap", "late", "doubled", "no_temperature",
    "reset", "unplugged_probe", "not_a_number", "fahrenheit", "centimetres", "garbage", "clock_jump", "warm_up", "skin",
)  # fmt: skip


def _geometry(raw: object) -> Geometry:
    if not isinstance(raw, str):
        raise ValueError("allowed: text, " + "`straight 85`, `tapered 70 90 140` or `table 40:200 80:420`")
    shape = parse_geometry(raw)
    if shape == Straight():
        raise ValueError("allowed: with its diameter, like `straight 85`")
    return shape


def _moment(raw: object) -> float:
    if not isinstance(raw, datetime) or raw.tzinfo is None:
        raise ValueError("allowed: a time with its zone, without quotes, like 2026-03-02T18:00:00Z")
    return raw.timestamp()


@dataclass(frozen=True, slots=True, kw_only=True)
class Heating:
    """[kitchen.heating]: a thermostat that switches."""

    day_c: float = key(number(5, 35, "degC"), 20.5, doc="set for the day")
    night_c: float = key(number(5, 35, "degC"), 17.0, doc="set for the night")
    from_s: float = key(clock, 6.5 * 3600, doc="the day begins")
    to_s: float = key(clock, 22.5 * 3600, doc="the night begins")


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """[[kitchen.windows]]: a window is open for a while."""

    at_s: float = key(span, doc='when, like "9h"')
    minutes: float = key(number(1, 1440, "min"), 20.0, doc="for how long")
    outside_c: float = key(number(-30, 45, "degC"), 8.0, doc="temperature outside")


@dataclass(frozen=True, slots=True, kw_only=True)
class KitchenPlan:
    """[kitchen]: the room without heating, and its places."""

    room_c: float = key(number(-5, 45, "degC"), 22.0, doc="mean of the unheated room")
    swing_c: float = key(number(0, 15, "degC"), 1.0, doc="half the difference between afternoon and night")
    warmest_s: float = key(clock, 16 * 3600.0, doc="local time of the warmest hour")
    trend_c_per_day: float = key(number(-10, 10, "degC per day"), 0.0, doc="a slow change of the weather")
    wander_c: float = key(number(0, 5, "degC"), 0.3, doc="what the weather adds by chance, one standard deviation")
    fridge_c: float = key(number(0, 15, "degC"), 4.5, doc="in the fridge")
    oven_c: float = key(number(15, 45, "degC"), 28.0, doc="in the oven with its light on")
    heating: Heating | None = key(Part(Heating, False), None, doc="a thermostat")
    windows: tuple[Window, ...] = key(Part(Window, True), (), doc="opened windows")


@dataclass(frozen=True, slots=True, kw_only=True)
class Starter:
    """[jar.starter]: what is in the jar at the start."""

    grams: float = key(number(0, 5000, "g"), 100.0, doc="0: nothing; the first feeding makes a new starter")
    flour: str = key(one_of(*FLOURS), "white", doc="what it was kept on")
    hydration: float = key(number(0.4, 2.0), 1.0, doc="water over flour")
    vigour: float = key(number(0.1, 2.0), 1.0, doc="how lively it is; bakers' lie between 0.6 and 2")
    yeast: str = key(one_of(*YEASTS), "kazachstania", doc="whose yeast dominates: which temperatures it likes")
    days_since_fed: float = key(number(0.2, 30, "days"), 0.6, doc="how long ago it was last fed")


@dataclass(frozen=True, slots=True, kw_only=True)
class Action:
    """[[jar.do]]: something that the baker does. Give one of `at`, `daily` or `when`."""

    what: str = key(one_of(*ACTIONS), doc="allowed: " + ", ".join(ACTIONS))
    at_s: float | None = key(span, None, doc='once, like "5h"')
    daily_s: float | None = key(clock, None, doc='every day at a local time, like "21:00"')
    days: tuple[str, ...] = key(some_of(*WEEK), WEEK, doc="with daily: only on these")
    when: str | None = key(one_of("fallen"), None, doc="each time the surface has sunk by a twentieth of its rise")
    after_h: float = key(number(0, 48, "h"), 0.0, doc="with when: this much later")
    awake_from_s: float = key(clock, 0.0, doc="with when: not before this local time")
    awake_to_s: float = key(clock, 86340.0, doc="with when: not after this local time")
    minutes: float = key(number(0.5, 20160, "min"), 4.0, doc="how long the lid is off, or the jar away")
    starter_g: float | None = key(number(0, 5000, "g"), None, doc="feed: kept; without it all is kept")
    flour_g: float = key(number(0, 5000, "g"), 100.0, doc="feed")
    water_g: float = key(number(0, 5000, "g"), 100.0, doc="feed")
    water_c: float | None = key(
        number(0, 60, "degC"), None, doc="feed: temperature of the water; without it the room's"
    )
    flour: str = key(one_of(*FLOURS), "white", doc="feed or swap: which flour")
    grams: float = key(number(1, 5000, "g"), 100.0, doc="take: so much; swap: what is in the other jar")
    place: str = key(one_of(*PLACES), "counter", doc="move: where to")


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorPlan:
    """[jar.sensor]: what looks down on the surface."""

    kind: str = key(one_of("optical", "ultrasonic"), "optical", doc="how it measures")
    noise_mm: float = key(number(0, 10, "mm"), 1.5, doc="of one reading, one standard deviation (datasheets: 1 to 3)")
    step_mm: float = key(number(0, 10, "mm"), 1.0, doc="rounding of the distance; firmware that sends metres: 10")
    near_mm: float = key(
        number(0, 100, "mm"), 30.0, doc="nearer than this it reads too far (optical) or nothing (echo)"
    )
    range_bias: float = key(number(-0.2, 0.2), 0.0, doc="reads too far by this share of the distance")
    foam_mm: float = key(number(0, 20, "mm"), 0.0, doc="optical: how much too far it reads into old, coarse foam")
    breathing_mm: float = key(number(0, 10, "mm"), 0.8, doc="slow heaving of a bubbly surface, at double volume")
    dropouts: float = key(number(0, 0.5), 0.01, doc="share of readings without a distance")
    venting: str = key(one_of("open", "loose", "tight"), "loose", doc="how freely CO2 leaves under the lid")
    air: bool = key(yes_or_no, False, doc="it also measures the headspace's air")
    humidity: bool = key(yes_or_no, False, doc="it also measures the headspace's humidity")
    lid_shift_mm: float = key(
        number(0, 20, "mm"), 0.5, doc="how differently the lid is put back, one standard deviation"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Clock:
    """[jar.clock]: the device's own clock."""

    kind: str = key(one_of("right", "absent"), "right", doc="absent: messages carry no time")
    wrong_s: float = key(number(-1e8, 1e8, "s"), 0.0, doc="ahead of the true time by")
    drift_s_per_day: float = key(number(-3600, 3600, "s per day"), 0.0, doc="and gaining")


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultPlan:
    """[[jar.fault]]: something that breaks, once (`at`) or again and again (`per_day`)."""

    what: str = key(one_of(*FAULTS), doc="allowed: " + ", ".join(FAULTS))
    at_s: float | None = key(span, None, doc='once, like "5h"')
    per_day: float | None = key(number(0, 1000, "a day"), None, doc="by chance, so often")
    minutes: float = key(number(0, 100_000, "min"), 10.0, doc="how long each time")
    share: float = key(number(0, 1), 1.0, doc="share of the messages in that time that it hits")
    size: float | None = key(
        number(-1e8, 1e8), None, doc="mm (drift, lid_offset, mist, warm_up), mm/h (skin) or seconds (late, clock_jump)"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class JarPlan:
    """[[jar]]: one vessel under one sensor."""

    name: str = key(jar_name, doc="its name")
    empty_mm: float = key(number(40, 1000, "mm"), 150.0, doc="distance from the sensor to the inside bottom")
    rim_mm: float = key(number(30, 1000, "mm"), 130.0, doc="height of the rim above the inside bottom")
    geometry: Geometry = key(_geometry, Straight(diameter_mm=85.0), doc="its shape")
    place: str = key(one_of(*PLACES), "counter", doc="where it stands at first")
    sampling_s: float | None = key(number(1, 3600, "s"), None, doc="time between readings, if not the scenario's")
    starter: Starter = key(Part(Starter, False), Starter(), doc="what is in it")
    do: tuple[Action, ...] = key(Part(Action, True), (), doc="what the baker does")
    sensor: SensorPlan = key(Part(SensorPlan, False), SensorPlan(), doc="what looks down on it")
    clock: Clock = key(Part(Clock, False), Clock(), doc="the device's clock")
    fault: tuple[FaultPlan, ...] = key(Part(FaultPlan, True), (), doc="what breaks")


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """The whole file."""

    shows: str = key(text, doc="one line: what this scenario shows")
    hours: float = key(number(0.1, 9000, "h"), doc="how long it lasts")
    jar: tuple[JarPlan, ...] = key(Part(JarPlan, True), doc="at least one [[jar]]")
    seed: int = key(whole(0, 2**32 - 1), 1, doc="the same seed gives the same run")
    starts_s: float = key(_moment, 1_772_474_400.0, doc="when it begins; without it 2026-03-02T18:00:00Z")
    utc_offset_h: float = key(number(-12, 14, "h"), 0.0, doc="local time minus UTC")
    sampling_s: float = key(number(1, 3600, "s"), 60.0, doc="time between readings")
    kitchen: KitchenPlan = key(Part(KitchenPlan, False), KitchenPlan(), doc="where it all stands")


# what the keys are called in the file, where the field's unit is understood from the value ("5h", "21:30")
_FILE_NAMES = {
    "at": "at_s", "daily": "daily_s", "awake_from": "awake_from_s", "awake_to": "awake_to_s", "from": "from_s",
    "to": "to_s", "warmest": "warmest_s", "starts": "starts_s",
}  # fmt: skip
_FIELD_NAMES = {field: name for name, field in _FILE_NAMES.items()}


def read(toml: str, name: str = "scenario") -> Scenario:
    """The scenario in `toml`. Raises ScenarioError with one line for each problem, each beginning with `name`."""
    try:
        raw = tomllib.loads(toml)
    except tomllib.TOMLDecodeError as error:
        raise ScenarioError(f"{name}: not TOML: {error}") from None
    problems: list[str] = []
    scenario = read_table(Scenario, _renamed(raw), "", problems)
    if scenario is not None:
        problems += _nonsense(scenario)
    if scenario is None or problems:
        raise ScenarioError("\n".join(f"{name}: {_as_in_file(problem)}" for problem in problems))
    return scenario


def _renamed(raw: object) -> object:
    if isinstance(raw, dict):
        return {_FILE_NAMES.get(key, key): _renamed(value) for key, value in raw.items()}
    return [_renamed(one) for one in raw] if isinstance(raw, list) else raw


def _as_in_file(problem: str) -> str:
    where, colon, rest = problem.partition(":")
    head, space, tail = where.partition(" ")
    parts = [_FIELD_NAMES.get(part, part) for part in head.split(".")]
    for field_name, file_name in _FIELD_NAMES.items():
        rest = rest.replace(f" {field_name}", f" {file_name}")
    said = ".".join(parts) + space + tail + colon + rest
    return printable(said)  # a key may hold a line's end


def _nonsense(scenario: Scenario) -> list[str]:
    """What each key alone cannot show."""
    problems = []
    if not scenario.jar:
        problems.append("jar: missing; at least one [[jar]]")
    names = [jar.name for jar in scenario.jar]
    problems += [
        f'jar.name = "{name}": allowed: one jar per name' for name in sorted(set(names)) if names.count(name) > 1
    ]
    for i, jar in enumerate(scenario.jar, 1):
        if jar.rim_mm >= jar.empty_mm:
            problems.append(f"jar[{i}].rim_mm = {jar.rim_mm:g}: allowed: less than empty_mm, which is {jar.empty_mm:g}")
        for j, action in enumerate(jar.do, 1):
            if sum(x is not None for x in (action.at_s, action.daily_s, action.when)) != 1:
                problems.append(f"jar[{i}].do[{j}]: allowed: exactly one of at, daily and when")
        for j, fault in enumerate(jar.fault, 1):
            if fault.what == "skin" and fault.at_s is None:
                problems.append(
                    f"jar[{i}].fault[{j}]: allowed: a skin with at, from when on its surface sinks this slowly"
                )
                continue
            if (fault.at_s is None) == (fault.per_day is None):
                problems.append(f"jar[{i}].fault[{j}]: allowed: exactly one of at and per_day")
    return problems
