"""The first words about a jar, for somebody who looks from across the kitchen: one word for what it is doing, the next
moment that matters, and one more sentence. The page, the wall display and the command line show this before all else.

Pure: a `JarState` and people's notes come in, words come out. The page knows the shape and colour of each look.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from monitor.core.display.units import Display, duration, times
from monitor.values import Cycle, JarState, Span, Stage

SNOOZE_SHOWN = "Notices are snoozed until {until}."
LID_OFF_S = 300.0  # a lid that is off for less time is a look inside or a feeding
FRESH_S = 300.0  # a moment this near is "any moment"


class Look(StrEnum):
    """What a jar looks like, from what needs a person most to what needs none."""

    THROW_AWAY = "throw_away"
    FEED = "feed"
    ASK = "ask"
    PEAK = "peak"
    SILENT = "silent"
    FLAT = "flat"
    NEW = "new"
    SINKING = "sinking"
    RISING = "rising"
    SETTLING = "settling"
    WATCHING = "watching"
    AWAY = "away"
    RESTING = "resting"


NEED = {look: number for number, look in enumerate(Look)}
WORDS = {
    Look.THROW_AWAY: "Throw away",
    Look.FEED: "Feed now",
    Look.ASK: "What was it?",
    Look.PEAK: "At its peak",
    Look.SILENT: "Sensor silent",
    Look.FLAT: "Not rising",
    Look.NEW: "Ready",
    Look.SINKING: "Sinking",
    Look.RISING: "Rising",
    Look.SETTLING: "Settling",
    Look.WATCHING: "Watching",
    Look.AWAY: "Not here",
    Look.RESTING: "Resting",
}
_OF_STAGE = {
    Stage.UNKNOWN: Look.WATCHING,
    Stage.SETTLING: Look.SETTLING,
    Stage.RISING: Look.RISING,
    Stage.PEAKED: Look.PEAK,
    Stage.FALLING: Look.SINKING,
    Stage.FLAT: Look.FLAT,
    Stage.RESTING: Look.RESTING,
    Stage.AWAY: Look.AWAY,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Face:
    """`word` is the largest thing on a card, `headline` the next moment, `detail` a sentence more (may be empty),
    `since` the small words beside the name, `row` a line in a list of jars, `short` what fits under a jar."""

    look: Look
    word: str
    since: str
    headline: str
    detail: str
    row: str
    short: str


def look_of(state: JarState, condemned_s: float | None, snoozed_until_s: float | None) -> Look:
    """The look of a jar: what needs a person comes before what the dough does."""
    cycle = state.cycle
    if condemned_s is not None:
        return Look.THROW_AWAY
    if state.last_reading_s is None:
        return Look.NEW
    if state.question is not None:
        return Look.ASK
    if state.stage is Stage.FALLING and cycle is not None and cycle.fall_at_s is not None and snoozed_until_s is None:
        return Look.FEED
    if state.stage not in (Stage.RESTING, Stage.AWAY) and state.silent_since_s is not None:
        return Look.SILENT
    return _OF_STAGE[state.stage]


def face(
    state: JarState, now_s: float, show: Display, *, condemned_s: float | None = None,
    snoozed_until_s: float | None = None, grams: Sequence[float | None] = (),
) -> Face:  # fmt: skip
    """The face of a jar at `now_s`. `condemned_s` is when something was noted that sends it into the bin; `grams` are
    starter, flour and water of the feeding that is offered next."""
    look = look_of(state, condemned_s, snoozed_until_s)
    words = _Words(state, now_s, show, snoozed_until_s, grams)
    headline, detail, row, short = words.of(look)
    return Face(
        look=look, word=WORDS[look], since=words.since(look), headline=headline, detail=detail, row=row, short=short
    )


def about_words(cycle: Cycle, now_s: float, show: Display) -> str:
    """When it was fed, where nothing shows exactly when: "between 13:10 and 15:40"; else ""."""
    if cycle.about_s is None:
        return ""
    first, last = (show.clock(at_s, now_s) for at_s in cycle.about_s)
    return f"between {first} and {last}"


def question_words(state: JarState, now_s: float, show: Display) -> str | None:
    """The question that only a person can answer, with the times that it is about; None while there is none."""
    about = "" if state.cycle is None else about_words(state.cycle, now_s, show)
    return f"{state.question} It was {about}." if state.question and about else state.question


class _Words:
    """The sentences of one jar at one moment."""

    def __init__(
        self, state: JarState, now_s: float, show: Display, snoozed_until_s: float | None, grams: Sequence[float | None]
    ) -> None:
        self.state, self.now_s, self.show = state, now_s, show
        self.snoozed_until_s, self.grams = snoozed_until_s, grams
        forecast = state.forecast
        self.peak: Span | None = forecast.peak_at if forecast else None
        self.fall: Span | None = forecast.fall_at if forecast else None

    def at(self, time_s: float) -> str:
        return self.show.clock(time_s, self.now_s)

    def about(self, time_s: float) -> str:
        """A moment to come in words; one that is now or overdue is "any moment"."""
        return "any moment" if time_s - self.now_s < FRESH_S else f"about {self.show.about(time_s, self.now_s)}"

    def in_range(self, span: Span) -> str:
        """The range in brackets, to follow the moment; "" where all of it is past."""
        return "" if span.latest_s - self.now_s < FRESH_S else f" ({self.range(span)})"

    def range(self, span: Span) -> str:
        first_s, last_s = (max(at_s, self.now_s) for at_s in (span.earliest_s, span.latest_s))
        return self.show.about_between(first_s, last_s, self.now_s)

    def short_at(self, what: str, time_s: float) -> str:
        """What comes and when: "peak 14:25", "sinks soon"."""
        when = "soon" if time_s - self.now_s < FRESH_S else self.show.about(time_s, self.now_s).split(" ")[0]
        return f"{what} {when}"

    def risen(self) -> str | None:
        level = self.state.level
        return None if level is None or level.rise_ratio is None else times(level.rise_ratio)

    def since(self, look: Look) -> str:
        state, cycle = self.state, self.state.cycle
        if look is Look.SILENT and state.silent_since_s is not None:
            return f"last heard {self.at(state.last_reading_s or state.silent_since_s)}"
        if look is Look.FEED and cycle is not None and cycle.fall_at_s is not None:
            return f"sinking since {self.at(cycle.fall_at_s)}"
        if cycle is None:
            return ""
        ago = duration(max(self.now_s - cycle.fed_at_s, 0.0))
        return f"fed {ago} ago" if cycle.fed_known else f"watched for {ago}"

    def of(self, look: Look) -> tuple[str, str, str, str]:
        """(headline, detail, row, shortest form)."""
        lid_s = self.state.lid_off_since_s
        if lid_s is not None and self.now_s - lid_s > LID_OFF_S and look not in (Look.THROW_AWAY, Look.ASK):
            words = f"Lid off since {self.at(lid_s)}"
            return words, "Put it back on, loosely: nothing can be measured without it.", words.lower(), "lid off"
        match look:
            case Look.THROW_AWAY:
                return "It belongs in the bin", "", "belongs in the bin, by what was noted", "bin"
            case Look.ASK:
                asked = question_words(self.state, self.now_s, self.show)
                return "Only you can say", "", _capital(asked or "a question"), "?"
            case Look.FEED:
                return self._feed()
            case Look.PEAK:
                return self._peak()
            case Look.RISING | Look.SETTLING:
                return self._ahead(look)
            case Look.SILENT:
                return self._silent()
            case Look.SINKING:
                return self._sinking()
            case Look.FLAT:
                return self._flat()
            case Look.RESTING:
                return self._resting()
            case Look.AWAY:
                return "No jar under the sensor", "Put it back, and watching continues.", "no jar there", "–"
            case Look.NEW:
                return "Waiting for the first reading", "", "waiting for the first reading", "new"
            case Look.WATCHING:
                return (
                    "Feed it or tap Fed to start",
                    "Its rise and a forecast will be shown from its next feeding.",
                    "feed it to begin",
                    "new",
                )
        raise AssertionError(look)

    def _feed(self) -> tuple[str, str, str, str]:
        cycle = self.state.cycle
        since = "" if cycle is None or cycle.fall_at_s is None else f"sinking since {self.at(cycle.fall_at_s)}"
        short = since.removeprefix("sinking ").removesuffix(" yesterday") or "hungry"
        if len(self.grams) == 3 and None not in self.grams:
            keep, flour, water = (self.show.weight(g) for g in self.grams if g is not None)
            return f"Keep {keep}, add {flour} flour and {water} water", "", since, short
        return "It is hungry: it has begun to sink", "", since, short

    def _peak(self) -> tuple[str, str, str, str]:
        if self.fall is None:
            return "Bake with it now", "or feed it before it sinks.", "bake or feed", "ripe"
        when = self.about(self.fall.likely_s)
        detail = f"or feed it before it sinks, {when}{self.in_range(self.fall)}."
        return "Bake with it now", detail, f"sinks {when}", self.short_at("sinks", self.fall.likely_s)

    def _ahead(self, look: Look) -> tuple[str, str, str, str]:
        if self.peak is None:
            headline = "Just fed" if look is Look.SETTLING else "No forecast yet"
            return headline, "The peak can be predicted once it rises.", "no forecast yet", "–"
        when = self.about(self.peak.likely_s)
        detail = f"{self.range(self.peak)}." if self.peak.latest_s - self.now_s >= FRESH_S else ""
        if look is Look.SETTLING and self.state.cycle is not None:
            detail += _fed_grams(self.state.cycle, self.show)
        elif self.fall is not None:
            detail += f" Feed it by {self.about(self.fall.likely_s)}." if self.fall.likely_s > self.now_s else ""
        return f"Peak {when}", detail, f"peak {when}", self.short_at("peak", self.peak.likely_s)

    def _silent(self) -> tuple[str, str, str, str]:
        heard = self.at(self.state.last_reading_s or self.now_s)
        parts = []
        if self.state.stage in (Stage.SETTLING, Stage.RISING) and (risen := self.risen()):
            parts.append(f"It was rising, {risen}." if self.state.stage is Stage.RISING else "It had just been fed.")
        if self.peak is not None:
            parts.append(f"Going by its past rises, the peak comes {self.about(self.peak.likely_s)}.")
        return "Look at the jar yourself", " ".join(parts), f"last heard {heard}", f"last {heard}"

    def _sinking(self) -> tuple[str, str, str, str]:
        detail = ""
        if self.snoozed_until_s is not None:
            detail = SNOOZE_SHOWN.format(until=self.at(self.snoozed_until_s))
        cycle = self.state.cycle
        row = "sinking" if cycle is None or cycle.fall_at_s is None else f"sinking since {self.at(cycle.fall_at_s)}"
        return "Hungry: feed it when you can", detail, row, "hungry"

    def _flat(self) -> tuple[str, str, str, str]:
        warm_c = self.state.temperature_c
        warm = "" if warm_c is None else f" It is at {self.show.temperature(warm_c)}."
        detail = f"No rise was seen when one was due.{warm} In a warmer place, or fed again, it may still rise."
        return "Is it warm enough? Was it fed?", detail, "no rise when one was due", "flat"

    def _resting(self) -> tuple[str, str, str, str]:
        risen, warm_c = self.risen(), self.state.temperature_c
        parts = [part for part in (risen, None if warm_c is None else self.show.temperature(warm_c)) if part]
        return (
            "Asleep in the cold",
            "It keeps well if fed about once a week.",
            ", ".join(parts) or "in the cold",
            (parts or ["–"])[-1],
        )


def _fed_grams(cycle: Cycle, show: Display) -> str:
    grams = cycle.feeding.weights.values()
    if None in grams:
        return ""
    return " Fed " + " + ".join(show.weight(g) for g in grams if g is not None) + "."


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]
