"""The next feeding as in `jartide plan` (for a wanted cycle, once a day, for a moment, or what a given one does), as
fast as a slider moves: `core.plan` with what the store knows about the jar's starter. Learning from hundreds of cycles
takes a moment, and the result is kept until another cycle has closed. Bakes are in `baking`.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import fmean

from monitor.core.assess import growing
from monitor.core.assess.age import age_of
from monitor.core.assess.thrown_away import condemned, what_to_do
from monitor.core.display.local_time import local_day, minute_of_day
from monitor.core.display.units import Display
from monitor.core.forecast import starter_model as starter_models
from monitor.core.forecast.course import course, height
from monitor.core.forecast.starter_model import Culture
from monitor.core.plan import change_over as changing
from monitor.core.plan import daily, feeding, moment
from monitor.core.plan.hours import Aim
from monitor.core.plan.moment import Planned
from monitor.core.plan.ripeness import Seed, by_day_words, feed_from_s, not_ripe_words, seed_of, warmth_from
from monitor.core.plan.waking import awake_by
from monitor.core.plan.weighing import limits_of
from monitor.review import old_readings
from monitor.runs import bake_plans, history
from monitor.runs.history import HYDRATIONS
from monitor.runs.report_body import Refused
from monitor.runs.store import Store
from monitor.settings import JarSettings, NoticeSettings, PlaceSettings
from monitor.values import DAY_S, Feeding, Json, Span

TARGET_H = (2.0, 72.0)
TEMPERATURE_C = (4.0, 38.0)
WATER_C = (0.0, 60.0)
KEEP_G = (1.0, 1000.0)
HYDRATION_PCT = (100.0 * HYDRATIONS[0], 100.0 * HYDRATIONS[1])
FLOUR_G = (1.0, 20_000.0)  # or water
JAR_ML = (20.0, 20_000.0)
BAKE_FLOUR_G = (50.0, 50_000.0)
LEVAIN_PCT = (1.0, 100.0)
FURTHEST_S = 14 * DAY_S  # a chain of feedings is planned backwards from it
PAST_RISES = 6  # whose heights say how high the next one may come
SPAN = ("earliest_s", "likely_s", "latest_s")


class Cultures:
    """What is believed about each jar's starter, learnt again when its cycles have changed."""

    def __init__(self) -> None:
        self._known: dict[str, tuple[object, Culture]] = {}
        self._lock = threading.Lock()

    def of(self, store: Store, jar: JarSettings) -> Culture:
        """The culture of one jar. Raises StoreTrouble."""
        mark = store.cycles_mark(jar.name)
        with self._lock:
            known = self._known.get(jar.name)
        if known is not None and known[0] == mark:
            return known[1]
        culture = starter_models.learned_from(history.from_store(store, jar.name), jar.flour)
        with self._lock:
            self._known[jar.name] = (mark, culture)
        return culture


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanAsked:
    """What is asked of a plan. Starter, flour and water all given ask what that feeding will do; `at_s` is a moment at
    which it is to be ripe, or what `aim` says; `once_a_day` is fed at about this hour each day; `change_over` goes over
    to `flour` or `hydration_pct` feeding by feeding; else it is to last `target_h`."""

    target_h: float | None = None
    at_s: float | None = None
    once_a_day: bool = False
    change_over: bool = False
    temperature_c: float | None = None
    keep_g: float | None = None
    flour_g: float | None = None
    water_g: float | None = None
    hydration_pct: float | None = None
    jar_ml: float | None = None
    standing_g: float | None = None
    ripe_g: float | None = None
    least_keep_g: float | None = None
    most_keep_g: float | None = None
    water_c: float | None = None
    flour: str | None = None
    aim: Aim | None = None

    @property
    def all_given(self) -> bool:
        """Whether it is a question and not a wish."""
        return self.keep_g is not None and self.flour_g is not None and self.water_g is not None


# branches: one branch for each kind of question
def plan(
    store: Store, known: Cultures, jar: JarSettings, now_s: float, show: Display, asked: PlanAsked,
    places: tuple[PlaceSettings, ...] = (), notices: NoticeSettings | None = None,
) -> Json:  # fmt: skip
    """The plan, with what it was made for. Raises Refused and StoreTrouble."""
    refuse_condemned(store, jar)
    culture = known.of(store, jar)
    cycle = bake_plans.open_cycle_of(store, jar.name)
    seed = seed_of(culture, cycle, now_s, asked.temperature_c)
    awake_at = awake_by(show.offset_s, notices, now_s)
    from_s = now_s if asked.all_given else feed_from_s(seed, now_s, awake_at)
    target_h = asked.target_h or jar.cycle_h
    limits = limits_of(jar, places)
    limits = replace(
        limits, keep_g=asked.keep_g, flour_g=asked.flour_g, flour=asked.flour, jar_ml=asked.jar_ml or limits.jar_ml,
        hydration=None if asked.hydration_pct is None else asked.hydration_pct / 100.0,
        standing_g=asked.standing_g or seed.standing_g, ripe_g=asked.ripe_g, least_keep_g=asked.least_keep_g or 1.0,
        most_keep_g=asked.most_keep_g, water_c=asked.water_c,
    )  # fmt: skip
    warm = warmth_from(culture, cycle, asked.temperature_c)
    line: str | None = None
    try:
        if asked.all_given:
            fed = Feeding(starter_g=asked.keep_g, flour_g=asked.flour_g, water_g=asked.water_g, flour=asked.flour)
            made = feeding.what_if(culture, feeding=fed, temperatures_c=warm(from_s), limits=limits)
            planned = [Planned(at_s=from_s, plan=made)]
        elif asked.once_a_day:
            minute = minute_of_day(from_s, show.offset_s)
            days = local_day(from_s, show.offset_s) - local_day(now_s, show.offset_s)
            today = daily.once_a_day(culture, temperatures_c=warm(from_s), minute=minute, days=days, limits=limits)
            planned, line = [Planned(at_s=from_s, plan=today.plan)], today.line
        elif asked.change_over:
            planned = [*changing.change_over(
                culture, limits=limits, start_s=from_s, warmth_from=warm,
                awake_at=awake_at,
            )]  # fmt: skip
        elif asked.at_s is not None:
            if not now_s < asked.at_s <= now_s + FURTHEST_S:
                raise Refused("at_s: must be within the next two weeks", 409)
            planned = [*moment.plan_for(
                culture, now_s=now_s, wanted_s=asked.at_s, warmth_from=warm, aim=asked.aim or "peak", limits=limits,
                seed=seed, awake=awake_at, clock=lambda at_s: show.about(at_s, now_s),
            )]  # fmt: skip
        else:
            toward = asked.aim or "fall"
            made = feeding.plan(culture, target_h=target_h, temperatures_c=warm(from_s), aim=toward, limits=limits)
            planned = [Planned(at_s=from_s, plan=made)]
    except ValueError as error:
        raise Refused(str(error), 409) from None
    last = planned[-1].plan
    return {
        **_feeding(store, jar, planned[-1], now_s, show),
        "jar": jar.name,
        "target_h": target_h,
        "temperature_c": round(fmean(warm(from_s)[: max(round(target_h), 1)]), 1),
        "met": None if last.met is None else all(one.plan.met for one in planned),
        "line": None if line is None else show.worded(line),
        "because": show.worded(last.because),
        "instead": [show.worded(f"{one.do}. {one.because}") for one in last.instead],
        "caution": " ".join(filter(None, (said_if_old(store, jar, now_s, show), show.worded(last.caution or ""))))
        or None,
        "cycles": culture.cycles,
        "first": [_feeding(store, jar, one, now_s, show) for one in planned[:-1]],
        "unripe": None if asked.all_given else _unripe(seed, now_s, from_s, show),
        "young": None if asked.all_given else _young(store, jar, now_s),
        "jar_ml": None if limits.jar_ml is None else round(limits.jar_ml),
        "standing_g": None if limits.standing_g is None else round(limits.standing_g),
    }


def _feeding(store: Store, jar: JarSettings, one: Planned, now_s: float, show: Display) -> dict[str, Json]:
    """One feeding of a plan: when, what to weigh, and what will come of it."""
    made = one.plan
    return {
        "at_s": one.at_s,
        "words": "now" if one.at_s <= now_s else show.stamp(300.0 * round(one.at_s / 300.0)),
        **made.feeding.weights,
        "ratio": feeding.ratio(made),
        "discard_g": made.discard_g,
        "least_jar_ml": made.least_jar_ml,
        "hours_to_peak": [round(h, 2) for h in made.hours_to_peak],
        "hours_to_highest": [round(h, 2) for h in made.hours_to_highest],
        "hours_to_fall": [round(h, 2) for h in made.hours_to_fall],
        "course": predicted_course(store, jar, one.at_s, made.hours_to_highest, made.hours_to_fall),
    }


def _unripe(seed: Seed, now_s: float, from_s: float, show: Display) -> Json:
    """In words: what is in the jar is not ripe yet, and when it will be; None where it is ripe."""
    if seed.ripe_at is None or seed.fed_at_s is None:
        return None
    return f"{not_ripe_words(seed, show, now_s)} {by_day_words(seed, from_s, show, now_s) or 'Feed it then.'}"


def _young(store: Store, jar: JarSettings, now_s: float) -> Json:
    """What to do in place of a planned feeding with a starter in its first week."""
    return growing.beside_a_plan(age_of([], store.noted(jar.name, math.inf), now_s).days)


def said_if_old(store: Store, jar: JarSettings, now_s: float, show: Display) -> str | None:
    """That its readings are old, where they are: a plan rests on them. Raises StoreTrouble."""
    return old_readings.words(old_readings.of_store(store, [jar], now_s), show, now_s)


def refuse_condemned(store: Store, jar: JarSettings) -> None:
    """Refuse to plan for a starter that goes into the bin. Raises Refused and StoreTrouble."""
    note = condemned(store.noted(jar.name, math.inf))
    if note is not None:
        raise Refused(f"No plan for {jar.name}. {what_to_do(note)}", 409)


def predicted_course(
    store: Store, jar: JarSettings, fed_at_s: float, peak_h: Sequence[float], fall_h: Sequence[float]
) -> Json:
    """The course that a feeding still to come will probably take, as `core.forecast.course` has it."""
    peak_at, fall_at = (Span(**dict(zip(SPAN, (fed_at_s + 3600.0 * h for h in hours), strict=True)))
                        for hours in (peak_h, fall_h))  # fmt: skip
    rises = history.latest_rises(store, jar.name, PAST_RISES)
    made = course(
        fed_at_s=fed_at_s,
        now_s=fed_at_s,
        ratio_now=1.0,
        peak_at=peak_at,
        peak_was_s=None,
        fall_at=fall_at,
        expected=height([past.peak_ratio for _, past in rises if past.peak_ratio is not None]),
    )
    return None if made is None else {"time_s": [*made.time_s], "rise_ratios": [[*row] for row in made.rise_ratios]}
