"""Sensors whose firmware rounds to 5 or 10 mm: found from the readings, and nothing invented from their steps.

All readings are invented (`stories.py`). That a fine sensor is told from a coarse one by the greatest common divisor of
its readings holds by arithmetic; the steps are those of firmware that sends whole or half centimetres (common practice,
no source).
"""

from __future__ import annotations

import numpy as np
import pytest

from monitor.core.detect import step as core
from monitor.core.signal.noise import Noise, learn_white, rounding_mm2
from monitor.values import EventKind
from tests.core.stories import BEGAN_S, HOUR_S, kinds, run, story

K = EventKind


@pytest.mark.parametrize("step_mm", [5.0, 10.0])
@pytest.mark.parametrize("every_s", [10.0, 60.0, 300.0])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_nothing_is_invented_from_coarse_steps(step_mm: float, every_s: float, seed: int) -> None:
    """One feeding, one rise and one fall of 45 mm, and no lid, hand or second feeding that never was."""
    items = story(30.0, every_s=every_s, step_mm=step_mm, seed=seed, noise_mm=0.6)
    state, events = run(items)
    said = kinds(events)
    assert core.current(state, state.now_s).rounds_to_mm == step_mm
    assert said.count(K.FED) == 1
    assert said.count(K.FALL_BEGAN) == 1
    assert K.DISTURBED not in said
    assert said.count(K.LID_OFF) <= 1
    assert K.JAR_AWAY not in said
    fed = next(event for event in events if event.kind is K.FED)
    assert abs(fed.happened_at_s - (BEGAN_S + HOUR_S)) < 1200.0
    fall = next(event for event in events if event.kind is K.FALL_BEGAN)
    assert fall.decided_at_s > BEGAN_S + 9.0 * HOUR_S  # the true top is 8 h after the feeding


@pytest.mark.parametrize("step_mm", [0.1, 1.0, 2.0])
def test_a_fine_sensor_is_not_called_coarse(step_mm: float) -> None:
    state, _ = run(story(12.0, step_mm=step_mm))
    assert core.current(state, state.now_s).rounds_to_mm is None


def test_a_sensor_that_has_shown_one_value_only_is_not_called_coarse_yet() -> None:
    readings = [reading for reading in story(1.0, noise_mm=0.0) if reading.distance_mm == 105.0]
    state, _ = run(readings)
    assert core.current(state, state.now_s).rounds_to_mm is None


@pytest.mark.parametrize("step_mm", [5.0, 10.0])
@pytest.mark.parametrize("share", [0.02, 0.1, 0.2, 0.3, 0.5])
def test_what_rounding_leaves_in_a_mean_is_what_rounding_does(step_mm: float, share: float) -> None:
    """Against rounding itself: noise of a share of the step, the level anywhere between two steps, long means."""
    rng = np.random.default_rng(7)
    level = rng.uniform(0.0, step_mm, 1500)
    read = np.round((level[:, None] + rng.normal(0.0, share * step_mm, (1500, 400))) / step_mm) * step_mm
    believed = Noise(rounds_to_mm=step_mm)
    for one in read[:300]:
        differences = np.diff(one)
        learn_white(believed, float(differences @ differences), len(differences))
    believed.white_mm2 = believed.usual_white_mm2
    left_mm2 = float(np.var(read.mean(axis=1) - level))
    assert rounding_mm2(believed) == pytest.approx(left_mm2, rel=0.35, abs=0.004 * step_mm**2)


def test_a_level_at_the_edge_of_a_step_is_not_taken_for_noise() -> None:
    believed = Noise(rounds_to_mm=10.0)
    for _ in range(300):  # for hours all readings were one value
        learn_white(believed, 0.0, 5)
    for _ in range(60):  # then every other one is the next
        learn_white(believed, 500.0, 5)
    assert rounding_mm2(believed) > 0.25 * 100.0 / 12.0
    assert rounding_mm2(Noise()) == 0.0
