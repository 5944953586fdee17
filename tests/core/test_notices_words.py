"""The words of every notice and of the daily summary: the product's own promise; there is no outside source for it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from monitor.core.display.units import Display
from monitor.core.notify.conditions import KIND_WORDS, Kind
from monitor.core.notify.due import due
from monitor.core.notify.siblings import APART
from monitor.core.notify.summary import daily_summary
from monitor.settings import JarSettings, NoticeSettings
from monitor.values import Feeding, JarState, Notice, Noting, Stage
from tests.core.believed import BERLIN, COLD, FED, HOT, JAR, RISEN, H, ahead, cycle, fallen, note, state


def one(believed: JarState, jar: JarSettings = JAR, display: Display = BERLIN, **settings: Any) -> Notice:
    noted = settings.pop("noted", ())
    (notice,) = due(believed, settings.pop("sent", {}), NoticeSettings(**settings), jar, believed.now_s, noted, display)
    return notice


def test_the_words_of_feed_now() -> None:
    notice = one(fallen(9 + 40 / 60))
    assert notice.title == "Feed rye now"
    assert notice.text == (
        "The starter in rye began to sink about 03:00, 40 min ago. "
        "It rose to 2.3 times its starting volume, highest about 01:30, 7 h 30 min after the feeding, "
        "at 23.5 °C on average. "
        "Its food is running out: feed it now, or within a few hours. "
        "Last time: 25 g of starter, 100 g of flour, 100 g of water (1:4:4)."
    )
    assert not notice.urgent
    again = one(fallen(12.7), sent={("feed_now", 0): FED + 9.7 * H})
    assert (again.repeat, again.title) == (1, "Feed rye: sinking for 3 h 40 min")


def test_words_in_other_units() -> None:
    notice = one(fallen(10), display=Display(temperature_unit="degF", weight_unit="oz", length_unit="in"))
    assert "at 74.3 °F on average" in notice.text  # 23.5 °C x 9/5 + 32
    assert "0.88 oz of starter, 3.5 oz of flour" in notice.text
    assert "began to sink about 01:00" in notice.text  # UTC


def test_unknown_things_are_said_to_be_unknown_or_left_out() -> None:
    bare = cycle(feeding=Feeding(flour="rye"), fall_at_s=FED + 9 * H, peak_at_s=FED + 7 * H, temperatures_c=())
    text = one(fallen(10, cycle=bare, level=None, temperature_c=None)).text
    assert "how far it rose is not known" in text
    assert "None" not in text
    assert "°C" not in text
    assert "Last time" not in text


def test_doubts_are_said() -> None:
    echo = replace(JAR, sensor="ultrasonic", venting="tight")
    assert "Not certain" not in one(fallen(10)).text
    assert "gas makes an ultrasonic sensor read too far" in one(fallen(10), jar=echo).text
    assert "Look at the jar before you feed it." in one(fallen(10), jar=echo).text
    assert "Not certain" not in one(fallen(10), jar=replace(echo, venting="open")).text
    assert "last reading is 45 min old" in one(fallen(10, last_reading_s=FED + 9.25 * H)).text
    wide = replace(state(5, Stage.RISING).level, rise_ratio_sd=0.3)  # type: ignore[type-var]
    assert "readings scatter" in one(fallen(10, level=wide)).text


@pytest.mark.parametrize(
    ("believed", "settings", "phrases"),
    [
        (state(8, Stage.PEAKED, cycle=RISEN, forecast=ahead(8)), {},
         ["rye is at its peak", "rose to 2.3 times", "time to bake with it", "Don't taste raw flour or dough"]),
        (state(5, Stage.RISING, forecast=ahead(7)), {"peak_ahead_h": 2.0},
         ["rye peaks in about 2 h", "about 01:00", "between 00:00 and 02:30", "1.9 times", "23.5 °C"]),
        (state(24.5, Stage.UNKNOWN), {}, ["rye is due for a feeding", "24 h 30 min ago", "streaks, throw it all away"]),
        (state(8, Stage.UNKNOWN), {"noted": (note(7.9, Noting.HOOCH),)}, ["liquid on top at 01:54", "hungry"]),
        (state(9, Stage.FLAT), {}, ["rye is not rising", "fed 9 h ago", "24.0 °C to 28.0 °C", "streaks"]),
        (state(5, Stage.RISING, silent_since_s=FED + 4 * H), {}, ["No readings from rye", "since 22:00", "5 h ago"]),
        (state(5, Stage.RISING, stuck_since_s=FED + 4 * H), {}, ["seems stuck", "since 22:00"]),
        (state(6, Stage.RISING), {"sent": {("sensor_silent", 0): FED + 5 * H}}, ["Readings from rye again", "rising"]),
        (state(5, Stage.RISING, slope_mm_per_h=85.0), {}, ["about to run over", "80 mm below the rim", "Never seal"]),
        (state(4, Stage.RISING, cycle=COLD, temperature_c=15.2), {}, ["rye is too cold: 15.2 °C", "fed 4 h ago"]),
        (state(4, Stage.RISING, cycle=HOT, temperature_c=33.2), {}, ["rye is too hot: 33.2 °C", "somewhere cooler"]),
        (state(9, Stage.UNKNOWN, question="?", cycle=cycle(sure=False, fed_at_s=FED + 8 * H)), {},
         ["Was rye fed?", "dropped at 02:00", "jartide fed"]),
        (state(9, Stage.SETTLING, question="?", cycle=cycle(sure=False, about_s=(FED + 4 * H, FED + 7 * H))), {},
         ["When was rye fed?", "between 22:00 and 01:00", "--at"]),
        (state(9, Stage.UNKNOWN, distance_unit="cm", temperature_unit="degF"), {},
         ["distances and temperatures of rye are in the wrong unit", "look like centimetres", "degrees Celsius"]),
        (state(1, Stage.SETTLING, cycle=cycle(fed_at_s=FED + 0.5 * H)),
         {"noted": (note(0, Noting.BEGUN, "2026-05-16"),)},
         ["rye: day 5", "Silence is usual now", "keep 50 g, add 50 g flour and 50 g water", "throw it all away"]),
        (state(168, Stage.RESTING), {}, ["rye was fed 7 days ago", "once a week", "Never seal", "streaks"]),
        (fallen(30), {"noted": (note(29, Noting.MOULD),)},
         ["Throw rye away", "at 23:00", "Do not feed it, bake with it, taste it", "sensor reads can tell you"]),
    ],
)  # fmt: skip
def test_the_words_of_every_other_kind(believed: JarState, settings: dict[str, Any], phrases: list[str]) -> None:
    notice = one(believed, **settings)
    for phrase in phrases:
        assert phrase in f"{notice.title}\n{notice.text}"
    assert "None" not in notice.text
    assert "\n" not in notice.title


# "feed now" has a test of its own; the others are not about what is believed of one jar alone
ELSEWHERE = {"feed_now", "daily_summary", "bake_feeding", "bake_moved", *APART}


def test_every_kind_is_in_the_tables_above() -> None:
    params = [p for mark in test_the_words_of_every_other_kind.pytestmark for p in mark.args[1]]  # type: ignore[attr-defined]
    seen = {one(believed, **dict(settings)).kind for believed, settings, _ in params}
    assert seen == set(Kind) - ELSEWHERE


def test_every_kind_that_may_be_left_out_has_words_for_a_list() -> None:
    assert set(KIND_WORDS) == set(Kind) - {Kind.THROW_AWAY}


@pytest.mark.fault("N7")
@pytest.mark.parametrize("name", ["🥖" * 10, "a\nb\r\n\x00c", "<b>x</b>", "ж" * 4096, "\u202ereversed", ""])
def test_odd_names_stay_on_one_short_line(name: str) -> None:
    notice = one(replace(fallen(10), jar=name))
    assert notice.title.isprintable()
    assert len(notice.title) < 60
    assert len(notice.text) < 1000
    assert notice.jar == name  # the cause keeps the whole name


@pytest.mark.parametrize(
    ("settings", "hours"),
    [
        ({"daily_summary": "08:00"}, [14, 38, 62]),  # fed at 18:00 local; three mornings
        ({"daily_summary": "08:00", "quiet_from": "22:00", "quiet_to": "09:30"}, [15.5, 39.5, 63.5]),
        ({"daily_summary": "23:00", "quiet_from": "22:00", "quiet_to": "07:00"}, [13, 37, 61]),
        ({"daily_summary": "23:00", "quiet_from": "22:00", "quiet_to": "07:00", "quiet_except": ("daily_summary",)},
         [5, 29, 53]),
        ({"daily_summary": "08:00", "leave_out": ("daily_summary",)}, []),
    ],
)  # fmt: skip
def test_the_daily_summary_comes_once_a_day(settings: dict[str, Any], hours: list[float]) -> None:
    told: list[Notice] = []
    states = [state(8, Stage.PEAKED, cycle=RISEN, forecast=ahead(8)), state(8, Stage.RESTING)]
    for minute in range(0, 3 * 1440, 5):
        now_s = FED + minute * 60
        days_told = {notice.cycle for notice in told}
        if notice := daily_summary(states, days_told, NoticeSettings(**settings), now_s, BERLIN):
            told.append(notice)
    assert [(notice.due_s - FED) / H for notice in told] == hours


def test_the_words_of_the_daily_summary() -> None:
    states = [state(8, Stage.PEAKED, cycle=RISEN, forecast=ahead(8)), state(8, Stage.RESTING)]
    settings = NoticeSettings(daily_summary="08:00")
    first = daily_summary(states, (), settings, FED + 14 * H, BERLIN)
    assert first is not None
    assert first.text.splitlines()[0] == (
        "rye: at its peak, fed 14 h ago, 1.9 times its starting volume, 23.5 °C, hungry about 04:00."
    )


def test_no_summary_when_not_asked_or_far_too_late() -> None:
    states = [state(8, Stage.PEAKED, cycle=RISEN)]
    assert daily_summary(states, (), NoticeSettings(), FED + 14 * H, BERLIN) is None
    assert daily_summary([], (), NoticeSettings(daily_summary="08:00"), FED + 14 * H, BERLIN) is None
    assert daily_summary(states, (), NoticeSettings(daily_summary="08:00"), FED + 17.1 * H, BERLIN) is None
