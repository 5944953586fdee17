"""One jar as the page shows it now: the daemon's own state in the household's words and units, beside the numbers.

Built from what the daemon keeps with `monitor.runs.daemon_status` and from the store's notices and notes; a state
whose cycle was just told changes with the daemon's next word. Times of day and units become text only in
`core.display`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from monitor.core.assess.notebook import NOTE_WORDS, THROW_AWAY, mould_noted_s, says
from monitor.core.display.units import STAGE_WORDS, Display, duration, sensor_troubles, times
from monitor.core.notify.conditions import Kind
from monitor.runs import outbox, reported
from monitor.runs.outbox import Kept
from monitor.runs.store import Store
from monitor.settings import JarSettings, NoticeSettings, Settings
from monitor.values import Fed, Feeding, Json, Noted, Noting, Stage

State = dict[str, Any]  # one of the jars of `status.read`
Source = dict[str, Any]  # one of its sources
H_S = 3600.0
CLOCKS_S = 60.0  # that a device's clock may be ahead of ours: its last reading seems to be of after the loss
JUST_NOW_S = 90.0  # the daemon writes what it knows each minute
BACK_WITHIN_S = 12 * H_S  # until when a telling is offered to be taken back: the next morning sees the evening's slip
STAGE_BRIEF = {  # a word or three to be read across the kitchen
    Stage.UNKNOWN: "not known",
    Stage.SETTLING: "settling",
    Stage.RISING: "rising",
    Stage.PEAKED: "at its peak",
    Stage.FALLING: "sinking",
    Stage.FLAT: "not rising",
    Stage.RESTING: "resting",
    Stage.AWAY: "away",
}


def jar_now(
    store: Store, state: State, sources: Sequence[Source], jar: JarSettings, settings: Settings, now_s: float,
    show: Display,
) -> Json:  # fmt: skip
    """All that a jar's card says; `sources` are those of `status.read`. Raises StoreTrouble."""
    notices = settings.notices
    cycle = state["cycle"]
    since_s = cycle["fed_at_s"] - 60.0 if cycle else now_s - 72 * H_S
    ever = store.noted(jar.name, since_s)
    notes = [note for note in ever if note.time_s >= since_s]
    mould_s = mould_noted_s(ever)
    kept = outbox.of_jar(store, jar.name, cycle["number"] if cycle else 0)
    run = store.open_run(jar.name)
    level, slope = state["level"], state["slope_mm_per_h"]
    level_mm = level and level["level_mm"]
    ratio = level and level["rise_ratio"]
    temperature_c = state["temperature_c"]
    return {
        "jar": jar.name,
        "run": run.id if run else None,
        "cycle": cycle["number"] if cycle else None,
        "stage": state["stage"],
        "stage_brief": STAGE_BRIEF[Stage(state["stage"])],
        "stage_words": STAGE_WORDS[Stage(state["stage"])],
        "level_mm": _round(level_mm, 1),
        "level_words": None if level_mm is None else show.length(level_mm),
        "rise_ratio": _round(ratio, 3),
        "rise_words": None if ratio is None else times(ratio),
        "slope_mm_per_h": _round(slope, 2),
        "slope_words": None if slope is None else show.speed(slope),
        "temperature_c": _round(temperature_c, 2),
        "temperature_words": None if temperature_c is None else show.temperature(temperature_c),
        "rim_mm": jar.rim_mm,
        "empty_mm": jar.empty_mm,
        "fed": _fed(state, now_s, show),
        "peak": _moment(cycle and cycle["peak_at_s"], now_s, show),
        "peak_ratio": _round(cycle and cycle["peak_ratio"], 3),
        "fall": _moment(cycle and cycle["fall_at_s"], now_s, show),
        "forecast": _forecast(state, now_s, show) if mould_s is None else None,
        "next_notice": next_notice(state, kept, notes, notices, now_s, show) if mould_s is None else None,
        "snoozed_until": _moment(snoozed_until_s(notes, now_s), now_s, show),
        "waiting": state["last_reading_s"] is None,
        "heard": _heard(state["last_reading_s"], now_s, show),
        "health": health(state, sources, settings, now_s, show),
        "throw_away": None if mould_s is None else {**_at(mould_s, now_s, show), "says": THROW_AWAY},
        "question": state["question"],
        "last_feeding": last_feeding(store, jar),
        "notes": [note_json(note, now_s, show) for note in notes],
        "last_told": _last_told(store, jar, now_s, show),
    }


def _last_told(store: Store, jar: JarSettings, now_s: float, show: Display) -> Json:
    """What was told last, while it may still be a slip that is noticed."""
    last = reported.last(store, jar.name)
    if last is None or not now_s - BACK_WITHIN_S <= last.item.time_s:
        return None
    what = "fed" if isinstance(last.item, Fed) else NOTE_WORDS[last.item.what]
    return {"seq": last.seq, "what_words": what, "words": show.clock(last.item.time_s, now_s)}


def next_notice(
    state: State, kept: list[Kept], notes: list[Noted], notices: NoticeSettings, now_s: float, show: Display
) -> Json:
    """What will be told next and when, as far as it can be foreseen; None when nothing can."""
    snoozed_s = snoozed_until_s(notes, now_s) or 0.0
    waiting = [one.notice for one in kept if one.state is outbox.State.PENDING]
    if waiting:
        first = min(waiting, key=lambda notice: notice.due_s)
        return {"what": first.title, "at_s": first.due_s, "words": f"{first.title}: waiting to be delivered"}
    stage, forecast = state["stage"], state["forecast"]
    if stage in (Stage.RESTING, Stage.AWAY):
        return None
    fed_now = [one.notice.due_s for one in kept if one.notice.kind == Kind.FEED_NOW]
    if fed_now:
        at_s = max(fed_now) + notices.repeat_h * H_S
        return _foreseen("Feed now, again", max(at_s, snoozed_s), now_s, show, "at")
    if forecast and forecast["fall_at"] and Kind.FEED_NOW not in notices.leave_out:
        at_s = max(forecast["fall_at"]["likely_s"], now_s, snoozed_s)
        return _foreseen("Feed now", at_s, now_s, show, "about")
    return None


def snoozed_until_s(notes: list[Noted], now_s: float) -> float | None:
    """When the latest snooze ends; None when none holds."""
    last = max((n for n in notes if n.what is Noting.SNOOZE), key=lambda n: n.time_s, default=None)
    try:
        until_s = None if last is None else last.time_s + float(last.text) * H_S
    except ValueError:
        return None
    return until_s if until_s is not None and until_s > now_s else None


def _foreseen(what: str, at_s: float, now_s: float, show: Display, about: str) -> Json:
    return {"what": what, "at_s": at_s, "words": f"{what} {about} {show.clock(at_s, now_s)}"}


def _fed(state: State, now_s: float, show: Display) -> Json:
    """The feeding that the cycle began with, or that watching began in the middle of one."""
    cycle = state["cycle"]
    if cycle is None:
        return None
    at_s = cycle["fed_at_s"]
    known = bool(cycle["told"] or cycle["number"] > 0)
    ago = duration(max(now_s - at_s, 0.0))
    words = f"fed {ago} ago, {show.clock(at_s, now_s)}" if known else f"watched for {ago}, its feeding was not seen"
    ratio = Feeding(**{key: cycle[key] for key in ("starter_g", "flour_g", "water_g")}).ratio
    return {"at_s": at_s, "known": known, "sure": cycle["sure"], "words": words, "ago_words": ago, "ratio": ratio}


def _moment(at_s: float | None, now_s: float, show: Display) -> Json:
    return None if at_s is None else _at(at_s, now_s, show)


def _at(at_s: float, now_s: float, show: Display) -> dict[str, Json]:
    return {"at_s": at_s, "words": show.clock(at_s, now_s)}


def _forecast(state: State, now_s: float, show: Display) -> Json:
    forecast = state["forecast"]
    if not forecast:
        return None
    out: dict[str, Json] = {"made_at_s": forecast["made_at_s"]}
    for key in ("peak_at", "fall_at"):
        span = forecast[key]
        out[key] = None
        if span is not None:
            likely, earliest, latest = (show.clock(span[k], now_s) for k in ("likely_s", "earliest_s", "latest_s"))
            out[key] = {**span, "words": f"about {likely}", "range_words": f"{earliest} to {latest}"}
    return out


def _heard(at_s: float | None, now_s: float, show: Display) -> Json:
    """The last reading, and how old it is."""
    if at_s is None:
        return None
    ago_s = max(now_s - at_s, 0.0)
    words = "just now" if ago_s < JUST_NOW_S else f"{duration(ago_s)} ago, {show.clock(at_s, now_s)}"
    return {"at_s": at_s, "words": words}


def health(state: State, sources: Sequence[Source], settings: Settings, now_s: float, show: Display) -> list[Json]:
    """What is wrong with the sensor and what brings its readings, a sentence each; empty when all is well."""
    troubles = sensor_troubles(state, lambda at_s: show.clock(at_s, now_s))
    out: list[Json] = [f"{trouble[:1].upper()}{trouble[1:]}" for trouble in troubles]
    heard_s = state["last_reading_s"]
    of_others = {f"serial {one.port}" for one in settings.serial if one.jar not in (None, state["jar"])}
    for source in sources:
        # a jar that is heard all the same has another source, or its trouble does not keep readings back
        until_s = source["since_s"] + (0.0 if source["connected"] else CLOCKS_S)
        unheard = heard_s is None or heard_s <= until_s
        if source["trouble"] and unheard and source["name"] not in of_others:
            out.append(spell(source["trouble"], source["since_s"], now_s, show))
    return out


def spell(trouble: str, since_s: float, now_s: float, show: Display) -> str:
    """A trouble and since when, as a sentence."""
    said = show.since(trouble, since_s, now_s)
    return f"{said[:1].upper()}{said[1:]}"


def last_feeding(store: Store, jar: JarSettings) -> Json:
    """The grams to begin from: those of the last feeding that was told and still stands. Raises StoreTrouble."""
    fed = reported.last_feeding(store, jar.name)
    if fed is None:
        return {**Feeding().weights, "flour": jar.flour}
    return {**fed.feeding.weights, "flour": fed.flour or jar.flour}


def note_json(note: Noted, now_s: float, show: Display) -> Json:
    """A note, beside its words and time in words: for the marks and the lists of the open cycle and of past ones."""
    return {
        "at_s": note.time_s,
        "what": note.what.value,
        "what_words": NOTE_WORDS[note.what],
        "text": note.text,
        "says": says(note),
        "words": show.clock(note.time_s, now_s),
    }


def _round(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)
