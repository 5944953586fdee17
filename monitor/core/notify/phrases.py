"""The subject of a notice, and the phrases that several notices share: how high and how long it rose, how warm it was,
what it was fed, and what makes the readings uncertain.

`text` makes whole notices of them; `core.display` turns numbers and times into text.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf

from monitor.core.display.units import Display, duration, shown, times
from monitor.settings import JarSettings
from monitor.values import Cycle, JarState, Noted

UNSURE_RATIO = (
    0.15  # a rise that is given as "2.1 times" should not be off by more than one and a half of its last digit
)
OLD_READING_S = 1800.0  # a reading older than this is no longer "now" for a starter that sinks by the hour


@dataclass(frozen=True, slots=True, kw_only=True)
class Subject:
    """What a notice is about: one jar as believed at `now_s`, announced for the `repeat`-th time (from 0)."""

    state: JarState
    jar: JarSettings
    noted: Sequence[Noted]
    now_s: float
    repeat: int
    display: Display

    @property
    def name(self) -> str:
        """The jar's name, fit for one line."""
        return shown(self.state.jar)

    @property
    def cycle(self) -> Cycle:
        """The open cycle; only for notices that are never put out without one."""
        assert self.state.cycle is not None
        return self.state.cycle

    @property
    def fed_known(self) -> bool:
        """False in the cycle that was open when watching began, unless its feeding was reported."""
        return self.state.cycle is not None and self.state.cycle.fed_known

    def at(self, time_s: float) -> str:
        """A local time of day."""
        return self.display.clock(time_s, self.now_s)

    def ago(self, time_s: float) -> str:
        """How long ago that was."""
        return duration(self.now_s - time_s)


def rise(m: Subject) -> str:
    """How high it rose, when, how long it took and how warm it was; says so where the height is not known."""
    cycle = m.cycle
    if cycle.peak_at_s is None:
        return f"It had risen to {times(cycle.peak_ratio)} its starting volume." if cycle.peak_ratio is not None else ""
    mean_c = _mean_c(cycle)
    warm = f", at {m.display.temperature(mean_c)} on average" if mean_c is not None else ""
    if cycle.peak_ratio is None:
        return f"It was highest about {m.at(cycle.peak_at_s)}; how far it rose is not known{warm}."
    took = f", {duration(cycle.peak_at_s - cycle.fed_at_s)} after the feeding" if m.fed_known else ""
    high = f"It rose to {times(cycle.peak_ratio)} its starting volume"
    return f"{high}, highest about {m.at(cycle.peak_at_s)}{took}{warm}."


def _mean_c(cycle: Cycle) -> float | None:
    known = [mean_c for mean_c in cycle.temperatures_c if mean_c is not None]
    return sum(known) / len(known) if known else None


def warmth(m: Subject) -> str:
    """How warm it has been, or is."""
    mean_c = _mean_c(m.state.cycle) if m.state.cycle is not None else None
    return f"It has been at {m.display.temperature(mean_c)} on average." if mean_c is not None else warmth_now(m)


def warmth_now(m: Subject) -> str:
    """How warm it is."""
    return f"It is at {m.display.temperature(m.state.temperature_c)}." if m.state.temperature_c is not None else ""


def height(m: Subject) -> str:
    """How high it stands."""
    if m.state.level is None or m.state.level.rise_ratio is None:
        return ""
    return f"It stands at {times(m.state.level.rise_ratio)} its starting volume."


def fed(m: Subject) -> str:
    """How long ago it was fed."""
    return f"The starter was fed {m.ago(m.cycle.fed_at_s)} ago." if m.fed_known else ""


def as_last_time(m: Subject) -> str:
    """The grams of the last feeding that was reported with grams, to weigh again; "" where there is none."""
    fed = m.cycle.feeding
    if fed.grams is None and m.state.previous is not None:
        fed = m.state.previous.feeding
    if fed.grams is None:
        return ""
    ratio, (starter, flour, water) = fed.ratio, map(m.display.weight, fed.grams)
    parts = f"{starter} of starter, {flour} of flour, {water} of water"
    return f"Last time: {parts}" + (f" ({ratio})." if ratio else ".")


def doubts(m: Subject, act: str) -> str:
    """What makes the readings uncertain, if anything, and that a look at the jar should come first."""
    found = []
    if m.state.level is not None and (m.state.level.rise_ratio_sd or 0.0) > UNSURE_RATIO:
        found.append("the readings scatter a lot")
    if m.state.last_reading_s is not None and m.now_s - m.state.last_reading_s > OLD_READING_S:
        found.append(f"the last reading is {m.ago(m.state.last_reading_s)} old")
    if m.jar.sensor == "ultrasonic" and m.jar.venting != "open":
        found.append("under a lid, the starter's gas makes an ultrasonic sensor read too far, as if the starter sank")
    return f"Not certain: {'; '.join(found)}. Look at the jar before you {act}." if found else ""


def top_of(jar: JarSettings) -> tuple[float, str]:
    """(how high a starter may rise, in mm above the inside bottom; what is there: the rim, else the sensor)."""
    if jar.rim_mm is not None:
        return jar.rim_mm, "the rim"
    return (inf, "the lid") if jar.empty_mm is None else (jar.empty_mm, "the sensor")
