"""A bake on the page: its feedings, planned backwards from the hour of mixing, with the expected curves; and keeping
it, for the daemon's reminders, for the calendar and for `jartide bake`."""

from __future__ import annotations

from dataclasses import dataclass, replace

from monitor.core.assess import vigour
from monitor.core.display.units import Display
from monitor.core.plan.bake_plan import BakePlan, meanwhile_words, rest_words
from monitor.core.plan.waking import awake_by
from monitor.page.advising import for_page
from monitor.page.planning import FURTHEST_S, Cultures, predicted_course, refuse_condemned, said_if_old
from monitor.runs import bake_plans, history, kept_bake
from monitor.runs.kept_bake import Asked
from monitor.runs.report_body import Refused
from monitor.runs.store import Store
from monitor.settings import JarSettings, NoticeSettings, PlaceSettings
from monitor.values import Json


@dataclass(frozen=True, slots=True, kw_only=True)
class House:
    """What a bake depends on besides the starter: when people sleep, where a jar can stand, what is in it now (None:
    what was fed)."""

    notices: NoticeSettings | None = None
    places: tuple[PlaceSettings, ...] = ()
    standing_g: float | None = None


def bake(
    store: Store, known: Cultures, jar: JarSettings, now_s: float, show: Display, asked: Asked, house: House
) -> Json:
    """The feedings on the way to a bake. Raises Refused and StoreTrouble."""
    made = _planned(store, known, jar, now_s, show, asked, house)
    ready = made.ready
    return {
        "jar": jar.name,
        "at_s": asked.wanted_s,
        "feedings": [
            {
                "at_s": one.at_s,
                "words": show.clock(one.at_s, now_s),
                **one.feeding.weights,
                "from": one.source,
                "hours_to_peak": [round(h, 2) for h in one.hours.peak],
                "hours_to_highest": [round(h, 2) for h in one.hours.highest],
                "hours_to_fall": [round(h, 2) for h in one.hours.fall],
                "discard_g": one.discard_g,
                "at_night": one.at_night,
                "course": predicted_course(store, jar, one.at_s, one.hours.highest, one.hours.fall),
            }
            for one in made.feedings
        ],
        "ready": {
            "likely_s": ready.likely_s,
            "words": show.about(ready.likely_s, now_s),
            "range_words": show.about_between(ready.earliest_s, ready.latest_s, now_s),
        },
        "take_g": made.take_g,
        "keep_g": made.keep_g,
        "discard_g": made.discard_g,
        "met": made.met,
        "because": show.worded(made.because),
        "at_night": made.at_night,
        "by_day": [show.worded(one) for one in made.by_day],
        "rest": None if made.rest is None else show.worded(rest_words(made, lambda at_s: show.about(at_s, now_s))),
        "rest_from_s": None if made.rest is None else made.rest.from_s,
        "meanwhile": None
        if made.meanwhile is None
        else show.worded(meanwhile_words(made, lambda at_s: show.about(at_s, now_s))),
        "instead": [show.worded(one) for one in made.instead],
        "cautions": [for_page(show.worded(one)) for one in made.cautions],
        "cycles": known.of(store, jar).cycles,
    }


def keep(
    store: Store, known: Cultures, jar: JarSettings, now_s: float, show: Display, asked: Asked, house: House
) -> Json:
    """Plan a bake and keep it. Raises Refused and StoreTrouble."""
    made = _planned(store, known, jar, now_s, show, asked, house)
    kept_bake.keep(store, jar.name, kept_bake.kept_of(asked, made, now_s))
    return {"kept": True}


def drop(store: Store, jar: JarSettings) -> Json:
    """Drop the kept bake. Raises StoreTrouble."""
    kept_bake.drop(store, jar.name)
    return {"kept": False}


def shown(store: Store, jar: str, now_s: float, show: Display) -> Json:
    """The kept bake for a jar's card: the next feeding, or that the levain is on its way, and what moved last. None
    where no bake is to come. Raises StoreTrouble."""
    kept = kept_bake.kept(store, jar)
    if kept is None or kept.asked.wanted_s <= now_s:
        return None
    to_come = bake_plans.still_to_come(kept, bake_plans.open_cycle_of(store, jar))
    words = "the levain is on its way"
    if to_come:
        at_s, fed = to_come[0]
        grams = " + ".join(show.weight(g) for g in fed.grams or ())
        words = f"next feeding {show.stamp(at_s)}{f', {grams}' if grams else ''}"
    return {
        "at_s": kept.asked.wanted_s,
        "words": f"Bake, mixed {show.stamp(kept.asked.wanted_s)}: {words}.",
        "moved": list(kept.moved),
    }


def _planned(
    store: Store, known: Cultures, jar: JarSettings, now_s: float, show: Display, asked: Asked, house: House
) -> BakePlan:
    refuse_condemned(store, jar)
    if not now_s < asked.wanted_s <= now_s + FURTHEST_S:
        raise Refused("at_s: must be within the next two weeks", 409)
    try:
        awake_at = awake_by(show.offset_s, house.notices, now_s)
        open_cycle, culture = bake_plans.open_cycle_of(store, jar.name), known.of(store, jar)
        about = culture, open_cycle, jar, asked, now_s, show, awake_at, house.standing_g
        made = bake_plans.planned(*about, places=house.places)
    except ValueError as error:
        raise Refused(str(error), 409) from None
    cycles, notes = history.of_starter(store, jar.name), store.noted(jar.name)
    doubt = vigour.doubt(vigour.assess(cycles, notes, now_s, culture=culture))
    first = filter(None, (said_if_old(store, jar, now_s, show), doubt))
    return replace(made, cautions=(*first, *made.cautions))
