"""What gas over the starter feigns to an echo must not count as a fall (invented curve; the error's size is the
ideal-gas mixture's: 1 % of carbon dioxide slows sound by 0.31 %)."""

from __future__ import annotations

import math
import random

import pytest

from monitor.core.detect.step import begin, take
from monitor.settings import JarSettings
from monitor.values import Arrival, EventKind, Reading

START_S = 1_772_474_400.0
EMPTY_MM = 150.0


def kinds(jar: JarSettings, sinks_by_mm: float) -> list[EventKind]:
    """A rise by 45 mm in 8 h to a level that then seems to sink by so much within 3 h and stays there."""
    chance = random.Random(5)
    state, found = begin(jar), []
    for k in range(20 * 60):
        hours = k / 60
        level_mm = 40.0 + 45.0 / (1.0 + math.exp(-1.4 * (hours - 4.0)))
        level_mm -= sinks_by_mm * min(max((hours - 9.0) / 3.0, 0.0), 1.0)
        time_s = START_S + 60.0 * k
        reading = Reading(
            time_s=time_s, jar="rye", distance_mm=EMPTY_MM - level_mm + chance.gauss(0, 0.5), temperature_c=24.0
        )
        state, events = take(state, Arrival(seq=k + 1, received_s=time_s, item=reading), jar)
        found += [event.kind for event in events]
    return found


@pytest.mark.parametrize(
    ("jar", "sinks_by_mm", "falls"),
    [
        (JarSettings(name="rye", empty_mm=EMPTY_MM), 5.0, True),
        (JarSettings(name="rye", empty_mm=EMPTY_MM, sensor="ultrasonic", venting="open"), 5.0, True),
        (JarSettings(name="rye", empty_mm=EMPTY_MM, sensor="ultrasonic", venting="tight"), 5.0, False),
        (JarSettings(name="rye", empty_mm=EMPTY_MM, sensor="ultrasonic", venting="tight"), 15.0, True),
    ],
    ids=["optical", "echo, open", "echo, tight: may be gas", "echo, tight: more than gas can do"],
)
def test_a_drop_that_gas_can_feign_is_no_fall(jar: JarSettings, sinks_by_mm: float, falls: bool) -> None:
    assert (EventKind.FALL_BEGAN in kinds(jar, sinks_by_mm)) is falls
