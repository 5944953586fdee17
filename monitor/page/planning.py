"""The next feeding for a wanted cycle at a temperature, as quick as a slider moves: `core.feeding` with what the store
knows of the jar's starter. Learning from hundreds of cycles takes a moment and is kept until another cycle has closed.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Sequence
from dataclasses import replace
from statistics import fmean
from typing import Any

from monitor.core.assess import notebook
from monitor.core.display.local_time import minute_of_day
from monitor.core.display.units import Display
from monitor.core.forecast import growth_rate
from monitor.core.forecast import starter_model as starter_models
from monitor.core.forecast.course import course, height
from monitor.core.forecast.starter_model import Culture
from monitor.core.plan import bake as baking
from monitor.core.plan import feeding, phrases
from monitor.core.plan.chain import awake
from monitor.core.plan.ripeness import seed_of
from monitor.core.plan.weighing import limits_of
from monitor.runs import history, kept_bake
from monitor.runs.history import HYDRATIONS
from monitor.runs.report_body import Refused
from monitor.runs.store import Store
from monitor.settings import JarSettings
from monitor.values import DAY_S, Feeding, Json, Noting, Span

TARGET_H = (2.0, 72.0)
TEMPERATURE_C = (4.0, 38.0)
KEEP_G = (1.0, 1000.0)
HYDRATION_PCT = (100.0 * HYDRATIONS[0], 100.0 * HYDRATIONS[1])
HORIZON_H = 96
BAKE_FLOUR_G = (50.0, 50_000.0)
LEVAIN_PCT = (1.0, 100.0)
FURTHEST_BAKE_S = 14 * DAY_S  # a chain of feedings is planned backwards from it
PAST_RISES = 6  # whose heights say how high the next one may come
WEIGHTS = ("starter_g", "flour_g", "water_g")
SPAN = ("earliest_s", "likely_s", "latest_s")


class Cultures:
    """What is believed of each jar's starter, learnt anew when its cycles have changed."""

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


def plan(
    store: Store, known: Cultures, jar: JarSettings, now_s: float, show: Display,
    target_h: float | None, temperature_c: float | None, keep_g: float | None, hydration_pct: float | None,
) -> Json:  # fmt: skip
    """The plan, with the target and temperature that it was made for. Raises Refused and StoreTrouble."""
    if notebook.noted(store.noted(jar.name, math.inf), Noting.MOULD):
        raise Refused(f"Nothing is planned for {jar.name}. {notebook.THROW_AWAY}", 409)
    culture = known.of(store, jar)
    target_h = jar.cycle_h if target_h is None else target_h
    usual = growth_rate.expected_c(culture.day_c, now_s, (), HORIZON_H)
    temperatures_c = usual if temperature_c is None else (temperature_c,)
    hydration = None if hydration_pct is None else hydration_pct / 100.0
    limits = replace(limits_of(jar), keep_g=keep_g, hydration=hydration)
    try:
        made = feeding.plan(culture, target_h=target_h, temperatures_c=temperatures_c, limits=limits)
    except ValueError as error:
        raise Refused(str(error)) from None
    return {
        "jar": jar.name,
        "target_h": target_h,
        "temperature_c": round(fmean(temperatures_c[: max(round(target_h), 1)]), 1),
        "starter_g": made.starter_g,
        "flour_g": made.flour_g,
        "water_g": made.water_g,
        "ratio": feeding.ratio(made),
        "hours_to_peak": [round(h, 2) for h in made.hours_to_peak],
        "hours_to_fall": [round(h, 2) for h in made.hours_to_fall],
        "met": made.met,
        "because": show.worded(made.because),
        "instead": [show.worded(f"{one.do}. {one.because}") for one in made.instead],
        "caution": None if made.caution is None else show.worded(made.caution),
        "cycles": culture.cycles,
        "course": predicted_course(store, jar, now_s, made.hours_to_peak, made.hours_to_fall),
    }


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


def bake(
    store: Store, known: Cultures, jar: JarSettings, now_s: float, show: Display,
    at_s: float, flour_g: float, levain_pct: float, temperature_c: float | None,
) -> Json:  # fmt: skip
    """The feedings on the way to a bake that is mixed at `at_s`. Raises Refused and StoreTrouble."""
    if notebook.noted(store.noted(jar.name, math.inf), Noting.MOULD):
        raise Refused(f"Nothing is planned for {jar.name}. {notebook.THROW_AWAY}", 409)
    if not now_s < at_s <= now_s + FURTHEST_BAKE_S:
        raise Refused("at_s: must be a time to come, within two weeks", 409)
    culture = known.of(store, jar)
    cycles = history.from_store(store, jar.name)
    run = store.open_run(jar.name)
    open_cycles = [cycle for cycle in store.cycles(run.id) if cycle.ended_at_s is None] if run else []
    seed = seed_of(culture, open_cycles[-1] if open_cycles else None, now_s, temperature_c)
    limits = limits_of(jar)

    def warmth(from_s: float) -> Sequence[float]:
        return (temperature_c,) if temperature_c is not None else growth_rate.expected_c(
            culture.day_c, from_s, (), HORIZON_H
        )  # fmt: skip

    try:
        made = baking.bake(
            culture,
            seed,
            baking.Recipe(flour_g=flour_g, levain_pct=levain_pct),
            now_s=now_s,
            wanted_s=at_s,
            warmth_from=warmth,
            awake_at=lambda when_s: awake(minute_of_day(when_s, show.offset_s)),
            clock=lambda when_s: show.clock(when_s, now_s),
            limits=limits,
        )
    except ValueError as error:
        raise Refused(str(error), 409) from None
    return {
        "jar": jar.name,
        "at_s": at_s,
        "feedings": [
            {
                "at_s": one.at_s,
                "words": show.clock(one.at_s, now_s),
                **one.feeding.weights,
                "from": one.source,
                "hours_to_peak": [round(h, 2) for h in one.hours.peak],
                "hours_to_fall": [round(h, 2) for h in one.hours.fall],
                "discard_g": one.discard_g,
                "course": predicted_course(store, jar, one.at_s, one.hours.peak, one.hours.fall),
            }
            for one in made.feedings
        ],
        "ready": {
            "likely_s": made.ready.likely_s,
            "words": show.about(made.ready.likely_s, now_s),
            "range_words": f"{show.about(made.ready.earliest_s, now_s)} to {show.about(made.ready.latest_s, now_s)}",
        },
        "take_g": made.take_g,
        "keep_g": made.keep_g,
        "discard_g": made.discard_g,
        "met": made.met,
        "because": show.worded(made.because),
        "instead": [show.worded(one) for one in made.instead],
        "cautions": [show.worded(one) for one in made.cautions],
        "cycles": len(cycles),
    }


def keep_bake(store: Store, known: Cultures, jar: JarSettings, now_s: float, show: Display,
              at_s: float, flour_g: float, levain_pct: float, temperature_c: float | None) -> Json:  # fmt: skip
    """Plan a bake and keep it, for the calendar and `jartide bake`. Raises Refused and StoreTrouble."""
    made: Any = bake(store, known, jar, now_s, show, at_s, flour_g, levain_pct, temperature_c)
    asked = {"flour_g": flour_g, "levain_pct": levain_pct, "hydration_pct": None, "keep_g": None}
    weighed = [(one["at_s"], phrases.weigh(Feeding(**{key: one[key] for key in WEIGHTS}))) for one in made["feedings"]]
    kept_bake.keep(store, jar.name, asked, at_s, weighed)
    return {"kept": True}
