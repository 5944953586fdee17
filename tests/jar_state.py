"""What is believed of an invented jar, for whatever shows it: status, page, notices, MQTT, the sheet."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from monitor.values import Cycle, JarState, Level, Stage


def jar_state(
    now_s: float, stage: Stage = Stage.RISING, jar: str = "rye", fed_h: float = 4.0, **changes: Any
) -> JarState:
    """A jar fed `fed_h` ago and heard of half a minute ago, without a forecast; `changes` are its own words."""
    level = Level(time_s=now_s, distance_mm=110.0, level_mm=70.0, sd_mm=0.5, volume_ml=None, rise_ratio=1.9,
                  rise_ratio_sd=0.02, temperature_c=23.5)  # fmt: skip
    believed = JarState(
        jar=jar, now_s=now_s, stage=stage, cycle=Cycle(jar=jar, number=1, fed_at_s=now_s - fed_h * 3600.0, told=True),
        previous=None, level=level, slope_mm_per_h=4.0, slope_sd_mm_per_h=0.3, last_reading_s=now_s - 30.0,
        temperature_c=23.5, room_c=None, noise_mm=1.0, sampling_s=60.0, silent_since_s=None, stuck_since_s=None,
        lid_off_since_s=None, question=None, forecast=None,
    )  # fmt: skip
    return replace(believed, **changes)
