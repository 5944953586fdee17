"""The store: what is committed stays, once and in order, through kills, cut power, a full disk and damage; what was
damaged is set aside and never silently replaced."""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.host.lock import StoreLock
from monitor.runs import outbox, retention, schema, store_file, tellings
from monitor.runs.outbox import State
from monitor.runs.store import Store, StoreTrouble
from monitor.settings import JarSettings
from monitor.sinks import recorder, thinner
from monitor.sinks.recorder import Recorder
from monitor.values import (
    Arrival,
    ClockSet,
    Cycle,
    Delivery,
    Event,
    EventKind,
    Fed,
    Noted,
    Notice,
    Noting,
    Reading,
    Rejected,
    Straight,
    Tapered,
    VolumeTable,
)
from tests.servers import wait_until

T = 1_772_431_200.0  # 2026-03-02T06:00:00Z
RYE = JarSettings(name="rye", empty_mm=180.0)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "jartide.db") as store:
        yield store


def delivery(n: float, jar: str = "rye", **given: Any) -> Delivery:
    reading = Reading(time_s=T + 10 * n, jar=jar, distance_mm=100.0, temperature_c=24.0)
    return Delivery(**{"source": "mqtt", "received_s": T + 10 * n, "reading": reading, "timed": True, **given})


def event(n: float, kind: EventKind = EventKind.RISE_BEGAN) -> Event:
    return Event(
        kind=kind, jar="rye", happened_at_s=T + n, decided_at_s=T + n + 60, evidence={"n": n, "why": ["ü", None]}
    )


def notice(kind: str = "feed_now", cycle: int = 1, repeat: int = 0, due_s: float = T, **given: Any) -> Notice:
    words = {"title": "Feed rye", "text": "It fell.", "expires_s": due_s + 3600, **given}
    return Notice(jar="rye", cycle=cycle, kind=kind, repeat=repeat, due_s=due_s, **words)


# --- items in order of arrival --------------------------------------------------------------------------------------


def test_items_come_back_as_they_were_in_order_of_arrival(store: Store) -> None:
    full = Reading(time_s=T, jar="rye", echo_us=900.5, temperature_c=0.0, air_c=-1.5, humidity_pct=80)
    (first,) = store.add([Delivery(source="mqtt", received_s=T + 1, reading=full, boot="a", seq=0)])
    assert first == Arrival(seq=1, received_s=T + 1, item=full)
    told = [
        Fed(time_s=T - 3600, jar="rye", starter_g=25, flour_g=100.5, water_g=None, flour="rye; “1150”"),
        ClockSet(time_s=T + 2, offset_s=-3600.25),
        Noted(time_s=T, jar="wheat", what=Noting.HOOCH, text="a little"),
    ]
    assert [store.tell(item, T + 2) for item in told] == [2, 3, 4]
    assert list(store.arrivals(None, 0)) == [
        first,
        *(Arrival(seq=n, received_s=T + 2, item=i) for n, i in enumerate(told, 2)),
    ]
    assert [arrival.seq for arrival in store.arrivals("rye", 0)] == [1, 2, 3]  # a clock step concerns every jar
    assert [arrival.seq for arrival in store.arrivals("wheat", 0)] == [3, 4]
    assert [arrival.seq for arrival in store.arrivals(None, 3)] == [4]
    assert store.told("rye") == [replace(told[0], time_s=T - 3600 - 3600.25)]  # as the clock would say today
    assert store.told("rye", after_time_s=T) == []
    assert store.last_seq() == 4


@pytest.mark.fault("M4")
@pytest.mark.parametrize(
    ("first", "second", "new"),
    [
        (delivery(0, boot="a", seq=7), delivery(5, boot="a", seq=7, again=True), False),
        (delivery(0, boot="a", seq=7), delivery(0, boot="b", seq=7), True),
        (delivery(0, boot="a", seq=7), delivery(0, jar="wheat", boot="a", seq=7), True),
        (delivery(0), delivery(0, received_s=T + 99), False),
        (delivery(0), delivery(1), True),
        (delivery(0), delivery(0, jar="wheat"), True),
        (delivery(0, timed=False), delivery(0, timed=False), True),
        (delivery(0, boot="a"), delivery(0, boot="a"), False),  # no seq: by time
        # distance and temperature of one jar from two devices, at the same second
        (delivery(0), delivery(0, reading=Reading(time_s=T, jar="rye", temperature_c=24)), True),
    ],
)
def test_what_is_a_duplicate(store: Store, first: Delivery, second: Delivery, new: bool) -> None:
    assert store.add([first])[0] is not None
    assert (store.add([second])[0] is not None) is new
    assert store.last_seq() == 1 + new


@pytest.mark.fault("M7")
def test_untimed_and_delivered_again_is_stored_without_a_time_and_not_stepped(store: Store) -> None:
    answers = store.add([delivery(0, timed=False), delivery(1, timed=False, again=True), delivery(2)])
    assert [a.seq if a else None for a in answers] == [1, None, 3]
    assert [a.seq for a in store.arrivals(None, 0)] == [1, 3]
    assert store.query("SELECT time_s FROM item WHERE seq = 2") == [(None,)]


def test_the_running_time_goes_back_with_the_clock_only(store: Store) -> None:
    store.add([delivery(0, received_s=T + 100), delivery(1, received_s=T + 50)])
    store.tell(Fed(time_s=T, jar="rye"), T + 20)
    store.add([delivery(2, received_s=T + 101)])
    store.tell(ClockSet(time_s=T - 3500, offset_s=-3601), T - 3500)
    store.add([delivery(3, received_s=T - 3490)])
    expected = [T + 100, T + 100, T + 100, T + 101, T - 3500, T - 3490]
    assert [a.received_s for a in store.arrivals(None, 0)] == expected


@pytest.mark.parametrize(
    "bad",
    [
        delivery(0, reading=Reading(time_s=T, jar="rye", distance_mm=1e7)),
        delivery(0, reading=Reading(time_s=T, jar="rye", temperature_c=float("inf"))),
        delivery(0, reading=Reading(time_s=1e15, jar="rye")),
        delivery(0, reading=Reading(time_s=T, jar="", distance_mm=1)),
        delivery(0, reading=Reading(time_s=T, jar="\ud800", distance_mm=1)),
        delivery(0, boot="a", seq=1 << 63),
        delivery(0, boot="\ud800", seq=1),
    ],
)
def test_the_last_gate_counts_what_cannot_be_and_keeps_the_rest(store: Store, bad: Delivery) -> None:
    answers = store.add([delivery(1), bad, delivery(2)])
    assert [a.seq if a else None for a in answers] == [1, None, 2]
    ((day, source, reason, count, *_),) = store.rejected_counts()
    assert (day, source, reason, count) == ("2026-03-02", "mqtt", "beyond what a sensor can give", 1)


def test_rejects_are_counted_by_day_source_and_reason(store: Store) -> None:
    for n in range(3):
        store.add(
            [], [Rejected(source="serial", received_s=T + n * 86_400, reason="no JSON", detail=f"x{n}\ud800" * 200)]
        )
    store.add([], [Rejected(source="serial", received_s=T, reason="no JSON", jar="rye")] * 5)
    assert [(row[0], row[3]) for row in store.rejected_counts()] == [
        ("2026-03-04", 1),
        ("2026-03-03", 1),
        ("2026-03-02", 6),
    ]
    assert len(store.rejected_counts("2026-03-04")) == 1


@settings(deadline=None, max_examples=30)
@given(
    sent=st.lists(
        st.tuples(st.integers(0, 12), st.sampled_from(["rye", "wheat"]), st.sampled_from(["a", None])), max_size=40
    ),
    cuts=st.lists(st.integers(0, 40), max_size=5),
)
def test_batches_and_restarts_change_nothing(
    tmp_path_factory: pytest.TempPathFactory, sent: list, cuts: list[int]
) -> None:
    """What is stored does not depend on how it was grouped, nor on closing and opening in between."""
    things = [delivery(n, jar, boot=boot, seq=n if boot else None, received_s=T) for n, jar, boot in sent]
    expected, seen = [], set()
    for n, jar, boot in sent:
        if (n, jar, boot) not in seen:
            seen.add((n, jar, boot))
            expected.append((n, jar))
    path = tmp_path_factory.mktemp("store") / "jartide.db"
    edges = sorted({0, len(things), *(min(cut, len(things)) for cut in cuts)})
    for begin, end in pairwise(edges):
        with Store.open(path) as store:
            store.add(things[begin:end])
    with Store.open(path) as store:
        found = list(store.arrivals(None, 0))
    assert [((a.item.time_s - T) / 10, a.item.jar) for a in found if isinstance(a.item, Reading)] == expected
    assert [a.seq for a in found] == list(range(1, len(expected) + 1))


# --- runs and decisions ---------------------------------------------------------------------------------------------


def test_a_run_goes_on_until_the_set_up_changes_or_it_is_asked(store: Store) -> None:
    first = store.ensure_run(RYE, T)
    store.add([delivery(0)])
    assert store.ensure_run(RYE, T + 5) == first
    second = store.ensure_run(JarSettings(name="rye", empty_mm=181.0), T + 10)
    third = store.ensure_run(
        JarSettings(
            name="rye", empty_mm=181.0, geometry=Tapered(bottom_diameter_mm=70, top_diameter_mm=90, height_mm=140)
        ),
        T + 20,
    )
    store.tell(Noted(time_s=T + 30, jar="rye", what=Noting.NEW_RUN), T + 30)
    runs = store.runs()
    assert [run.reason for run in runs] == [
        "first start", "the empty distance was changed", "the jar's shape was changed", "asked for"
    ]  # fmt: skip
    assert [run.ended_s for run in runs] == [T + 10, T + 20, T + 30, None]
    assert [second.first_seq, third.first_seq, runs[3].first_seq] == [2, 2, 2]
    assert runs[3].geometry == third.geometry
    assert runs[3].empty_mm == 181


@pytest.mark.parametrize(
    "geometry",
    [
        Straight(),
        Straight(diameter_mm=85),
        Straight(diameter_mm=85.1),
        VolumeTable(points=((40.0, 200.0), (80.5, 420.25))),
    ],
)
def test_the_same_shape_is_no_new_run(store: Store, geometry: Any) -> None:
    jar = JarSettings(name="rye", geometry=geometry)
    assert store.ensure_run(jar, T) == store.ensure_run(jar, T + 1)
    assert store.runs()[0].geometry == geometry


def test_a_jars_carries_come_back_as_they_were_the_last_first(store: Store) -> None:
    assert list(store.carries("rye", 9)) == []
    store.ensure_run(RYE, T)
    store.add([delivery(n) for n in range(5)])
    carry = {"noise": 0.1, "exact": 0.1 + 0.2, "none": None, "list": [1, [2.5]]}
    store.save_carry("rye", 3, T + 20, carry)
    store.save_carry("rye", 4, T + 30, {"later": True})
    assert [(seq, json.loads(body)) for seq, body in store.carries("rye", 9)] == [(4, {"later": True}), (3, carry)]
    assert [seq for seq, _ in store.carries("rye", 3)] == [3]
    assert list(store.carries("oat", 9)) == []


def test_an_item_lies_in_the_run_that_began_last_before_it(store: Store) -> None:
    first = store.ensure_run(RYE, T)
    store.add([delivery(n) for n in range(5)])
    second = store.begin_run(RYE, "asked for", T + 60)
    assert [run.id for run in store.live_runs("rye")] == [first.id, second.id]
    assert [run and run.id for run in (store.run_of("rye", 5), store.run_of("rye", 6))] == [first.id, second.id]
    assert store.run_of("rye", 0) is None
    store.add_events("rye", 5, [event(0)], run_from=first.first_seq)
    store.put_cycle(Cycle(jar="rye", number=1, fed_at_s=T), run_from=first.first_seq)
    store.add_events("rye", 6, [event(10)])
    assert [len(store.events(run.id)) for run in (first, second)] == [1, 1]
    assert [len(store.cycles(run.id)) for run in (first, second)] == [1, 0]


def test_old_carries_go_but_the_one_before_the_week_stays(store: Store) -> None:
    store.ensure_run(RYE, T)
    store.add([delivery(n) for n in range(30)])
    for day in range(1, 21):
        store.save_carry("rye", day, T + day * 86_400, {"day": day})
    kept = [seq for (seq,) in store.query("SELECT seq FROM carry ORDER BY seq")]
    assert kept == list(range(13, 21))


def test_deciding_again_adds_nothing(store: Store) -> None:
    run = store.ensure_run(RYE, T)
    assert store.add_events("rye", 1, [event(0), event(10)]) == 2
    assert store.add_events("rye", 1, [event(0), event(10), event(20), event(20, EventKind.PEAK_REACHED)]) == 2
    assert store.events(run.id) == [event(0), event(10), event(20), event(20, EventKind.PEAK_REACHED)]
    assert store.events(run.id, after_s=T + 71) == [event(20), event(20, EventKind.PEAK_REACHED)]
    assert store.events_after(3, 10) == [(4, event(20, EventKind.PEAK_REACHED))]


def test_a_cycle_is_replaced_by_what_is_known_now(store: Store) -> None:
    run = store.ensure_run(RYE, T)
    open_ = Cycle(jar="rye", number=1, fed_at_s=T, told=True, starter_g=25.0, temperatures_c=(24.0, None))
    closed = Cycle(jar="rye", number=1, fed_at_s=T, peak_ratio=2.3, peak_at_s=T + 1, ended_at_s=T + 9, flour="rye")
    store.put_cycle(open_)
    assert store.cycles(run.id) == [open_]
    store.put_cycle(closed)
    store.put_cycle(Cycle(jar="rye", number=2, fed_at_s=T + 9))
    assert [cycle.number for cycle in store.cycles(run.id)] == [1, 2]
    assert store.cycles(run.id)[0] == closed


def test_meta_is_kept(store: Store) -> None:
    assert store.meta("token") is None
    store.set_meta("token", "a")
    store.set_meta("token", "b")
    with Store.join(store.path) as other:
        assert other.meta("token") == "b"


# --- notices --------------------------------------------------------------------------------------------------------


def test_one_cause_is_one_notice(store: Store) -> None:
    store.ensure_run(RYE, T)
    assert outbox.put(store, [notice(), notice(repeat=1), notice(kind="at_peak")], T) == 3
    assert outbox.put(store, [notice(title="Other words")], T + 60) == 0
    store.begin_run(RYE, "asked for", T + 100)  # cycles count from one again in a new run
    assert outbox.put(store, [notice()], T + 120) == 1
    ids = [kept.message_id for kept in outbox.latest(store)]
    assert ids == ["rye.2.1.feed_now.0", "rye.1.1.at_peak.0", "rye.1.1.feed_now.1", "rye.1.1.feed_now.0"]
    assert [kept.notice for kept in outbox.of_jar(store, "rye", cycle=1)] == [notice()]


def test_what_is_due_and_what_becomes_of_it(store: Store) -> None:
    store.ensure_run(RYE, T)
    outbox.put(store, [notice(), notice(cycle=2, urgent=True), notice(cycle=3, due_s=T + 100)], T)
    assert [kept.notice.cycle for kept in outbox.due(store, T)] == [2, 1]
    assert [kept.notice.cycle for kept in outbox.due(store, T + 100)] == [2, 1, 3]
    outbox.sent(store, outbox.due(store, T)[0].id, T + 32)
    assert [kept.notice.cycle for kept in outbox.due(store, T + 40)] == [1]
    assert outbox.supersede(store, "rye", T + 33, kinds=["at_peak"]) == 0
    assert outbox.supersede(store, "rye", T + 33) == 2
    assert outbox.due(store, T + 100) == []
    states = [(kept.state, kept.changed_s) for kept in outbox.of_jar(store, "rye")]
    assert states == [(State.SUPERSEDED, T + 33), (State.SENT, T + 32), (State.SUPERSEDED, T + 33)]


def test_a_notice_past_its_use_expires(store: Store) -> None:
    outbox.put(store, [notice(), notice(cycle=2)], T)
    outbox.sent(store, 2, T)
    assert outbox.due(store, T + 3600) == []
    assert outbox.expire(store, T + 3600) == 1
    assert [kept.state for kept in outbox.latest(store)] == [State.SENT, State.EXPIRED]


# --- grouping commits -----------------------------------------------------------------------------------------------


def test_a_group_is_due_at_fifty_rows_ten_tokens_of_one_source_or_five_seconds(store: Store) -> None:
    group = Recorder(store, 0)
    assert not group.due(0.0)
    group.take(delivery(1000), 0.0)
    group.commit(0.0)  # the very first may be due at once, when the person who started it looks whether it works
    for n in range(9):
        group.take(delivery(n, token=n), 0.0)
        group.take(delivery(n, jar="wheat", source="other", token=n), 0.0)
    assert not group.due(4.9)
    assert group.due(5.0)
    group.take(Rejected(source="mqtt", received_s=T, reason="no JSON", token="r"), 0.0)
    assert group.due(0.0)
    done = group.commit(0.0)
    assert [a.seq for a in done.arrivals] == list(range(2, 20))
    assert done.tokens == {"mqtt": [*range(9), "r"], "other": list(range(9))}
    assert not group.due(100.0)
    for n in range(100, 150):
        assert not group.due(0.0)
        group.take(delivery(n, source="serial"), 0.0)
    assert group.due(0.0)
    assert group.commit(0.0).tokens == {}


def test_what_other_processes_tell_is_stepped_in_its_place(store: Store) -> None:
    group = Recorder(store, 0)
    with Store.join(store.path) as other:
        other.tell(Fed(time_s=T, jar="rye"), T)
        group.take(delivery(0), 0.0)
        assert [type(a.item) for a in group.commit(0.0).arrivals] == [Fed, Reading]
        other.tell(Fed(time_s=T + 1, jar="rye"), T)
        assert [a.seq for a in group.commit(1.0).arrivals] == [3]
        assert group.commit(2.0).arrivals == []
        group.take(delivery(1, timed=False, again=True), 3.0)
        assert group.commit(3.0).arrivals == []
        assert group.last_seq == store.last_seq() == 4


def full_disk(store: Store) -> None:
    pages = store.query("PRAGMA page_count")[0][0]
    store.query(f"PRAGMA max_page_count = {pages}")


def read_only(store: Store) -> None:
    store.query("PRAGMA query_only = 1")


def writable(store: Store) -> None:
    store.query("PRAGMA query_only = 0")
    store.query("PRAGMA max_page_count = 1073741823")


@pytest.mark.fault("D1")
@pytest.mark.fault("D2")
@pytest.mark.parametrize("break_", [full_disk, read_only])
def test_a_full_or_read_only_disk_is_waited_for(store: Store, break_: Callable[[Store], None]) -> None:
    group = Recorder(store, 0)
    break_(store)
    taken = 0
    while group.trouble is None:
        for _ in range(50):
            group.take(delivery(taken, token=taken), 0.0)
            taken += 1
        assert taken < 5000
        group.commit(0.0)
    assert ("full" in group.trouble) or ("cannot be written" in group.trouble)
    assert group.commit(1.0) == recorder.Committed()
    assert not group.due(recorder.RETRY_S - 0.1)
    assert group.due(1.0 + recorder.RETRY_S)
    stored = list(store.arrivals(None, 0))  # reading still works
    writable(store)
    done = group.commit(10.0)
    assert group.trouble is None
    assert [a.item.time_s for a in [*stored, *done.arrivals]] == [T + 10 * n for n in range(taken)]
    assert len(done.tokens["mqtt"]) == taken - len(stored)


@pytest.mark.fault("D1")
def test_memory_is_bounded_while_nothing_can_be_written(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(recorder, "KEPT_ROWS", 100)
    group = Recorder(store, 0)
    read_only(store)
    for n in range(150):
        group.take(delivery(n, token=n if n < 5 else None), 0.0)
    group.commit(0.0)
    writable(store)
    times = [(a.item.time_s - T) / 10 for a in group.commit(9.0).arrivals]
    assert times == [0, 1, 2, 3, 4, *range(55, 150)]  # a broker waits for the first five
    assert [row[1:4] for row in store.rejected_counts()] == [("mqtt", "lost while the store could not be written", 50)]


@pytest.mark.fault("D9")
def test_another_program_that_keeps_the_lock_is_waited_for(store: Store) -> None:
    group = Recorder(store, 0)
    store.query("PRAGMA busy_timeout = 10")
    outside = sqlite3.connect(store.path, isolation_level=None)
    outside.execute("BEGIN IMMEDIATE")
    group.take(delivery(0), 0.0)
    assert group.commit(0.0).arrivals == []
    assert "locked" in str(group.trouble)
    outside.execute("ROLLBACK")
    assert len(group.commit(9.0).arrivals) == 1
    outside.execute("BEGIN")
    outside.execute("SELECT count(*) FROM item").fetchone()
    group.take(delivery(1), 0.0)
    assert len(group.commit(9.0).arrivals) == 1  # a reader, such as a backup tool, holds up nothing
    outside.close()


# --- every call may fail --------------------------------------------------------------------------------------------


class FailsAt:
    """The store's connection, whose n-th call fails as a broken disk does."""

    def __init__(self, db: sqlite3.Connection, n: int) -> None:
        self.db = db
        self.left = n

    def execute(self, *args: Any) -> sqlite3.Cursor:
        self.left -= 1
        if self.left == 0:
            error = sqlite3.OperationalError("disk I/O error")
            error.sqlite_errorcode = sqlite3.SQLITE_IOERR
            raise error
        return self.db.execute(*args)

    def __getattr__(self, name: str) -> Any:
        return getattr(self.db, name)


def scenario(store: Store) -> None:
    store.ensure_run(RYE, T)
    store.add([delivery(n) for n in range(3)], [Rejected(source="mqtt", received_s=T, reason="no JSON")])
    with store.writing():
        store.add_events("rye", 3, [event(0), event(1)])
        outbox.put(store, [notice(), notice(repeat=1)], T)
        store.put_cycle(Cycle(jar="rye", number=1, fed_at_s=T))
        store.save_carry("rye", 3, T, {"n": 3})


def content(store: Store) -> dict[str, list[Any]]:
    return {table: store.query(f"SELECT * FROM {table}") for table in sorted(schema.tables() - {"rejected"})}


@pytest.mark.fault("D14")
def test_a_failure_of_any_call_leaves_all_or_nothing_and_is_got_over(tmp_path: Path) -> None:
    with Store.open(tmp_path / "whole.db") as whole:
        scenario(whole)
        expected = content(whole)
    n = 0
    while True:
        n += 1
        with Store.open(tmp_path / f"{n}.db") as store:
            real = store._db
            store._db = FailsAt(real, n)  # type: ignore[assignment]
            failed = False
            try:
                scenario(store)
            except StoreTrouble as trouble:
                failed = not trouble.lasting
                if not failed:
                    raise
            store._db = real
            found = content(store)
            assert found["item"] in ([], expected["item"])
            decided = ("event", "notice", "cycle", "carry")
            assert [found[t] for t in decided] in ([[]] * 4, [expected[t] for t in decided])
            scenario(store)  # as after a restart: everything again
            assert content(store) == expected
        if not failed:
            break
    assert n > 25


# --- kills and cut power --------------------------------------------------------------------------------------------


def write_for_ever(path: Path, n: int, say: int) -> None:
    """What the killed process does: commit a batch, then acknowledge it by saying how many rows there are."""
    store = Store.open(path)
    while True:
        size = 1 + n * 7919 % 23
        assert None not in store.add([delivery(k, boot="a", seq=k) for k in range(n, n + size)])
        n += size
        os.write(say, b"%d\n" % n)


@pytest.mark.fault("D4")
def test_nothing_acknowledged_is_lost_by_kill_9(tmp_path: Path) -> None:
    chance = random.Random(1)
    path = tmp_path / "jartide.db"
    acknowledged = 0
    for _ in range(20):
        heard, say = os.pipe()
        writer = os.fork()
        if writer == 0:
            try:
                write_for_ever(path, acknowledged, say)
            finally:
                os._exit(1)
        os.close(say)
        with open(heard, "rb") as lines:
            for _ in range(chance.randrange(1, 30)):
                acknowledged = int(lines.readline())
            os.kill(writer, signal.SIGKILL)
            os.waitpid(writer, 0)
            for line in lines:  # what it still said before it died
                acknowledged = int(line)
        with Store.open(path) as store:
            assert store.set_aside is None
            seqs = [n for (n,) in store.query("SELECT device_seq FROM item ORDER BY seq")]
            assert seqs == list(range(len(seqs)))
            assert len(seqs) >= acknowledged
            acknowledged = len(seqs)  # a commit that was not yet spoken of counts too
    assert acknowledged > 500


@pytest.mark.fault("D5")
def test_cut_power_leaves_a_whole_prefix(tmp_path: Path) -> None:
    """A log that ends anywhere, or whose end holds rubbish, gives the commits before that place and no part of one."""
    chance = random.Random(2)
    with Store.open(tmp_path / "jartide.db") as store:
        store.ensure_run(RYE, T)
        for n in range(40):
            with store.writing():
                store.add([delivery(10 * n + k) for k in range(10)])
                store.add_events("rye", 10 * n + 10, [event(n)])
        db = (tmp_path / "jartide.db").read_bytes()
        wal = (tmp_path / "jartide.db-wal").read_bytes()
    counts = set()
    for n in range(40):
        place = tmp_path / f"cut{n}"
        place.mkdir()
        length = chance.randrange(len(wal) // 4, len(wal))
        (place / "jartide.db").write_bytes(db)
        (place / "jartide.db-wal").write_bytes(wal[:length] + (b"" if n % 2 else chance.randbytes(5000)))
        with Store.open(place / "jartide.db") as store:
            if store.set_aside is not None:
                continue  # cut before the tables were there
            items = len(list(store.arrivals(None, 0)))
            assert items % 10 == 0
            assert store.query("SELECT count(*) FROM event") == [(items // 10,)]
            counts.add(items)
            assert store.add([delivery(1000)])[0] is not None
    assert len(counts) > 10


TELLER = """
import sys
from monitor.runs.store import Store
from monitor.values import Fed
store = Store.join(sys.argv[1])
for n in range(50):
    store.tell(Fed(time_s=1e9 + n, jar="rye"), 1e9 + n)
"""


def test_a_teller_and_the_daemon_write_at_the_same_time(store: Store) -> None:
    group = Recorder(store, 0)
    root = Path(__file__).parents[2]
    tellers = [subprocess.Popen([sys.executable, "-c", TELLER, str(store.path)], cwd=root) for _ in range(2)]
    arrivals: list[Arrival] = []
    sent = 0

    def work() -> bool:
        nonlocal sent
        running = any(teller.poll() is None for teller in tellers)
        for _ in range(7):
            group.take(delivery(sent), 0.0)
            sent += 1
        arrivals.extend(group.commit(0.0).arrivals)
        assert group.trouble is None
        return not running

    wait_until(work, "the end of the tellers", within_s=30)
    assert [teller.returncode for teller in tellers] == [0, 0]
    assert [a.seq for a in arrivals] == list(range(1, sent + 101))
    assert sum(isinstance(a.item, Fed) for a in arrivals) == 100
    assert arrivals == list(store.arrivals(None, 0))


# --- damage, versions, other people's files -------------------------------------------------------------------------


def filled(path: Path) -> bytes:
    with Store.open(path) as store:
        store.ensure_run(RYE, T)
        for n in range(20):
            store.add([delivery(100 * n + k) for k in range(100)])
    return path.read_bytes()


DAMAGE: dict[str, Callable[[bytes], bytes]] = {
    "header zeroed": lambda b: bytes(100) + b[100:],
    "pages in the middle overwritten": lambda b: b[: len(b) // 2] + b"\xa5" * 8192 + b[len(b) // 2 + 8192 :],
    "truncated": lambda b: b[: len(b) // 3 + 17],
    "empty": lambda b: b"",
    "all NUL": lambda b: bytes(len(b)),
    "tables gone": lambda b: b,
}


@pytest.mark.fault("D3")
@pytest.mark.parametrize("kind", DAMAGE)
def test_a_damaged_file_is_set_aside_and_said(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "jartide.db"
    damaged = DAMAGE[kind](filled(path))
    path.write_bytes(damaged)
    if kind == "tables gone":
        with sqlite3.connect(path) as db:
            db.execute("DROP TABLE cycle")
        db.close()
        damaged = path.read_bytes()
    with pytest.raises(StoreTrouble):  # beside the daemon nothing is moved; a small overwritten page may not show
        Store.join(path).query("SELECT count(distance_mm), max(body) FROM item, cycle")
    with Store.open(path, now_s=T) as store:
        assert store.damage
        assert store.set_aside == tmp_path / "jartide.db.corrupt-20260302T060000Z"
        assert store.set_aside.read_bytes() == damaged
        assert store.last_seq() == 0
        assert store.add([delivery(0)])[0] is not None
    with Store.open(path, now_s=T) as store:
        assert store.set_aside is None
        assert store.last_seq() == 1


def test_two_damages_in_one_second_are_both_kept(tmp_path: Path) -> None:
    path = tmp_path / "jartide.db"
    for content in (b"first", b"second"):
        path.write_bytes(content)
        Store.open(path, now_s=T).close()
    aside = sorted(tmp_path.glob("*.corrupt-*"))
    assert [p.read_bytes() for p in aside] == [b"first", b"second"]


def test_a_sound_file_after_a_kill_is_not_set_aside(tmp_path: Path) -> None:
    path = tmp_path / "jartide.db"
    with Store.open(path) as store:
        store.add([delivery(0)])
        killed = tmp_path / "killed"
        killed.mkdir()
        for file in tmp_path.glob("jartide.db*"):
            shutil.copy(file, killed / file.name)
    with Store.open(killed / "jartide.db") as store:
        assert store.set_aside is None
        assert store.last_seq() == 1


@pytest.mark.fault("D6")
def test_a_newer_version_is_refused_untouched(tmp_path: Path) -> None:
    path = tmp_path / "jartide.db"
    filled(path)
    with sqlite3.connect(path) as db:
        db.execute(f"PRAGMA user_version = {len(schema.MIGRATIONS) + 1}")
    db.close()
    before = {p.name: p.read_bytes() for p in tmp_path.iterdir()}
    for opening in (Store.open, Store.join):
        with pytest.raises(StoreTrouble, match="install the newer program") as error:
            opening(path)
        assert error.value.lasting
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == before


@pytest.mark.fault("D12")
def test_the_database_of_another_program_is_refused_untouched(tmp_path: Path) -> None:
    path = tmp_path / "other.db"
    with sqlite3.connect(path) as db:
        db.execute("CREATE TABLE precious (x)")
    db.close()
    before = path.read_bytes()
    with pytest.raises(StoreTrouble, match="another program"):
        Store.open(path)
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["other.db"]


def test_what_is_missing_is_said(tmp_path: Path) -> None:
    with pytest.raises(StoreTrouble, match="there is no directory"):
        Store.open(tmp_path / "no" / "jartide.db")
    with pytest.raises(StoreTrouble, match="there is no store yet"):
        Store.join(tmp_path / "jartide.db")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("name", ["open", "rename"])
def test_a_folder_that_may_not_be_written_is_one_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    path = tmp_path / "jartide.db"
    if name == "rename":
        path.write_bytes(b"damaged")

    def refuse(*_: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(os, name, refuse)  # tests often run as root, whom no mode keeps out
    with pytest.raises(StoreTrouble, match=r"Permission denied; may this user write there\?"):
        Store.open(path)


@pytest.mark.fault("C6")
@pytest.mark.parametrize("umask", [0o022, 0o077, 0o007, 0o000])
@pytest.mark.parametrize(
    ("folder", "mode"),
    [(0o755, 0o600), (0o770, 0o600), (0o2755, 0o600), (0o2770, 0o660)],
    ids=lambda value: f"{value:o}",
)
def test_the_files_are_nobody_elses(tmp_path: Path, umask: int, folder: int, mode: int) -> None:
    """0600 whatever the umask; the group's as well only where the folder is setgid and writable by it."""
    place = tmp_path / "place"
    place.mkdir()
    place.chmod(folder)
    before = os.umask(umask)
    try:
        with StoreLock(place / "jartide.db"), Store.open(place / "jartide.db") as store:
            store.add([delivery(0)])
            assert len(list(place.iterdir())) == 4
            assert {p.stat().st_mode & 0o777 for p in place.iterdir()} == {mode}
            store.backup(place / "copy.db")
            assert (place / "copy.db").stat().st_mode & 0o777 == 0o600
    finally:
        os.umask(before)


NEXT = ("ALTER TABLE meta ADD COLUMN note TEXT", "CREATE TABLE extra (x) STRICT")


def test_an_older_file_is_copied_and_brought_up_to_date(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "jartide.db"
    filled(path)
    monkeypatch.setattr(schema, "MIGRATIONS", (*schema.MIGRATIONS, ("CREATE TABLE extra (x INTEGER) STRICT",)))
    now = len(schema.MIGRATIONS)
    with pytest.raises(StoreTrouble, match=f"version {now - 1}"):
        Store.join(path)
    with Store.open(path) as store:
        assert store.query("PRAGMA user_version") == [(now,)]
        assert store.last_seq() == 2000
        assert store.query("SELECT * FROM extra") == []
    copy = sqlite3.connect(tmp_path / f"jartide.db.before-v{now}")
    assert copy.execute("PRAGMA user_version").fetchone() == (now - 1,)
    assert copy.execute("SELECT count(*) FROM item").fetchone() == (2000,)
    copy.close()


@pytest.mark.fault("D7")
@pytest.mark.parametrize("step", [("CREATE TABLE extra (x INTEGER) STRICT", "INSERT INTO nowhere VALUES (1)"), NEXT])
def test_a_migration_that_fails_in_the_middle_leaves_the_file_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: tuple[str, ...]
) -> None:
    path = tmp_path / "jartide.db"
    filled(path)
    with monkeypatch.context() as newer:
        newer.setattr(schema, "MIGRATIONS", (*schema.MIGRATIONS, step))
        with pytest.raises(StoreTrouble, match="as it was before"):
            Store.open(path)
    with Store.open(path) as store:
        assert store.set_aside is None
        assert store.last_seq() == 2000
        assert store.query("SELECT name FROM sqlite_schema WHERE name = 'extra'") == []
    assert (tmp_path / f"jartide.db.before-v{len(schema.MIGRATIONS) + 1}").exists()


def test_a_file_of_the_first_version_is_brought_up_to_date(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "jartide.db"
    with monkeypatch.context() as older:
        older.setattr(schema, "MIGRATIONS", schema.MIGRATIONS[:1])
        filled(path)
        with Store.open(path) as store:
            store.tell(Fed(time_s=T, jar="rye", flour_g=100), T)
            tellings.take_back(store, "rye", T)
            before = list(store.arrivals(None, 0))
    with Store.open(path) as store:
        assert list(store.arrivals(None, 0)) == before
        assert tellings.last(store, "rye") is None
    with Store.open(tmp_path / "new.db") as new, Store.open(path) as store:
        made = "SELECT type, name, sql FROM sqlite_schema ORDER BY name"
        assert store.query(made) == new.query(made)


def test_what_was_told_of_one_moment_comes_as_it_was_told(store: Store) -> None:
    kinds = [Noting.SMELL, Noting.BAKED, Noting.HOOCH, Noting.REMARK, Noting.FLOAT_TEST]
    for what in kinds:
        store.tell(Noted(time_s=T, jar="rye", what=what), T)
    assert [one.what for one in store.told("rye") if isinstance(one, Noted)] == kinds


def test_what_was_told_is_found_by_its_index_however_many_readings_there_are(store: Store) -> None:
    store.ensure_run(RYE, T)
    asked: list[tuple[str, Sequence[object]]] = []
    query = store.query

    def listening(sql: str, values: Sequence[object] = ()) -> list[Any]:
        asked.append((sql, values))
        return query(sql, values)

    store.query = listening  # type: ignore[method-assign]
    for ask in (tellings.last, tellings.last_feeding, Store.told, Store.taken_back):
        ask(store, "rye")
    store.taken_back()
    tellings.since(store, T)
    assert len(asked) >= 6
    for sql, values in asked:
        plan = [row[3] for row in query(f"EXPLAIN QUERY PLAN {sql}", values)]
        of_items = [step for step in plan if " item " in f"{step} " and "CORRELATED" not in step]
        assert of_items, plan
        assert all("INDEX told_items" in step or "INDEX taken_back" in step for step in of_items), plan


def test_a_backup_is_whole_while_others_write(store: Store, tmp_path: Path) -> None:
    store.add([delivery(n) for n in range(500)])
    with Store.join(store.path) as other:
        other.backup(tmp_path / "copy.db")
        store.add([delivery(n) for n in range(500, 600)])
    with Store.open(tmp_path / "copy.db") as copy:
        assert copy.set_aside is None
        assert list(copy.arrivals(None, 0)) == list(store.arrivals(None, 0))[:500]
    with pytest.raises(StoreTrouble, match="could not be written"):
        store.backup(tmp_path / "no" / "copy.db")


@pytest.mark.fault("D13")
def test_an_interrupted_backup_leaves_no_file_of_that_name(store: Store, tmp_path: Path) -> None:
    (tmp_path / "copy.db.part").write_bytes(b"left over")
    store.backup(tmp_path / "copy.db")
    assert not (tmp_path / "copy.db.part").exists()
    assert not store_file._damage(tmp_path / "copy.db")


# --- thinning -------------------------------------------------------------------------------------------------------


def test_thinning_keeps_means_extremes_told_items_and_all_after_the_carry(store: Store) -> None:
    store.ensure_run(RYE, T)
    chance = random.Random(3)
    readings = [
        Reading(time_s=T + 10 * n, jar="rye", distance_mm=100 + chance.gauss(0, 1), temperature_c=20 + n / 1000)
        for n in range(3000)
    ]
    store.add(
        [
            Delivery(source="x", received_s=r.time_s, reading=r, timed=True, boot="a", seq=n)
            for n, r in enumerate(readings)
        ]
    )
    fed = store.tell(Fed(time_s=T + 5, jar="rye", starter_g=25), T + 30_001)
    assert retention.thin(store, T + 1e9) == 0  # no carry: nothing is known to be safe
    store.save_carry("rye", 2400, T + 24_000, {})
    gone = retention.thin(store, T + 18_000)
    left = list(store.arrivals(None, 0))
    assert gone == 3001 - len(left)
    assert [a for a in left if a.seq > 1800] == [
        *(Arrival(seq=n + 1, received_s=readings[n].time_s, item=readings[n]) for n in range(1800, 3000)),
        Arrival(seq=fed, received_s=T + 30_001, item=Fed(time_s=T + 5, jar="rye", starter_g=25)),
    ]
    for bucket in range(1800 // 30):
        raw = readings[30 * bucket : 30 * bucket + 30]
        distances = [r.distance_mm for r in raw if r.distance_mm is not None]
        thinned = [
            a.item for a in left if raw[0].time_s <= a.item.time_s <= raw[-1].time_s and isinstance(a.item, Reading)
        ]
        assert len(thinned) == 3
        found = sorted(r.distance_mm for r in thinned if r.distance_mm is not None)
        assert (found[0], found[2]) == (min(distances), max(distances))
        assert found[1] == pytest.approx((sum(distances) - found[0] - found[2]) / 28)
    assert retention.thin(store, T + 18_000) == 0  # again changes nothing
    assert list(store.arrivals(None, 0)) == left
    assert retention.thin(store, T + 1e9) > 0
    assert min(a.seq for a in store.arrivals(None, 2399)) == 2400
    assert store.last_seq() == 3001


def test_thinning_leaves_the_shape_of_slow_recordings(store: Store) -> None:
    store.ensure_run(RYE, T)
    store.add([delivery(n * 30) for n in range(100)])  # one every five minutes
    store.save_carry("rye", 100, T, {})
    assert retention.thin(store, T + 1e9) == 0


def test_the_daemon_thins_by_the_time_of_its_readings(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(thinner, "FIRST_S", 0.0)
    store.ensure_run(RYE, T)
    store.add([delivery(n) for n in range(3 * 8640)])  # three days
    store.save_carry("rye", 3 * 8640, T, {})
    sink = thinner.Thinner(store.path, after_days=1)
    sink.start()
    gone = 27 * (2 * 288 - 1)  # of each 30; the last of the five minutes that the day's line cuts through stay
    wait_until(lambda: store.query("SELECT count(*) FROM item") <= [(3 * 8640 - gone,)], "the thinning")
    sink.stop()
    assert sink.trouble() is None
    day_ago_s = T + 3 * 86_400 - 10 - 86_400
    times = [a.item.time_s for a in store.arrivals("rye", 0) if isinstance(a.item, Reading)]
    assert sum(time_s >= day_ago_s for time_s in times) == 8641
    assert sum(time_s < day_ago_s for time_s in times) < 2 * 8640 / 9


def test_thinning_that_fails_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(thinner, "FIRST_S", 0.0)
    sink = thinner.Thinner(tmp_path / "no.db", after_days=1)
    sink.start()
    wait_until(lambda: "no store yet" in str(sink.trouble()), "a word about it")
    sink.stop()


def test_the_store_is_one_file_after_a_clean_stop(tmp_path: Path) -> None:
    with Store.open(tmp_path / "jartide.db") as store:
        store.add([delivery(0)])
    assert os.listdir(tmp_path) == ["jartide.db"]
