"""A sensor that was without power for minutes is some mm off when it is back, and finds itself within half an hour
(Caroleo 2026, PMC12986679: a warm-up transient of a VL53L5CX). Nothing happened to the jar. All readings invented."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from monitor.core.detect import step as core
from monitor.values import EventKind, Reading
from tests.core.stories import BEGAN_S, HOUR_S, JAR, kinds, run, story

K = EventKind


def powered_up(items: list[Reading], at_h: float, off_min: float, size_mm: float) -> list[Reading]:
    on_s = BEGAN_S + at_h * HOUR_S
    out = []
    for one in items:
        if one.time_s >= on_s and one.distance_mm is not None and one.distance_mm < 1000.0:
            warm_mm = size_mm * math.exp(-(one.time_s - on_s) / 600.0)
            out.append(replace(one, distance_mm=round(one.distance_mm + warm_mm)))
        elif one.time_s < on_s - off_min * 60.0:
            out.append(one)
    return out


@pytest.mark.parametrize("size_mm", [-6.0, -4.0, 4.0, 6.0])
@pytest.mark.parametrize("at_h", [4.0, 8.0, 12.5, 22.0])  # on the way up, at the top, sinking, sunk
@pytest.mark.parametrize("off_min", [4.0, 9.0])
def test_a_sensor_that_warms_up_is_no_feeding_and_no_hand(size_mm: float, at_h: float, off_min: float) -> None:
    quiet = story(25.0, noise_mm=0.6)
    usual = kinds(run(quiet, JAR, core.begin(JAR))[1])
    said = kinds(run(powered_up(quiet, at_h, off_min, size_mm), JAR, core.begin(JAR))[1])
    for kind in (K.FED, K.FALL_BEGAN, K.DISTURBED, K.STAYED_FLAT):
        assert said.count(kind) == usual.count(kind), kind


def test_a_feeding_in_a_hole_of_the_readings_is_still_seen_within_a_quarter_of_an_hour() -> None:
    fed_h = 20.0
    items = [one for one in story(24.0, fed_h=(1.0, fed_h), noise_mm=0.6) if one.distance_mm != 8190.0]
    second = [event for event in run(items, JAR, core.begin(JAR))[1] if event.kind is K.FED][-1]
    assert abs(second.happened_at_s - (BEGAN_S + fed_h * HOUR_S)) < 600.0
    assert second.decided_at_s - (BEGAN_S + fed_h * HOUR_S) <= 900.0
