"""The simulated dough against what bakers filmed, timed and counted. Each case names who measured it.

Nobody measured a baker's starter's vigour, so a case asks for a vigour between 0.6 and 2 with which the dough does what
was seen; what a case fits is its time to the top (or to double), what it is held to is everything else.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
import pytest

from monitor.simulator.dough import YEAST_CELL_G, volume_ml
from monitor.simulator.handling import fed
from monitor.simulator.integrator import grow, ripe_starter
from monitor.simulator.kitchen import jar_lag_h, jar_minutes

DULL, LIVELY = 0.6, 2.0
TOTAL_G = 225.0


@dataclass(frozen=True, slots=True)
class Rise:
    """Hours from the feeding, nan for what did not come; `ratio` is volume over volume when fed."""

    ratio: np.ndarray
    yeast_per_g: np.ndarray

    def risen_h(self, ratio: float) -> float:
        return _hours(self.ratio >= ratio)

    @property
    def top_ratio(self) -> float:
        return float(self.ratio.max())

    @property
    def touch_h(self) -> float:
        """Within 2 % of the rise of its highest: what people call the peak."""
        return self.risen_h(1 + 0.98 * (self.top_ratio - 1))

    @property
    def held_h(self) -> float:
        """How long it stood within 5 % of the rise of its highest."""
        near = np.flatnonzero(self.ratio >= 1 + 0.95 * (self.top_ratio - 1))
        return float(near[-1] - near[0]) / 60

    def sunk_h(self, share: float) -> float:
        """When it had lost a share of its rise."""
        top = int(self.ratio.argmax())
        return top / 60 + _hours(self.ratio[top:] <= 1 + (1 - share) * (self.top_ratio - 1))


def _hours(found: np.ndarray) -> float:
    return int(found.argmax()) / 60 if found.any() else math.nan


@cache
def rise(
    parts: tuple[float, float, float],
    room_c: float,
    vigour: float,
    hours: float = 30.0,
    start_c: float | None = None,
    flour: str = "white",
) -> Rise:
    """A fed jar, begun at `start_c` (default: the room's)."""
    dough, batch = ripe_starter(flour, 300.0, 1.0, vigour, 1.0)
    part_g = TOTAL_G / sum(parts)
    dough, batch = fed(
        dough, batch, keep_g=parts[0] * part_g, flour_g=parts[1] * part_g, water_g=parts[2] * part_g, flour=flour
    )
    around = [room_c] * (round(hours * 60) + 1)
    jar_c = jar_minutes(room_c if start_c is None else start_c, around, jar_lag_h(TOTAL_G))
    states = grow(dough, batch, jar_c)
    volume = volume_ml(states, batch, np.array(jar_c))
    mass_g = batch.solids_g + states[:13].sum(axis=0)
    return Rise(volume / volume[0], states[0] / YEAST_CELL_G / mass_g)


def with_touch(parts, room_c, touch_h, **how) -> Rise:
    """The rise of the vigour that has its top at `touch_h`; it must be a baker's vigour."""
    low, high = DULL, LIVELY
    assert rise(parts, room_c, high, **how).touch_h < touch_h < rise(parts, room_c, low, **how).touch_h
    for _ in range(6):
        middle = math.sqrt(low * high)
        if rise(parts, room_c, middle, **how).touch_h > touch_h:
            low = middle
        else:
            high = middle
    return rise(parts, room_c, high, **how)


# --- how long the top holds -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("parts", "start_c", "touch_h", "held_h", "going_h"),
    [((1, 1, 1), 19.8, 5.0, 2.0, 7.0), ((1, 5, 4), 17.5, 8.0, 4.0, 12.0)],
)
def test_two_filmed_jars_hold_their_tops_about_as_long(parts, start_c, touch_h, held_h, going_h):
    """bespokebread.sg, "tropical starter vs liquid levain": a time lapse of 13 h at 27 to 30 degC, water of 10 degC.
    Held two hours and four, then went down. Asked: within 40 %, and the going (a tenth lost) within 1.5 h."""
    seen = with_touch(parts, 28.5, touch_h, start_c=start_c, hours=20)
    assert seen.held_h == pytest.approx(held_h, rel=0.4)
    assert seen.sunk_h(0.1) == pytest.approx(going_h, abs=1.5)


def test_a_filmed_jar_is_still_up_after_twelve_hours():
    """matts-bread-log.blogspot.com, August 2008: 1:1.5:1.5 at 75 degF had doubled at 4.5 h, was still up (read as: has
    most of its rise) at 12 to 13 h and flat some 4 h later."""
    vigour = next(v for v in np.geomspace(0.9, LIVELY, 17) if rise((1, 1.5, 1.5), 23.9, float(v)).risen_h(2.0) <= 4.5)
    seen = rise((1, 1.5, 1.5), 23.9, float(vigour))
    assert seen.risen_h(2.0) == pytest.approx(4.5, abs=0.4)
    assert 12.0 < seen.sunk_h(0.5) < 17.0


def test_a_mills_baker_sees_it_fall_after_seven_to_ten_hours():
    """kingarthurbaking.com, answers of 2020: 1:1:1 (at 70 degF) peaks after 6 to 8 h, hovers for one or two."""
    seen = with_touch((1, 1, 1), 21.1, 7.0)
    assert 7.0 <= seen.sunk_h(0.02) <= 10.0


def test_a_leaner_feeding_holds_longer():
    """As filmed (above), and as bakers say; five rises judged by eye fall 0.21 to 0.50 of the way to the peak later."""
    seen = [rise(parts, 24.0, 1.2) for parts in ((1, 1, 1), (1, 2, 2), (1, 5, 5), (1, 10, 10))]
    held_h = [one.held_h for one in seen]
    assert held_h == sorted(held_h)
    assert all(0.21 <= (one.sunk_h(0.1) - one.touch_h) / one.touch_h <= 0.55 for one in seen)


def test_rye_tops_late_and_sinks_slowly():
    """J. Schluter, liquid and stiff rye levain, risenflour.com.au 2021: 25:100:120 at 21 degC is mature after 12 to
    14 h, ripe and sour after 16 to 18, no longer leavens after 23 to 25. Mature is read as its highest, ripe as a tenth
    of the rise lost, the last as half of it; two hours to either side."""
    rye, white = (rise((25, 100, 120), 21.0, 0.8, flour=flour) for flour in ("rye", "white"))
    assert 10.0 <= rye.sunk_h(0.0) <= 16.0
    assert 14.0 <= rye.sunk_h(0.1) <= 20.0
    assert 21.0 <= rye.sunk_h(0.5) <= 27.0
    assert rye.risen_h(1.25) < white.risen_h(1.25)
    assert rye.top_ratio < white.top_ratio


# --- how soon it rises ----------------------------------------------------------------------------------------------


def test_a_lively_starter_has_risen_by_a_quarter_after_two_hours():
    """thefreshloaf.com/node/27632: +20 to 30 % of height after 2 h (20 % seed, 74 degF) and after 7 to 9 h (5 % seed,
    65 degF)."""
    assert 1.18 <= rise((1, 5, 5), 23.3, LIVELY).ratio[120] <= 1.35
    assert 7.0 <= rise((1, 20, 20), 18.3, LIVELY, 40.0).risen_h(1.25) <= 9.0


def test_a_lively_starter_triples_in_five_to_six_hours():
    """sourdoughexplained.com, three years of one white starter at 1:4:4: 5 to 6 h at 24 to 25 degC, threefold."""
    seen = with_touch((1, 4, 4), 24.5, 5.5)
    assert seen.top_ratio == pytest.approx(3.0, abs=0.15)


def test_that_starter_in_a_colder_kitchen():
    """The same: 8 h at 20 degC against 4 to 5 h beyond 26 degC, 1.8 times as long."""
    cold_h, warm_h = rise((1, 4, 4), 20.0, 1.8).touch_h, rise((1, 4, 4), 26.8, 1.8).touch_h
    assert cold_h / warm_h == pytest.approx(1.8, rel=0.15)


@pytest.mark.parametrize(
    ("parts", "room_c", "ratio", "first_h", "last_h"),
    [((1, 2, 2), 25.6, 2.0, 4, 6), ((1, 20, 20), 22.0, 2.0, 12, 14)],
)
def test_an_ordinary_starter_doubles_when_a_teacher_says(parts, room_c, ratio, first_h, last_h):
    """A. Janjigian, wordloaf, starter kit: 2:2:1 doubles in 4 to 6 h at 78 degF; with 5 % seed in 12 to 14 h."""
    assert first_h <= rise(parts, room_c, 1.0).risen_h(ratio) <= last_h


def test_a_very_lean_feeding_peaks_when_a_baker_says():
    """K. Dennis in Serious Eats 2020: 1:10:10 at 72 degF, 10 to 11 h."""
    with_touch((1, 10, 10), 22.2, 10.5)


# --- and the rest ---------------------------------------------------------------------------------------------------


def test_the_yeasts_of_a_day_of_dough():
    """T. Guillerminet and others, INRAE 2022, 219 fermentations: from 1e7 a gram to about 7e7 in 24 h, 2.4 to 3.0
    generations; half a generation to either side is allowed, strains differ."""
    count = rise((1, 3, 3), 24.0, 1.0).yeast_per_g
    assert count[0] == pytest.approx(1e7, rel=0.3)
    assert 1.9 <= math.log2(count[24 * 60] / count[0]) <= 3.5


def test_a_drier_dough_is_later_longer_at_its_top_and_taller():
    """rosehillsourdough.com (side by side); Seibel and Bruemmer 1991: wetter ferments faster. 50 against 100 % water is
    10 to 25 % more time."""
    dry, usual = rise((1, 4, 2), 24.0, 1.2), rise((1, 4, 4), 24.0, 1.2)
    assert 1.10 <= dry.touch_h / usual.touch_h <= 1.25
    assert dry.held_h > 1.2 * usual.held_h
    assert dry.top_ratio > 1.1 * usual.top_ratio
