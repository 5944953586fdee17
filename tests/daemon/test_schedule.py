"""Planned work under a stepping wall clock: nothing lost, nothing doubled, no storm. The clock of the whole process is
moved by time-machine, all threads included; the monotonic clock goes on as it does on a real machine."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from datetime import datetime

import pytest
import time_machine

from monitor.daemon.schedule import Schedule
from monitor.host.clock import Clock, ClockWatch

pytestmark = pytest.mark.dates

START = datetime.fromisoformat("2026-03-02T05:00:00+00:00").timestamp()
DAY = 86400.0


def until(condition: Callable[[], bool], seconds: float = 60.0) -> bool:
    """Wait for a condition, at most so long by the monotonic clock."""
    deadline = time.monotonic() + seconds
    while not condition():
        if time.monotonic() > deadline:
            return False
        threading.Event().wait(0.01)
    return True


@pytest.fixture
def clock() -> Iterator[time_machine.Traveller]:
    with time_machine.travel(START, tick=True) as traveller:
        yield traveller


@pytest.fixture
def schedule(clock: time_machine.Traveller) -> Iterator[Schedule]:
    made = Schedule()
    yield made
    made.stop()


def test_an_entry_runs_once_at_its_time_and_replaces_one_of_its_name(schedule: Schedule) -> None:
    ran: list[str] = []
    schedule.plan("a", START + 3600, lambda: ran.append("wrong"))
    schedule.plan("a", START + 0.2, lambda: ran.append("a"))
    schedule.plan("past", START - DAY, lambda: ran.append("past"))
    assert until(lambda: len(ran) == 2)
    assert sorted(ran) == ["a", "past"]


def test_an_entry_that_fails_takes_nothing_with_it(schedule: Schedule, caplog: pytest.LogCaptureFixture) -> None:
    ran: list[str] = []
    schedule.plan("bad", START, lambda: 1 // 0)
    schedule.plan("good", START + 0.1, lambda: ran.append("good"))
    assert until(lambda: bool(ran))
    assert "planned work 'bad' failed" in caplog.text


def test_an_entry_may_plan_itself_anew_at_once(schedule: Schedule) -> None:
    ran: list[float] = []

    def again() -> None:
        ran.append(time.time())
        if len(ran) < 20:
            schedule.plan("self", time.time(), again)

    schedule.plan("self", START, again)
    assert until(lambda: len(ran) == 20)


@pytest.mark.fault("T2")
@pytest.mark.parametrize("step_s", [DAY, 365 * DAY, 70 * 365 * DAY])
def test_a_step_forward_runs_each_entry_once_and_costs_nothing(
    schedule: Schedule, clock: time_machine.Traveller, step_s: float
) -> None:
    ran: list[float] = []

    def summary() -> None:
        ran.append(time.time())
        schedule.plan("summary", (time.time() // DAY + 1) * DAY, summary)

    def plan(*_: float) -> None:  # as whoever planned it does when the clock was set
        schedule.plan("summary", START + 2 * 3600, summary)

    plan()
    watch = ClockWatch(plan)
    clock.shift(step_s)
    assert watch.look() == pytest.approx(step_s, abs=1)
    cpu_s, wall_s = time.process_time(), time.monotonic()
    assert until(lambda: len(ran) == 1)
    assert until(lambda: time.monotonic() - wall_s > 1.5)
    share = (time.process_time() - cpu_s) / (time.monotonic() - wall_s)
    assert len(ran) == 1  # one summary, not one for every day in between
    assert share < 0.25  # a storm takes a whole processor; this leaves room for a busy test machine


@pytest.mark.fault("T3")
@pytest.mark.parametrize("step_s", [-120.0, -3600.0])
def test_a_step_back_neither_loses_nor_doubles(
    schedule: Schedule, clock: time_machine.Traveller, step_s: float
) -> None:
    ran: list[str] = []

    def plan(*_: float) -> None:
        if "later" not in ran:
            schedule.plan("later", START + 60, lambda: ran.append("later"))

    watch = ClockWatch(plan)
    schedule.plan("done", START, lambda: ran.append("done"))
    plan()
    assert until(lambda: ran == ["done"])
    clock.shift(step_s)
    assert watch.look() == pytest.approx(step_s, abs=1)
    clock.shift(59.7)  # a minute has passed since the start, but the new clock is not there yet
    watch.look()
    assert not until(lambda: len(ran) > 1, 0.5)
    clock.shift(-step_s)  # now it is due by the wall clock
    watch.look()
    assert until(lambda: ran == ["done", "later"])
    for offset_s in (-3600, 3600, -3600, 3600):
        clock.shift(offset_s)
        watch.look()
    assert not until(lambda: len(ran) > 2, 0.3)


def test_a_fast_clock_of_ones_own() -> None:
    began_s, ran = time.monotonic(), []

    def wall() -> float:
        return START + (time.monotonic() - began_s) * 3600

    fast = Schedule(wall, speed=3600)
    fast.plan("in an hour and a half", START + 5400, lambda: ran.append(wall()))
    fast.plan("in a thousand years", START + 1000 * 365 * DAY, lambda: ran.append(0.0))
    assert until(lambda: bool(ran))
    assert 5400 <= ran[0] - START < 5400 + 60 * 3600  # a minute of a busy machine's is sixty hours of this clock
    fast.stop()
    assert len(ran) == 1


def test_nothing_comes_before_its_time_while_a_clock_stands() -> None:
    """The demo's stands until its house is ready, a second before its first tick, and when its night is over. Who waits
    for it shows signs of life meanwhile: ten minutes after the night the page called the daemon hung."""
    now_s, ran, looks = START, [], []
    standing = Schedule(lambda: now_s, speed=2000)
    standing.plan("soon", START + 1.0, lambda: ran.append(now_s), still=lambda: looks.append(now_s))
    assert until(lambda: len(looks) > 3)
    assert not ran
    now_s = START + 1.0
    assert until(lambda: ran == [START + 1.0])
    standing.stop()


def test_after_stop_nothing_is_begun(schedule: Schedule) -> None:
    ran: list[str] = []
    schedule.plan("later", START + 2.0, lambda: ran.append("later"))
    schedule.stop()
    schedule.plan("after", START, lambda: ran.append("after"))
    assert not until(lambda: bool(ran), 2.5)


def test_the_watch_tells_steps_from_drift() -> None:
    wall, monotonic, told = [START], [100.0], []
    watch = ClockWatch(
        lambda offset_s, now_s: told.append((offset_s, now_s)),
        Clock(wall=lambda: wall[0], monotonic=lambda: monotonic[0]),
    )
    for _ in range(3600):  # an hour of slewing at the most that network time does, 500 ppm
        wall[0] += 1.0005
        monotonic[0] += 1.0
        assert watch.look() is None
    assert told == []
    for step_s in (DAY, -120.0, -3600.0, 5.5, -5.5):
        wall[0] += step_s
        watch.look()
        assert told.pop() == (pytest.approx(step_s), wall[0])
        assert watch.look() is None
    monotonic[0] += 30.0  # a busy machine: both clocks go on, only the look came late
    wall[0] += 30.0
    assert watch.look() is None


def test_the_watch_of_a_fast_clock_takes_a_busy_machine_for_no_step() -> None:
    """A demo's clock: 6,000 of its seconds in one, and 2 ms between the look at one clock and that at the other."""
    real, told = [0.0], []

    def read() -> float:
        real[0] += 0.002
        return START + 6000 * real[0]

    watch = ClockWatch(lambda offset_s, now_s: told.append(offset_s), Clock(wall=read, monotonic=read, speed=6000.0))
    for pause_s in (0.0, 0.001, 0.005):
        real[0] += pause_s
        watch.look()
    late = [0.0, 0.004]
    odd = Clock(wall=lambda: read() - 6000 * late.pop(), monotonic=read, speed=6000.0)
    watch = ClockWatch(lambda offset_s, now_s: told.append(offset_s), odd)
    watch.look()
    assert told == []
