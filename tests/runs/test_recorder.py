"""Grouped commits: when a group is due, and what happens while nothing can be written."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable

import pytest

from monitor.runs.store import Store
from monitor.sinks import recorder
from monitor.sinks.recorder import Recorder
from monitor.values import (
    Fed,
    Reading,
    Rejected,
)
from tests.runs.stored import T, delivery


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
    assert [row[1:4] for row in store.rejected_counts()] == [("mqtt", "lost", 50)]


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
