"""What a jar says first: a look for each stage, what needs a hand before what the dough does, and words for the moment.

Common practice, no source: the words are the project's own; what is held here is that no state is left without them and
that each says what its state means."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest

from monitor.core.display.face import NEED, WORDS, Look, face, look_of
from monitor.core.display.units import Display
from monitor.core.forecast.course import course, height
from monitor.values import Cycle, Forecast, Level, Span, Stage, of_grams
from tests.page_house import nothing_known

NOW_S = 1_795_600_000.0
FED_S = NOW_S - 5.5 * 3600.0
HEARD = replace(nothing_known("rye"), now_s=NOW_S, last_reading_s=NOW_S - 30.0)
CYCLE = Cycle(jar="rye", number=3, fed_at_s=FED_S, told=True, feeding=of_grams((20, 80, 80)))
LEVEL = Level(
    time_s=NOW_S, distance_mm=90.0, level_mm=60.0, sd_mm=0.5, volume_ml=None, rise_ratio=1.8, rise_ratio_sd=0.02,
    temperature_c=24.0,
)  # fmt: skip


def span(hours: float, half: float) -> Span:
    at_s = NOW_S + hours * 3600.0
    return Span(earliest_s=at_s - half * 3600.0, likely_s=at_s, latest_s=at_s + half * 3600.0)


RISING = replace(
    HEARD, stage=Stage.RISING, cycle=CYCLE, level=LEVEL,
    forecast=Forecast(made_at_s=NOW_S, peak_at=span(3.0, 1.0), fall_at=span(4.5, 1.0)),
)  # fmt: skip
SUNK = replace(RISING, stage=Stage.FALLING, forecast=None, cycle=replace(CYCLE, fall_at_s=NOW_S - 1800.0))


def test_every_stage_has_a_look_with_words_and_a_place_in_the_order_of_need() -> None:
    for stage in Stage:
        shown = face(replace(RISING, stage=stage), NOW_S, Display())
        assert shown.word == WORDS[shown.look]
        assert shown.headline
        assert shown.row
        assert shown.short
    assert sorted(NEED.values()) == list(range(len(Look)))
    assert NEED[Look.FEED] < NEED[Look.PEAK] < NEED[Look.RISING] < NEED[Look.RESTING]


@pytest.mark.parametrize(
    ("state", "condemned_s", "snoozed_s", "look"),
    [
        (nothing_known("rye"), None, None, Look.NEW),
        (SUNK, None, None, Look.FEED),
        (SUNK, None, NOW_S + 3600.0, Look.SINKING),  # asked to be left alone
        (SUNK, NOW_S - 60.0, None, Look.THROW_AWAY),  # nothing else about it matters
        (replace(SUNK, question="was it fed?"), None, None, Look.ASK),
        (replace(RISING, silent_since_s=NOW_S - 3600.0), None, None, Look.SILENT),
        (replace(SUNK, silent_since_s=NOW_S - 3600.0), None, None, Look.FEED),  # hungry all the same
        (replace(RISING, stage=Stage.RESTING, silent_since_s=NOW_S - 3600.0), None, None, Look.RESTING),
    ],
)
def test_what_needs_a_hand_comes_before_what_the_dough_does(
    state: object, condemned_s: float | None, snoozed_s: float | None, look: Look
) -> None:
    assert look_of(state, condemned_s, snoozed_s) is look  # type: ignore[arg-type]


def test_the_words_name_the_next_moment_and_its_range() -> None:
    shown = face(RISING, NOW_S, Display())
    assert shown.headline == "Peak about 12:45"  # 09:46:40 UTC and three hours, to five minutes
    assert shown.detail == "11:45 to 13:45. Feed it by about 14:15."
    assert shown.since == "fed 5 h 30 min ago"
    late = replace(RISING, forecast=Forecast(made_at_s=NOW_S, peak_at=span(-2.0, 1.0), fall_at=span(-1.0, 0.5)))
    assert face(late, NOW_S, Display()).headline == "Peak any moment"
    assert " to " not in face(late, NOW_S, Display()).detail  # a range that is over is not said
    weighed = face(SUNK, NOW_S, Display(), grams=(20, 80, 80))
    assert weighed.headline == "Keep 20 g, add 80 g flour and 80 g water"


def test_a_course_goes_through_now_and_holds_its_quantiles_in_order() -> None:
    made = course(
        fed_at_s=FED_S, now_s=NOW_S, ratio_now=1.8, peak_at=span(3.0, 1.0), peak_was_s=None, fall_at=span(4.5, 1.0),
        expected=height([2.4, 2.3, 2.5]),
    )  # fmt: skip
    assert made is not None
    assert made.rise_ratios[0] == pytest.approx((1.8,) * 5, abs=0.02)
    assert all(list(row) == sorted(row) for row in made.rise_ratios)
    middle = [row[2] for row in made.rise_ratios]
    top_s = made.time_s[middle.index(max(middle))]
    assert NOW_S + 2.0 * 3600.0 <= top_s <= NOW_S + 5.5 * 3600.0
    assert max(middle) == pytest.approx(2.4, abs=0.15)
    assert middle[-1] < max(middle)  # it sinks
    spread = [row[4] - row[0] for row in made.rise_ratios]
    assert spread[0] < 0.05 < max(spread)  # what is known now is known; what comes is not


def test_nothing_forecast_is_no_course_and_a_peak_that_was_only_sinks() -> None:
    asked = {"fed_at_s": FED_S, "now_s": NOW_S, "ratio_now": 2.3, "expected": (2.3, 0.1)}
    assert course(**asked, peak_at=None, peak_was_s=None, fall_at=None) is None  # type: ignore[arg-type]
    made = course(**asked, peak_at=None, peak_was_s=NOW_S - 600.0, fall_at=span(1.0, 0.5))  # type: ignore[arg-type]
    assert made is not None
    middle = [row[2] for row in made.rise_ratios]
    assert all(a >= b - 1e-9 for a, b in pairwise(middle))
