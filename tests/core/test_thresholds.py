"""Where one thing becomes another: numbers of the detector and of what is learnt, each from both of its sides."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.core.detect import expected, step
from monitor.core.detect.level_shift import Before, fed_odds
from monitor.core.forecast import peak_time, starter_model
from monitor.core.signal.block import Block
from monitor.core.signal.noise import Noise, learn_block
from monitor.core.signal.step_fit import LevelShift
from monitor.settings import JarSettings
from monitor.values import Arrival, Cycle, EventKind, Fed, Feeding, Reading, of_grams

T = 1_772_431_200.0
H = 3600.0
RYE = JarSettings(name="rye", empty_mm=180.0)


def test_a_jar_is_flat_when_it_was_due_and_not_before() -> None:
    state = step.begin(RYE)
    state, _ = step.take(
        state, Arrival(seq=1, received_s=T, item=Fed(time_s=T, jar="rye", feeding=Feeding(flour_g=100))), RYE
    )
    flat: list[float] = []
    for minute in range(1, 60 * 62):
        time_s = T + 60.0 * minute
        reading = Reading(time_s=time_s, jar="rye", distance_mm=140.0 + 0.1 * (minute % 3), temperature_c=22.0)
        state, events = step.take(state, Arrival(seq=minute + 1, received_s=time_s, item=reading), RYE)
        if any(event.kind is EventKind.STAYED_FLAT for event in events):
            flat.append(time_s)
            due_s = T + expected.flat_after_s(state)
    (flat_s,) = flat
    assert 0.0 <= flat_s - due_s <= 600.0
    assert 16 * H <= due_s - T <= 60 * H


def cycle(temperature_c: float | None, *, number: int = 1) -> Cycle:
    return Cycle(
        jar="rye",
        number=number,
        fed_at_s=T,
        told=True,
        feeding=of_grams((20, 100, 100)),
        peak_at_s=T + 8 * H,
        fall_at_s=T + 9.5 * H,
        ended_at_s=T + 14 * H,
        peak_ratio=2.4,
        temperatures_c=() if temperature_c is None else (None, *[temperature_c] * 10, None),
    )


def test_measured_temperatures_count_in_what_is_learnt() -> None:
    """The same hours in a cold kitchen are a livelier starter than in a warm one (any growth law that rises with the
    temperature); of hours whose temperature nobody knows, a usual kitchen's lies between."""
    cold, warm, unknown = (
        starter_model.learned_from([cycle(temperature_c)], None) for temperature_c in (16.0, 28.0, None)
    )
    at_22_c = (22.0,) * 48
    at_22_h = [
        peak_time.hours_ahead(starter_model.predict(one, at_22_c, 11.0), at_22_c).peak_h[1]
        for one in (cold, unknown, warm)
    ]
    assert at_22_h[0] < at_22_h[1] < at_22_h[2]
    assert at_22_h[0] < 0.8 * at_22_h[2]


@pytest.mark.parametrize("late_s", [5.0, -5.0])
def test_white_noise_is_learnt_from_lone_readings_though_their_times_jitter(late_s: float) -> None:
    noise = Noise()
    for minute in range(300):
        time_s = T + 60.0 * minute + (late_s if minute % 2 else 0.0)
        learn_block(noise, Block(time_s, 90.0 + 1.5 * (-1) ** (minute // 2), 1, 0, 0.0, 0))
    assert noise.white_n == 298  # every three of them
    uneven = Noise()
    for minute in range(300):
        time_s = T + 60.0 * minute + (40.0 if minute % 2 else 0.0)  # of such, a straight line's middle is no mean
        learn_block(uneven, Block(time_s, 90.0 + 1.5 * (-1) ** (minute // 2), 1, 0, 0.0, 0))
    assert uneven.white_n == 0


def test_the_odds_of_a_feeding_are_a_ratio() -> None:
    was = Before(start_mm=40.0, start_sure=True, highest_mm=80.0, hours=20.0, rising=False, fallen=True)
    shift = LevelShift(before_mm=70.0, after_mm=41.0, sd_mm=0.5, left_s=T, back_s=T + 300.0, off_s=300.0, gap=False)
    assert fed_odds(shift, was) > 20.0
    look = replace(shift, after_mm=70.2, left_s=T, back_s=T + 60.0, off_s=30.0)
    assert fed_odds(look, replace(was, hours=3.0, fallen=False, rising=True)) < 0.05
