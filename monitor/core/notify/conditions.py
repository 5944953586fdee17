"""The conditions that deserve a notice; `notify.due` decides when each goes out. They are judged anew each time, from
what is believed now, what was noted, and what was already put out.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import inf
from typing import TypeAlias

from monitor.core.assess import growing
from monitor.core.assess.age import age_of
from monitor.core.assess.notebook import of_this_starter
from monitor.core.assess.thrown_away import condemned, condemns
from monitor.core.notify.phrases import top_of
from monitor.settings import JarSettings, NoticeSettings
from monitor.values import DAY_S, H_S, RESTS_BELOW_C, Cycle, JarState, Noted, Noting, Stage

Sent: TypeAlias = Mapping[tuple[str, int], float]


class Kind(StrEnum):
    """What a person can be notified about, the most pressing first."""

    THROW_AWAY = "throw_away"
    NEAR_RIM = "near_rim"
    FEED_NOW = "feed_now"
    FEEDING_QUESTION = "feeding_question"
    OVERDUE = "overdue"
    AT_PEAK = "at_peak"
    PEAK_AHEAD = "peak_ahead"
    STAYS_FLAT = "stays_flat"
    TOO_HOT = "too_hot"
    TOO_COLD = "too_cold"
    WRONG_UNIT = "wrong_unit"
    SENSOR_SILENT = "sensor_silent"
    SENSOR_BACK = "sensor_back"
    BAKE_FEEDING = "bake_feeding"
    BAKE_MOVED = "bake_moved"
    GROWING = "growing"
    REST_REMINDER = "rest_reminder"
    UNLIKE_SIBLINGS = "unlike_siblings"
    SENSOR_DRIFTS = "sensor_drifts"
    DAILY_SUMMARY = "daily_summary"


# the words in a list of what can be left out: all except mould, about which everybody is notified
KIND_WORDS = {
    Kind.NEAR_RIM: "it will reach the lid",
    Kind.FEED_NOW: "feed now",
    Kind.FEEDING_QUESTION: "was it fed, stirred, or some taken?",
    Kind.OVERDUE: "fed a day ago, no rise and fall seen",
    Kind.AT_PEAK: "at its peak",
    Kind.PEAK_AHEAD: "the peak is coming",
    Kind.STAYS_FLAT: "it does not rise",
    Kind.TOO_HOT: "too warm",
    Kind.TOO_COLD: "too cold",
    Kind.WRONG_UNIT: "readings in the wrong unit",
    Kind.SENSOR_SILENT: "the sensor is silent",
    Kind.SENSOR_BACK: "the sensor is back",
    Kind.BAKE_FEEDING: "a feeding for a bake",
    Kind.BAKE_MOVED: "a bake's feedings have moved",
    Kind.GROWING: "what to do with a new starter today",
    Kind.REST_REMINDER: "a week in the fridge",
    Kind.UNLIKE_SIBLINGS: "it differs from the other jars of its group",
    Kind.SENSOR_DRIFTS: "a sensor drifts from its neighbours",
    Kind.DAILY_SUMMARY: "the daily summary",
}

NEAR_RIM_MM = 10.0  # about two readings' worth of a brisk rise (20 mm/h) before it touches the lid
RIM_AHEAD_H = 1.0  # or at this pace it is over the rim within the hour
STILL_RISING_H = 12.0  # a cold or lean starter may still rise when it is due; half a day later that is overdue too
NEWBORN_DAYS = 2.0  # common practice: a mix of flour and water shows nothing on its first day or two
WAKING_DAYS = 3.0  # flakes bubble after a day and double after three to seven
FORGOTTEN_S = 30 * DAY_S  # after a month of reminders nobody listens, or the feeding was stamped by a wrong clock
REST_AGAIN_S = 7 * DAY_S  # common practice for a starter in the fridge: fed about once a week
OLD_HOOCH_S = 1 * H_S  # fresh dough has none yet: if it is noted this soon after a feeding, it was on what was fed
AT_THE_JAR_S = 2 * H_S  # for so long after a feeding its baker is probably near
# while a jar is in the fridge or away, only these are announced about it
ALSO_RESTING = frozenset({Kind.THROW_AWAY, Kind.REST_REMINDER, Kind.FEEDING_QUESTION})


# about the jar's set-up and not about a cycle: announced once
ONCE_A_RUN = frozenset({Kind.WRONG_UNIT})


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """What is believed about one jar, with what was noted and announced in the open cycle."""

    state: JarState
    settings: NoticeSettings
    jar: JarSettings
    noted: tuple[
        Noted, ...
    ]  # in this cycle; a note that condemns the starter counts from any, since it was last replaced
    sent: Sent
    listening_s: float  # for how long the program has been listening
    condemned: bool  # whether a note sends it into the bin; looked up once, as every kind asks for it

    @property
    def cycle(self) -> Cycle | None:
        """The open cycle."""
        cycle = self.state.cycle
        return cycle if cycle is not None and cycle.ended_at_s is None else None

    def count(self, kind: Kind) -> int:
        """How many notices of a kind this cycle has put out."""
        return sum(1 for sent_kind, _ in self.sent if sent_kind == kind)

    def last_s(self, kind: Kind) -> float | None:
        """When a kind was last put out in this cycle; the last by number, as the clock may have been set back."""
        told = {repeat: due_s for (sent_kind, repeat), due_s in self.sent.items() if sent_kind == kind}
        return told[max(told)] if told else None

    def notes(self, what: Noting) -> list[Noted]:
        """This cycle's notes of one sort."""
        return [note for note in self.noted if note.what is what]


def facts_of(
    state: JarState,
    sent: Sent,
    settings: NoticeSettings,
    jar: JarSettings,
    noted: Sequence[Noted],
    now_s: float,
    listening_s: float = inf,
) -> Facts:
    """The facts about one jar. `noted` may hold more than belongs to this jar, cycle and starter; `sent` is as in
    `notify.due`."""
    cycle = state.cycle
    fed_at_s = cycle.fed_at_s if cycle is not None else 0.0
    fed = cycle is not None and cycle.fed_known
    since_s = {Noting.BEGUN: -inf, Noting.HOOCH: fed_at_s + (OLD_HOOCH_S if fed else 0.0)}
    told = of_this_starter([note for note in noted if note.jar == state.jar and note.time_s <= now_s])
    mine = tuple(note for note in told if condemns(note) or note.time_s >= since_s.get(note.what, fed_at_s))
    return Facts(
        state=state, settings=settings, jar=jar, noted=mine, sent=sent, listening_s=listening_s,
        condemned=condemned(mine) is not None,
    )  # fmt: skip


# branches: one case for each kind
def holds(kind: Kind, facts: Facts, now_s: float) -> bool:
    """Whether this is true of the jar now, announced or not."""
    state, cycle, stage = facts.state, facts.cycle, facts.state.stage
    if kind is not Kind.THROW_AWAY and facts.condemned:
        return False  # it goes into the bin, so nothing else matters
    if stage in (Stage.RESTING, Stage.AWAY) and kind not in ALSO_RESTING:
        return False
    match kind:
        case Kind.THROW_AWAY:
            return facts.condemned
        case Kind.NEAR_RIM:
            return _near_rim(facts)
        case Kind.FEED_NOW:
            return cycle is not None and cycle.fall_at_s is not None and now_s - cycle.fall_at_s < FORGOTTEN_S
        case Kind.FEEDING_QUESTION:
            return state.question is not None
        case Kind.OVERDUE:
            return _overdue(facts, now_s)
        case Kind.AT_PEAK:
            return stage is Stage.PEAKED and cycle is not None and cycle.peak_at_s is not None
        case Kind.PEAK_AHEAD:
            return _peak_ahead(facts, now_s)
        case Kind.STAYS_FLAT:
            return stage is Stage.FLAT and not _newborn(facts, now_s)
        case Kind.TOO_HOT | Kind.TOO_COLD:
            return _temperature_off(facts, hot=kind is Kind.TOO_HOT)
        case Kind.WRONG_UNIT:
            return state.distance_unit is not None or state.temperature_unit is not None
        case Kind.SENSOR_SILENT:
            return state.silent_since_s is not None or state.stuck_since_s is not None
        case Kind.SENSOR_BACK:
            well = state.silent_since_s is None and state.stuck_since_s is None
            return well and facts.count(Kind.SENSOR_SILENT) > facts.count(Kind.SENSOR_BACK)
        case Kind.REST_REMINDER:
            return stage is Stage.RESTING and cycle is not None and now_s - cycle.fed_at_s >= REST_AGAIN_S
        case Kind.GROWING:
            return growing_day(facts, now_s) is not None
        case Kind.DAILY_SUMMARY | Kind.UNLIKE_SIBLINGS | Kind.SENSOR_DRIFTS | Kind.BAKE_FEEDING | Kind.BAKE_MOVED:
            return False  # not about a single jar's state: made elsewhere
    raise AssertionError(kind)


def _near_rim(facts: Facts) -> bool:
    level, slope = facts.state.level, facts.state.slope_mm_per_h
    if level is None or level.level_mm is None or facts.state.stage is Stage.FALLING:
        return False
    top_mm, _ = top_of(facts.jar)
    left_mm = top_mm - level.level_mm
    rising = facts.state.stage is Stage.RISING and slope is not None
    return left_mm <= NEAR_RIM_MM or (rising and slope is not None and left_mm <= slope * RIM_AHEAD_H)


def _newborn(facts: Facts, now_s: float) -> bool:
    """Whether it is said to be in its first two days, or was just woken from flakes: nothing can be expected yet."""
    age = age_of([], facts.noted, now_s)
    if age.dried:
        return now_s - max(note.time_s for note in facts.notes(Noting.BEGUN)) < WAKING_DAYS * DAY_S
    return age.days is not None and age.days < NEWBORN_DAYS


def growing_day(facts: Facts, now_s: float) -> int | None:
    """If this feeding is the first one in a stretch of a new starter's growing, the day on which that stretch begins.
    None for all other feedings, and once its baker is no longer at the jar; so each is announced once, and wakes
    nobody."""
    age, cycle = age_of([], facts.noted, now_s), facts.cycle
    if age.days is None or cycle is None or not cycle.told or now_s - cycle.fed_at_s > AT_THE_JAR_S:
        return None
    before = facts.state.previous
    since_s = cycle.fed_at_s - DAY_S if before is None else before.fed_at_s
    for one in growing.STRETCHES[2:]:
        if since_s < now_s - (age.days - one.day) * DAY_S <= cycle.fed_at_s:
            return one.day
    return None


def _overdue(facts: Facts, now_s: float) -> bool:
    cycle = facts.cycle
    if cycle is None or cycle.fall_at_s is not None:  # once a fall was seen, "feed now" says it
        return False
    if facts.notes(Noting.HOOCH):
        return True
    forecast = facts.state.forecast
    seen = facts.state.silent_since_s is None  # without readings the forecast moves on for ever
    on_its_way = seen and facts.state.stage in (Stage.SETTLING, Stage.RISING, Stage.PEAKED)
    if on_its_way and forecast is not None and forecast.fall_at is not None and now_s < forecast.fall_at.likely_s:
        return False  # a cold or lean starter takes longer than a day, and is not due before that
    hours = facts.jar.cycle_h + (STILL_RISING_H if facts.state.stage is Stage.RISING else 0.0)
    return hours * H_S <= now_s - cycle.fed_at_s < FORGOTTEN_S


def _peak_ahead(facts: Facts, now_s: float) -> bool:
    ahead_h, forecast, cycle = facts.settings.peak_ahead_h, facts.state.forecast, facts.cycle
    if ahead_h is None or forecast is None or forecast.peak_at is None or facts.state.stage is not Stage.RISING:
        return False
    return cycle is not None and cycle.peak_at_s is None and forecast.peak_at.likely_s - now_s <= ahead_h * H_S


def _temperature_off(facts: Facts, *, hot: bool) -> bool:
    """Whether it is too hot or too cold now and in the last two hourly means; an oven door or a draught does not
    count."""
    now_c, cycle = facts.state.temperature_c, facts.cycle
    if now_c is None or cycle is None or now_c < RESTS_BELOW_C:
        return False  # it is on its way into the fridge, where it rests: not "too cold"
    recent = [now_c, *(mean_c for mean_c in cycle.temperatures_c[-2:] if mean_c is not None)]
    if len(recent) < 3:
        return False
    return min(recent) > facts.settings.too_hot_c if hot else max(recent) < facts.settings.too_cold_c
