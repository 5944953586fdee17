"""The feeding sheet, the hand-over and a group's staggered plans as JSON, in the household's words and units.

Between `monitor.review`, which takes them out of the store, and the page's sheet view.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict

from monitor.core.assess import neighbours
from monitor.core.display.units import Display
from monitor.core.plan.sheet import Row, Waiting, when_words
from monitor.core.plan.stagger import APART_MIN
from monitor.review import feeding_sheet, handover, old_readings, staggering
from monitor.runs import lots
from monitor.runs.report_body import Refused
from monitor.runs.store import Store
from monitor.settings import Settings
from monitor.values import Json

HOURS = (0.0, 72.0)
APART = (1.0, 120.0)
USUAL_HOURS = 12.0
MOST_HAPPENED = 400
MOST_READY = 24
FURTHEST_S = 72 * 3600.0
SHIFT_S = 8 * 3600.0


def sheet(
    store: Store, settings: Settings, now_s: float, show: Display, hours: float | None, group: str | None
) -> Json:  # fmt: skip
    """All jars that are due within some hours, in order, with sums. Raises Refused and StoreTrouble."""
    groups = _groups(settings, group)
    hours = USUAL_HOURS if hours is None else hours
    made = feeding_sheet.of_store(store, settings, now_s, hours, group)
    found, opened = made.sheet, lots.opened(store)

    def moment(at_s: float | None) -> Json:
        return None if at_s is None else {"at_s": at_s, "words": show.clock(at_s, now_s)}

    return {
        "now_s": now_s,
        "old": old_readings.words(
            old_readings.of_store(store, [jar for jar in settings.jars if group in (None, jar.group)], now_s),
            show,
            now_s,
        ),
        "hours": hours,
        "group": group,
        "groups": [*groups],
        "begin_words": when_words(found, hours, lambda at_s: show.clock(at_s, now_s)),
        "begin_by": moment(found.begin_by_s),
        "done_by": moment(found.done_by_s),
        "rows": [_row(one, show, now_s, made.fed_by.get(one.jar)) for one in found.rows],
        "waiting": [_waiting(one, show, now_s) for one in found.waiting],
        "weigh": [
            {"flour": kind, "flour_g": grams, "lot": lots.lot_of(opened, kind, now_s)}
            for kind, grams in sorted(found.flour_g.items())
            if grams
        ],
        "water_g": found.water_g,
        "starter_g": found.starter_g,
        "untold": [*found.untold],
        "odd": [{"jar": one.jar, "words": one.words, "curves": [*made.curves[one.jar]]} for one in made.odd],
        "drifts": [
            {"jar": one.jar, "words": neighbours.words(one, show), "measure": one.measure, "curves": [*curves]}
            for one, curves in made.drifts.items()
        ],
    }


def happened(
    store: Store, settings: Settings, now_s: float, show: Display, since_s: float | None, group: str | None
) -> Json:  # fmt: skip
    """What happened since a time, newest first. Raises Refused and StoreTrouble."""
    _groups(settings, group)
    since_s = now_s - SHIFT_S if since_s is None else since_s
    jars = [jar.name for jar in settings.jars if group is None or jar.group == group]
    found = handover.since(store, jars, since_s)[-MOST_HAPPENED:]
    rows = [{**asdict(one), "words": show.clock(one.at_s, now_s)} for one in reversed(found)]
    return {"since_s": since_s, "words": show.clock(since_s, now_s), "happened": [*rows]}


def staggered(
    store: Store, settings: Settings, now_s: float, show: Display, group: str, ready_s: Sequence[float],
    apart_min: float | None,
) -> Json:  # fmt: skip
    """A feeding for each jar of a group, fed now, spread over the hours. Raises Refused and StoreTrouble."""
    _groups(settings, group)
    if not all(now_s < at_s <= now_s + FURTHEST_S for at_s in ready_s):
        raise Refused("ready_s: must be within the next three days", 409)
    jars = [jar for jar in settings.jars if jar.group == group]
    try:
        made = staggering.of_store(store, jars, now_s, ready_s, apart_min or APART_MIN, places=settings.place)
    except ValueError as error:
        raise Refused(str(error), 409) from None
    rows: list[Json] = []
    for one in made:
        hours = one.plan.hours_to_peak if ready_s else one.plan.hours_to_fall
        feed_s = now_s + 3600.0 * one.feed_in_h
        rows.append(
            {
                "jar": one.jar,
                **one.plan.feeding.weights,
                "met": one.plan.met,
                "wanted_words": show.clock(now_s + 3600.0 * one.target_h, now_s),
                "likely_words": show.clock(feed_s + 3600.0 * hours[1], now_s),
                "feed_words": show.clock(feed_s, now_s) if one.feed_in_h else "now",
                "because": show.worded(one.plan.because),
            }
        )
    return {"group": group, "aim": "peak" if ready_s else "fall", "rows": rows}


def _groups(settings: Settings, group: str | None) -> list[str]:
    groups = sorted({jar.group for jar in settings.jars if jar.group is not None})
    if group is not None and group not in groups:
        raise Refused(f"group: there is no jar in {group[:60]!r}", 404)
    return groups


def _row(row: Row, show: Display, now_s: float, fed_by: str | None) -> Json:
    weights = row.feeding.weights if row.feeding is not None else None
    return {
        "jar": row.jar,
        "group": row.group,
        "stage": row.stage.value,
        "due_s": row.due_s,
        "due_words": (show.clock if row.now else show.about)(row.due_s, now_s),
        "by_words": show.clock(row.by_s, now_s),
        "now": row.now,
        "ahead_words": row.ahead_words,
        "feeding": None if weights is None else {**weights},
        "flour": row.feeding.flour if row.feeding is not None else None,
        "fed_by": fed_by,
    }


def _waiting(one: Waiting, show: Display, now_s: float) -> Json:
    return {"jar": one.jar, "why": one.why, "words": "" if one.due_s is None else show.about(one.due_s, now_s)}
