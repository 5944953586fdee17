"""Which notices a jar's state deserves: a table for every kind, quiet hours, snooze, repeats, and each cause once.

When a notice is due is the product's own promise; there is no outside source for it. Hours and temperatures in the
examples are invented.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st

from monitor.core.display.units import Display
from monitor.core.notify.due import due, no_longer_true
from monitor.host.time_zone import offset_of
from monitor.settings import NoticeSettings
from monitor.values import JarState, Noted, Notice, Noting, Stage
from tests.core.believed import BERLIN, COLD, FALLEN, FED, HOT, JAR, RISEN, H, ahead, cycle, fallen, note, state


def kinds(believed: JarState, sent: dict[tuple[str, int], float] | None = None, **settings: Any) -> list[str]:
    noted = settings.pop("noted", ())
    return [n.kind for n in due(believed, sent or {}, NoticeSettings(**settings), JAR, believed.now_s, noted)]


@pytest.mark.parametrize(
    ("believed", "settings", "expected"),
    [
        # nothing to tell
        (state(1, Stage.SETTLING), {}, []),
        (state(5, Stage.RISING), {}, []),
        (state(5, Stage.UNKNOWN, cycle=None, level=None), {}, []),
        # fall and peak
        (fallen(10), {}, ["feed_now"]),
        (fallen(10), {"leave_out": ("feed_now",)}, []),
        (fallen(10, cycle=replace(FALLEN, ended_at_s=FED + 9.9 * H)), {}, []),
        (fallen(10, lid_off_since_s=FED + 9.9 * H), {}, ["feed_now"]),
        (state(8, Stage.PEAKED, cycle=RISEN), {}, ["at_peak"]),
        (fallen(10), {"leave_out": ("at_peak",)}, ["feed_now"]),
        # the peak ahead
        (state(5, Stage.RISING, forecast=ahead(7)), {"peak_ahead_h": 2.0}, ["peak_ahead"]),
        (state(4.9, Stage.RISING, forecast=ahead(7)), {"peak_ahead_h": 2.0}, []),
        (state(5, Stage.RISING, forecast=ahead(7)), {}, []),
        (state(5, Stage.FLAT, forecast=ahead(7)), {"peak_ahead_h": 2.0}, ["stays_flat"]),
        # overdue
        (state(24, Stage.FLAT), {"leave_out": ("stays_flat",)}, ["overdue"]),
        (state(23.9, Stage.UNKNOWN), {}, []),
        (state(24, Stage.UNKNOWN), {}, ["overdue"]),
        (state(24, Stage.RISING), {}, []),
        (state(36, Stage.RISING), {}, ["overdue"]),
        (fallen(30), {}, ["feed_now"]),
        (state(8, Stage.UNKNOWN), {"noted": (note(7.9, Noting.HOOCH),)}, ["overdue"]),
        (fallen(10), {"noted": (note(9.9, Noting.HOOCH),)}, ["feed_now"]),
        (state(2, Stage.SETTLING), {"noted": (note(-1, Noting.HOOCH),)}, []),  # hooch of the cycle before
        (state(2, Stage.SETTLING), {"noted": (note(0.1, Noting.HOOCH),)}, []),  # likewise, written down after feeding
        (state(24, Stage.UNKNOWN), {"noted": (note(0.1, Noting.HOOCH),)}, ["overdue"]),
        (state(2, Stage.UNKNOWN, cycle=cycle(number=0, told=False)), {"noted": (note(0.1, Noting.HOOCH),)},
         ["overdue"]),  # no feeding, only the beginning of watching
        # the sensor
        (state(5, Stage.RISING, silent_since_s=FED + 4 * H), {}, ["sensor_silent"]),
        (state(5, Stage.RISING, stuck_since_s=FED + 4 * H), {}, ["sensor_silent"]),
        # the rim: 10 mm under it, or over it within the hour at this pace
        (state(5, Stage.RISING, level=replace(state(5, Stage.RISING).level, level_mm=141.0)), {}, ["near_rim"]),  # type: ignore[type-var]
        (state(5, Stage.RISING, slope_mm_per_h=85.0), {}, ["near_rim"]),
        (state(5, Stage.RISING, slope_mm_per_h=75.0), {}, []),
        (fallen(10, level=replace(state(5, Stage.RISING).level, level_mm=141.0)), {}, ["feed_now"]),  # type: ignore[type-var]
        # temperature: now and in both last hourly means
        (state(4, Stage.RISING, cycle=COLD, temperature_c=15.2), {}, ["too_cold"]),
        (state(4, Stage.RISING, cycle=COLD, temperature_c=16.5), {}, []),
        (state(4, Stage.RISING, cycle=COLD, temperature_c=9.0), {}, []),  # it is in the fridge and about to rest
        (state(4, Stage.RISING, temperature_c=15.0), {}, []),  # only now: a draught
        (state(4, Stage.RISING, cycle=HOT, temperature_c=33.0), {}, ["too_hot"]),
        (state(4, Stage.RISING, cycle=HOT, temperature_c=33.0), {"too_hot_c": 35.0}, []),
        (state(4, Stage.RISING, cycle=cycle(temperatures_c=(15.0, None)), temperature_c=15.0), {}, []),
        # flat, and the unsure feeding
        (state(9, Stage.FLAT), {}, ["stays_flat"]),
        (state(9, Stage.UNKNOWN, question="fed, stirred down, or took some?"), {}, ["feeding_question"]),
        # resting and away: no feed, overdue, flat or sensor alarms
        (state(100, Stage.RESTING, cycle=FALLEN, silent_since_s=FED), {}, []),
        (state(100, Stage.AWAY, silent_since_s=FED), {}, []),
        (state(167.9, Stage.RESTING), {}, []),
        (state(168, Stage.RESTING), {}, ["rest_reminder"]),
        # mould silences all else
        (fallen(30), {"noted": (note(29, Noting.MOULD),)}, ["throw_away"]),
        (state(100, Stage.RESTING), {"noted": (note(29, Noting.MOULD),)}, ["throw_away"]),
        (fallen(30), {"noted": (note(28, Noting.MOULD), note(29, Noting.NEW_STARTER))}, ["feed_now"]),
        # another jar's notes are not this one's
        (fallen(30), {"noted": (replace(note(29, Noting.MOULD), jar="white"),)}, ["feed_now"]),
    ],
)  # fmt: skip
def test_each_kind(believed: JarState, settings: dict[str, Any], expected: list[str]) -> None:
    assert kinds(believed, **settings) == expected


class Desk:
    """What the daemon does around `due`: keeps what was put out, asks at each step of the clock."""

    def __init__(self, **settings: Any) -> None:
        self.settings = NoticeSettings(**settings)
        self.out: list[Notice] = []

    def ask(self, believed: JarState, noted: tuple[Noted, ...] = (), display: Display = BERLIN) -> list[str]:
        number = believed.cycle.number if believed.cycle else 0
        sent = {(n.kind, n.repeat): n.due_s for n in self.out if n.cycle == number}
        new = due(believed, sent, self.settings, JAR, believed.now_s, noted, display)
        self.out += new
        return [f"{n.kind} {n.repeat}" for n in new]


def test_feed_now_comes_again_every_three_hours_until_it_is_fed() -> None:
    desk, hours, told = Desk(), 9.5, []
    while hours < 19:
        told += [(hours, cause) for cause in desk.ask(fallen(hours))]
        hours += 0.25
    assert told == [(9.5, "feed_now 0"), (12.5, "feed_now 1"), (15.5, "feed_now 2"), (18.5, "feed_now 3")]
    fed = cycle(number=5, fed_at_s=FED + 19 * H)
    assert desk.ask(state(20, Stage.SETTLING, cycle=fed)) == []


def test_repeats_pause_while_the_lid_is_off_or_a_feeding_is_in_question() -> None:
    desk = Desk()
    assert desk.ask(fallen(9.5)) == ["feed_now 0"]
    assert desk.ask(fallen(13, lid_off_since_s=FED + 12.9 * H)) == []
    assert desk.ask(fallen(13, question="fed?")) == ["feeding_question 0"]
    assert desk.ask(fallen(14, question="fed?")) == []
    assert desk.ask(fallen(15)) == ["feed_now 1"]


def test_the_sensor_goes_and_comes_twice() -> None:
    desk, silent = Desk(), state(5, Stage.RISING, silent_since_s=FED + 4 * H)
    asked = [silent, silent, state(6, Stage.RISING), state(6.1, Stage.RISING), silent, silent, state(7, Stage.RISING)]
    assert [cause for believed in asked for cause in desk.ask(believed)] == [
        "sensor_silent 0", "sensor_back 0", "sensor_silent 1", "sensor_back 1",
    ]  # fmt: skip


def test_overdue_and_rest_reminders_repeat() -> None:
    desk = Desk()
    assert [hours for hours in range(0, 120) if desk.ask(state(hours, Stage.UNKNOWN))] == [24, 48, 72, 96]
    desk = Desk()
    assert [day for day in range(0, 30) if desk.ask(state(day * 24, Stage.RESTING))] == [7, 14, 21, 28]


def test_a_forgotten_jar_is_not_nagged_for_ever_nor_one_fed_before_the_clock_was_set() -> None:
    assert kinds(fallen(30 * 24)) == ["feed_now"]
    assert kinds(fallen(40 * 24)) == []
    assert kinds(state(40 * 24, Stage.UNKNOWN)) == []
    in_1970 = cycle(number=0, told=False, fed_at_s=100.0, fall_at_s=9000.0)
    assert kinds(fallen(10, cycle=in_1970)) == []


def test_quiet_hours_defer_and_then_tell_what_is_still_true() -> None:
    """Fed 18:00 local; the peak comes at 01:30, the fall at 03:00; quiet from 22:30 to 07:00."""
    desk = Desk(quiet_from="22:30", quiet_to="07:00")
    assert desk.ask(state(4, Stage.RISING, silent_since_s=FED + 3 * H)) == ["sensor_silent 0"]  # 22:00, still allowed
    assert desk.ask(state(5, Stage.RISING)) == []  # back, but it is 23:00
    assert desk.ask(state(8, Stage.PEAKED, cycle=RISEN)) == []
    assert desk.ask(fallen(10)) == []
    assert desk.ask(fallen(13 - 1 / 60)) == []
    assert desk.ask(fallen(13)) == ["feed_now 0", "sensor_back 0"]  # 07:00; the peak is past and not told
    assert "began to sink about 03:00, 4 h ago" in desk.out[1].text
    assert desk.ask(fallen(16)) == ["feed_now 1"]


def test_quiet_hours_have_exceptions_and_an_answer_about_mould_does_not_wait() -> None:
    desk = Desk(quiet_from="22:30", quiet_to="07:00", quiet_except=("feed_now",))
    assert desk.ask(fallen(10)) == ["feed_now 0"]
    desk = Desk(quiet_from="22:30", quiet_to="07:00")
    assert desk.ask(fallen(10), noted=(note(9.9, Noting.MOULD),)) == ["throw_away 0"]


@pytest.mark.fault("T4")
@pytest.mark.parametrize(
    ("fold", "zone", "to", "night"),
    [
        ("gap", "Europe/Berlin", "02:30", "2026-03-28T22:00:00Z"),
        ("fold", "Europe/Berlin", "02:30", "2026-10-24T21:00:00Z"),
        ("gap", "Australia/Sydney", "02:30", "2026-10-03T12:00:00Z"),
        ("fold", "Australia/Sydney", "02:30", "2026-04-04T11:00:00Z"),
    ],
)
def test_one_reminder_when_the_clocks_change_at_the_end_of_the_quiet_hours(
    fold: str, zone: str, to: str, night: str
) -> None:
    began_s = datetime.fromisoformat(night).timestamp()
    display = Display(offset_s=offset_of(zone))
    desk = Desk(quiet_from="21:00", quiet_to=to, repeat_h=24.0)
    hungry = replace(FALLEN, fed_at_s=began_s - 10 * H, peak_at_s=began_s - 2 * H, fall_at_s=began_s - 1 * H)
    told = []
    for minute in range(0, 8 * 60):
        now_s = began_s + minute * 60
        told += [
            now_s for _ in desk.ask(replace(fallen(0, cycle=hungry), now_s=now_s, last_reading_s=now_s), (), display)
        ]
    assert len(told) == 1, fold


def test_snooze_holds_back_all_but_the_urgent() -> None:
    desk, snooze = Desk(), (note(9.4, Noting.SNOOZE, "2"),)
    full = replace(state(5, Stage.RISING).level, level_mm=145.0)  # type: ignore[type-var]
    assert desk.ask(fallen(9.5), snooze) == []
    assert desk.ask(state(10, Stage.RISING, level=full), snooze) == ["near_rim 0"]
    assert desk.ask(fallen(11.3), snooze) == []
    assert desk.ask(fallen(11.4), snooze) == ["feed_now 0"]
    assert desk.ask(fallen(14.5), (*snooze, note(14.4, Noting.SNOOZE, "0"))) == ["feed_now 1"]  # snooze taken back
    assert Desk().ask(fallen(9.5), (note(9.4, Noting.SNOOZE, "a while"),)) == ["feed_now 0"]


@pytest.mark.fault("T3")
def test_a_clock_that_was_set_back_neither_doubles_nor_loses_a_repeat() -> None:
    told_s = FED + 9.5 * H
    sent = {("feed_now", 0): told_s}
    for offset_s in (-120.0, -3600.0, 86400.0, 365 * 86400.0):
        after = {cause: due_s + offset_s for cause, due_s in sent.items()}  # as `outbox.shift` keeps them
        moved = replace(FALLEN, fall_at_s=FED + 9 * H + offset_s)
        asked = [replace(fallen(9.5 + h, cycle=moved), now_s=told_s + offset_s + h * H) for h in (0, 2.99, 3.0)]
        assert [bool(kinds(believed, after)) for believed in asked] == [False, False, True], offset_s
    # not told of the step: a stamp from next year holds nothing back, one from an hour ahead waits for its own time
    assert kinds(fallen(9.5), {("feed_now", 0): told_s + 365 * 86400}) == ["feed_now"]
    assert kinds(fallen(9.5), {("feed_now", 0): told_s + 3600}) == []


@pytest.mark.fault("N8")
def test_what_is_no_longer_true_is_withdrawn() -> None:
    settings = NoticeSettings(peak_ahead_h=2.0)
    put = {n.kind: n for believed, noted in (
        (fallen(10), ()), (state(8, Stage.PEAKED, cycle=RISEN), ()), (state(5, Stage.RISING, forecast=ahead(6)), ()),
        (state(5, Stage.RISING, silent_since_s=FED), ()), (state(24, Stage.FLAT), ()),
        (state(4, Stage.RISING, cycle=COLD, temperature_c=15.0), ()), (state(4, Stage.UNKNOWN, question="?"), ()),
        (state(168, Stage.RESTING), ()), (fallen(30), (note(29, Noting.MOULD),)),
    ) for n in due(believed, {}, settings, JAR, believed.now_s, noted)}  # fmt: skip
    assert len(put) == 10

    def left(believed: JarState) -> set[str]:
        over = no_longer_true(put.values(), believed, settings, JAR, believed.now_s)
        return set(put) - {n.kind for n in over}

    assert left(fallen(11)) == {"feed_now", "throw_away"}
    assert left(state(8.1, Stage.PEAKED, cycle=RISEN)) == {"at_peak", "throw_away"}
    assert left(state(30, Stage.UNKNOWN, silent_since_s=FED)) == {"sensor_silent", "overdue", "throw_away"}
    assert left(state(200, Stage.RESTING)) == {"rest_reminder", "throw_away"}
    assert left(state(0.5, Stage.SETTLING, cycle=cycle(number=5))) == {"throw_away"}  # fed meanwhile


STATES = st.builds(
    lambda hours, stage, fall, peak, number, silent, question, lid, temperature: state(
        hours,
        stage,
        cycle=cycle(
            number=number,
            peak_at_s=FED + 7 * H if peak else None,
            peak_ratio=2.0 if peak else None,
            fall_at_s=FED + 9 * H if fall else None,
        ),
        silent_since_s=FED if silent else None,
        question="?" if question else None,
        lid_off_since_s=FED if lid else None,
        temperature_c=temperature,
        forecast=ahead(hours + 1),
    ),
    st.floats(0, 400),
    st.sampled_from(Stage),
    *[st.booleans()] * 2,
    st.integers(0, 2),
    *[st.booleans()] * 3,
    st.one_of(st.none(), st.floats(-10, 50)),
)
NOTES = st.lists(
    st.builds(note, st.floats(0, 400), st.sampled_from(Noting), st.sampled_from(["", "1", "8", "x"])), max_size=4
)
SETTINGS = st.builds(
    NoticeSettings,
    quiet_from=st.sampled_from([None, "22:00", "02:30"]),
    quiet_to=st.sampled_from(["07:00", "02:30"]),
    quiet_except=st.sampled_from([(), ("feed_now", "near_rim")]),
    peak_ahead_h=st.sampled_from([None, 2.0]),
    repeat_h=st.sampled_from([0.5, 3.0]),
)


@examples(deadline=None, max_examples=60)
@given(st.lists(st.tuples(STATES, NOTES), max_size=12), SETTINGS, st.booleans())
def test_each_cause_appears_once_whatever_comes(
    steps: list[tuple[JarState, list[Noted]]], settings: NoticeSettings, in_order: bool
) -> None:
    """In order of time, and with a clock that jumps about."""
    desk = Desk()
    desk.settings = settings
    for believed, noted in sorted(steps, key=lambda step: step[0].now_s) if in_order else steps:
        before = len(desk.out)
        desk.ask(believed, tuple(noted))
        assert desk.ask(believed, tuple(noted)) == []  # asked again at once: nothing more
        for notice in desk.out[before:]:
            assert notice.due_s < notice.expires_s
            assert notice.title
            assert notice.text
            assert no_longer_true([notice], believed, settings, JAR, believed.now_s, noted) == ()
    causes = [(n.jar, n.cycle, n.kind, n.repeat) for n in desk.out]
    assert len(causes) == len(set(causes))


@examples(deadline=None)
@given(st.floats(0, 400), STATES)
def test_nothing_disturbs_the_quiet_hours(hours: float, believed: JarState) -> None:
    believed = replace(believed, now_s=FED + hours * H)
    local_minute = int((believed.now_s + 7200) % 86400 // 60)  # Berlin in May: UTC + 2 h
    told = Desk(quiet_from="22:30", quiet_to="07:00").ask(believed)
    if local_minute >= 22 * 60 + 30 or local_minute < 7 * 60:
        assert told == []
