"""What is believed about a jar right now, as one frozen value for status, notices, the page and the MQTT state.

Reads the jar's memory and changes nothing of it but the hour's forecast, which is made when first asked for.
"""

from __future__ import annotations

from math import sqrt

from monitor.core.detect import cycle as cycles
from monitor.core.detect.expected import foreseen
from monitor.core.detect.state import Vigil
from monitor.core.signal.noise import wander_of_mean
from monitor.core.signal.plausibility import temperature_at
from monitor.core.signal.trend import line
from monitor.core.vessel.level import headspace_sd_mm, rise_ratio, rise_ratio_sd, volume_ml
from monitor.settings import JarSettings
from monitor.values import Cycle, JarState, Level, Stage


def look(v: Vigil, now_s: float) -> JarState:
    """The jar's state at `now_s`."""
    jar = v.jar
    fitted = line(v.trend)
    slope = slope_sd = None
    if fitted is not None:
        noise = sqrt(v.noise.white_mm2 + v.noise.wander_mm2)
        slope, slope_sd = fitted[1] * 60.0, fitted[2] * noise * 60.0
    return JarState(
        jar=jar.name,
        now_s=now_s,
        stage=Stage(v.stage),
        cycle=None if v.cycle is None else cycles.told(jar, v.cycle, None),
        previous=_previous(v, jar),
        level=_level(v, jar),
        slope_mm_per_h=slope,
        slope_sd_mm_per_h=slope_sd,
        last_reading_s=v.watch.last_row_s,
        temperature_c=temperature_at(v.sieve, now_s),
        room_c=v.sieve.room_c,
        noise_mm=sqrt(v.noise.white_mm2) if v.noise.white_n else None,
        sampling_s=v.sieve.sampling_s,
        silent_since_s=v.watch.silent_since_s,
        stuck_since_s=v.sieve.same_since_s if v.sieve.stuck else None,
        lid_off_since_s=v.lid.out_since_s if v.lid.lid_off else None,
        question=v.question,
        forecast=foreseen(v),
    )


def _previous(v: Vigil, jar: JarSettings) -> Cycle | None:
    if v.previous is None:
        return None
    return cycles.told(jar, v.previous.cycle, v.previous.ended_at_s)


def _level(v: Vigil, jar: JarSettings) -> Level | None:
    fitted = line(v.trend)
    if fitted is None or v.empty_mm is None:
        return None
    level_mm = fitted[0]
    distance_mm = v.empty_mm - level_mm + v.lid.offset_mm
    sd_mm = sqrt(v.noise.white_mm2 / max(v.trend.w, 1.0) + wander_of_mean(v.noise, 25.0) + v.lid.offset_var_mm2)
    sd_mm = sqrt(sd_mm**2 + headspace_sd_mm(distance_mm, jar) ** 2)
    known = jar.empty_mm is not None
    start = v.cycle.start_mm if v.cycle is not None and known else None
    return Level(
        time_s=v.trend.time_s,
        distance_mm=distance_mm,
        level_mm=level_mm if known else None,
        sd_mm=sd_mm,
        volume_ml=volume_ml(jar.geometry, level_mm) if known else None,
        rise_ratio=None if start is None else rise_ratio(jar.geometry, level_mm, start),
        rise_ratio_sd=None if start is None else rise_ratio_sd(jar.geometry, level_mm, start, sd_mm, sd_mm / 2),
        temperature_c=temperature_at(v.sieve, v.trend.time_s),
    )
