"""Which cycles count, for the judgement of a starter and for what is learnt of it, and how much: each condition by the
one cycle that lacks it. All cycles are invented."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from monitor.core.assess import norms, vigour
from monitor.core.forecast import growth_rate, starter_model, timing
from monitor.core.forecast.starter_model import HEIGHT_SCATTER, Culture, learn, prior
from monitor.values import UNTOLD, Cycle, Noted, Noting, unflat

T = 1_772_409_600.0
H = 3600.0
DAY_S = 24 * H


def cycle(number: int = 1, **changes: Any) -> Cycle:
    """Fed, at its peak after 7 h, sinking after 9, fed again after 16, at 24 degC."""
    fed_at_s = T + DAY_S * number
    whole: dict[str, Any] = {
        "jar": "rye", "number": number, "fed_at_s": fed_at_s, "told": True, "starter_g": 25, "flour_g": 100,
        "water_g": 100, "rise_at_s": fed_at_s + 2 * H, "peak_at_s": fed_at_s + 7 * H, "peak_ratio": 2.4,
        "fall_at_s": fed_at_s + 9 * H, "ended_at_s": fed_at_s + 16 * H, "temperatures_c": (24.0,) * 16,
    }  # fmt: skip
    return Cycle(**unflat(whole | changes))


@pytest.mark.parametrize(
    ("changes", "counts"),
    [
        ({}, True),
        ({"fall_at_s": None}, True),  # fed again before it sank: the rise was seen all the same
        ({"ended_at_s": None}, True),  # sinking now
        ({"fall_at_s": None, "ended_at_s": None}, False),  # still on its way, perhaps
        ({"peak_ratio": None}, False),
        ({"peak_at_s": None}, False),
        ({"sure": False}, False),
        ({"rested": True}, False),
    ],
)
def test_a_rise_that_was_seen_whole(changes: dict[str, Any], counts: bool) -> None:
    assert vigour.rose(cycle(**changes)) is counts


def test_flat_is_what_had_the_time_to_rise_and_did_not() -> None:
    culture = starter_model.learned_from([cycle(n) for n in range(6)])
    flat: dict[str, Any] = {"rise_at_s": None, "peak_at_s": None, "peak_ratio": None, "fall_at_s": None}
    due_h = norms.flat_after_h(culture, cycle(**flat))
    assert due_h == 16.0  # the least, for so quick a starter

    def lay_flat(hours: float, **changes: Any) -> bool:
        one = cycle(**{**flat, "ended_at_s": T + DAY_S + hours * H, **changes})
        return vigour.lay_flat(culture, one, one, T + 3 * DAY_S)

    assert lay_flat(16.01)
    assert not lay_flat(16.0)  # just then it may still begin
    assert not lay_flat(20.0, told=False, number=0)  # under way when watching began
    assert lay_flat(20.0, told=False, number=1)
    assert lay_flat(20.0, told=True, number=0)
    assert not lay_flat(20.0, sure=False)
    assert not lay_flat(20.0, rested=True)
    assert not lay_flat(20.0, peak_at_s=T + DAY_S + 7 * H)
    assert lay_flat(20.0, ended_at_s=None)  # the open one, by now
    another = cycle(**{**flat, "ended_at_s": None})
    assert not vigour.lay_flat(culture, another, cycle(2), T + 3 * DAY_S)  # cut short by a change of jar


def judged(*cycles: Cycle, notes: tuple[Noted, ...] = ()) -> vigour.Assessment:
    return vigour.assess(cycles, notes, cycles[-1].fed_at_s + 20 * H)


def at_peak_after(number: int, hours: float) -> Cycle:
    fed_at_s = T + DAY_S * number
    return cycle(number, peak_at_s=fed_at_s + hours * H, fall_at_s=fed_at_s + (hours + 2) * H)


def test_the_spread_is_that_of_the_last_six_and_of_three_at_least() -> None:
    assert judged(cycle(1), cycle(2)).spread is None
    assert judged(cycle(1), cycle(2), cycle(3)).spread == pytest.approx(0.0, abs=1e-9)
    wild = [at_peak_after(n, hours) for n, hours in enumerate((4.0, 12.0, 4.0))]
    steady = [cycle(n) for n in range(3, 9)]
    assert judged(*wild, *steady).spread == pytest.approx(0.0, abs=1e-9)
    one_wild = judged(*wild, *steady[:-1]).spread
    assert one_wild is not None
    assert one_wild > 0.05


def test_how_long_past_its_peak_it_is_fed() -> None:
    made = judged(cycle(1), cycle(2), cycle(3), cycle(4, ended_at_s=None))
    assert made.past_peak_clock_h == pytest.approx(9.0)  # of those that have ended
    assert made.past_peak_h == pytest.approx(9.0, abs=0.01)  # at 24 degC an hour is worth an hour
    assert made.leaning is not None
    mould = (Noted(time_s=T + 4 * DAY_S, jar="rye", what=Noting.MOULD, text=""),)
    assert judged(cycle(1), cycle(2), cycle(3), notes=mould).leaning is None
    open_ones = [cycle(n, ended_at_s=None) for n in (1, 2, 3)]
    assert (judged(*open_ones).leaning, judged(*open_ones).past_peak_h) == (None, None)


def peak_h(culture: Culture) -> float:
    return math.exp(culture.mean[timing.PEAK])


def test_what_is_not_known_of_a_cycle_makes_it_teach_less() -> None:
    """A peak after 7 h at the usual temperature; each thing that nobody said or measured leaves the belief nearer to
    what it was."""
    usual_c = growth_rate.USUAL_C

    def after(**changes: Any) -> float:
        return peak_h(learn(prior(), cycle(**{"temperatures_c": (usual_c,) * 16, **changes})))

    untold: dict[str, Any] = {"starter_g": None, "water_g": None}
    known, before = after(), peak_h(prior())
    assert before == pytest.approx(9.0, abs=0.1)
    assert known < 0.8 * before  # one sure cycle says nearly all
    assert known < after(temperatures_c=()) < after(**untold, temperatures_c=()) < 0.9 * before
    assert known < after(**untold) < after(**untold, temperatures_c=())
    assert after(temperatures_c=(None, usual_c, None)) == pytest.approx(known)  # one hour is measured


@pytest.mark.parametrize(
    ("changes", "taught"),
    [
        ({}, 1),
        ({"rested": True}, 0),
        ({"fall_at_s": None, "ended_at_s": None}, 1),
        ({"peak_at_s": None, "ended_at_s": None}, 1),  # the fall alone
        ({"peak_at_s": None, "fall_at_s": None}, 1),  # rising when it was fed again: it takes longer than that
        ({"rise_at_s": None, "peak_at_s": None, "fall_at_s": None}, 0),  # nothing rose
        ({"peak_at_s": None, "fall_at_s": None, "ended_at_s": None}, 0),
        ({"rise_at_s": None, "peak_at_s": T + DAY_S, "fall_at_s": None}, 0),  # "at its peak" when it was fed
    ],
)
def test_which_cycles_teach(changes: dict[str, Any], taught: int) -> None:
    assert learn(prior(), cycle(**changes)).cycles == taught


def test_what_had_not_come_when_it_was_fed_again_takes_longer_than_that() -> None:
    short, long = (
        learn(prior(), cycle(peak_at_s=None, fall_at_s=None, ended_at_s=T + DAY_S + hours * H)) for hours in (3.0, 14.0)
    )
    assert peak_h(short) == pytest.approx(peak_h(prior()), rel=0.02)  # as expected
    assert peak_h(long) > 1.15 * peak_h(prior())


def test_the_height_is_learnt_from_rises_alone() -> None:
    mean, variance = learn(prior(), cycle(peak_ratio=3.0)).height
    before_mean, before_variance = prior().height
    before_variance += (HEIGHT_SCATTER / 3.0) ** 2  # it slowly forgets
    gain = before_variance / (before_variance + HEIGHT_SCATTER**2)  # the normal update (any textbook)
    assert mean == pytest.approx(before_mean + gain * (math.log(3.0) - before_mean))
    assert variance == pytest.approx((1.0 - gain) * before_variance)
    for ratio in (None, 1.0, 0.9):
        assert learn(prior(), cycle(peak_ratio=ratio)).height == prior().height
    assert learn(prior(), cycle(peak_ratio=1.01)).height != prior().height


def test_what_was_fed_last_is_remembered_where_it_was_said() -> None:
    fed = learn(prior("rye"), cycle(flour="spelt", water_g=80))
    assert (fed.last_flour, fed.last_flour_g, fed.last_hydration) == ("spelt", 100, 0.8)
    assert fed.last_dilution == pytest.approx(205 / 25)
    silent = learn(fed, replace(cycle(2), feeding=UNTOLD))
    assert (silent.last_flour, silent.last_flour_g, silent.last_hydration) == ("spelt", 100, 0.8)
