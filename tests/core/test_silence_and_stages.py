"""What a silence hides, how far back a feeding is looked for, one wild block, and which stage follows which: each from
both sides of its bound. Levels and times are invented; the bounds are those that the modules give reasons for."""

from __future__ import annotations

import random

import pytest

from monitor.core.detect import cycle as cycles
from monitor.core.detect import unseen_feeding
from monitor.core.detect.cycle import OpenCycle, Opening, follows
from monitor.core.detect.level_shift import take_in
from monitor.core.detect.step import begin
from monitor.core.detect.surface import Surface, observe
from monitor.core.signal.bins import BIN_S, BinSeries, add, close_until
from monitor.core.signal.block import LevelBlock
from monitor.core.signal.noise import Noise
from monitor.core.signal.step_fit import LevelShift
from monitor.core.signal.trend import Trend
from monitor.values import EventKind, Fed, Feeding, Item, Reading, Stage
from tests.core.stories import BEGAN_S, HOUR_S, JAR, bump, kinds, one, run

LID_MOST_MM, OFF_LEAST_S = 3.0, 90.0  # written out: a bound that moves is to be noticed here


def landed(sank_mm: float, *, sd_mm: float = 0.5, gap: bool = True) -> OpenCycle:
    """The open cycle after a surface came back an hour later and so much lower."""
    state = begin(JAR)
    state.now_s, state.empty_mm = BEGAN_S + 10.0 * HOUR_S, 180.0
    state.cycle = OpenCycle(fed_at_s=BEGAN_S, back_s=BEGAN_S, from_start=True, start_mm=45.0)
    back_s = BEGAN_S + 9.5 * HOUR_S
    shift = LevelShift(80.0, 80.0 - sank_mm, sd_mm, back_s - HOUR_S, back_s, 0.0, gap=gap, strange=False)
    take_in(state, shift, [LevelBlock(back_s, 80.0 - sank_mm, 10.0)], JAR)
    assert state.cycle is not None
    assert state.cycle.number == 0  # a foam sinks that far by itself
    return state.cycle


@pytest.mark.parametrize(
    ("sank_mm", "sd_mm", "noted"),
    [
        (LID_MOST_MM + 0.05, 0.5, True),  # more than a lid set back does, and than luck: it may have been fed meanwhile
        (LID_MOST_MM, 0.5, False),
        (LID_MOST_MM - 0.05, 0.5, False),
        (6.05, 2.4, True),  # a noisy sensor must show more
        (5.95, 2.4, False),
        (-8.0, 0.5, False),  # it rose
    ],
)
def test_what_sank_unseen_is_remembered_with_the_silence(sank_mm: float, sd_mm: float, noted: bool) -> None:
    cycle = landed(sank_mm, sd_mm=sd_mm)
    assert cycle.sank_unseen_s == (BEGAN_S + 9.5 * HOUR_S if noted else None)
    assert cycle.unseen_s == (HOUR_S if noted else 0.0)


def test_what_sank_in_sight_did_not_sink_unseen() -> None:
    assert landed(3.5, gap=False).sank_unseen_s is None


def bins(levels_mm: list[float]) -> BinSeries:
    """A level each 5 min from BEGAN_S on."""
    series = BinSeries()
    for i, level_mm in enumerate(levels_mm):
        close_until(series, BEGAN_S + i * BIN_S)
        add(series, BEGAN_S + (i + 0.5) * BIN_S, level_mm, 5.0)
    close_until(series, BEGAN_S + len(levels_mm) * BIN_S)
    return series


def rise_of(rose_mm: float, hours: float) -> unseen_feeding.RoseAgain | None:
    """What a level shows that stood at 60 mm for long and then rose evenly, so much in so many hours."""
    flat, up = 120, round(hours * HOUR_S / BIN_S)
    levels_mm = [60.0] * flat + [60.0 + rose_mm * (i + 1) / up for i in range(up)]
    cycle = OpenCycle(fed_at_s=BEGAN_S - 20.0 * HOUR_S, fall_at_s=BEGAN_S)
    found = None
    for end in range(10, len(levels_mm) + 1):
        series = bins(levels_mm[:end])
        at_s = BEGAN_S + (end - unseen_feeding.SLOW_BINS / 2) * BIN_S
        level_mm = sum(levels_mm[end - unseen_feeding.SLOW_BINS : end]) / unseen_feeding.SLOW_BINS
        found = found or unseen_feeding.rose_again(cycle, series, level_mm, at_s, 4.0, 0.0)
    return found


def test_a_rise_within_eight_hours_shows_a_feeding_and_a_slow_drift_does_not() -> None:
    """12 mm make a feeding here (a fifth of the level): 8.4 mm are asked for."""
    assert rise_of(12.0, 6.0) is not None
    assert rise_of(12.0, 10.0) is not None  # the whole takes ten hours, what is asked for seven
    assert rise_of(12.0, 13.0) is None  # 7.4 mm in any eight hours
    assert rise_of(8.0, 3.0) is None  # too little


@pytest.mark.parametrize(("ago_h", "dated"), [(7.9, True), (8.1, False)])
def test_hands_at_the_jar_date_a_feeding_for_eight_hours(ago_h: float, dated: bool) -> None:
    """The level goes down to 60 mm and is 12 mm higher at the end; the lid was opened `ago_h` before that, and less
    than two hours before it stood lowest."""
    levels_mm = [75.0 - 15.0 * i / 60 for i in range(60)] + [60.0] * 96 + [60.0 + i for i in range(13)]
    at_s = BEGAN_S + (len(levels_mm) - unseen_feeding.SLOW_BINS / 2) * BIN_S
    for name in ("openings", "handled"):
        opened_s = at_s - ago_h * HOUR_S
        cycle = OpenCycle(fed_at_s=BEGAN_S - HOUR_S, fall_at_s=BEGAN_S, low_mm=60.0, low_at_s=at_s - 6.5 * HOUR_S)
        if name == "openings":
            cycle.openings = [Opening(opened_s, 0.2)]
        else:
            cycle.handled_at_s = opened_s
        found = unseen_feeding.rose_again(cycle, bins(levels_mm), 70.0, at_s, 4.0, 0.0)
        assert found is not None
        assert (found.fed_at_s == opened_s) is dated
        assert (found.about is None) is dated


def wild(*blocks: tuple[float, float | None], spacing_s: float = 60.0) -> Surface:
    """Twenty quiet blocks at 60 mm, then blocks of (seconds after the last of these, level)."""
    surface, noise, trend = Surface(), Noise(white_mm2=0.25, wander_mm2=0.05), Trend()
    quiet = [(-spacing_s * k, 60.0) for k in range(19, -1, -1)]
    for at_s, level_mm in [*quiet, *blocks]:
        n, bad_n = (1, 0) if level_mm is not None else (0, 1)
        observe(
            surface, BEGAN_S + at_s, level_mm, n, bad_n, noise, trend, spacing_s, lambda: (5.0, 20.0, 100.0)
        )  # fmt: skip
    return surface


def test_one_wild_block_and_back_is_nothing_at_once() -> None:
    surface = wild((60.0, 95.0), (120.0, 60.0))
    assert surface.out_since_s is None
    assert (surface.odd_n, surface.held) == (0, [])
    assert surface.recent[-1].time_s == BEGAN_S + 120.0


def test_two_wild_blocks_or_a_late_return_are_looked_at() -> None:
    assert wild((60.0, 95.0), (120.0, 95.0), (180.0, 60.0)).out_since_s == BEGAN_S + 60.0
    most_s = max(2.0 * 60.0, OFF_LEAST_S)
    assert wild((60.0, 95.0), (60.0 + most_s, 60.0)).out_since_s is None
    assert wild((60.0, 95.0), (61.0 + most_s, 60.0)).out_since_s == BEGAN_S + 60.0
    quick_s = 20.0  # where readings come quickly the bound is the shortest absence of a lid
    assert wild((20.0, 95.0), (20.0 + OFF_LEAST_S, 60.0), spacing_s=quick_s).out_since_s is None
    assert wild((20.0, 95.0), (21.0 + OFF_LEAST_S, 60.0), spacing_s=quick_s).out_since_s == BEGAN_S + 20.0


def test_a_wild_block_that_was_no_surface_leaves_a_hole_to_look_at() -> None:
    """Hands may have been there, where a surface 35 mm higher is noise of the sensor."""
    assert wild((60.0, 95.0), (120.0, 60.0)).hole_s is None
    none = wild((60.0, None), (120.0, 60.0))
    assert (none.out_since_s, none.hole_s, none.hole_strange) == (None, BEGAN_S + 120.0, True)


def test_which_stage_follows_which() -> None:
    """Written out, not made by the same comprehension: a jar that is away does not begin to rest there."""
    rest = {stage: follows(stage, EventKind.REST_BEGAN, Stage.UNKNOWN) for stage in Stage}
    assert rest.pop(Stage.AWAY) is Stage.AWAY
    assert set(rest) == {
        Stage.UNKNOWN, Stage.SETTLING, Stage.RISING, Stage.PEAKED, Stage.FALLING, Stage.FLAT, Stage.RESTING
    }  # fmt: skip
    assert set(rest.values()) == {Stage.RESTING}
    assert {follows(stage, EventKind.JAR_AWAY, Stage.UNKNOWN) for stage in Stage} == {Stage.AWAY}
    assert {follows(stage, EventKind.FED, Stage.UNKNOWN) for stage in Stage} == {Stage.SETTLING}
    for back in (EventKind.JAR_BACK, EventKind.REST_ENDED):
        assert {follows(Stage.AWAY, back, stage) for stage in Stage} == set(Stage)
    assert follows(Stage.FALLING, EventKind.RISE_BEGAN, Stage.UNKNOWN) is Stage.FALLING
    assert follows(Stage.RISING, EventKind.LID_OFF, Stage.UNKNOWN) is Stage.RISING


def test_the_marks_of_a_cycle_say_its_stage() -> None:
    marks = {"flat_decided": True, "rise_at_s": 1.0, "peak_at_s": 2.0, "fall_at_s": 3.0}
    stages = [Stage.FLAT, Stage.RISING, Stage.PEAKED, Stage.FALLING]
    cycle = OpenCycle(from_start=True)
    assert cycles.mark(cycle) is Stage.SETTLING
    assert cycles.mark(OpenCycle()) is Stage.UNKNOWN  # begun in its middle
    for (name, value), stage in zip(marks.items(), stages, strict=True):
        setattr(cycle, name, value)
        assert cycles.mark(cycle) is stage


@pytest.mark.parametrize("rose_mm_per_h", [6.0, -2.0])
def test_a_feeding_within_a_silence_is_known_by_the_rise_after_it(rose_mm_per_h: float) -> None:
    """Fed while nothing came, by as much as a foam sinks in that time: the level says nothing, what follows does."""
    chance = random.Random(1)

    def level_mm(hours: float) -> float:
        return bump(hours) if hours < 8.0 else 90.0 if hours < 11.0 else 78.0 + rose_mm_per_h * (hours - 11.0)

    silent_h = (8.2, 11.0)
    items: list[Item] = [Fed(time_s=BEGAN_S, jar="rye", feeding=Feeding(flour_g=100))]
    for minute in range(16 * 60):
        hours = minute / 60.0
        if not silent_h[0] < hours < silent_h[1]:
            distance_mm = round(180.0 - level_mm(hours) + chance.gauss(0.0, 0.5), 1)
            items.append(Reading(time_s=BEGAN_S + hours * HOUR_S, jar="rye", distance_mm=distance_mm))
    _, events = run(items)
    fed = [event for event in events if event.kind is EventKind.FED][1:]
    if rose_mm_per_h < 0.0:  # it sinks on
        assert fed == []
        assert one(events, EventKind.FALL_BEGAN).happened_at_s < BEGAN_S + silent_h[1] * HOUR_S
        return
    (found,) = fed
    from_s, to_s = (BEGAN_S + hours * HOUR_S for hours in silent_h)
    assert found.evidence["sure"] is False
    assert found.evidence["about_s"] == pytest.approx([from_s, to_s], abs=120.0)
    assert found.happened_at_s == pytest.approx((from_s + to_s) / 2.0, abs=120.0)  # the middle errs least
    assert found.decided_at_s < BEGAN_S + 12.5 * HOUR_S
    assert kinds(events)[-1] is EventKind.RISE_BEGAN  # of the cycle that it begins


@pytest.mark.parametrize(
    ("every_s", "thin_h", "about_h"),
    [
        (60.0, None, None),  # the lid was on in every minute: whatever raises it, nobody fed it
        (60.0, 11.5, (11.5, 11.9)),  # but for twenty minutes, of which every other reading is lost
        (180.0, None, (8.7, 13.5)),  # an opening may fall between two readings
    ],
)
def test_a_feeding_is_never_dated_while_readings_show_the_lid_on(
    every_s: float, thin_h: float | None, about_h: tuple[float, float] | None
) -> None:
    """Fallen, and from the twelfth hour on it rises afresh by 5 mm an hour, with no opened lid in the readings."""
    chance = random.Random(4)
    items: list[Item] = [Fed(time_s=BEGAN_S, jar="rye", feeding=Feeding(flour_g=100))]
    for number in range(round(16.0 * HOUR_S / every_s)):
        hours = number * every_s / HOUR_S
        if thin_h is None or number % 2 or not thin_h < hours < thin_h + 1.0 / 3.0:
            mm = bump(hours) if hours < 12.0 else bump(12.0) + 5.0 * (hours - 12.0)
            distance_mm = round(180.0 - mm + chance.gauss(0.0, 0.5), 1)
            items.append(Reading(time_s=BEGAN_S + hours * HOUR_S, jar="rye", distance_mm=distance_mm))
    _, events = run(items)
    fed = [event for event in events if event.kind is EventKind.FED][1:]
    if about_h is None:
        assert fed == []
        return
    (found,) = fed
    about_s = found.evidence["about_s"]
    assert isinstance(about_s, list)
    first_h, last_h = ((float(str(time_s)) - BEGAN_S) / HOUR_S for time_s in about_s)
    assert about_h[0] - 0.2 <= first_h <= (found.happened_at_s - BEGAN_S) / HOUR_S <= last_h <= about_h[1] + 0.2
