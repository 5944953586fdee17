"""The one place where numbers become what people read: units, times of day, lengths of time, ratios, stages, names.

Inside the program everything is in degC, mm, g and Unix seconds; the command line, the page and the words of notices
use this module. Pure; the local clock comes in as a function (see `display.local_time`).
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from monitor.core.display.local_time import MONTHS, Offset, date_of, local_day, minute_of_day, weekday
from monitor.settings import DisplaySettings
from monitor.values import DAY_S, JarState, Stage

MM_PER_INCH = 25.4  # exact, international yard and pound agreement of 1959
G_PER_OUNCE = 28.349523125  # exact, avoirdupois, same agreement

_NUMBER = re.compile(r"-?\d+(?:\.\d+)?")
_CELSIUS = re.compile(rf"(?:{_NUMBER.pattern} (?:to|and) )?{_NUMBER.pattern} °C")  # "16 °C", "27 to 28 °C"

FORECAST_STEP_S = 300.0  # no forecast is more precise
NAME_CHARS = 40  # a jar's name in a title; mail programs and phones show about 50 characters of one

STAGE_WORDS = {
    Stage.UNKNOWN: "watched; counting starts at its next feeding",
    Stage.SETTLING: "settling after the feeding",
    Stage.RISING: "rising",
    Stage.PEAKED: "at its peak",
    Stage.FALLING: "sinking, hungry",
    Stage.FLAT: "not rising",
    Stage.RESTING: "resting",
    Stage.AWAY: "away",
}


def _utc(_time_s: float) -> float:
    return 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Display:
    """The units and the clock of one household."""

    temperature_unit: Literal["degC", "degF"] = "degC"
    length_unit: Literal["mm", "in"] = "mm"
    weight_unit: Literal["g", "oz"] = "g"
    offset_s: Offset = _utc  # Unix time -> local minus UTC, seconds

    def temperature(self, temperature_c: float) -> str:
        """23.44 -> "23.4 °C" or "74.2 °F"."""
        return f"{_plain(self.degrees(temperature_c), 1)} {self.degree}"

    @property
    def degree(self) -> str:
        """ "°C" or "°F"."""
        return "°F" if self.temperature_unit == "degF" else "°C"

    def degrees(self, temperature_c: float) -> float:
        """The number before that sign: 20.0 -> 20.0 or 68.0."""
        return temperature_c * 9 / 5 + 32 if self.temperature_unit == "degF" else temperature_c

    def worded(self, sentences: str) -> str:
        """Sentences from `core`, which are in °C, for readers of °F: whole degrees."""
        if self.temperature_unit != "degF":
            return sentences
        return _CELSIUS.sub(
            lambda found: _NUMBER.sub(lambda c: f"{self.degrees(float(c[0])):.0f}", found[0]).replace("°C", "°F"),
            sentences,
        )

    def length(self, length_mm: float) -> str:
        """84.2 -> "84 mm" or "3.31 in"."""
        if self.length_unit == "in":
            return f"{_plain(length_mm / MM_PER_INCH, 2)} in"
        return f"{_plain(length_mm, 0)} mm"

    def speed(self, speed_mm_per_h: float) -> str:
        """-3.21 -> "-3.2 mm/h" or "-0.13 in/h"."""
        if self.length_unit == "in":
            return f"{_plain(speed_mm_per_h / MM_PER_INCH, 2)} in/h"
        return f"{_plain(speed_mm_per_h, 1)} mm/h"

    def weight(self, weight_g: float) -> str:
        """25.0 -> "25 g" or "0.88 oz"; a tenth of an ounce would be too coarse for what is kept, and 0.5 g, which fine
        scales show, is not rounded to nothing."""
        if self.weight_unit == "oz":
            return f"{_plain(weight_g / G_PER_OUNCE, 1 if weight_g >= G_PER_OUNCE else 2)} oz"
        return f"{_plain(weight_g, 0) if weight_g >= 10.0 else f'{weight_g:.1f}'.removesuffix('.0')} g"

    def clock(self, time_s: float, now_s: float) -> str:
        """A local time as people say it at `now_s`, after "at", "since" or "about": "07:40" (today or within 12 h),
        "23:10 yesterday", "07:40 on Saturday" (within 6 days), "07:40 on 14 March" (and the year, if another)."""
        day, today = local_day(time_s, self.offset_s), local_day(now_s, self.offset_s)
        minute = minute_of_day(time_s, self.offset_s)
        text = f"{minute // 60:02d}:{minute % 60:02d}"
        if day == today or abs(time_s - now_s) < DAY_S / 2:
            return text
        if abs(day - today) == 1:
            return f"{text} {'yesterday' if day < today else 'tomorrow'}"
        if abs(day - today) <= 6:
            return f"{text} on {weekday(day)}"
        year, month, day_of_month = date_of(day)
        return f"{text} on {day_of_month} {MONTHS[month - 1]}" + (f" {year}" if year != date_of(today)[0] else "")

    def stamp(self, time_s: float) -> str:
        """A local day and time for a list or a log: "Sat 28 Nov, 18:54"."""
        day, minute = local_day(time_s, self.offset_s), minute_of_day(time_s, self.offset_s)
        _, month, day_of_month = date_of(day)
        return f"{weekday(day)[:3]} {day_of_month} {MONTHS[month - 1][:3]}, {minute // 60:02d}:{minute % 60:02d}"

    def about(self, time_s: float, now_s: float) -> str:
        """A predicted time, to five minutes, as no forecast is more precise."""
        return self.clock(round(time_s / FORECAST_STEP_S) * FORECAST_STEP_S, now_s)

    def about_between(self, low_s: float, high_s: float, now_s: float) -> str:
        """A range of predicted times, with the day once where it is the same: "08:30 to 09:30 tomorrow"."""
        low, high = self.about(low_s, now_s), self.about(high_s, now_s)
        same_day = low.partition(" ")[2] == high.partition(" ")[2]
        return f"{low.partition(' ')[0] if same_day else low} to {high}"

    def since(self, sentence: str, since_s: float, now_s: float) -> str:
        """A sentence about what is wrong, with since when; a question remains one."""
        return f"{sentence}{' Since' if sentence.endswith('?') else ', since'} {self.clock(since_s, now_s)}"


def display_of(settings: DisplaySettings, offset_s: Offset) -> Display:
    """A `Display` from the [display] table and the local clock."""
    return Display(
        temperature_unit=settings.temperature,
        length_unit=settings.length,
        weight_unit=settings.weight,
        offset_s=offset_s,
    )


def duration(length_s: float) -> str:
    """A length of time as people say it: "45 min", "7 h 40 min", "14 h 30 min", "3 days". From 2 h on in steps of 5
    min, as no detection is more precise; from 10 h on in half hours, as a flat top is not known better; from 48 h in
    whole days.
    """
    minutes = round(length_s / 60)
    if minutes >= 120:
        step = 5 if minutes < 600 else 30
        minutes = round(minutes / step) * step
    if minutes < 90:
        return f"{minutes} min"
    if minutes < 48 * 60:
        return f"{minutes // 60} h" + (f" {minutes % 60} min" if minutes % 60 else "")
    return f"{round(minutes / 1440)} days"


def times(rise_ratio: float) -> str:
    """A rise ratio: 2.14 -> "2.1 times"."""
    return f"{_plain(rise_ratio, 1)} times"


def shown(name: str) -> str:
    """A jar's name fit for one line: no control characters, at most 40 characters."""
    return one_line(name, NAME_CHARS)


CONTROLS = re.compile(r"[\x00-\x1f\x7f-\x9f]")  # C0, delete and C1 (ECMA-48, section 5): a terminal obeys them


def without_controls(text: str) -> str:
    """A text with its control characters written out as Python writes them; all other letters of the world stay."""
    return CONTROLS.sub(lambda found: ascii(found[0])[1:-1], text)


def printable(text: str) -> str:
    """A message on one line, of visible letters only: all others are written out as Python writes them."""
    return text if text.isprintable() else "".join(c if c.isprintable() else ascii(c)[1:-1] for c in text)


def one_line(text: str, most: int) -> str:
    """What a person wrote, on one line of at most `most` characters and without control characters, which a terminal
    would obey."""
    line = " ".join("".join(char if char.isprintable() else " " for char in text[: 8 * most]).split())
    return line if len(line) <= most else line[: most - 1] + "…"


def _plain(number: float, digits: int) -> str:
    text = f"{number:.{digits}f}"
    return text.removeprefix("-") if not text.strip("-0.") else text  # no "-0.0"


# what temperature sensors and their libraries return when nothing was measured (DS18B20 data sheet; common libraries)
FAULT_CODES_C = {
    -127.0: "libraries give this value when no sensor answers; check its wires and pull-up resistor",
    127.94: "libraries give this value when the line is cut; check its wires",
}
# what the state of a jar says about its sensor: (since when, what is wrong, what to do)
SENSOR_TROUBLES = (
    ("silent_since_s", "no reading", "check its power, its cable or network"),
    ("stuck_since_s", "the sensor has sent exactly the same value", "unplug it for a moment"),
    ("lid_off_since_s", "the lid is off", "put it back on, loosely"),
)


def sensor_troubles(state: JarState, clock: Callable[[float], str]) -> list[str]:
    """What is wrong with a jar's sensor, since when and what to do; a sentence for each trouble."""
    since_s = {
        "silent_since_s": state.silent_since_s,
        "stuck_since_s": state.stuck_since_s,
        "lid_off_since_s": state.lid_off_since_s,
    }
    found = [
        f"{what} since {clock(at_s)}: {remedy}"
        for key, what, remedy in SENSOR_TROUBLES
        if (at_s := since_s[key]) is not None
    ]
    return found + firmware_troubles(state)


def _refused_because(sent_c: float) -> str:
    """Why a temperature is not believed, and what to do."""
    if sent_c in FAULT_CODES_C:
        return FAULT_CODES_C[sent_c]
    if sent_c in (0.0, 85.0):
        return "a sensor gives this value before it has measured; check its power, wires and pull-up resistor"
    return "no kitchen is that hot or cold; check its wires, and what the firmware sends (it must be degrees Celsius)"


def firmware_troubles(state: JarState) -> list[str]:
    """What the sensor's firmware sends wrongly, as its readings show, and what to change; a sentence for each fault."""
    found = []
    if state.distance_unit is not None:
        unit = {"cm": "centimetres", "in": "inches"}[state.distance_unit]
        found.append(f"the distances look like {unit}, so none is used: have the firmware send millimetres")
    if state.temperature_unit is not None:
        found.append(
            "the temperatures look like degrees Fahrenheit, so none is used: have the firmware send degrees Celsius"
        )
    elif state.refused_c is not None:
        found.append(f"the temperature {state.refused_c:g} is rejected: {_refused_because(state.refused_c)}")
    if state.rounds_to_mm is not None:
        found.append(
            f"the sensor or its firmware rounds to {state.rounds_to_mm:.0f} mm, so rise and fall are seen late: have "
            "it send tenths of a millimetre"
        )
    return found
