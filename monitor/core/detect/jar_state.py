"""What is believed about a jar right now, as one frozen value for status, notices, the page and the MQTT state.

Reads the detector state and changes nothing in it except the hour's forecast, which is made when first asked for.
"""

from __future__ import annotations

from math import hypot, sqrt

from monitor.core.detect import cycle as cycles
from monitor.core.detect.expected import forecast_now
from monitor.core.detect.state import DetectorState
from monitor.core.detect.unseen_feeding import SLOW_MIN
from monitor.core.signal.noise import sd_of_mean_mm
from monitor.core.signal.plausibility import distance_unit, refused_c_at, temperature_at, temperature_unit
from monitor.core.signal.trend import line
from monitor.core.vessel.level import headspace_sd_mm, rise_ratio, rise_ratio_sd, volume_ml
from monitor.settings import JarSettings
from monitor.values import Cycle, JarState, Level


def current(state: DetectorState, now_s: float) -> JarState:
    """The jar's state at `now_s`."""
    jar = state.jar
    fitted = line(state.trend)
    slope = slope_sd = None
    if fitted is not None:
        noise = sqrt(state.noise.white_mm2 + state.noise.wander_mm2)
        slope, slope_sd = fitted[1] * 60.0, fitted[2] * noise * 60.0
    return JarState(
        jar=jar.name,
        now_s=now_s,
        stage=state.stage,
        cycle=None if state.cycle is None else cycles.as_value(jar, state.cycle, None),
        previous=_previous(state, jar),
        level=_level(state, jar),
        slope_mm_per_h=slope,
        slope_sd_mm_per_h=slope_sd,
        last_reading_s=state.timers.last_row_s,
        temperature_c=temperature_at(state.plausibility, now_s),
        room_c=state.plausibility.room_c,
        noise_mm=sqrt(state.noise.white_mm2) if state.noise.white_n else None,
        sampling_s=state.plausibility.sampling_s,
        silent_since_s=state.timers.silent_since_s,
        stuck_since_s=state.plausibility.same_since_s if state.plausibility.stuck else None,
        lid_off_since_s=state.surface.out_since_s if state.surface.lid_off else None,
        question=state.question,
        rounds_to_mm=state.noise.rounds_to_mm or None,
        distance_unit=distance_unit(state.plausibility, jar),
        temperature_unit=temperature_unit(state.plausibility),
        refused_c=refused_c_at(state.plausibility, now_s),
        forecast=forecast_now(state),
        rose_on_s=None if state.cycle is None else state.cycle.top_denied_s,
    )


def _previous(state: DetectorState, jar: JarSettings) -> Cycle | None:
    if state.previous is None:
        return None
    return cycles.as_value(jar, state.previous.cycle, state.previous.ended_at_s)


def _level(state: DetectorState, jar: JarSettings) -> Level | None:
    fitted = line(state.trend)
    if fitted is None or state.empty_mm is None:
        return None
    level_mm = fitted[0]
    distance_mm = state.empty_mm - level_mm + state.surface.offset_mm
    sd_mm = hypot(
        sd_of_mean_mm(state.noise, SLOW_MIN, max(state.trend.w, 1.0)),
        sqrt(state.surface.offset_var_mm2),
        headspace_sd_mm(distance_mm, jar),
    )
    known = jar.empty_mm is not None
    start = state.cycle.start_mm if state.cycle is not None and known else None
    return Level(
        time_s=state.trend.time_s,
        distance_mm=distance_mm,
        level_mm=level_mm if known else None,
        sd_mm=sd_mm,
        volume_ml=volume_ml(jar.geometry, level_mm) if known else None,
        rise_ratio=None if start is None else rise_ratio(jar.geometry, level_mm, start),
        rise_ratio_sd=None if start is None else rise_ratio_sd(jar.geometry, level_mm, start, sd_mm, sd_mm / 2),
        temperature_c=temperature_at(state.plausibility, state.trend.time_s),
    )
