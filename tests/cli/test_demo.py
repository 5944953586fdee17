"""`jartide demo` as a newcomer calls it: one simulated night through the daemon, told, kept and drawn.

Only that all of it is there and in the order of a cycle; `test_simulated_runs.py` checks how sharp the times are.
"""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

from monitor.runs import run_file


def test_the_demo_tells_keeps_and_draws_a_night(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "monitor", "demo", "--seconds", "10", "--folder", str(tmp_path)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    assert "** Feed midnight" in done.stdout  # "now", or where a busy machine lets hours pass in a second "since ..."
    said = re.findall(r"^  (fed|peak reached|fall began) +(\d\d):(\d\d), known at \d\d:\d\d$", done.stdout, re.M)
    assert [kind for kind, *_ in said] == ["fed", "peak reached", "fall began"]
    fed, peak, fall = (int(hour) + int(minute) / 60 for _, hour, minute in said)
    assert 0 < (peak - fed) % 24 < (fall - fed) % 24 < 16, "one night"
    (csv,) = tmp_path.glob("*.csv")
    assert len(list(run_file.read(csv).rows())) > 800
    (picture,) = tmp_path.glob("*.png")
    assert picture.read_bytes().startswith(b"\x89PNG")
