"""Level shifts and what caused them; common kitchen practice, no outside source; sizes as in the modules."""

from __future__ import annotations

import random

import numpy as np
import pytest

from monitor.core.detect import level_shift
from monitor.core.detect.level_shift import (
    Before,
    Cause,
    cause_of,
    fed_odds,
    lid_sized,
    look_share,
    plausible_heights,
)
from monitor.core.detect.surface import Surface, accept, observe, restart, rezero, withdraw
from monitor.core.signal.block import LevelBlock
from monitor.core.signal.noise import Noise
from monitor.core.signal.step_fit import LevelShift, step
from monitor.core.signal.trend import Trend, add

SUNK = Before(33.0, True, 60.0, 20.0, False, True)  # a jar whose fall is over
ANYWHERE = (0.0, 0.0, 200.0)


def shift(before: float, after: float, off_s: float = 0.0, *, gap: bool = False, sd: float = 0.6) -> LevelShift:
    return LevelShift(before, after, sd, -6600.0 if gap else 0.0, 600.0, off_s, gap)  # a silence of two hours


@pytest.mark.parametrize(
    ("what", "start_mm", "hours", "rising", "expected"),
    [
        (shift(90.0, 46.0, 300.0), 45.0, 20.0, False, Cause.FED),
        (shift(90.0, 46.0), 45.0, 20.0, False, Cause.FED),  # too slow a sampling to see the lid
        (shift(90.0, 39.0, 300.0), 45.0, 20.0, False, Cause.FED),  # 15 % less than last time
        (shift(58.0, 51.0, 300.0), 45.0, 20.0, False, Cause.FED),  # 15 % more, after a weak rise
        (shift(90.0, 46.0, 300.0), None, 99.0, False, Cause.FED),  # first start in mid-cycle
        (shift(46.0, 52.0, 300.0), 45.0, 20.0, False, Cause.FED),  # a dead one, refilled higher
        (shift(90.0, 91.5, 60.0), 45.0, 20.0, False, Cause.LID),  # lifted to look, set back 1.5 mm off
        (shift(90.0, 88.0, 60.0), 45.0, 8.0, True, Cause.LID),
        (shift(90.0, 81.0), 45.0, 6.0, True, Cause.DISTURBED),  # partial collapse on the way up: 10 %
        (shift(90.0, 80.0, 120.0), 45.0, 20.0, False, Cause.DISTURBED),  # stirred down
        (shift(90.0, 82.0), 45.0, 20.0, False, Cause.COLLAPSED),  # the fall itself, in a step
        (shift(90.0, 20.0, 300.0), 45.0, 20.0, False, Cause.PERHAPS_FED),  # most of it is gone: ask
        (shift(50.0, 44.0, 300.0), 45.0, 0.5, False, Cause.DISTURBED),  # scraped down right after feeding
        (shift(90.0, 47.0, gap=True), 45.0, 20.0, False, Cause.FED),
        (shift(90.0, 80.0, gap=True), 45.0, 20.0, False, Cause.SAME),  # sank while nobody looked
        (shift(60.0, 90.0, gap=True), 45.0, 6.0, True, Cause.SAME),  # rose while nobody looked
    ],
)
def test_the_cause_of_a_level_shift(
    what: LevelShift, start_mm: float | None, hours: float, rising: bool, expected: Cause
) -> None:
    assert cause_of(what, Before(start_mm, start_mm is not None, 90.0, hours, rising)) is expected


@pytest.mark.fault("V6")
def test_a_table_or_a_hand_is_no_place_for_a_surface() -> None:
    low, high = plausible_heights(45.0, 90.0)
    assert low <= 45.0 * 0.85
    assert high >= 92.0
    assert high < 120.0  # a hand at 60 mm below the sensor
    assert low > 0.0  # the bare bottom, or the table beside the jar


def feed(surface: Surface, levels: list[float | None], *, from_s: float, spacing_s: float = 60.0, noise_mm: float = 0.5,
         places_mm: tuple[float, float, float] = ANYWHERE) -> tuple[list[LevelBlock], list[LevelShift]]:  # fmt: skip
    """Blocks through `take`, what lies after a level shift is the surface from then on."""
    noise, trend = Noise(white_mm2=noise_mm**2, wander_mm2=0.05), Trend()
    out: list[LevelBlock] = []
    shifts: list[LevelShift] = []
    for k, level in enumerate(levels):
        n, bad = (1, 0) if level is not None else (0, 1)
        rows, one = observe(surface, from_s + k * spacing_s, level, n, bad, noise, trend, spacing_s, lambda: places_mm)
        if one is not None:
            shifts.append(one)
            if one.within and not one.sure:  # nothing, until `level_shift` says otherwise
                accept(surface, withdraw(surface, one.within))
                rows = surface.recent[-1:]
            else:
                restart(surface, rows)
        out += rows
        for row in rows:
            time_s, value, weight = row.time_s, row.level_mm, row.n
            add(trend, time_s, value, weight)
    return out, shifts


@pytest.mark.parametrize("spacing_s", [60.0, 120.0, 300.0, 600.0])
def test_a_jump_is_landed_within_five_minutes_or_two_readings(spacing_s: float) -> None:
    rng = random.Random(2)
    levels: list[float | None] = [90.0 + rng.gauss(0, 0.5) for _ in range(30)]
    levels += [45.0 + rng.gauss(0, 0.5) for _ in range(10)]
    _, shifts = feed(Surface(), levels, from_s=0.0, spacing_s=spacing_s)
    assert len(shifts) == 1
    assert shifts[0].before_mm == pytest.approx(90.0, abs=1.0)
    assert shifts[0].after_mm == pytest.approx(45.0, abs=1.0)
    assert shifts[0].back_s == 30 * spacing_s
    assert shifts[0].left_s == 29 * spacing_s


@pytest.mark.fault("V3")
def test_single_wild_minutes_are_dropped_and_shift_nothing() -> None:
    rng = random.Random(3)
    levels: list[float | None] = [60.0 + rng.gauss(0, 0.5) for _ in range(400)]
    for k in range(20, 400, 20):
        levels[k] = rng.choice([None, 5.0, 140.0, 30.0])
    out, shifts = feed(Surface(), levels, from_s=0.0)
    assert all(cause_of(one, SUNK) in {Cause.SAME, Cause.LID} for one in shifts)
    assert len(out) == 400 - 19
    assert max(abs(row.level_mm - 60.0) for row in out) < 3.0


def test_the_lid_off_is_measured_and_its_offset_taken_out_as_far_as_lids_go() -> None:
    rng = random.Random(4)
    surface = Surface()
    levels: list[float | None] = [70.0 + rng.gauss(0, 0.3) for _ in range(30)] + [None] * 4
    levels += [68.5 + rng.gauss(0, 0.3) for _ in range(7)]
    _, shifts = feed(surface, levels, from_s=0.0, noise_mm=0.3)
    assert len(shifts) == 1
    assert shifts[0].off_s == 240.0
    shift = rezero(surface, shifts[0], [], 1.0)
    assert shift == pytest.approx(1.5, abs=0.5)
    assert surface.offset_var_mm2 > 0.0


def test_a_table_seen_for_ten_minutes_is_not_believed_but_one_seen_for_an_hour_is() -> None:
    levels: list[float | None] = [70.0] * 30 + [150.0] * 10 + [45.0] * 8
    _, shifts = feed(Surface(), levels, from_s=0.0, places_mm=(3.0, 27.0, 76.0))
    assert [round(one.after_mm) for one in shifts] == [45]
    _, shifts = feed(Surface(), [70.0] * 30 + [150.0] * 60, from_s=0.0, places_mm=(3.0, 27.0, 76.0))
    assert [round(one.after_mm) for one in shifts] == [150]


def test_a_step_within_the_gate_is_found_by_means() -> None:
    rng = random.Random(5)
    levels: list[float | None] = [66.0 + rng.gauss(0, 1.5) for _ in range(40)]
    levels += [58.0 + rng.gauss(0, 1.5) for _ in range(6)]  # 8 mm at 1.5 mm of noise: gates let half of it through
    _, shifts = feed(Surface(), levels, from_s=0.0, noise_mm=1.5)
    assert shifts
    assert shifts[0].after_mm < shifts[0].before_mm - 5.0


def test_after_a_silence_nothing_is_called_a_jump_before_it_has_settled() -> None:
    surface = Surface()
    feed(surface, [60.0] * 20, from_s=0.0)
    _, shifts = feed(surface, [75.0] * 8, from_s=20 * 60.0 + 7200.0)
    assert [one.gap for one in shifts] == [True]


def test_constants_that_belong_together() -> None:
    assert level_shift.COLLAPSE_MOST > 0.15  # the largest collapse, with its spread
    assert level_shift.START_BAND > 0.15  # the largest change of the starting level, with its spread


@pytest.mark.parametrize("between", [None, 150.0])
def test_a_step_needs_less_where_hands_were_seen(between: float | None) -> None:
    """Readings 2 min apart with 1.6 mm of noise, 5.6 mm down to the starting level: not enough for a step that may lie
    anywhere; with the lid off for some minutes at that very place it is."""
    wiggle = [0.4, -0.5, 0.3, -0.2] * 3
    before: list[float | None] = [38.4 + w for w in wiggle]
    after: list[float | None] = [32.8 + w for w in wiggle[:3]]
    _, plain = feed(Surface(), [*before, *after], from_s=0.0, spacing_s=120.0, noise_mm=1.6)
    both = [*before, between, between, *after]
    _, seen = feed(Surface(), both, from_s=0.0, spacing_s=120.0, noise_mm=1.6, places_mm=(3.0, 20.0, 60.0))
    assert all(cause_of(one, SUNK) is not Cause.FED for one in plain)
    assert len(seen) == 1
    assert seen[0].off_s >= 240.0
    assert seen[0].left_s == 120.0 * (len(before) - 1)
    assert seen[0].after_mm - seen[0].before_mm == pytest.approx(-5.6, abs=0.5)
    assert cause_of(seen[0], SUNK) is Cause.FED


def test_how_long_hands_were_busy_tells_a_feeding_from_a_look() -> None:
    """A jar that has sunk back to its starting level and is fed: the level hardly moves."""
    odds = [fed_odds(shift(34.5, 33.0, off_s), SUNK) for off_s in (30.0, 60.0, 120.0, 240.0, 480.0)]
    assert odds[:4] == sorted(odds[:4])  # beyond, hands would be long gone
    assert odds[1] < 1.0
    assert odds[3] > level_shift.FED_ODDS


def test_after_a_lone_wild_value_the_lid_is_hardly_believed_to_have_moved() -> None:
    """Readings 2 min apart with 2.2 mm of noise, one of them wild: that the next three are 3.5 mm low is chance, and to
    take all of it out of the level would make a rise of them later. A lid off for two minutes is another matter."""
    wild = shift(56.1, 52.6, 115.0)
    wild.sd_mm, wild.lone, wild.spacing_s = 1.4, True, 120.0
    assert lid_sized(wild)
    assert 0.0 < rezero(Surface(), wild, [], look_share(wild, SUNK)) < 1.0
    assert look_share(shift(56.1, 54.6, 120.0), SUNK) > 0.8


def test_what_is_more_than_a_lid_does_is_moved_as_a_whole() -> None:
    scraped = shift(56.0, 50.0, 120.0)
    assert not lid_sized(scraped)
    assert rezero(Surface(), scraped, [], None) == pytest.approx(6.0)


def test_a_surface_seen_sinking_was_not_poured_away() -> None:
    """Ten mm down within minutes, rows on the way: a collapse, however near the starting level it ends."""
    sunk = shift(44.0, 34.0)
    sunk.passing, sunk.spacing_s = True, 300.0
    assert cause_of(sunk, SUNK) is Cause.COLLAPSED


@pytest.mark.parametrize("step_mm", [0.0, -3.0, 5.0])
def test_the_step_is_the_generalised_least_squares_answer(step_mm: float) -> None:
    """Against the matrix form of generalised least squares (Aitken 1936, Proc. R. Soc. Edinb. 55:42), by numpy."""
    rng = np.random.default_rng(1)
    noise = Noise(white_mm2=1.44, wander_mm2=0.25, tau_min=12.0)
    z = []
    for _ in range(200):
        time_s = 60.0 * np.arange(14) + rng.uniform(-3.0, 3.0, 14)
        n = rng.integers(1, 6, 14)
        errors = 0.25 * np.exp(-np.abs(time_s[:, None] - time_s) / 720.0) + np.diag(1.44 / n)
        after = np.arange(14) >= 9
        level = 50.0 + 0.1 * time_s / 60.0 + step_mm * after + np.linalg.cholesky(errors) @ rng.normal(size=14)
        rows = [LevelBlock(t, y, float(k)) for t, y, k in zip(time_s, level, n, strict=True)]
        before_mm, size_mm, sd_mm = step(rows[:9], rows[9:], noise, 0.5)
        design = np.column_stack([np.ones(14), (time_s - time_s[9]) / 60.0, after])
        normal = design.T @ np.linalg.solve(errors, design) + np.diag([0.0, 1.0 / 0.5**2, 0.0])
        wanted = np.linalg.solve(normal, design.T @ np.linalg.solve(errors, level))
        assert (before_mm, size_mm) == pytest.approx((wanted[0], wanted[2]), abs=1e-9)
        assert sd_mm == pytest.approx(np.sqrt(np.linalg.inv(normal)[2, 2]), rel=1e-9)
        z.append((size_mm - step_mm) / sd_mm)
    assert np.std(z) == pytest.approx(1.0, abs=0.2)  # 200 runs: 4 standard errors
