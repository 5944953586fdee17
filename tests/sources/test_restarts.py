"""When a message was measured, of a device whose boot token stays the same over its restarts; and that this costs no
other device anything."""

from __future__ import annotations

import pytest

from monitor.sources.boot_clock import DRIFT_RATIO, STEADY_TIMES, BootClocks

HOUR_S = 3600.0


def live(
    clocks: BootClocks, began_s: float, *, times: int = 5, every_s: float = 10.0, first_up_s: float = 3.0
) -> float:
    """A device that is switched on at `began_s` and heard at once; returns when it was heard last."""
    for n in range(times):
        up_s = first_up_s + n * every_s
        assert clocks.delay_s("rye", "name", up_s * 1000, began_s + up_s, waited=False) == pytest.approx(0.0, abs=0.3)
    return began_s + first_up_s + (times - 1) * every_s


@pytest.mark.fault("S15")
@pytest.mark.parametrize("off_s", [0.1, 60.0, 10 * HOUR_S])
def test_a_restart_under_the_same_token_is_a_new_power_up(off_s: float) -> None:
    clocks, began_s = BootClocks(), 1000.0
    for n, times in enumerate((2000, 3, 1, 40)):  # no board starts in the same number of milliseconds each time
        began_s = live(clocks, began_s, times=times, first_up_s=3.0 - 0.004 * n) + off_s


@pytest.mark.fault("S15")
def test_a_restart_while_the_daemon_was_down_is_one() -> None:
    before = BootClocks()
    live(before, 1000.0, times=1000)
    saved = before.snapshot(wall_s=1e9, at_s=11_000.0)
    live(BootClocks(saved, wall_s=1e9 + 500.0, at_s=20.0), 20.0)


@pytest.mark.fault("S15")
@pytest.mark.parametrize("jitter_s", [0.02, -0.02])
def test_a_board_that_sleeps_between_readings_is_heard_when_it_speaks(jitter_s: float) -> None:
    clocks = BootClocks()
    for n in range(200):
        up_s = 0.8 + jitter_s * (n % 3)
        assert clocks.delay_s("rye", "name", up_s * 1000, n * 60.0 + up_s, waited=False) == pytest.approx(0.0, abs=0.3)


@pytest.mark.fault("S15")
def test_a_restart_among_what_the_broker_held_is_found_once_messages_come_at_their_pace() -> None:
    clocks = BootClocks()
    last_s = live(clocks, 0.0, times=1800)
    again_s, now_s = last_s + HOUR_S, last_s + 2 * HOUR_S
    for n in range(360):
        clocks.delay_s("rye", "name", (3 + 10 * n) * 1000, now_s + n * 0.001, waited=True)
    delays_s = [
        clocks.delay_s("rye", "name", (3 + 10 * n) * 1000, again_s + 3 + 10 * n, waited=False)
        for n in range(361, 361 + 2 * STEADY_TIMES)
    ]
    assert delays_s[-STEADY_TIMES:] == [0.0] * STEADY_TIMES


@pytest.mark.fault("M16")
@pytest.mark.parametrize("newest_first", [False, True])
@pytest.mark.parametrize("apart_s", [0.001, 5.0])
def test_a_backlog_of_a_board_that_went_on_measuring_keeps_its_times(newest_first: bool, apart_s: float) -> None:
    """It was without Wi-Fi for an hour, from soon after it was switched on, and sends what it kept all at once, or two
    in the time of one; the newest perhaps first."""
    clocks = BootClocks()
    live(clocks, 0.0, times=2)
    kept_s = [3 + 10.0 * n for n in range(2, 362)]
    if newest_first:
        kept_s.insert(0, kept_s.pop())
    for n, up_s in enumerate(kept_s):
        at_s = HOUR_S + 13 + n * apart_s
        delay_s = clocks.delay_s("rye", "name", up_s * 1000, at_s, waited=False)
        crept_s = 0.0 if apart_s < 1.0 else DRIFT_RATIO * 10.0 * n
        assert delay_s == pytest.approx(at_s - up_s, abs=crept_s + 0.05)


@pytest.mark.fault("M4")
def test_a_message_that_comes_twice_long_after_a_start_is_no_other_start() -> None:
    clocks = BootClocks()
    last_s = live(clocks, 0.0, times=3)
    for later_s in (1.0, 100.0, 5000.0):
        assert clocks.delay_s("rye", "name", last_s * 1000, last_s + later_s, waited=False) == later_s
