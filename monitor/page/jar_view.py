"""One jar as the page shows it now: the daemon's own state in the household's words and units, beside the numbers.

Made from what the daemon stores by `monitor.runs.daemon_status` and from the store's notices and notes; after a report,
the state changes when the daemon stores it next. Only `core.display` turns times of day and units into text.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from monitor.core.assess.notebook import NOT_SO, NOTE_WORDS, SEEN_WORDS, says, says_was_none
from monitor.core.assess.thrown_away import condemned, what_to_do
from monitor.core.detect.superseded import SAME_FEEDING_S, name_of, not_superseded
from monitor.core.display.face import NEED, about_words, face, question_words
from monitor.core.display.units import STAGE_WORDS, Display, duration, sensor_troubles, times
from monitor.core.forecast.course import Course, course, height
from monitor.core.notify import ahead
from monitor.core.notify.due import snoozed_until_s
from monitor.core.plan import phrases
from monitor.core.vessel.level import rise_ratio
from monitor.page import baking
from monitor.runs import history, outbox, reported
from monitor.runs.note_changes import may_change
from monitor.runs.outbox import StoredNotice
from monitor.runs.store import Store
from monitor.settings import JarSettings, NoticeSettings, Settings
from monitor.values import (
    H_S,
    Cycle,
    Event,
    EventKind,
    Fed,
    Feeding,
    Geometry,
    JarState,
    Json,
    Level,
    Noted,
    SourceHealth,
    Span,
    TakenBack,
    with_usual,
)

CLOCKS_S = 60.0  # a device's clock may be this far ahead, so that its last reading seems to come after the loss
JUST_NOW_S = 90.0  # the daemon stores its state each minute
BACK_WITHIN_S = 12 * H_S  # for so long a report can be taken back with a tap: the next morning shows the evening's slip
ASK_GRAMS_S = 12 * H_S  # for so long the person who fed it may still know what was weighed
SCALE_KNOTS = 33  # heights by which the page knows a jar's shape; between them it is straight enough
SEEN_MOST = 6  # the latest things seen, each with a tap to deny it
PAST_RISES = 6  # whose heights say how high the next one may come


# branches: a field a line, most of them None where something is not known
def jar_now(
    store: Store, state: JarState, sources: Sequence[SourceHealth], jar: JarSettings, settings: Settings, now_s: float,
    show: Display,
) -> Json:  # fmt: skip
    """Everything on a jar's card. Raises StoreTrouble."""
    notices = settings.notices
    cycle, level = state.cycle, state.level
    since_s = cycle.fed_at_s - 60.0 if cycle else now_s - 72 * H_S
    ever = store.noted(jar.name, since_s)
    notes = [note for note in ever if note.time_s >= since_s]
    bin_note, snoozed_s = condemned(ever), snoozed_until_s(notes, now_s)
    condemned_s = None if bin_note is None else bin_note.time_s
    kept = outbox.of_jar(store, jar.name, cycle.number if cycle else 0)
    run = store.open_run(jar.name)
    feeding = last_feeding(store, jar)
    grams = [feeding[key] for key in ("starter_g", "flour_g", "water_g")]
    shown = face(state, now_s, show, condemned_s=condemned_s, snoozed_until_s=snoozed_s, grams=grams)
    start_mm = starting_mm(level, jar.geometry)
    events = not_superseded(store.events(run.id, cycle.fed_at_s - 1.0)) if run and cycle else []
    return {
        "jar": jar.name,
        "run": run.id if run else None,
        "cycle": cycle.number if cycle else None,
        "stage": state.stage.value,
        "face": {**asdict(shown), "need": NEED[shown.look]},
        "stage_words": STAGE_WORDS[state.stage],
        "level_mm": _round(level.level_mm if level else None, 1),
        "level_words": None if level is None or level.level_mm is None else show.length(level.level_mm),
        "rise_ratio": _round(level.rise_ratio if level else None, 3),
        "rise_words": None if level is None or level.rise_ratio is None else times(level.rise_ratio),
        "slope_mm_per_h": _round(state.slope_mm_per_h, 2),
        "slope_words": None if state.slope_mm_per_h is None else show.speed(state.slope_mm_per_h),
        "temperature_c": _round(state.temperature_c, 2),
        "temperature_words": None if state.temperature_c is None else show.temperature(state.temperature_c),
        "rim_mm": jar.rim_mm,
        "empty_mm": jar.empty_mm,
        "scale": scale(jar.geometry, jar.empty_mm, start_mm),
        "rise_began_s": happened_s(events, EventKind.RISE_BEGAN),
        "silent_since_s": state.silent_since_s,
        "lid_off": lids(events, now_s),
        "fed": _fed(state, now_s, show),
        "peak": _moment(cycle.peak_at_s if cycle else None, now_s, show),
        "peak_ratio": _round(cycle.peak_ratio if cycle else None, 3),
        "fall": _moment(cycle.fall_at_s if cycle else None, now_s, show),
        "forecast": _forecast(state, now_s, show) if bin_note is None else None,
        "course": _course(_course_of(store, state), state.now_s) if bin_note is None else None,
        "next_notice": next_notice(state, kept, notes, notices, now_s, show) if bin_note is None else None,
        "snoozed_until": _moment(snoozed_s, now_s, show),
        "waiting": state.last_reading_s is None,
        "heard": _heard(state.last_reading_s, now_s, show),
        "health": health(state, sources, settings, now_s, show),
        "throw_away": None if bin_note is None else {**_at(bin_note.time_s, now_s, show), "says": what_to_do(bin_note)},
        "question": question_words(state, now_s, show),
        "asked_s": [*cycle.about_s] if state.question and cycle and cycle.about_s else None,
        "seen": _seen(events, now_s, show),
        "last_feeding": feeding,
        "notes": [note_json(note, now_s, show) for note in notes],
        "last_told": _last_told(store, jar, state.cycle, now_s, show),
        "usual_taken": usual_taken(state, feeding, now_s, show) if bin_note is None else None,
        "bake": baking.shown(store, jar.name, now_s, show) if bin_note is None else None,
    }


def starting_mm(level: Level | None, geometry: Geometry) -> float | None:
    """The starting level from which the believed rise is counted, found by halving, as the volume of a shaped jar has
    no simple inverse. None where no rise is known."""
    if level is None or level.level_mm is None or not level.rise_ratio or level.level_mm <= 0.0:
        return None
    low_mm, high_mm = 0.01, 5.0 * level.level_mm
    for _ in range(50):
        middle_mm = (low_mm + high_mm) / 2.0
        if (rise_ratio(geometry, level.level_mm, middle_mm) or 0.0) > level.rise_ratio:
            low_mm = middle_mm
        else:
            high_mm = middle_mm
    return round((low_mm + high_mm) / 2.0, 2)


def scale(geometry: Geometry, empty_mm: float | None, start_mm: float | None) -> Json:
    """Heights and the rise ratios that belong to them, from the bottom to the sensor; None without a start."""
    if start_mm is None or start_mm <= 0.0:
        return None
    top_mm = max(empty_mm or 0.0, 4.0 * start_mm)
    knots = 2 if rise_ratio(geometry, 2.0 * start_mm, start_mm) == 2.0 else SCALE_KNOTS
    levels = [top_mm * k / (knots - 1) for k in range(knots)]
    return {
        "start_mm": start_mm,
        "level_mm": [round(mm, 2) for mm in levels],
        "rise_ratio": [round(rise_ratio(geometry, mm, start_mm) or 0.0, 4) for mm in levels],
    }


def happened_s(events: Sequence[Event], kind: EventKind) -> float | None:
    """When the last event of a kind happened."""
    return next((event.happened_at_s for event in reversed(events) if event.kind is kind), None)


def lids(events: Sequence[Event], now_s: float) -> list[Json]:
    """When the lid was off in this cycle: (from, until)."""
    out: list[Json] = []
    off_s = None
    for event in sorted(events, key=lambda event: event.happened_at_s):
        if event.kind is EventKind.LID_OFF:
            off_s = event.happened_at_s
        elif event.kind is EventKind.LID_ON and off_s is not None:
            out.append([off_s, event.happened_at_s])
            off_s = None
    return out if off_s is None else [*out, [off_s, now_s]]


def _course_of(store: Store, state: JarState) -> Course | None:
    cycle, level, forecast = state.cycle, state.level, state.forecast
    if cycle is None or forecast is None or level is None or level.rise_ratio is None:
        return None
    rises = history.latest_rises(store, state.jar, PAST_RISES)
    return course(
        fed_at_s=cycle.fed_at_s,
        now_s=state.now_s if state.silent_since_s is None else level.time_s,
        ratio_now=level.rise_ratio,
        peak_at=forecast.peak_at,
        peak_was_s=cycle.peak_at_s,
        fall_at=forecast.fall_at,
        expected=height([past.peak_ratio for _, past in rises if past.peak_ratio is not None]),
    )


def _course(ahead: Course | None, now_s: float) -> Json:
    """The part of the course that is still ahead; while a sensor is silent, some of it passes."""
    if ahead is None:
        return None
    left = [(at_s, row) for at_s, row in zip(ahead.time_s, ahead.rise_ratios, strict=True) if at_s >= now_s - 60.0]
    return {"time_s": [at_s for at_s, _ in left], "rise_ratios": [list(row) for _, row in left]} if left else None


def _last_told(store: Store, jar: JarSettings, cycle: Cycle | None, now_s: float, show: Display) -> Json:
    """The last report, while it is recent enough that a slip may be noticed."""
    last = reported.last(store, jar.name)
    if last is None or not now_s - BACK_WITHIN_S <= last.item.time_s:
        return None
    if isinstance(last.item, TakenBack):
        what, by = says_was_none(last.item), None
    else:
        what, by = "fed" if isinstance(last.item, Fed) else NOTE_WORDS[last.item.what], last.item.by
    who = f", by {by}" if by else ""
    at_s = last.item.time_s
    if isinstance(last.item, Fed) and cycle is not None and abs(cycle.fed_at_s - at_s) <= SAME_FEEDING_S:
        at_s = cycle.fed_at_s  # the sensor saw when
    return {"seq": last.seq, "what_words": what, "words": show.clock(at_s, now_s) + who}


def next_notice(
    state: JarState, kept: list[StoredNotice], notes: list[Noted], notices: NoticeSettings, now_s: float, show: Display
) -> Json:
    """Which notice comes next and when, as far as can be foreseen; else None."""
    waiting = [one.notice for one in kept if one.state is outbox.State.PENDING]
    found = ahead.next_notice(state, waiting, [one.notice for one in kept], notes, notices, now_s)
    if found is None:
        return None
    waits = found.certainty == "waiting"
    when = ": waiting to be delivered" if waits else f" {found.certainty} {show.about(found.at_s, now_s)}"
    return {"what": found.title, "at_s": found.at_s, "words": f"{found.title}{when}"}


def _fed(state: JarState, now_s: float, show: Display) -> Json:
    """The feeding that the cycle began with, or that watching began in mid-cycle."""
    cycle = state.cycle
    if cycle is None:
        return None
    at_s = cycle.fed_at_s
    known = cycle.fed_known
    ago = duration(max(now_s - at_s, 0.0))
    when = about_words(cycle, now_s, show) or show.clock(at_s, now_s)
    words = f"fed {ago} ago, {when}" if known else f"watched for {ago}, its feeding was not seen"
    return {
        "at_s": at_s,
        "known": known,
        "sure": cycle.sure,
        "words": words,
        "ago_words": ago,
        "ratio": cycle.feeding.ratio,
    }


def _seen(events: Sequence[Event], now_s: float, show: Display) -> list[Json]:
    """Events seen since the last feeding that can be denied, the latest first."""
    found = [event for event in events if event.kind in SEEN_WORDS and not event.evidence.get("told")]
    return [
        {
            "event": name_of(event),
            "words": f"{SEEN_WORDS[event.kind]}, {show.clock(event.happened_at_s, now_s)}",
            "none_words": NOT_SO[event.kind],
        }
        for event in found[: -SEEN_MOST - 1 : -1]
    ]


def usual_taken(state: JarState, usual: dict[str, Any], now_s: float, show: Display) -> Json:
    """That nobody reported all the grams of the open cycle's feeding, so that the usual ones are assumed. Only for some
    hours, as it is a question to whoever just fed it; None where the grams are known, or no usual ones are."""
    cycle = state.cycle
    if cycle is None or not cycle.fed_known or not (cycle.told or cycle.sure) or cycle.feeding.grams is not None:
        return None
    whole = Feeding(starter_g=usual["starter_g"], flour_g=usual["flour_g"], water_g=usual["water_g"])
    some = cycle.feeding.weighed
    fed = with_usual(cycle.feeding, whole) if some else whole
    if fed.grams is None or now_s - cycle.fed_at_s > ASK_GRAMS_S:
        return None
    said = " + ".join(show.weight(g) for g in fed.grams)
    when = show.clock(cycle.fed_at_s, now_s)
    what = "not all grams were given, so the rest is" if some else "no grams were given, so they are"
    words = f"Fed at {when}; {what} taken as usual: {said} ({phrases.about(fed)})."
    return {**fed.weights, "flour": cycle.feeding.flour or usual["flour"], "at_s": cycle.fed_at_s, "words": words}


def _moment(at_s: float | None, now_s: float, show: Display) -> Json:
    return None if at_s is None else _at(at_s, now_s, show)


def _at(at_s: float, now_s: float, show: Display) -> dict[str, Json]:
    return {"at_s": at_s, "words": show.clock(at_s, now_s)}


def _forecast(state: JarState, now_s: float, show: Display) -> Json:
    forecast = state.forecast
    if forecast is None:
        return None
    return {
        "made_at_s": forecast.made_at_s,
        "peak_at": _span(forecast.peak_at, now_s, show),
        "fall_at": _span(forecast.fall_at, now_s, show),
    }


def _span(span: Span | None, now_s: float, show: Display) -> Json:
    if span is None:
        return None
    between = show.about_between(span.earliest_s, span.latest_s, now_s)
    return {**asdict(span), "words": f"about {show.about(span.likely_s, now_s)}", "range_words": between}


def _heard(at_s: float | None, now_s: float, show: Display) -> Json:
    """The last reading, and how old it is."""
    if at_s is None:
        return None
    ago_s = max(now_s - at_s, 0.0)
    words = "just now" if ago_s < JUST_NOW_S else f"{duration(ago_s)} ago, {show.clock(at_s, now_s)}"
    return {"at_s": at_s, "words": words}


def health(
    state: JarState, sources: Sequence[SourceHealth], settings: Settings, now_s: float, show: Display
) -> list[Json]:
    """What is wrong with the sensor and what brings its readings, a sentence each; empty when all is well."""
    troubles = sensor_troubles(state, lambda at_s: show.clock(at_s, now_s))
    out: list[Json] = [f"{trouble[:1].upper()}{trouble[1:]}" for trouble in troubles]
    heard_s = state.last_reading_s
    of_others = {f"serial {one.port}" for one in settings.serial if one.jar not in (None, state.jar)}
    for source in sources:
        # a jar whose readings come all the same has another source, or the trouble does not stop readings
        until_s = source.since_s + (0.0 if source.connected else CLOCKS_S)
        unheard = heard_s is None or heard_s <= until_s
        if source.trouble and unheard and source.name not in of_others:
            out.append(spell(source.trouble, source.since_s, now_s, show))
    return out


def spell(trouble: str, since_s: float, now_s: float, show: Display) -> str:
    """A trouble and since when, as a sentence."""
    said = show.since(trouble, since_s, now_s)
    return f"{said[:1].upper()}{said[1:]}"


def last_feeding(store: Store, jar: JarSettings) -> dict[str, Any]:
    """The grams that the form begins with: those of the last reported feeding that still holds. Raises StoreTrouble."""
    fed = reported.last_feeding(store, jar.name)
    if fed is None:
        return {**Feeding().weights, "flour": jar.flour}
    return {**fed.feeding.weights, "flour": fed.feeding.flour or jar.flour}


def note_json(note: Noted, now_s: float, show: Display) -> Json:
    """A note as JSON, with its words and time in words: for marks and lists of the open cycle and of past ones."""
    return {
        "at_s": note.time_s,
        "what": note.what.value,
        "what_words": NOTE_WORDS[note.what],
        "text": note.text,
        "says": says(note),
        "may_change": may_change(note, now_s),
        "by": note.by,
        "words": show.clock(note.time_s, now_s),
    }


def _round(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)
