"""`jartide demo` as a newcomer calls it: a house to look at through a night sped up, or one plain night without a page.

Only that all of it is there and in the order of a cycle; `test_simulated_runs.py` checks how sharp the times are.
"""

from __future__ import annotations

import contextlib
import json
import math
import re
import socket
import subprocess
import sys
from pathlib import Path
from typing import Any
from urllib.request import urlopen

from monitor.cli.demo import CONFIG, HouseClock, config_of, house_settings
from monitor.config.reader import load
from monitor.runs import run_file
from tests.servers import listens, wait_until


def test_the_demo_tells_keeps_and_draws_a_night(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "monitor", "demo", "--no-page", "--seconds", "6", "--folder", str(tmp_path)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    assert "** Feed midnight" in done.stdout  # "now", or where a busy machine lets hours pass in a second "since ..."
    said = re.findall(r"^  (fed|peak reached|fall began) +(\d\d):(\d\d), known at \d\d:\d\d$", done.stdout, re.M)
    assert [kind for kind, *_ in said] == ["fed", "peak reached", "fall began"]
    fed, peak, fall = (int(hour) + int(minute) / 60 for _, hour, minute in said)
    assert 0 < (peak - fed) % 24 <= (fall - fed) % 24 < 16, "one night"
    (csv,) = tmp_path.glob("*.csv")
    assert len(list(run_file.read(csv).rows())) > 800
    (picture,) = tmp_path.glob("*.png")
    assert picture.read_bytes().startswith(b"\x89PNG")


def test_the_house_is_served_decides_as_it_goes_and_ends_by_itself_without_a_terminal(tmp_path: Path) -> None:
    """Its usual port is taken: another is found. The wait after the night is cut short, as a test has no minute."""
    call = "import sys; import monitor.cli.demo as it; it.STAYS_S = 1.0; it.demo(sys.argv[1:])"
    command = [sys.executable, "-c", call, "--seconds", "12", "--folder", str(tmp_path)]
    with socket.socket() as taken:
        with contextlib.suppress(OSError):  # then it is taken by somebody else
            taken.bind(("127.0.0.1", 8140))
        with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as house:
            assert house.stdout is not None
            first = house.stdout.readline()  # before anything else, and flushed
            found = re.match(r"The page: (http://\S+:(\d+)/)", first)
            assert found is not None, first
            assert found[2] != "8140"
            wait_until(lambda: listens(int(found[2])), "the page listens", 60)
            now: dict[str, Any] = {}

            def shown() -> bool:
                with urlopen(f"{found[1]}api/now", timeout=30) as answer:
                    now.update(json.load(answer))
                on_time = now["as_of_s"] is not None and abs(now["now_s"] - now["as_of_s"]) < 3 * 3600
                return len(now["jars"]) == 5 and on_time  # one clock for all, and it is the house's

            wait_until(shown, "the page knows the jars as they are now", 60)
            rest, complaints = house.communicate(timeout=110)
    assert house.returncode == 0, complaints
    assert {jar["jar"] for jar in now["jars"]} == {"Rye", "Wheat", "White", "Spelt", "Spare"}
    for decided in ("Rye fed", "Rye begins to rise", "Rye at its peak", "begins to sink: feed it now"):
        assert decided in rest
    assert "The night is over. The page stays open for 1 s." in rest
    status = [sys.executable, "-m", "monitor", "status", "--config", str(tmp_path / CONFIG)]
    told = subprocess.run(status, capture_output=True, text=True, timeout=60, check=False)
    assert "Spelt" in told.stdout, told.stderr
    assert "fed 4 days ago" in told.stdout, "the spare one, by the time of the house"


def test_the_house_has_a_config_for_other_commands(tmp_path: Path) -> None:
    house = house_settings(tmp_path / "house.db", 8141)
    (tmp_path / CONFIG).write_text(config_of(house), encoding="utf-8")
    read = load(tmp_path / CONFIG)
    assert read.jars == house.jars
    assert (read.store.path, read.page.port, read.display) == (house.store.path, 8141, house.display)


def test_the_house_ends_when_nobody_reads_it_any_more(tmp_path: Path) -> None:
    """`jartide demo | head`: no thread is left behind, and nothing is said of it."""
    command = [sys.executable, "-m", "monitor", "demo", "--seconds", "300", "--folder", str(tmp_path)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as house:
        assert house.stdout is not None
        assert house.stderr is not None
        while "one night of" not in house.stdout.readline():
            pass
        house.stdout.close()
        assert house.wait(60) == 0
        assert house.stderr.read() == ""


def test_the_clock_of_the_house_waits_for_its_sensors() -> None:
    """On a busy machine the readings come late; then the night takes longer, and nobody is found silent."""
    real_s, next_s = 0.0, 1060.0
    clock = HouseClock(1000.0, 5000.0, speed=100.0, real=lambda: real_s)
    clock.keep_to(lambda: next_s)
    real_s = 7.0
    assert clock.wall() == 1000.0  # the night has not begun
    clock.begin()
    real_s = 7.5
    assert clock.wall() == 1050.0
    real_s = 90.0
    assert clock.wall() == 1060.0  # the reading of that time is still to come
    next_s = 1120.0
    assert clock.wall() == 1060.0  # what was waited for is not made up
    real_s = 90.5
    assert clock.wall() == 1110.0
    next_s, real_s = math.inf, 1000.0
    assert clock.wall() == 5000.0
