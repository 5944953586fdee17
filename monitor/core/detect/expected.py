"""What is expected of a jar: the model of its starter learns from each closed cycle, and makes a forecast when asked.

Joins the room `forecast` to the state; called by `rise_and_fall.py` when a cycle closes and by `jar_state.py` when
somebody asks. The starter's model travels in the state as its own JSON, so that a restart goes on exactly as before.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

from monitor.core.detect import cycle as cycles
from monitor.core.detect import memory
from monitor.core.detect.state import DetectorState
from monitor.core.detect.unseen_feeding import SLOW_MIN
from monitor.core.forecast import growth_rate
from monitor.core.forecast import peak_time as peak_times
from monitor.core.forecast import starter_model as starter_models
from monitor.core.forecast.starter_model import Culture
from monitor.core.signal.noise import sd_of_mean_mm
from monitor.core.signal.plausibility import temperature_at
from monitor.settings import JarSettings
from monitor.values import H_S, CycleSoFar, Event, EventKind, Forecast, Json, Span, Stage

AHEAD = tuple(stage.value for stage in (Stage.SETTLING, Stage.RISING, Stage.PEAKED))
HALF = 0.5  # of the rise: "sunk half-way back"
DOUBLE = 2.0  # rise ratio: what bakers wait for
GAP_H = 2.0  # a longer silence is not counted as time above double
BIN_READINGS = 5.0  # in a bin of 5 min at a reading a minute: the spread of a curve's points, whatever the sampling


def culture_of(state: DetectorState, jar: JarSettings) -> Culture:
    """What this jar's starter has shown so far, or the prior."""
    return starter_models.from_json(state.carried) if state.carried else starter_models.prior(jar.flour)


def learn_closed(state: DetectorState, jar: JarSettings, ended_at_s: float) -> None:
    """Learn from the cycle that a feeding at `ended_at_s` closes, unless watching began in its middle or it never rose.
    One that was fed again before its fall teaches only how long it took at least, and its peak if that had passed."""
    cycle = state.cycle
    if cycle is None or not cycle.from_start or cycle.rise_at_s is None:
        return
    whole = _so_far(state, jar)
    if cycle.fall_at_s is None:
        culture = starter_models.learn(culture_of(state, jar), replace(whole.cycle, ended_at_s=ended_at_s))
        state.carried = starter_models.to_json(culture)
        return
    cycle.above_double_h = _above_double_h(whole)
    culture = culture_of(state, jar)
    shapes = peak_times.learn_shape(culture, whole)
    culture = replace(starter_models.learn(culture, whole.cycle), shapes=shapes)
    sunk_h = _half_sunk_h(whole)
    if sunk_h is not None and whole.cycle.sure:
        temperatures_c = growth_rate.filled(whole.cycle.temperatures_c)
        culture = starter_models.learn_sinking(culture, sunk_h, temperatures_c[-1])
    state.carried = starter_models.to_json(culture)


def forecast_now(state: DetectorState) -> Forecast | None:
    """The forecast, until the fall begins. It costs some 5 ms, so it is made once in each hour since the feeding and at
    a new stage, when first asked for, and kept until the next. Once earlier cycles say when the top comes, their time
    replaces the forecast's and is always fresh, so that forecast, notice and `peak_reached` rest on the same chance."""
    cycle, jar = state.cycle, state.jar
    if cycle is None or not cycle.from_start or state.stage not in AHEAD or cycle.fall_at_s is not None:
        state.forecast = {}
        return None
    hour = int((state.now_s - cycle.fed_at_s) // H_S)
    if hour != state.forecast_hour or state.forecast.get("stage") != state.stage:
        made = peak_times.forecast(culture_of(state, jar), _so_far(state, jar))
        spans = {"peak_at": _plain(made.peak_at), "fall_at": _plain(made.fall_at)}
        state.forecast_hour, state.forecast = hour, {"made_at_s": made.made_at_s, "stage": state.stage.value, **spans}
    made_at_s = state.forecast["made_at_s"]
    assert isinstance(made_at_s, float | int)
    peak_at, fall_at = _span(state.forecast["peak_at"]), _span(state.forecast["fall_at"])
    top_at = memory.top_at(state)
    if top_at is None or peak_at is None:
        return Forecast(made_at_s=made_at_s, peak_at=peak_at, fall_at=fall_at)
    fall_at = None if fall_at is None else _moved(fall_at, top_at.likely_s - peak_at.likely_s)
    return Forecast(made_at_s=state.now_s, peak_at=top_at, fall_at=fall_at)


def _moved(span: Span, by_s: float) -> Span:
    return Span(earliest_s=span.earliest_s + by_s, likely_s=span.likely_s + by_s, latest_s=span.latest_s + by_s)


def flat_after_s(state: DetectorState) -> float:
    """Seconds from its feeding after which a cycle that has not begun to rise is flat: until the latest peak predicted
    from its grams and the temperatures since, within the bounds of `peak_time.flat_after_h`."""
    cycle = state.cycle
    assert cycle is not None
    if state.now_s - cycle.fed_at_s <= H_S * peak_times.FLAT_LEAST_H:
        return H_S * peak_times.FLAT_LEAST_H
    told = cycles.as_value(state.jar, cycle, None)
    culture = culture_of(state, state.jar)
    temperatures_c = growth_rate.expected_c(culture.day_c, cycle.fed_at_s, told.temperatures_c, peak_times.HORIZON_H)
    predicted = starter_models.predict_fed(culture, temperatures_c, told.feeding)
    return H_S * peak_times.flat_after_h(peak_times.hours_ahead(predicted, temperatures_c).peak_h[2])


def hourly(state: DetectorState, time_s: float, jar: JarSettings) -> list[Event]:
    """A forecast as an event, at the first tick of each hour since the feeding (`jartide replay --forecasts`)."""
    before = state.forecast_hour
    made = forecast_now(state)
    if made is None or state.forecast_hour == before:
        return []
    evidence = {"peak_at": _plain(made.peak_at), "fall_at": _plain(made.fall_at)}
    return [
        Event(
            kind=EventKind.FORECAST,
            jar=jar.name,
            happened_at_s=time_s,
            decided_at_s=state.now_s,
            evidence=evidence,
        )
    ]


def _so_far(state: DetectorState, jar: JarSettings) -> CycleSoFar:
    assert state.cycle is not None
    spread_mm = sd_of_mean_mm(state.noise, SLOW_MIN, BIN_READINGS)
    stage = state.stage
    now_c = temperature_at(state.plausibility, state.now_s)
    seen = cycles.so_far(
        jar, state.cycle, state.series, state.now_s, stage, now_c, state.plausibility.room_c, spread_mm
    )
    # without the empty distance a rise ratio is a guess, and the forecast does better without its curve
    return seen if jar.empty_mm is not None else replace(seen, curve=())


def _half_sunk_h(whole: CycleSoFar) -> float | None:
    """Hours from the start of fall until it has sunk half-way back; None where the curve does not show it."""
    cycle = whole.cycle
    if cycle.fall_at_s is None or cycle.peak_ratio is None:
        return None
    fall_h = (cycle.fall_at_s - cycle.fed_at_s) / H_S
    half = 1.0 + (cycle.peak_ratio - 1.0) * HALF
    return next((hours - fall_h for hours, ratio, _ in whole.curve if hours > fall_h and ratio <= half), None)


def _above_double_h(whole: CycleSoFar) -> float | None:
    """For how many hours the curve stood at twice its start or higher; None without a curve."""
    curve = whole.curve
    if len(curve) < 2:
        return None
    return sum(b[0] - a[0] for a, b in pairwise(curve) if a[1] >= DOUBLE and b[0] - a[0] <= GAP_H)


def _plain(span: Span | None) -> Json:
    if span is None:
        return None
    return {"earliest_s": span.earliest_s, "likely_s": span.likely_s, "latest_s": span.latest_s}


def _span(data: Json) -> Span | None:
    if not isinstance(data, dict):
        return None
    return Span(**{name: float(value) for name, value in data.items() if isinstance(value, float | int)})
