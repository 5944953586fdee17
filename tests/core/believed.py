"""What is believed of an invented jar, for the tests of notices."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from typing import Any

from monitor.core.display.units import Display
from monitor.host.time_zone import offset_of
from monitor.settings import JarSettings
from monitor.values import Cycle, Forecast, JarState, Noted, Noting, Span, Stage, of_grams
from tests.jar_state import jar_state

H = 3600.0
FED = datetime.fromisoformat("2026-05-20T16:00:00Z").timestamp()
JAR = JarSettings(name="rye", empty_mm=180.0, rim_mm=150.0)
BERLIN = Display(offset_s=offset_of("Europe/Berlin"))


def cycle(**changes: Any) -> Cycle:
    told = Cycle(jar="rye", number=4, fed_at_s=FED, told=True, feeding=of_grams((25, 100, 100), "rye"))
    return replace(told, **{"temperatures_c": (23.0, 24.0, 23.5), **changes})


def state(hours: float, stage: Stage, **changes: Any) -> JarState:
    """The jar so many hours after its feeding."""
    return jar_state(FED + hours * H, stage, **{"cycle": cycle(), **changes})


RISEN = cycle(peak_at_s=FED + 7.5 * H, peak_ratio=2.31)
FALLEN = cycle(peak_at_s=FED + 7.5 * H, peak_ratio=2.31, fall_at_s=FED + 9 * H)


def fallen(hours: float, **changes: Any) -> JarState:
    return state(hours, Stage.FALLING, **{"cycle": FALLEN, **changes})


def span(hours: float) -> Span:
    return Span(earliest_s=FED + (hours - 1) * H, likely_s=FED + hours * H, latest_s=FED + (hours + 1.5) * H)


def ahead(hours: float) -> Forecast:
    return Forecast(made_at_s=FED, peak_at=span(hours), fall_at=span(hours + 2))


def note(hours: float, what: Noting, text: str = "") -> Noted:
    return Noted(time_s=FED + hours * H, jar="rye", what=what, text=text)


COLD = cycle(temperatures_c=(18.0, 15.5, 15.0))
HOT = cycle(temperatures_c=(30.0, 33.0, 34.5))
