"""Progress of long work: there on a terminal once a second is nearly over, and not a character of it in a pipe."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from monitor.cli.progress import AFTER_S, growing, progress, watched
from tests.terminal import on_a_terminal


class Steps:
    """A clock that goes on by so much at each look."""

    def __init__(self, each_s: float) -> None:
        self.now_s, self.each_s = 0.0, each_s

    def __call__(self) -> float:
        self.now_s += self.each_s
        return self.now_s


def test_what_is_over_at_once_shows_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    with progress(100, "quick", clock=Steps(AFTER_S / 200), on=True) as seen:
        assert list(watched(range(100), seen)) == list(range(100))
    assert capsys.readouterr() == ("", "")


@pytest.mark.parametrize("count", [0, 10, 100, 1000])
def test_a_bar_comes_after_a_while_and_ends_full_however_wrong_the_count(
    capsys: pytest.CaptureFixture[str], count: int
) -> None:
    with progress(count, "slow", clock=Steps(0.05), on=True) as seen:
        for _ in range(100):
            seen()
    out, err = capsys.readouterr()
    assert out == ""
    assert "slow" in err


def test_nobody_there_means_no_bar(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    with progress(100, "slow", clock=Steps(10.0)) as seen, growing(tmp_path / "none", 10, "copy"):
        seen(100)
    assert capsys.readouterr() == ("", "")


# the command as it is, but for one that shows its bar at once: how long work takes is the machine's affair
AT_ONCE = "import monitor.cli.progress as shown; shown.AFTER_S = 0.0; from monitor.cli import main; main()"


@pytest.mark.parametrize("command", ["replay", "import"])
def test_a_run_shows_its_progress_on_a_terminal_and_nowhere_else(tmp_path: Path, command: str) -> None:
    run = tmp_path / "season.csv"
    rows = "".join(
        f"2026-03-{1 + k // 1440:02d}T{k // 60 % 24:02d}:{k % 60:02d}:00Z,{110 - (k % 720) // 20},23\n"
        for k in range(3000)
    )
    run.write_text(f"# empty_mm: 180\ntime,distance_mm,temperature_c\n{rows}")
    words = [sys.executable, "-c", AT_ONCE, command, str(run)]
    more = [["--store", str(tmp_path / f"{n}.db")] if command == "import" else [] for n in range(2)]
    said, shown = on_a_terminal(words + more[0])
    assert "season.csv" in shown
    assert "100%" in shown
    quiet = subprocess.run(words + more[1], capture_output=True, text=True, check=True, timeout=100)
    assert quiet.stdout == said
    assert "%" not in quiet.stderr
