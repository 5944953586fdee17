"""The daemon's loop under a fake clock: a whole night, restart in the middle, told things, trouble with the store."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from monitor.runs import outbox
from monitor.runs.store import Store, StoreTrouble
from monitor.values import Delivery, EventKind, Fed, Feeding, Reading, of_grams
from tests.kitchen import Kitchen
from tests.night import START_S, night


def test_a_whole_night_ends_with_one_feed_now(tmp_path: Path) -> None:
    kitchen = Kitchen(tmp_path / "store.db")
    things = list(night())
    kitchen.live(things, until_s=things[-1].received_s + 60)
    kinds = kitchen.kinds()
    assert kinds.count(EventKind.FED) == 1
    assert kinds.count(EventKind.FALL_BEGAN) == 1
    fall = next(event for event in kitchen.events() if event.kind is EventKind.FALL_BEGAN)
    true_fall_s = START_S + 600 + 6.5 * 3600
    assert abs(fall.happened_at_s - true_fall_s) < 3600
    assert true_fall_s < fall.decided_at_s < true_fall_s + 3 * 3600
    assert "feed_now" in kitchen.notices()
    assert kitchen.store.last_seq() == len(things)


def test_a_restart_anywhere_decides_the_same(tmp_path: Path) -> None:
    things = list(night(every_s=60.0))
    whole = Kitchen(tmp_path / "whole.db")
    whole.live(things, until_s=things[-1].received_s + 60)
    for cut in (7, 40, 300, 470, len(things) - 3):
        path = tmp_path / f"cut{cut}.db"
        first = Kitchen(path)
        first.live(things[:cut], until_s=things[cut].received_s)
        first.daemon.flush()
        first.store.close()
        second = Kitchen(path, now_s=first.now_s)
        second.live(things[cut:], until_s=things[-1].received_s + 60)
        assert second.events() == whole.events(), f"cut at {cut}"
        assert second.notices() == whole.notices(), f"cut at {cut}"
        second.store.close()


@pytest.mark.fault("P4")
def test_nothing_is_decided_or_told_twice_by_a_storm_of_restarts(tmp_path: Path) -> None:
    path = tmp_path / "store.db"
    things = list(night(every_s=60.0))
    first = Kitchen(path)
    first.live(things, until_s=things[-1].received_s + 60)
    events, notices, now_s = first.events(), first.notices(), first.now_s
    first.store.close()
    for _ in range(20):
        again = Kitchen(path, now_s=now_s)
        assert again.events() == events
        assert again.notices() == notices
        again.store.close()


@pytest.mark.fault("T6")
def test_what_falls_due_while_the_daemon_is_down_is_told_at_its_start(tmp_path: Path) -> None:
    path = tmp_path / "store.db"
    things = list(night(every_s=60.0, hours=2.0))
    first = Kitchen(path)
    first.live(things)
    first.daemon.flush()
    first.store.close()
    assert "overdue" not in first_notices(path)
    Kitchen(path, now_s=START_S + 40 * 3600).store.close()
    assert "overdue" in first_notices(path)


def first_notices(path: Path) -> list[str]:
    with Store.join(path) as store:
        return [one.notice.kind for one in outbox.of_jar(store, "rye")]


def test_a_told_feeding_comes_in_beside_the_readings_and_stops_the_reminders(tmp_path: Path) -> None:
    kitchen = Kitchen(tmp_path / "store.db")
    things = list(night(every_s=60.0))
    kitchen.live(things)
    kitchen.daemon.flush()
    assert kitchen.notices().count("feed_now") >= 1
    with Store.join(tmp_path / "store.db") as beside:
        beside.tell(Fed(time_s=kitchen.now_s, jar="rye", feeding=of_grams((25, 100, 100))), kitchen.now_s)
    kitchen.to(kitchen.now_s + 120)
    fed = [event for event in kitchen.events() if event.kind is EventKind.FED]
    assert fed[-1].evidence["flour_g"] == 100
    count = kitchen.notices().count("feed_now")
    kitchen.to(kitchen.now_s + 4 * 3600)
    assert kitchen.notices().count("feed_now") == count


def test_only_what_is_committed_is_acknowledged_and_in_order(tmp_path: Path) -> None:
    kitchen = Kitchen(tmp_path / "store.db")
    things = [
        Delivery(
            source="test",
            received_s=START_S + k,
            reading=Reading(time_s=START_S + k, jar="rye", distance_mm=120.0),
            boot="b",
            seq=k,
            timed=True,
            token=k,
        )
        for k in range(75)
    ]
    for thing in things[:70]:
        kitchen.daemon.put(thing)
    kitchen.daemon.turn(0.0)
    assert kitchen.source.acknowledged == list(range(70))  # a full group, and what was at hand beyond it
    for thing in things[70:]:
        kitchen.daemon.put(thing)
    kitchen.daemon.turn(0.0)
    assert kitchen.source.acknowledged == list(range(70))  # five wait for the clock
    assert kitchen.store.last_seq() == 70
    kitchen.now_s += 6.0
    kitchen.daemon.turn(0.0)
    assert kitchen.source.acknowledged == list(range(75))


@pytest.mark.fault("D1")
def test_a_full_disk_holds_readings_back_and_loses_none(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    kitchen = Kitchen(tmp_path / "store.db")
    things = list(night(every_s=60.0))
    kitchen.live(things[:100])
    real = kitchen.store.add

    def full(*_: object) -> None:
        raise StoreTrouble("the disk is full", lasting=False)

    monkeypatch.setattr(kitchen.store, "add", full)
    kitchen.live(things[100:200])
    assert kitchen.store.last_seq() <= 100
    monkeypatch.setattr(kitchen.store, "add", real)
    kitchen.live(things[200:], until_s=things[-1].received_s + 60)
    assert kitchen.store.last_seq() == len(things)
    assert kitchen.kinds().count(EventKind.FALL_BEGAN) == 1


@pytest.mark.fault("D15")
def test_a_store_that_fails_for_good_stops_the_daemon(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    kitchen = Kitchen(tmp_path / "store.db")

    def broken(*_: object) -> None:
        raise StoreTrouble("the store is damaged", lasting=True)

    monkeypatch.setattr(kitchen.store, "add", broken)
    with pytest.raises(StoreTrouble, match="damaged"):
        kitchen.live(list(night())[:60])


def test_distance_and_temperature_may_come_from_two_devices(tmp_path: Path) -> None:
    kitchen = Kitchen(tmp_path / "store.db")
    things: list[Delivery] = []
    for thing in night(every_s=60.0, hours=3.0):
        reading = thing.reading
        things.append(replace(thing, reading=replace(reading, temperature_c=None), boot="lid"))
        if (thing.seq or 0) % 5 == 0:  # the probe is a device of its own, and speaks every 5 min
            warm = Reading(time_s=reading.time_s, jar="rye", temperature_c=reading.temperature_c)
            things.append(replace(thing, reading=warm, boot="probe"))
    kitchen.live(things)
    kitchen.daemon.flush()
    (state,) = kitchen.jars.states(kitchen.now_s)
    assert state.temperature_c == pytest.approx(24.0, abs=0.6)
    assert state.cycle is not None
    assert state.cycle.temperatures_c[0] == pytest.approx(24.0, abs=0.6)
    assert state.sampling_s == pytest.approx(60.0, abs=1.0)
    assert kitchen.kinds().count(EventKind.FED) == 1


def test_readings_of_a_jar_that_is_not_in_the_config_are_kept_and_hold_up_nobody(tmp_path: Path) -> None:
    kitchen = Kitchen(tmp_path / "store.db")
    theirs = [replace(one, reading=replace(one.reading, jar="spelt")) for one in night(every_s=60.0, hours=9.0)]
    for mine, other in zip(night(every_s=60.0, hours=9.0), theirs, strict=True):
        kitchen.live([other, mine])
    kitchen.daemon.flush()
    assert kitchen.store.last_seq() == 2 * len(theirs)
    assert kitchen.kinds().count(EventKind.FALL_BEGAN) == 1
    assert kitchen.store.open_run("spelt") is not None
    kitchen.store.tell(Fed(time_s=kitchen.now_s, jar="spelt", feeding=Feeding(flour_g=50)), kitchen.now_s)
    kitchen.to(kitchen.now_s + 60)
    assert kitchen.events("spelt") == []


@pytest.mark.fault("P8")
def test_an_end_is_reached_though_more_comes_than_can_be_taken(tmp_path: Path) -> None:
    kitchen = Kitchen(tmp_path / "store.db")
    more = list(night(every_s=60.0))[:300]
    take, taken = kitchen.daemon._handle, []

    def slowly(thing: object) -> None:
        """While one is taken, two more come."""
        taken.append(thing)
        for one in (more.pop(0), more.pop(0)):
            kitchen.daemon._queue.put_nowait(one)
        take(thing)  # type: ignore[arg-type]

    kitchen.daemon._handle = slowly  # type: ignore[method-assign,assignment]
    kitchen.daemon.put(more.pop(0))
    kitchen.daemon.flush()
    assert len(taken) == 1
