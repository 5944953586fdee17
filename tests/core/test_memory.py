"""What is learnt of earlier cycles lets the top and the fall be told sooner, and never harms where it is wrong.

All seasons are invented (`tests/bench/seasons.py`, where the same is measured over more of them). The curve and the
filter are held against what numpy computes for the same thing.
"""

from __future__ import annotations

import json
import math

import numpy as np
import pytest

from monitor.core.detect import memory
from monitor.core.detect import step as core
from monitor.core.detect.cycle import OpenCycle
from monitor.core.detect.state import DetectorState
from monitor.core.forecast import dilution
from monitor.core.forecast import starter_model as starter_models
from monitor.core.signal import bins, curve_filter, learnt_curve
from monitor.core.signal.bins import BIN_MIN
from monitor.core.signal.learnt_curve import DX, POINTS, LearntCurve
from monitor.core.signal.noise import Noise
from monitor.settings import JarSettings
from monitor.values import Arrival, Event, EventKind, Fed, Reading, of_grams
from tests.bench import seasons
from tests.core.kitchen_stories import daily

SEEDS = (0, 5)


def a_cycle(scale_h: float, height_mm: float, hours: float) -> tuple[list[float], list[float]]:
    """Equivalent hours and levels of a made-up cycle: a rise to `scale_h`, then down at half its pace."""
    tau = [(k + 0.5) / 12.0 for k in range(int(hours * 12))]
    x = [t / scale_h for t in tau]
    return tau, [height_mm * (math.sin(min(v, 1.0) * math.pi / 2) ** 2 - 0.4 * max(v - 1.0, 0.0)) for v in x]


def learnt_of(*cycles: tuple[float, float]) -> LearntCurve:
    learnt = LearntCurve()
    for scale_h, height_mm in cycles:
        tau, level = a_cycle(scale_h, height_mm, 2.0 * scale_h)
        learnt_curve.learn(learnt, tau, level, [4.0] * len(tau), scale_h, None, 40.0, 0.0, 0.0)
    return learnt


def test_the_curve_of_a_cycle_is_that_cycle_with_its_top_at_one() -> None:
    learnt = learnt_of((8.0, 40.0))
    x = np.arange(POINTS) * DX
    rise = x <= 0.9
    assert np.allclose(np.array(learnt.curve)[rise], np.sin(x[rise] * np.pi / 2) ** 2, atol=0.03)
    assert learnt.placed[0].scale_h == pytest.approx(8.0, rel=0.04)
    assert learnt.placed[0].height_mm == pytest.approx(40.0, rel=0.04)


def test_the_smoothing_is_numpys_weighted_parabola() -> None:
    rng = np.random.default_rng(1)
    d, y, w = rng.uniform(-0.2, 0.2, 30), rng.normal(0.0, 1.0, 30), rng.uniform(0.1, 2.0, 30)
    ours = learnt_curve._quadratic_at_0(list(zip(d.tolist(), y.tolist(), w.tolist(), strict=True)))
    assert ours == pytest.approx(float(np.polyfit(d, y, 2, w=np.sqrt(w))[-1]), rel=1e-4)


def test_a_cycle_like_the_earlier_ones_is_known_to_be_past_its_top_soon_after_it() -> None:
    learnt = learnt_of((8.0, 40.0), (8.4, 41.0), (7.7, 39.0))
    noise = Noise(white_mm2=1.0, wander_mm2=0.1)
    tau, level = a_cycle(7.0, 40.0, 10.0)
    running = curve_filter.begin(learnt, 0.0, 40.0, noise)
    rng = np.random.default_rng(2)
    past = []
    for t, mm in zip(tau, level, strict=True):
        curve_filter.step(running, learnt.curve, BIN_MIN / 60.0, 50.0 + mm + rng.normal(0.0, 0.4), 5.0, noise)
        past.append((t, running.past))
    first = next(t for t, p in past if p >= 0.5)
    assert abs(first - 7.0) < 0.4
    assert running.fits > 0.5
    assert running.scale_h == pytest.approx(7.0, rel=0.03)


def test_the_filters_evidence_is_that_of_the_whole_covariance() -> None:
    """The likelihood of all bins at once, by numpy's dense normal law, has the same ratio between two time scales."""
    learnt = learnt_of((8.0, 40.0))
    noise = Noise(white_mm2=1.0, wander_mm2=0.3, tau_min=20.0)
    running = curve_filter.begin(learnt, 0.0, 40.0, noise)
    tau, level = a_cycle(8.2, 38.0, 9.0)
    y = np.array(level) + np.random.default_rng(3).normal(0.0, 0.5, len(level))
    y -= y[0]
    for mm in y:
        curve_filter.step(running, learnt.curve, BIN_MIN / 60.0, float(mm), 4.0, noise)
    minutes = np.arange(y.size) * BIN_MIN
    apart = np.abs(minutes[:, None] - minutes[None, :])
    errors = noise.wander_mm2 * np.exp(-apart / noise.tau_min) + np.eye(y.size) * noise.white_mm2 / 4.0
    errors += running.misfit_mm2 * np.exp(-apart / curve_filter.MISFIT_MIN) + curve_filter.BASE_SD_MM**2
    means = []
    for scale_h in running.scales_h:
        f = np.array([learnt_curve.at(learnt.curve, t / scale_h) for t in tau])
        sd = curve_filter.HEIGHT_SD * running.height_mm
        cov = errors + sd * sd * np.outer(f, f)
        off = y - running.height_mm * f
        means.append(-0.5 * (off @ np.linalg.solve(cov, off) + np.linalg.slogdet(cov)[1]))
    dense = np.array(means) + np.array(running.ln_near)
    weights = np.exp(dense - dense.max())
    assert math.log(running.scale_h) == pytest.approx(
        float((weights * np.log(running.scales_h)).sum() / weights.sum()), abs=0.01
    )


@pytest.mark.parametrize("seed", SEEDS)
def test_with_memory_the_top_is_told_sooner_and_no_fall_early(seed: int) -> None:
    given = seasons.season(seed, cycles=7)
    without, _ = seasons.follow(given, memory=False)
    with_it, _ = seasons.follow(given)

    def median(told: list[seasons.Told], name: str) -> float:
        seen = [getattr(one, name) for one in told if one.number >= seasons.FIRST_SCORED]
        return float(np.median([abs(value) for value in seen if value is not None]))

    assert not any(one.early for one in with_it)
    assert median(with_it, "off_min") < 0.7 * median(without, "off_min")
    assert median(with_it, "feed_mm") <= median(without, "feed_mm")


@pytest.mark.parametrize("kind", ["another", "shapes", "loose"])
@pytest.mark.parametrize("seed", SEEDS)
def test_a_memory_that_is_wrong_tells_no_fall_early(kind: str, seed: int) -> None:
    """Another starter's memory, another shape in each cycle, a shape that is kept only loosely."""
    given = seasons.season(seed, kind, cycles=7)
    told, _ = seasons.follow(given, learnt=seasons.wrong_memory(seed, kind, cycles=4))
    assert not any(one.early for one in told)
    assert any(one.feed_mm is not None for one in told[seasons.FIRST_SCORED :])


def test_grams_that_nobody_told_are_taken_as_usual_and_not_as_1_4_4() -> None:
    """A starter that is fed leanly takes longer, told or not: its curve is stretched by its usual feeding."""
    starter = starter_models.learned_from(daily([2.5] * 6, 13.0, grams=(10.0, 100.0, 100.0)))
    scales_h = []
    for grams in ((10.0, 100.0, 100.0), (None, None, None), (10.0, None, None)):
        starter_g, flour_g, water_g = grams
        cycle = OpenCycle(
            from_start=True,
            feeding=of_grams((starter_g, flour_g, water_g)),
        )
        jar = JarSettings(name="x", empty_mm=180.0)
        learnt = LearntCurve()
        for scale_h in (12.0, 12.5, 11.8):  # as at 1:10:10
            tau, level = a_cycle(scale_h, 40.0, 2.0 * scale_h)
            learnt_curve.learn(learnt, tau, level, [4.0] * len(tau), scale_h, None, 40.0, dilution.shape(21.0), 0.0)
        state = DetectorState(jar=jar, carried=starter_models.to_json(starter), cycle=cycle, learnt=learnt)
        for bin_number in range(3):
            bins.add(state.series, 300.0 * bin_number, 50.0, 5.0)
        bins.close_until(state.series, 900.0)
        assert memory.follow(state) is not None
        assert state.curve_filter is not None
        scales_h.append(curve_filter.quantile_h(state.curve_filter, 0.5))
    assert scales_h[1] == pytest.approx(scales_h[0], rel=0.01)
    assert scales_h[2] == pytest.approx(scales_h[0], rel=0.01)
    assert scales_h[0] == pytest.approx(12.0, rel=0.1)


def test_nothing_learnt_yet_is_exactly_the_test_without_memory() -> None:
    given = seasons.season(1, cycles=1)
    assert seasons.follow(given, memory=False)[0] == seasons.follow(given)[0]


def test_evidence_says_what_memory_contributed() -> None:
    events = decided(seasons.season(0, cycles=4), every=0)
    falls = [event for event in events if event.kind is EventKind.FALL_BEGAN]
    assert "memory" not in falls[0].evidence
    said = falls[-1].evidence["memory"]
    assert isinstance(said, dict)
    assert said["cycles"] == 3
    assert {"fits", "top_past", "drop_mm", "needed_z"} <= set(said)


def decided(given: seasons.Season, every: int) -> list[Event]:
    """The events of a season; restored from a snapshot after each so many items (0: never)."""
    jar: JarSettings = given.jar
    state = core.begin(jar)
    out: list[Event] = []
    feedings = [cycle.fed for cycle in given.cycles]
    rows = zip(given.time_s.tolist(), given.distance_mm.tolist(), given.temperature_c.tolist(), strict=True)
    seq = 0
    for time_s, distance_mm, c in rows:
        items: list[Fed | Reading] = []
        while feedings and feedings[0].time_s <= time_s:
            items.append(feedings.pop(0))
        items.append(Reading(time_s=time_s, jar=jar.name, distance_mm=distance_mm, temperature_c=c))
        for item in items:
            state, events = core.take(state, Arrival(seq=seq, received_s=time_s, item=item), jar)
            out += events
            seq += 1
            if every and seq % every == 0:
                kept = json.dumps(core.snapshot(state))
                assert len(kept) <= 64_000
                state = core.restore(json.loads(kept), jar)
    return out


def test_a_restart_changes_nothing_once_there_is_a_memory() -> None:
    given = seasons.season(2, cycles=4)
    assert decided(given, every=701) == decided(given, every=0)
