"""The store: items in order of arrival, runs and what was decided, notices, grouped commits."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.runs import reported
from monitor.runs.run_log import RunReason
from monitor.runs.store import Store
from monitor.settings import JarSettings
from monitor.values import (
    Arrival,
    ClockSet,
    Cycle,
    Delivery,
    EventKind,
    Fed,
    Feeding,
    Noted,
    Noting,
    Reading,
    Rejected,
    Straight,
    Tapered,
    VolumeTable,
    of_grams,
)
from tests.runs.stored import RYE, T, delivery, event


def test_items_come_back_as_they_were_in_order_of_arrival(store: Store) -> None:
    full = Reading(time_s=T, jar="rye", echo_us=900.5, temperature_c=0.0, air_c=-1.5, humidity_pct=80)
    (first,) = store.add([Delivery(source="mqtt", received_s=T + 1, reading=full, boot="a", seq=0)])
    assert first == Arrival(seq=1, received_s=T + 1, item=full)
    told = [
        Fed(time_s=T - 3600, jar="rye", feeding=of_grams((25, 100.5, None), "rye; “1150”")),
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
    assert (day, source, reason, count) == ("2026-03-02", "mqtt", "beyond_a_sensor", 1)


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
    assert [run.reason.words for run in runs] == [
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
    second = store.begin_run(RYE, RunReason.ASKED_FOR, T + 60)
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
    open_ = Cycle(
        jar="rye", number=1, fed_at_s=T, told=True, feeding=Feeding(starter_g=25.0), temperatures_c=(24.0, None)
    )
    closed = Cycle(
        jar="rye", number=1, fed_at_s=T, peak_ratio=2.3, peak_at_s=T + 1, ended_at_s=T + 9, feeding=Feeding(flour="rye")
    )
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

    store.query = store.database.query = listening  # type: ignore[method-assign]
    for ask in (reported.last, reported.last_feeding):
        ask(store, "rye")
    store.told("rye")
    store.mistakes("rye")
    store.mistakes()
    reported.since(store, T)
    assert len(asked) >= 6
    for sql, values in asked:
        plan = [row[3] for row in query(f"EXPLAIN QUERY PLAN {sql}", values)]
        of_items = [step for step in plan if " item " in f"{step} " and "CORRELATED" not in step]
        assert of_items, plan
        assert all("INDEX told_items" in step or "INDEX taken_back" in step for step in of_items), plan
