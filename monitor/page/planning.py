"""The next feeding for a wanted cycle at a temperature, as quick as a slider moves: `core.feeding` with what the store
knows of the jar's starter. Learning from hundreds of cycles takes a moment and is kept until another cycle has closed.
"""

from __future__ import annotations

import math
import threading
from statistics import fmean

from monitor.core.assess import notebook
from monitor.core.display.units import Display
from monitor.core.forecast import growth_rate
from monitor.core.forecast import starter_model as starter_models
from monitor.core.forecast.starter_model import Culture
from monitor.core.plan import feeding
from monitor.core.plan.weighing import Limits
from monitor.runs import history
from monitor.runs.report_body import Refused
from monitor.runs.store import Store
from monitor.settings import JarSettings
from monitor.values import Json, Noting

TARGET_H = (2.0, 72.0)
TEMPERATURE_C = (4.0, 38.0)
KEEP_G = (1.0, 1000.0)
HYDRATION_PCT = (30.0, 300.0)
HORIZON_H = 96


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
    limits = Limits(keep_g=keep_g, hydration=None if hydration_pct is None else hydration_pct / 100.0)
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
        "caution": None if made.caution is None else show.worded(made.caution),
        "cycles": culture.cycles,
    }
