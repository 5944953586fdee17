"""Clocks that are set, machines that sleep, zones that change: the night goes on, and its "feed now" comes once and in
time. The daemon's own loop with a wall clock and a machine clock that the test moves apart."""

from __future__ import annotations

import time
from dataclasses import replace
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from monitor.core.detect import step as steps
from monitor.host.clock import Clock
from monitor.runs import outbox
from monitor.runs.store import Store, StoreTrouble
from monitor.settings import DisplaySettings, NoticeSettings
from monitor.values import ClockSet, Event, EventKind, Noted, Noting
from tests.kitchen import SETTINGS, Kitchen, first
from tests.night import START_S, night

H, DAY, YEAR = 3600.0, 86_400.0, 365 * 86_400.0
END_S = START_S + 12.2 * H
THINGS = list(night(every_s=60.0))
TOLD = ("sensor_silent", "overdue", "stays_flat", "feeding_question")
GRAIN_S = 300.0  # a step is taken over in whole bins; the rest is a short time without readings


@cache
def undisturbed() -> tuple[tuple[Event, ...], tuple[str, ...]]:
    with TemporaryDirectory() as folder:
        kitchen = Kitchen(Path(folder) / "s.db")
        kitchen.live(THINGS, until_s=END_S)
        return tuple(kitchen.events()), tuple(kitchen.notices())


def split(at_s: float) -> int:
    return next(i for i, thing in enumerate(THINGS) if thing.received_s >= at_s)


def agrees(kitchen: Kitchen, off_s: float) -> None:
    """The fall, in the new time, is where it would have been, was known as soon, and told once."""
    events, notices = undisturbed()
    wanted, found = first(events, EventKind.FALL_BEGAN), first(kitchen.events(), EventKind.FALL_BEGAN)
    # told at a drop of 1.6 to 2.2 mm with 0.8 mm of noise: the grid's shift of 2 min tells and dates it that far apart
    assert found.happened_at_s - off_s == pytest.approx(wanted.happened_at_s, abs=4 * GRAIN_S)
    assert found.decided_at_s - off_s == pytest.approx(wanted.decided_at_s, abs=3 * GRAIN_S)
    assert kitchen.kinds().count(EventKind.FALL_BEGAN) == 1
    assert kitchen.kinds().count(EventKind.FED) == 1
    assert sorted(kitchen.notices()) == sorted(notices)
    cycle = kitchen.state().cycle
    assert cycle is not None
    fed_s = first(events, EventKind.FED).happened_at_s
    assert cycle.fed_at_s - off_s == pytest.approx(fed_s, abs=GRAIN_S)


def step(fault: str, after_h: float, offset_s: float) -> object:
    return pytest.param(after_h, offset_s, marks=pytest.mark.fault(fault))


@pytest.mark.parametrize(
    ("after_h", "offset_s"),
    [
        step("T3", 3.0, -120.0),
        step("T3", 3.0, -H),
        step("T2", 3.0, DAY),
        step("T2", 3.0, 70 * YEAR),
        step("T3", 8.0, -40 * YEAR),
        step("T2", 8.0, YEAR + 77.0),
    ],
)
def test_a_clock_that_is_set_changes_no_decision(tmp_path: Path, after_h: float, offset_s: float) -> None:
    """On the way up, and between the true fall and its being known or just after."""
    kitchen = Kitchen(tmp_path / "s.db")
    at = split(START_S + after_h * H)
    kitchen.live(THINGS[:at])
    began_s = time.process_time()
    kitchen.set_clock(offset_s)
    kitchen.live(THINGS[at : at + 1])
    assert time.process_time() - began_s < 1.0  # not a storm of everything that would have been due in between
    kitchen.live(THINGS[at + 1 :], until_s=END_S)
    if first(undisturbed()[0], EventKind.FALL_BEGAN).decided_at_s > THINGS[at].received_s:
        agrees(kitchen, offset_s)
    assert sorted(kitchen.notices()) == sorted(undisturbed()[1])
    assert kitchen.store.last_seq() == len(THINGS) + 1


@pytest.mark.fault("T3")
@pytest.mark.parametrize(("offset_s", "cut_h"), [(-H, 2.9), (-H, 3.05), (2.5 * DAY, 6.0)])
def test_a_restart_around_a_set_clock_decides_the_same(tmp_path: Path, offset_s: float, cut_h: float) -> None:
    at, cut = split(START_S + 3 * H), split(START_S + cut_h * H)
    whole = Kitchen(tmp_path / "whole.db")
    one = Kitchen(tmp_path / "cut.db")
    whole.live(THINGS[:at])
    whole.set_clock(offset_s)
    whole.live(THINGS[at:], until_s=END_S)
    one.live(THINGS[: min(at, cut)])
    if cut > at:
        one.set_clock(offset_s)
        one.live(THINGS[at:cut])
    one.daemon.flush()
    one.store.close()
    two = Kitchen(tmp_path / "cut.db", now_s=one.now_s, off_s=one.off_s)
    if cut <= at:
        two.live(THINGS[cut:at])
        two.set_clock(offset_s)
        two.live(THINGS[at:], until_s=END_S)
    else:
        two.live(THINGS[cut:], until_s=END_S)
    assert two.events() == whole.events()
    assert two.notices() == whole.notices()


@pytest.mark.fault("T3")
def test_reminders_keep_their_distance_when_the_clock_is_set_back(tmp_path: Path) -> None:
    kitchen = Kitchen(tmp_path / "s.db")
    kitchen.live(THINGS, until_s=END_S)
    for _ in range(3):
        count, said_s = kitchen.notices().count("feed_now"), kitchen.now_s
        kitchen.set_clock(-H)
        while kitchen.notices().count("feed_now") == count:
            kitchen.to(kitchen.now_s + 60)
            assert kitchen.now_s - said_s <= 3 * H + 120
    said = [one.notice for one in outbox.of_jar(kitchen.store, "rye") if one.notice.kind == "feed_now"]
    assert [notice.repeat for notice in said] == list(range(len(said)))


@pytest.mark.fault("T3")
def test_a_reading_that_was_on_its_way_when_the_clock_was_set_back_makes_none_look_late(tmp_path: Path) -> None:
    kitchen = Kitchen(tmp_path / "s.db")
    at = split(START_S + 3 * H)
    kitchen.live(THINGS[:at])
    kitchen.daemon.put(THINGS[at])  # stamped in the old time ...
    kitchen.now_s = THINGS[at].received_s
    kitchen.set_clock(-H)  # ... and taken out of the queue after the step
    kitchen.live(THINGS[at + 1 :], until_s=END_S)
    agrees(kitchen, -H)


@pytest.mark.fault("T1")
@pytest.mark.parametrize("behind_s", [2 * H, 56 * YEAR])
def test_a_board_without_a_clock_starts_with_an_old_time(tmp_path: Path, behind_s: float) -> None:
    """Power is off for 20 min on the way up; the board comes up with the time of its last note of it, or 1970, and the
    network sets it right after 7 min."""
    first_life = Kitchen(tmp_path / "s.db")
    at = split(START_S + 3 * H)
    first_life.live(THINGS[:at])
    first_life.daemon.flush()
    running_s = first_life.store.running_s()
    first_life.store.close()
    later = split(THINGS[at].received_s + 1200)
    known = later + 7
    now_s = THINGS[later].received_s
    second = Kitchen(tmp_path / "s.db", now_s, off_s=-behind_s, booted_s=now_s - 30, before_boot_s=running_s)
    second.live(THINGS[later:known])
    second.set_clock(behind_s)
    second.live(THINGS[known:], until_s=END_S)
    events, notices = undisturbed()
    wanted, found = first(events, EventKind.FALL_BEGAN), first(second.events(), EventKind.FALL_BEGAN)
    assert found.happened_at_s == pytest.approx(wanted.happened_at_s, abs=1800)
    cycle = second.state().cycle
    assert cycle is not None
    assert cycle.fed_at_s == pytest.approx(first(events, EventKind.FED).happened_at_s, abs=60)
    assert sorted(kind for kind in second.notices() if not kind.startswith("sensor")) == sorted(notices)
    assert second.notices().count("sensor_silent") <= 1


@pytest.mark.fault("T1")
def test_a_whole_evening_by_a_clock_of_1970_is_told_in_the_right_time_once_that_is_known(tmp_path: Path) -> None:
    kitchen = Kitchen(tmp_path / "s.db", off_s=-56 * YEAR, booted_s=START_S - 60)
    at = split(START_S + 4 * H)
    kitchen.live(THINGS[:at])
    kitchen.set_clock(56 * YEAR)
    kitchen.live(THINGS[at:], until_s=END_S)
    agrees(kitchen, 0.0)


@pytest.mark.fault("T6")
def test_a_suspended_machine_sees_a_gap_and_tells_once_what_fell_due(tmp_path: Path) -> None:
    kitchen = Kitchen(tmp_path / "s.db")
    at = split(START_S + 5 * H)
    kitchen.live(THINGS[:at])
    kitchen.sleep(6 * H)  # over the peak and the fall
    after = split(kitchen.now_s)
    kitchen.live(THINGS[after:], until_s=END_S)
    assert not any(isinstance(one.item, ClockSet) for one in kitchen.store.arrivals("rye", 0))
    kinds = kitchen.kinds()
    assert kinds.count(EventKind.FALL_BEGAN) == 1
    assert kinds.count(EventKind.SENSOR_SILENT) == kinds.count(EventKind.SENSOR_BACK) == 1
    assert kinds.count(EventKind.FED) == 1
    assert kitchen.notices().count("feed_now") == 1
    awake_s = time.clock_gettime(time.CLOCK_MONOTONIC)
    assert Clock().monotonic() >= awake_s  # it counts suspended time as well


@pytest.mark.fault("T5")
def test_another_zone_moves_the_summary_and_nothing_that_is_stored(tmp_path: Path) -> None:
    def settings(zone: str) -> object:
        return replace(SETTINGS, notices=NoticeSettings(daily_summary="08:00"), display=DisplaySettings(time_zone=zone))

    first_life = Kitchen(tmp_path / "s.db", settings=settings("Europe/Berlin"))  # type: ignore[arg-type]
    at = split(START_S + 3 * H)
    first_life.live(THINGS[:at])
    first_life.daemon.flush()
    stored = first_life.store.query("SELECT * FROM item ORDER BY seq")
    first_life.store.close()
    second = Kitchen(tmp_path / "s.db", THINGS[at].received_s, settings("America/New_York"))  # type: ignore[arg-type]
    assert second.store.query("SELECT * FROM item ORDER BY seq") == stored
    second.live(THINGS[at:], until_s=START_S + 24 * H)
    said = [one.notice.due_s for one in outbox.of_jar(second.store, "") if one.notice.kind == "daily_summary"]
    assert said == [pytest.approx(START_S + 19 * H, abs=60)]  # 13:00 UTC of the next day is 08:00 in New York


@pytest.mark.fault("T8")
@pytest.mark.fault("D1")
def test_a_clock_set_while_the_disk_is_full_keeps_its_place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    kitchen = Kitchen(tmp_path / "s.db")
    at = split(START_S + 3 * H)
    kitchen.live(THINGS[: at - 20])
    kitchen.daemon.flush()

    def full(*_: object) -> None:
        raise StoreTrouble("the disk is full", lasting=False)

    with monkeypatch.context() as patch:
        for name in ("add", "tell"):
            patch.setattr(kitchen.store, name, full)
        kitchen.live(THINGS[at - 20 : at])
        kitchen.set_clock(-H)
        kitchen.live(THINGS[at : at + 20])
        assert kitchen.trouble() == "the disk is full"
    kitchen.live(THINGS[at + 20 :], until_s=END_S)
    places = [one.seq for one in kitchen.store.arrivals("rye", 0) if isinstance(one.item, ClockSet)]
    assert places == [at + 1]
    assert kitchen.store.last_seq() == len(THINGS) + 1
    agrees(kitchen, -H)


@pytest.mark.fault("T3")
def test_a_step_and_back_again_leaves_the_memory_as_it_was(tmp_path: Path) -> None:
    """In whole bins nothing is lost: what a jar remembers, moved and moved back, is the same."""
    kitchen = Kitchen(tmp_path / "s.db")
    kitchen.live(THINGS[: split(START_S + 5 * H)])
    jar = SETTINGS.jars[0]
    memory = kitchen.jars._states["rye"]
    kept = steps.snapshot(memory)
    for offset_s in (DAY, -DAY):
        memory, _ = steps.step(memory, ClockSet(time_s=memory.now_s + offset_s, offset_s=offset_s), jar)
    assert {name: kept[name] for name in kept if name not in ("forecast", "forecast_hour")} == {
        name: value for name, value in steps.snapshot(memory).items() if name not in ("forecast", "forecast_hour")
    }


@pytest.mark.fault("T3")
def test_a_note_outlives_a_set_clock(tmp_path: Path) -> None:
    kitchen = Kitchen(tmp_path / "s.db")
    kitchen.live(THINGS[: split(START_S + 5 * H)])
    with Store.join(tmp_path / "s.db") as beside:
        beside.tell(Noted(time_s=kitchen.wall(), jar="rye", what=Noting.MOULD), kitchen.wall())
    kitchen.to(kitchen.now_s + 120)
    assert kitchen.notices().count("throw_away") == 1
    kitchen.set_clock(-H)
    kitchen.to(kitchen.now_s + 3 * H)
    assert kitchen.notices().count("throw_away") == 1
