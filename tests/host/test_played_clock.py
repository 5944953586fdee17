"""The clock of a played night: fast until it has caught up, shared in a file between who plays and who watches."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

import pytest

from monitor.daemon import assembly
from monitor.host import played_clock
from monitor.host.clock import Clock, ClockWatch
from monitor.host.played_clock import PlayedClock
from tests.terminal import jartide

NOW_S = 1_795_600_000.0
NIGHT = PlayedClock(began_s=NOW_S, shown_s=NOW_S - 29_900.0, speed=300.0)  # 30 000 s in 100 s


def test_it_runs_fast_and_ends_at_the_real_time() -> None:
    assert NIGHT.at(NOW_S) == NOW_S - 29_900.0
    assert NIGHT.at(NOW_S + 10.0) == NOW_S - 26_900.0
    assert NIGHT.ends_s == NOW_S + 100.0
    assert NIGHT.at(NIGHT.ends_s) == NIGHT.ends_s
    assert NIGHT.at(NOW_S + 500.0) == NOW_S + 500.0


def test_no_step_and_no_sleep_is_seen_in_it() -> None:
    real = [NOW_S]
    wrong: list[object] = []
    watched = ClockWatch(
        lambda *said: wrong.append(said), NIGHT.clock(lambda: real[0]), lambda *said: wrong.append(said)
    )
    while real[0] < NOW_S + 200.0:
        real[0] += 0.25
        watched.look()
    assert not wrong


def test_a_file_of_a_night_that_is_over_is_none(tmp_path: Path) -> None:
    path = tmp_path / "clock"
    assert played_clock.read(path, NOW_S) is None
    played_clock.write(path, NIGHT)
    assert played_clock.read(path, NOW_S + 50.0) == NIGHT
    assert played_clock.read(path, NOW_S + 101.0) is None


def test_it_may_stand(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As the demo's does when its night is over: commands about its store still speak of that morning."""
    store = tmp_path / "s.db"
    played_clock.write(played_clock.beside(store), PlayedClock(began_s=NOW_S, shown_s=NOW_S - 5e6, speed=0.0))
    for later_s in (0.0, 100.0, 1e8):
        assert played_clock.now_s(store, NOW_S + later_s) == NOW_S - 5e6
    config = tmp_path / "jartide.toml"
    config.write_text('[[jar]]\nname = "rye"\nempty_mm = 150\n[store]\npath = "s.db"\n')
    monkeypatch.setattr("faulthandler.enable", lambda: None)  # wants a real standard error
    done = jartide("watch", "--config", config, "--clock", played_clock.beside(store))
    assert (done.exit_code, "it stands" in done.output) == (2, True), done.output


def test_commands_about_a_store_live_in_the_night_of_its_watch(tmp_path: Path) -> None:
    store = tmp_path / "s.db"
    assert played_clock.now_s(store, NOW_S + 10.0) == NOW_S + 10.0
    played_clock.write(played_clock.beside(store), NIGHT)
    assert played_clock.now_s(store, NOW_S + 10.0) == NIGHT.at(NOW_S + 10.0)
    assert played_clock.now_s(store, NOW_S + 200.0) == NOW_S + 200.0  # left behind by a watch that was killed
    played_clock.beside(store).write_text("noon")
    assert played_clock.now_s(store, NOW_S) == NOW_S


@pytest.mark.dates
def test_both_commands_share_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What the watch is given while a night is played, and that nothing stays behind."""
    path, config = tmp_path / "clock", tmp_path / "jartide.toml"
    config.write_text('[[jar]]\nname = "rye"\nempty_mm = 150\n[store]\npath = "s.db"\n')
    now_s = time.time()
    played_clock.write(path, PlayedClock(began_s=now_s, shown_s=now_s - 50_000.0, speed=200.0))
    given: list[float] = []

    def watch(settings: object, *, clock: Clock, started: Callable[[object], None], **rest: object) -> None:
        given.extend((clock.wall() - time.time(), clock.speed))
        started(None)
        given.append(clock.wall() - played_clock.now_s(tmp_path / "s.db", time.time()))

    monkeypatch.setattr(assembly, "watch", watch)
    monkeypatch.setattr("faulthandler.enable", lambda: None)  # wants a real standard error
    done = jartide("watch", "--config", config, "--clock", path)
    assert done.exit_code == 0, done.output
    assert -50_000.0 <= given[0] < -20_000.0  # a busy machine may let a minute and more pass
    assert given[1] == 200.0
    assert abs(given[2]) < 60.0 * 200.0  # `status` and the others beside it live in the same night
    assert played_clock.now_s(tmp_path / "s.db", NOW_S) == NOW_S  # which is over

    scenario = Path(__file__).parents[2] / "simulated_runs" / "good_night.toml"
    shared = tmp_path / "of_simulate"
    seen: list[PlayedClock | None] = []
    from monitor.simulator import player

    def terminal(messages: object, descriptor: int, pace: object) -> int:
        seen.append(played_clock.read(shared, time.time()))
        return 0

    monkeypatch.setattr(player, "to_terminal", terminal)
    words = ["simulate", str(scenario), "--pty", "--speed", "300", "--clock", str(shared)]
    done = jartide(*words)
    assert done.exit_code == 0, done.output
    (clock,) = seen
    assert clock is not None
    assert clock.speed == 300.0
    assert clock.ends_s - clock.began_s == pytest.approx(14 * 3600 / 300.0, rel=0.01)
    assert not shared.exists()


def test_what_is_no_clock_is_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("faulthandler.enable", lambda: None)
    config, path = tmp_path / "jartide.toml", tmp_path / "clock"
    config.write_text('[[jar]]\nname = "rye"\nempty_mm = 150\n[store]\npath = "s.db"\n')
    path.write_text("noon\n")
    done = jartide("watch", "--config", config, "--clock", path)
    assert done.exit_code == 2
    assert done.stderr.splitlines()[-1].endswith("not a clock written by `jartide simulate --clock`")
