"""When a fall began, fitted to levels whose true start is known (invented curves)."""

from __future__ import annotations

import random
from collections.abc import Callable

import pytest

from monitor.core.detect import step as core
from monitor.core.signal.bins import BinSeries, add, close_until
from monitor.core.signal.fall_onset import fall_onset_s
from monitor.values import EventKind, Reading
from tests.core.stories import BEGAN_S, HOUR_S, JAR, bump, one, run

# mm lost so long after the beginning, and for how long after it the fall is decided: once some 4 mm are lost
SHAPES: dict[str, tuple[Callable[[float], float], float]] = {
    "at full pace": (lambda h: 3.0 * h, 1.5),
    "slowly first": (lambda h: 0.8 * h**2, 2.3),
    "a seep": (lambda h: 1.0 * h, 4.0),
    "all at once": (lambda h: 12.0, 0.6),
}


def series(shape: Callable[[float], float], stands_h: float, sinks_h: float, noise_mm: float, seed: int) -> BinSeries:
    rng, made = random.Random(seed), BinSeries()
    for minute in range(int((stands_h + sinks_h) * 60)):
        hours = minute / 60.0 - stands_h
        close_until(made, minute * 60.0)
        add(made, minute * 60.0, 90.0 - (shape(hours) if hours > 0.0 else 0.0) + rng.gauss(0.0, noise_mm), 1.0)
    return made


@pytest.mark.parametrize("name", SHAPES)
@pytest.mark.parametrize("stands_h", [1.0, 4.0, 12.0])
def test_it_is_dated_where_the_level_leaves_the_top_however_long_it_stood(name: str, stands_h: float) -> None:
    shape, sinks_h = SHAPES[name]
    for seed in range(5):
        onset_s = fall_onset_s(series(shape, stands_h, sinks_h, 0.8, seed), 0, 90.0)
        assert onset_s is not None
        assert abs(onset_s / 3600.0 - stands_h) < 0.25 * sinks_h + 0.5


def test_a_level_that_never_lies_lower_has_no_fall() -> None:
    assert fall_onset_s(series(lambda h: 0.0, 3.0, 2.0, 0.0, 1), 0, 90.0) is None


def test_a_surface_that_stands_for_hours_and_gives_way_is_not_dated_hours_before() -> None:
    """Level from the top at 8 h after its feeding until 20 h, then it sinks by 20 mm in 80 min (invented)."""
    rng = random.Random(3)
    readings = []
    for minute in range(26 * 60):
        hours = minute / 60.0 - 1.0
        level = 75.0 if hours < 0.0 else bump(min(hours, 8.0)) - 15.0 * min(max(hours - 20.0, 0.0), 1.4)
        at_s = BEGAN_S + minute * 60.0
        distance_mm = 8190.0 if -4 / 60 <= hours < 0.0 else round(180.0 - level + rng.gauss(0.0, 0.8))
        readings.append(Reading(time_s=at_s, jar="rye", distance_mm=distance_mm, temperature_c=24.0))
    fall = one(run(readings, JAR, core.begin(JAR))[1], EventKind.FALL_BEGAN)
    assert abs(fall.happened_at_s - (BEGAN_S + 21.0 * HOUR_S)) < 1800.0
    assert fall.decided_at_s - fall.happened_at_s < 2.0 * HOUR_S
