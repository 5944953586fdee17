"""The words of a notice: what happened, when, how high it rose, how long it took, at what temperature, what to do.

Called by `notify.due`, which decides; the phrases that several share are in `phrases`. Plain sentences with one thing
in each. Doubts about the readings are mentioned, and the cautions are where they belong: mould or pink, orange or black
streaks go into the bin, a working jar is never sealed, raw dough is not tasted.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TypeAlias

from monitor.core.assess import growing
from monitor.core.assess.age import NEVER_DAYS, YOUNG_DAYS, age_of
from monitor.core.assess.thrown_away import condemned, quoted
from monitor.core.display.units import STAGE_WORDS, duration, firmware_troubles
from monitor.core.forecast import starter_model as starter_models
from monitor.core.notify.phrases import (
    Subject,
    as_last_time,
    doubts,
    fed,
    height,
    rise,
    top_of,
    warmth,
    warmth_now,
)
from monitor.core.plan import feeding
from monitor.values import H_S, Feeding, Noting, Stage

STREAKS = "If you see mould, or pink, orange or black streaks, throw it all away and start again."
LOOSE_LID = "Never seal the jar: the gas has to get out."

Words: TypeAlias = tuple[str, list[str]]  # title, sentences ("" is left out)


def words(kind: str, subject: Subject) -> tuple[str, str]:
    """Title and text of one notice about one jar. `kind` is a `conditions.Kind`; raises KeyError for another."""
    title, sentences = _WORDS[kind](subject)
    return title, " ".join(sentence for sentence in sentences if sentence)


def _feed_now(m: Subject) -> Words:
    began_s = m.cycle.fall_at_s
    assert began_s is not None
    title = f"Feed {m.name} now" if m.repeat == 0 else f"Feed {m.name}: sinking for {m.ago(began_s)}"
    return title, [
        f"The starter in {m.name} began to sink about {m.at(began_s)}, {m.ago(began_s)} ago.",
        rise(m),
        "Its food is running out: feed it now, or within a few hours.",
        as_last_time(m),
        doubts(m, "feed it"),
    ]


def _not_yet(m: Subject) -> str:
    """Why not to bake with a starter in its first two weeks, however high it rose; "" for all others."""
    age = age_of([m.cycle], m.noted, m.now_s)
    if age.days is None or age.days >= YOUNG_DAYS:
        return ""
    day = growing.day_number(age.days)
    if age.days < NEVER_DAYS:
        return f"It is in its first week (day {day}): such gas is mostly not yeast, so don't bake with it yet."
    return f"It is young (day {day}): bake with it once three rises in a row have each doubled."


def _at_peak(m: Subject) -> Words:
    young = _not_yet(m)
    return f"{m.name} is at its peak{' now' if m.repeat else ''}", [
        "It kept climbing after the last message; this is its top." if m.repeat else "",
        rise(m),
        young or "This is the time to bake with it, or to feed it for the next round.",
        "Feed it for the next round." if young else "",
        doubts(m, "bake"),
        "Don't taste raw flour or dough.",
    ]


def _peak_ahead(m: Subject) -> Words:
    peak = m.state.forecast.peak_at if m.state.forecast is not None else None
    assert peak is not None
    return f"{m.name} peaks in about {duration(max(peak.likely_s - m.now_s, 0.0))}", [
        f"The starter in {m.name} should be at its peak about {m.at(peak.likely_s)},",
        f"most likely between {m.at(peak.earliest_s)} and {m.at(peak.latest_s)}.",
        height(m),
        warmth_now(m),
        _not_yet(m) or "Get ready to bake or to feed it.",
        doubts(m, "count on it"),
    ]


def _overdue(m: Subject) -> Words:
    hooch = [note.time_s for note in m.noted if note.what is Noting.HOOCH]
    if hooch:
        seen = f"You noted liquid on top at {m.at(max(hooch))}: the starter is hungry."
    elif m.state.stage in (Stage.RISING, Stage.PEAKED):
        seen = "It has not begun to sink yet."
    else:
        seen = "No rise and fall has been seen."
    return f"{m.name} is due for a feeding", [
        f"The starter in {m.name} was last fed {m.ago(m.cycle.fed_at_s)} ago ({m.at(m.cycle.fed_at_s)})."
        if m.fed_known
        else f"No feeding of {m.name} has been seen in {m.ago(m.cycle.fed_at_s)} of watching.",
        seen,
        rise(m) or height(m),
        "" if m.cycle.peak_at_s is not None else warmth(m),
        "Have a look: unless it is still climbing, feed it.",
        as_last_time(m),
        STREAKS,
        doubts(m, "feed it"),
    ]


def _stays_flat(m: Subject) -> Words:
    since = f" was fed {m.ago(m.cycle.fed_at_s)} ago and" if m.fed_known else ""
    warm = f"{m.display.temperature(24)} to {m.display.temperature(28)}"
    young = age_of([m.cycle], m.noted, m.now_s).young
    return f"{m.name} is not rising", [
        f"The starter in {m.name}{since} should have begun to rise by now, but has not.",
        height(m),
        warmth(m),
        "It is young: a rise on days 2 to 4 is mostly not yeast, and a pause of days or weeks afterwards is normal. Go "
        "on feeding it once a day."
        if young
        else "",
        f"Move it somewhere warmer ({warm} suits it) and give it time.",
        "If it has bubbles but no height, the dough may be too wet to hold its gas.",
        STREAKS,
        doubts(m, "do anything"),
    ]


def _sensor_silent(m: Subject) -> Words:
    since_s, stuck_s = m.state.silent_since_s, m.state.stuck_since_s
    if since_s is not None:
        title, what = (
            f"No readings from {m.name}",
            f"The sensor has sent nothing about {m.name} since {m.at(since_s)}.",
        )
    else:
        assert stuck_s is not None
        title = f"The sensor on {m.name} seems stuck"
        what = f"The sensor on {m.name} has sent exactly the same value since {m.at(stuck_s)}."
    return title, [
        what,
        "Until it is back, this jar is not watched: look at it yourself.",
        fed(m),
        "Check its power, its cable or network, and that the sensor's window is clean and dry.",
    ]


def _wrong_unit(m: Subject) -> Words:
    distances, temperatures = m.state.distance_unit is not None, m.state.temperature_unit is not None
    parts = ["distances"] * distances + ["temperatures"] * temperatures
    lost = "its level is unknown" if distances else "forecasts cannot allow for warmth"
    return f"The {' and '.join(parts)} of {m.name} are in the wrong unit", [
        *(f"{trouble[:1].upper()}{trouble[1:]}." for trouble in firmware_troubles(m.state)),
        f"Until then {lost}.",
    ]


def _sensor_back(m: Subject) -> Words:
    known = m.state.stage not in (Stage.UNKNOWN, Stage.AWAY)
    return f"Readings from {m.name} again", [
        f"The sensor on {m.name} is back.",
        f"The last reading is from {m.at(m.state.last_reading_s)}." if m.state.last_reading_s is not None else "",
        f"The starter is {STAGE_WORDS[m.state.stage]}." if known else "",
        height(m),
    ]


def _near_rim(m: Subject) -> Words:
    level, slope = m.state.level, m.state.slope_mm_per_h
    assert level is not None
    assert level.level_mm is not None
    top_mm, name = top_of(m.jar)
    left_mm = max(top_mm - level.level_mm, 0.0)
    pace = ""
    if slope is not None and slope > 0:
        pace = f" and climbs by {m.display.speed(slope)}: about {duration(H_S * left_mm / slope)} to go"
    return f"{m.name} is about to run over", [
        f"The starter in {m.name} is {m.display.length(left_mm)} below {name}{pace}.",
        height(m),
        warmth_now(m),
        "Put the jar on a plate, and stir the starter down or take half of it out.",
        "Leave the lid loose. " + LOOSE_LID + " Next time, fill the jar no more than a third.",
    ]


def _too(word: str, advice: str) -> Callable[[Subject], Words]:
    def worded(m: Subject) -> Words:
        assert m.state.temperature_c is not None
        now = m.display.temperature(m.state.temperature_c)
        return f"{m.name} is too {word}: {now}", [
            f"The starter in {m.name} has been too {word} for over an hour and is at {now} now.",
            fed(m),
            height(m),
            advice,
            _for_the_cold(m) if word == "cold" else "",
        ]

    return worded


def _for_the_cold(m: Subject) -> str:
    """The grams with which it lasts as long as wanted at this temperature."""
    assert m.state.temperature_c is not None
    usual = starter_models.prior(m.cycle.feeding.flour) if m.state.cycle is not None else starter_models.prior()
    fed = m.cycle.feeding if m.state.cycle is not None else Feeding()
    culture = replace(usual, last_flour_g=fed.flour_g, last_hydration=fed.hydration, last_dilution=fed.dilution)
    made = feeding.plan(culture, target_h=m.jar.cycle_h, temperatures_c=(m.state.temperature_c,))
    grams = made.feeding.grams
    assert grams is not None
    keep, flour, water = map(m.display.weight, grams)
    return f"Kept this cold and fed at its top, it needs {keep} of starter to {flour} of flour and {water} of water."


def _feeding_question(m: Subject) -> Words:
    when = f" at {m.at(m.cycle.fed_at_s)}" if m.fed_known and not m.cycle.sure else ""
    if m.state.cycle is not None and m.state.cycle.about_s is not None:
        first, last = (m.at(time_s) for time_s in m.state.cycle.about_s)
        return f"When was {m.name} fed?", [
            f"The starter in {m.name} is rising again, so it was fed between {first} and {last}; the readings don't "
            "show exactly when.",
            "Say when: tap on the page, or use `jartide fed` with --at.",
        ]
    return f"Was {m.name} fed?", [
        f"The level in {m.name} dropped{when}, and the readings don't show why.",
        "Did you feed it, stir it down, or take some out?",
        "Answer with `jartide fed`, or `jartide note` with stirred or taken; until then nothing is learnt from it.",
    ]


def _rest_reminder(m: Subject) -> Words:
    title = f"{m.name} was fed {m.ago(m.cycle.fed_at_s)} ago" if m.fed_known else f"{m.name} has not been fed this week"
    return title, [
        f"The starter in {m.name} is resting.",
        f"It was last fed at {m.at(m.cycle.fed_at_s)}." if m.fed_known else "",
        warmth_now(m),
        "A resting starter keeps well if it is fed about once a week.",
        STREAKS,
        LOOSE_LID,
    ]


def _growing(m: Subject) -> Words:
    days = age_of([m.cycle], m.noted, m.now_s).days
    assert days is not None
    return f"{m.name}: day {growing.day_number(days)}", [
        growing.stretch(days).usual,
        f"Feedings now: {growing.stretch(days).weigh}.",
        STREAKS,
    ]


def _throw_away(m: Subject) -> Words:
    note = condemned(m.noted)
    assert note is not None
    when = m.at(note.time_s)
    noted = f"You noted mould or coloured streaks in {m.name} at {when}."
    read = f"You wrote {quoted(note)} about {m.name} at {when}. If that is not so, take the note back."
    return f"Throw {m.name} away", [
        noted if note.what is Noting.MOULD else read,
        "Throw all of it away. Do not feed it, bake with it, taste it or scrape off the top.",
        "Wash the jar and the lid hot before you begin a new starter.",
        "No height or temperature that a sensor reads can tell you that a starter is safe.",
    ]


_WORDS: dict[str, Callable[[Subject], Words]] = {
    "feed_now": _feed_now,
    "at_peak": _at_peak,
    "peak_ahead": _peak_ahead,
    "overdue": _overdue,
    "stays_flat": _stays_flat,
    "sensor_silent": _sensor_silent,
    "wrong_unit": _wrong_unit,
    "sensor_back": _sensor_back,
    "near_rim": _near_rim,
    "too_cold": _too(
        "cold",
        "It will take much longer than usual: move it somewhere warmer or be patient, and don't feed it before its "
        "top.",
    ),
    "too_hot": _too(
        "hot", "Starters react differently to such heat: it may race, turn sour or weaken. Move it somewhere cooler."
    ),
    "feeding_question": _feeding_question,
    "growing": _growing,
    "rest_reminder": _rest_reminder,
    "throw_away": _throw_away,
}
