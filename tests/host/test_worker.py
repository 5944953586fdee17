"""The one thread that all best-effort sinks work in."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import pytest

from monitor.host.worker import Worker

LONG_S = 60.0  # never waited for, unless something is wrong


@contextmanager
def at_work(
    turn: Callable[[int], float | None], **options: object
) -> Iterator[tuple[Worker, queue.Queue[tuple[int, str]]]]:
    """A worker whose turns are numbered, and each turn's number and thread."""
    turns: queue.Queue[tuple[int, str]] = queue.Queue()
    count = iter(range(1_000_000))

    def numbered() -> float | None:
        number = next(count)
        turns.put((number, threading.current_thread().name))
        return turn(number)

    worker = Worker("some work", numbered, **options)  # type: ignore[arg-type]
    worker.start()
    try:
        yield worker, turns
    finally:
        worker.stop(LONG_S)


def test_it_works_in_a_thread_of_its_name_as_soon_as_it_may_or_is_woken() -> None:
    with at_work(lambda number: 0.0 if number < 2 else LONG_S) as (worker, turns):
        assert [turns.get(timeout=LONG_S) for _ in range(3)] == [(number, "some work") for number in range(3)]
        worker.wake()
        assert turns.get(timeout=LONG_S)[0] == 3


def test_what_wakes_it_during_a_turn_brings_another_one() -> None:
    inside, go_on = threading.Event(), threading.Event()

    def turn(number: int) -> float | None:
        if number == 0:
            inside.set()
            go_on.wait(LONG_S)
        return None

    with at_work(turn) as (worker, turns):
        assert inside.wait(LONG_S)
        worker.wake()
        go_on.set()
        assert [turns.get(timeout=LONG_S)[0] for _ in range(2)] == [0, 1]


def test_an_error_in_the_program_is_logged_and_it_goes_on(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr("monitor.host.worker.FAULT_S", 0.0)

    def turn(number: int) -> float | None:
        if number == 0:
            raise RuntimeError("a slip")
        return None

    with at_work(turn) as (_, turns):
        assert [turns.get(timeout=LONG_S)[0] for _ in range(2)] == [0, 1]
    assert "some work: an error in the program itself" in caplog.text
    assert "a slip" in caplog.text


def test_the_end_comes_at_once_out_of_any_waiting_and_once() -> None:
    ended: list[str] = []
    paused = threading.Event()

    def turn() -> float | None:
        paused.set()
        worker.pause(LONG_S)
        return None

    worker = Worker("some work", turn, ending=lambda: ended.append(threading.current_thread().name))
    worker.start()
    assert paused.wait(LONG_S)
    worker.stop(LONG_S)
    worker.stop(LONG_S)
    assert ended == ["some work"]
    never = Worker("never begun", lambda: None)
    never.stop(LONG_S)  # nothing to wait for
    late = Worker("late", lambda: pytest.fail("a turn before its time"), first_s=LONG_S)
    late.start()
    late.stop(LONG_S)
