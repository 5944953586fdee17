"""Notices in the store: one cause is one notice, and what becomes of it."""

from __future__ import annotations

from monitor.runs import outbox
from monitor.runs.outbox import State
from monitor.runs.run_log import RunReason
from monitor.runs.store import Store
from tests.runs.stored import RYE, T, notice


def test_one_cause_is_one_notice(store: Store) -> None:
    store.ensure_run(RYE, T)
    assert outbox.put(store, [notice(), notice(repeat=1), notice(kind="at_peak")], T) == 3
    assert outbox.put(store, [notice(title="Other words")], T + 60) == 0
    store.begin_run(RYE, RunReason.ASKED_FOR, T + 100)  # cycles count from one again in a new run
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
